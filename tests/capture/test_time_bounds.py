"""Times anywhere in 64 bits, and beyond: no exception, no overflow, nothing outside the bounds that readers keep."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import pcapng_blocks as pb
from busbench.capture.open import open_capture
from busbench.capture.pcapng_write import PcapngWriter
from busbench.cli.main import run
from busbench.errors import CaptureError
from busbench.line import BUS_LINE
from busbench.model import TIME_MAX_NS, TIME_MIN_NS, ByteLog, Clock, ClockKind, remove_clock_steps
from tests.cli.running import CAPTURES

MOST = (1 << 64) - 1
FRAME = bytes([0x0F]) + bytes(24)


def pcapng(stamps: list[int], *, tsresol: int, offset_s: int) -> bytes:
    """Packets of a frame each, with a timestamped annotation."""
    options = pb.option(9, bytes([tsresol])) + pb.option(14, struct.pack("<q", offset_s))
    blocks = [
        pb.block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1)),
        pb.block(1, struct.pack("<HHI", 148, 0, 0), options),
    ]
    for stamp in stamps:
        head = struct.pack("<IIIII", 0, stamp >> 32, stamp & 0xFFFFFFFF, 25, 25)
        blocks.append(pb.block(6, head + FRAME + bytes(3), pb.option(1, b"mark=here")))
    return b"".join(blocks)


PCAPNG = [
    pcapng(stamps, tsresol=tsresol, offset_s=offset_s)
    for stamps in ([0, MOST >> 1, MOST], [MOST - 28_000_000, MOST - 14_000_000, MOST], [MOST, 0, MOST, 0, MOST, 0])
    for tsresol in (0, 6, 9, 10, 29, 0x80, 0x81, 0xBF)
    for offset_s in (0, 1 << 33, -(1 << 33), -(1 << 63))
]
TIMES = ["0", "-9.2e9", "9.2e9", "-2305843009", "4611686018", "1e300", "-1e300", "9223372036854775807", "1e-300"]
BYTE_CSV = [
    f"{head}\n{first},0x0F\n{then},0x00\n".encode()
    for head in ("time_s,byte", "time_ns,byte")
    for first in TIMES[:3]
    for then in TIMES
]
LEVEL_CSV = [f"time_s,D0\n0,1\n0.00001,0\n0.00002,1\n0.00005,0\n{then},1\n".encode() for then in TIMES]
LINE = (CAPTURES / "heron-line.vcd").read_bytes()
VCD = [LINE + b"#%d\n0!\n" % then for then in (10**9, 1 << 61, (1 << 62) - 1, 1 << 62, (1 << 63) - 1, MOST, 10**30)]


@pytest.mark.parametrize(
    ("suffix", "files", "readable"),
    [("pcapng", PCAPNG, 96), ("csv", BYTE_CSV, 20), ("csv", LEVEL_CSV, 0), ("vcd", VCD, 3)],
)
def test_every_time_is_read_within_bounds_and_can_be_worked_with(
    suffix: str, files: list[bytes], readable: int, tmp_path: Path
) -> None:
    path, read = tmp_path / f"far.{suffix}", 0
    with warnings.catch_warnings(), np.errstate(over="raise"):
        warnings.simplefilter("error")
        for file in files:
            path.write_bytes(file)
            try:
                with open_capture(path) as capture:
                    logs = list(capture.blocks())
                    marks = [mark.t_ns for mark in capture.info.marks]
            except CaptureError:
                continue
            read += 1
            times = np.concatenate([np.array(marks, np.int64), *(log.mark_t_ns for log in logs)])
            assert ((times >= TIME_MIN_NS) & (times <= TIME_MAX_NS)).all(), file
            # One command and one writer per file, in turn.
            command = ("outages", "timing", "channels")[read % 3]
            assert run([command, str(path), "--format", "json"]) == 0, file
            to = ("csv", "pcapng", "vcd")[read // 3 % 3]
            assert run(["convert", str(path), "-o", str(tmp_path / f"to.{to}"), "--force"]) == 0, file
    assert read >= readable


@pytest.mark.parametrize("foreign", [0, 2], ids=["alone", "beside another interface"])
def test_times_before_the_zero_of_a_recording_without_a_date_are_kept(foreign: int, tmp_path: Path) -> None:
    path, began_ns = tmp_path / "before.pcapng", [-100_000_000, -50_000_000, 50_000_000]
    clock = Clock(ClockKind.PER_BYTE, 10)
    with PcapngWriter(str(path), port="", line=BUS_LINE, clock=clock, start_utc_ns=None) as writer:
        frames = np.frombuffer(FRAME * 3, np.uint8)
        writer.write_log(ByteLog(0, frames, np.array([25, 50, 75]), np.array(began_ns)))
    whole = path.read_bytes()
    at = whole.index(struct.pack("<I", 6))  # its first packet
    head = struct.pack("<IIIII", 1, 0, 7, 4, 4)
    other = [pb.block(1, struct.pack("<HHI", 1, 0, 0)), *[pb.block(6, head + bytes(4))] * foreign]
    path.write_bytes(whole[:at] + b"".join(other) + whole[at:])
    with open_capture(path) as capture:
        assert np.concatenate([log.mark_t_ns for log in capture.blocks()]).tolist() == began_ns


def test_a_clock_set_back_again_and_again_stays_within_bounds() -> None:
    times = np.array([0, TIME_MAX_NS, TIME_MIN_NS, TIME_MAX_NS, TIME_MIN_NS], np.int64)
    gone_on = remove_clock_steps(times)
    assert (np.diff(gone_on) >= 0).all()
    assert gone_on[-1] == TIME_MAX_NS


def test_times_kept_at_a_bound_are_noted(tmp_path: Path) -> None:
    path = tmp_path / "late.pcapng"
    path.write_bytes(pcapng([0, 14_000_000, MOST], tsresol=9, offset_s=0))
    with open_capture(path) as capture:
        assert [log.mark_t_ns.tolist() for log in capture.blocks()] == [[0, 14_000_000, TIME_MAX_NS]]
        assert capture.info.notes[-1] == (
            "1 packet stamped outside the years 1896 to 2116 and kept at that bound: their times mean nothing"
        )


@pytest.mark.parametrize("offset_s", [0, 1 << 33, -(1 << 33)])
@pytest.mark.parametrize("tsresol", [0, 6, 9, 0x80, 0x81, 0x9E])
def test_packets_with_times_kept_at_a_bound_are_no_copies(tsresol: int, offset_s: int, tmp_path: Path) -> None:
    """The same bytes again later, in years beyond 2116."""
    path = tmp_path / "late.pcapng"
    path.write_bytes(pcapng([MOST - (2 << 31), MOST - (1 << 31), MOST], tsresol=tsresol, offset_s=offset_s))
    with open_capture(path) as capture:
        assert np.concatenate([log.data for log in capture.blocks()]).tobytes() == FRAME * 3
        assert capture.info.notes[-1] == (
            "3 packets stamped outside the years 1896 to 2116 and kept at that bound: their times mean nothing"
        )
