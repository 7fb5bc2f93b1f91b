"""What writers write, to the digit: times from the first byte, bytes that crowd, a clock set back, marks and notes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.capture.base import CaptureInfo, Origin
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.capture.open import open_capture
from busbench.capture.write import LogWriter, open_writer
from busbench.line import LineSettings, WakeUps
from busbench.model import TIME_MAX_NS, Annotation, ByteLog, Clock, ClockKind

INFO = CaptureInfo("own", "made", Clock(ClockKind.PER_READ, 1))
CHARACTER_NS = 120_000
NONE = np.empty(0, np.int64)


def log(offset: int, data: bytes, ends: list[int], t_ns: list[int], bad: list[int] | None = None) -> ByteLog:
    marks = np.array(ends, np.int64), np.array(t_ns, np.int64)
    return ByteLog(offset, np.frombuffer(data, np.uint8), *marks, None if bad is None else np.array(bad, np.uint8))


def rows(folder: Path, *logs: ByteLog, line: LineSettings | None = None) -> list[str]:
    path = folder / "a.csv"
    with open_writer(str(path), INFO, line=line or LineSettings()) as writer:
        for one in logs:
            writer.write_log(one)
    head, *found = path.read_text().splitlines()
    assert head == "time_s,byte,error"
    return found


def test_rows_of_bytes(tmp_path: Path) -> None:
    """A read of three bytes, an empty one, one of one byte 1.5 s later, and one right after it."""
    t_ns = 7_000_000_000
    logs = [
        log(0, b"\x0f\xa5\x00", [3], [t_ns], [0, 1, 4]),
        log(3, b"", [], []),
        log(3, b"\xff", [4], [t_ns + 1_500_000_123]),
        log(4, b"\x10\x20", [5, 6], [t_ns + 1_500_000_123, t_ns + 12_000_000_000], [2, 0]),
    ]
    assert rows(tmp_path, *logs) == [
        "0.000000000,0x0F,0",
        "0.000120000,0xA5,1",
        "0.000240000,0x00,1",
        "1.500240123,0xFF,0",
        "1.500360123,0x10,1",
        "12.000240000,0x20,0",
    ]


def test_the_line_says_how_long_a_character_lasts(tmp_path: Path) -> None:
    line = LineSettings(baud=200_000, parity="N", stop_bits=1)
    assert rows(tmp_path, log(0, b"\1\2\3", [3], [0]), line=line) == [
        "0.000000000,0x01,0", "0.000050000,0x02,0", "0.000100000,0x03,0",
    ]  # fmt: skip


def test_a_clock_set_back_goes_on_after_the_usual_step(tmp_path: Path) -> None:
    ms = 1_000_000
    logs = [
        log(0, b"\1\2", [1, 2], [1000 * ms, 1014 * ms]),
        log(2, b"\3\4", [3, 4], [500 * ms, 514 * ms]),
        log(4, b"\5", [5], [528 * ms]),
        log(5, b"\6\7", [6, 7], [542 * ms, 20 * ms]),
    ]
    starts = [row.partition(",")[0] for row in rows(tmp_path, *logs)]
    assert starts == [f"0.0{n:02d}000000" for n in (0, 14, 28, 42, 56, 70, 84)]


def test_times_after_a_clock_that_was_set_back_end_at_the_latest(tmp_path: Path) -> None:
    half, s = TIME_MAX_NS // 2, 1_000_000_000
    back = log(0, b"\1\2\3", [1, 2, 3], [half, half + s, half - s])  # the last is written as half + 2 s
    starts = [row.partition(",")[0] for row in rows(tmp_path, back, log(3, b"\4", [4], [TIME_MAX_NS]))]
    assert [int(start.replace(".", "")) for start in starts] == [0, s, 2 * s, TIME_MAX_NS - half]


@pytest.mark.parametrize(("bad", "written"), [(0, 0), (1, 1), (2, 2), (3, 3), (4, 1), (6, 2), (8, 1)])
def test_faults_of_a_byte_on_the_written_line(tmp_path: Path, bad: int, written: int) -> None:
    """One without a kind that can be written is one of parity."""
    path = str(tmp_path / "a.vcd")
    data = b"\x0f\x55\x33" * 8
    with open_writer(path, INFO) as writer:
        writer.write_log(log(0, b"", [], []))
        writer.write_log(log(0, data, [24], [10**9], [0] * 10 + [bad] + [0] * 13))
    text = Path(path).read_text().partition("$enddefinitions $end\n")[2]
    assert text.startswith("#0\n$dumpvars\n0!\n$end\n#120000\n1!\n#130000\n0!\n#170000\n1!\n#220000\n0!\n")
    assert text.endswith(f"#{CHARACTER_NS * 26}\n")  # idle for one character before, and for one after
    (found,) = open_capture(path).blocks()
    assert found.data.tobytes() == data
    assert found.mark_t_ns.tolist() == [CHARACTER_NS * n for n in range(1, 25)]
    assert (0 if found.bad is None else int(found.bad[10]) & 3) == written


def test_notes_go_with_the_bytes_before_them(tmp_path: Path) -> None:
    """Each once, those that come after the last bytes too."""
    info = CaptureInfo("folder/own", "made", Clock(ClockKind.PER_READ, 1000), 0, origin=Origin("Heron", "cold", "A1"))
    path, s = str(tmp_path / "a.pcapng"), 1_000_000_000
    with open_writer(path, info) as writer:
        for n in range(1, 4):
            info.marks.append(Annotation(n * s, f"mark {n}"))
            info.wakes.append(WakeUps(n * s, (n, 0, 0, 0, 0, 0, 0, 0)))
            info.left_out.append(LeftOut(n * s - 5, n * s, n, 25 * n))
            info.totals.append(MinuteTotals(n * s, n, 100 * n))
            if n < 3:
                writer.write_log(log(n - 1, b"\x0f", [n], [n * s]))
    found = read_recording(path).info
    assert (found.source, found.origin, found.start_utc_ns) == ("own", info.origin, 0)
    assert found.marks == info.marks
    assert [(one.t_ns, one.counts[0]) for one in found.wakes] == [(n * s, n) for n in (1, 2, 3)]
    assert found.left_out == info.left_out
    assert [(one.minute, one.frames) for one in found.totals] == [(1, 100), (2, 200), (3, 300)]


@pytest.mark.parametrize("suffix", [".csv", ".vcd", ".raw", ".pcapng"])
@pytest.mark.parametrize("is_discarded", [True, False])
def test_a_file_appears_when_it_is_complete(tmp_path: Path, suffix: str, is_discarded: bool) -> None:
    path = tmp_path / f"a{suffix}"

    def write(writer: LogWriter) -> None:
        with writer:
            writer.write_log(log(0, b"\x0f\x01", [2], [10**9]))
            assert not path.exists()
            if is_discarded:
                raise KeyError

    if is_discarded:
        with pytest.raises(KeyError):
            write(open_writer(str(path), INFO))
    else:
        write(open_writer(str(path), INFO))
    assert path.exists() is not is_discarded
    assert len(list(tmp_path.iterdir())) == (not is_discarded)
