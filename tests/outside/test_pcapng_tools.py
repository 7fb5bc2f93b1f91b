"""Our recordings against the packet tools in general use.

Sources: tshark, capinfos, editcap and text2pcap of the Wireshark project, and the dpkt
library, all of which implement IETF draft-ietf-opsawg-pcapng independently of us.
"""

from __future__ import annotations

import shutil
import subprocess
from decimal import Decimal
from pathlib import Path

import dpkt
import numpy as np
import pytest

from busbench.analysis.recording import read_recording, read_recordings
from busbench.capture.base import Origin, ReadOptions
from busbench.capture.open import open_capture
from busbench.capture.pcapng_write import PcapngWriter, SerialLine
from busbench.errors import CaptureError
from busbench.line import BUS_LINE, Chunk
from busbench.model import Annotation, ByteLog, Clock, ClockKind

START_NS = 1_700_000_000_000_000_000


def run(tool: str, *arguments: str, text: str | None = None) -> str:
    path = shutil.which(tool)
    if path is None:
        pytest.skip(f"outside tool missing: {tool}")
    done = subprocess.run([path, *arguments], input=text, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def reads() -> list[tuple[int, bytes]]:
    rng = np.random.default_rng(11)
    times = np.cumsum(rng.integers(1, 9_000_000, 300))
    return [(int(t), rng.bytes(int(rng.integers(1, 70)))) for t in times]


def written(path: Path, *, flags: bool = True) -> list[tuple[int, bytes]]:
    """Half of the reads written one by one, half in bulk."""
    some = reads()
    clock = Clock(ClockKind.PER_READ, 1)
    with PcapngWriter(
        str(path), port="ttyS7", line=BUS_LINE, clock=clock, start_utc_ns=START_NS, direction_flags=flags
    ) as out:
        for t_ns, data in some[:150]:
            out.write(Chunk(t_ns, data))
        out.write_log(ByteLog.from_chunks(Chunk(t_ns, data) for t_ns, data in some[150:]))
    return [(START_NS + t_ns, data) for t_ns, data in some]


def ours(path: Path) -> list[tuple[int, bytes]]:
    found = []
    with open_capture(str(path)) as capture:
        for log in capture.blocks():
            first = 0
            for end, t_ns in zip((log.mark_end - log.offset).tolist(), log.mark_t_ns.tolist(), strict=True):
                found.append((t_ns, log.data[first:end].tobytes()))
                first = end
    return found


@pytest.mark.parametrize("flags", [True, False])
def test_tshark_reads_the_same_times_and_bytes(tmp_path: Path, flags: bool) -> None:
    path = tmp_path / "a.pcapng"
    expected = written(path, flags=flags)
    lines = run("tshark", "-r", str(path), "-T", "fields", "-e", "frame.time_epoch", "-e", "data.data").splitlines()
    found = []
    for line in lines:
        stamp, data = line.split("\t")
        seconds, ns = stamp.split(".")
        found.append((int(seconds) * 1_000_000_000 + int(ns), bytes.fromhex(data)))
    assert found == expected == ours(path)


def test_tshark_reads_directions_comments_and_names(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    clock = Clock(ClockKind.PER_READ, 1)
    with PcapngWriter(str(path), port="ttyS7", line=BUS_LINE, clock=clock, start_utc_ns=START_NS) as out:
        out.write(Chunk(1, b"abcdefghij", b"\0\0\0\1\0\0\0\1\1\1"))
        out.write(Chunk(2, b"ask"), outbound=True)
        out.mark(3, "30 paces")
    names = ("frame.packet_flags_direction", "frame.interface_id", "frame.interface_name", "frame.comment", "frame.len")
    fields = [word for name in names for word in ("-e", name)]
    lines = run("tshark", "-r", str(path), "-T", "fields", *fields).splitlines()
    assert [line.replace("0x00000001", "1").replace("0x00000002", "2") for line in lines] == [
        "1\t0\tttyS7\tbad=3,7-9\t10",
        "2\t1\tttyS7\t\t3",
        "1\t0\tttyS7\tmark=30 paces\t0",
    ]


def test_capinfos_finds_nothing_amiss(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    expected = written(path)
    text = run("capinfos", "-M", str(path))
    facts = dict(line.split(":", 1) for line in text.splitlines() if ":" in line)
    assert facts["Number of packets"].strip() == "300"
    assert facts["Data size"].strip() == f"{sum(len(data) for _, data in expected)} bytes"
    assert facts["File timestamp precision"].strip() == "nanoseconds (9)"
    assert "clock=per-read resolution_ns=1 epoch=unix" in text


def test_dpkt_reads_the_same_bytes(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    expected = written(path)
    with path.open("rb") as file:
        found = list(dpkt.pcapng.Reader(file))
    assert [bytes(data) for _, data in found] == [data for _, data in expected]
    # its times are floats: near enough to a microsecond today
    for (t_s, _), (t_ns, _) in zip(found, expected, strict=True):
        assert abs(float(t_s) - t_ns / 1e9) < 1e-6


def test_we_read_what_dpkt_writes(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    with path.open("wb") as file:
        out = dpkt.pcapng.Writer(file, linktype=147)
        for t_ns, data in reads():
            out.writepkt(data, ts=(START_NS + t_ns) / 1e9)
    found = ours(path)
    assert [data for _, data in found] == [data for _, data in reads()]
    assert all(abs(t_ns - START_NS - sent) <= 1_000 for (t_ns, _), (sent, _) in zip(found, reads(), strict=True))


def test_we_read_what_text2pcap_and_editcap_write(tmp_path: Path) -> None:
    dump = tmp_path / "dump.txt"
    rows = [f"1700000000.{i:09d}\n0000 {bytes(range(i, i + 9)).hex(' ')}\n" for i in range(5)]
    dump.write_text("\n".join(rows))
    path = tmp_path / "a.pcapng"
    run("text2pcap", "-l", "147", "-t", "%s.%f", str(dump), str(path))
    expected = [(START_NS + i, bytes(range(i, i + 9))) for i in range(5)]
    assert ours(path) == expected
    edited = tmp_path / "b.pcapng"
    run("editcap", "-a", "3:gate 2", str(path), str(edited))
    assert ours(edited) == expected
    capture = open_capture(str(edited), options=ReadOptions(interface="0"))
    list(capture.blocks())
    assert capture.info.marks == [Annotation(START_NS + 2, "gate 2")]


@pytest.mark.parametrize("layout", ["pcap", "nsecpcap"])
def test_we_read_the_older_layout_that_editcap_writes(tmp_path: Path, layout: str) -> None:
    path, older = tmp_path / "a.pcapng", tmp_path / "a.pcap"
    expected = written(path)
    run("editcap", "-F", layout, str(path), str(older))
    step = 1000 if layout == "pcap" else 1
    assert ours(older) == [(t_ns // step * step, data) for t_ns, data in expected]


def test_we_read_what_dpkt_writes_in_the_older_layout(tmp_path: Path) -> None:
    path = tmp_path / "a.pcap"
    with path.open("wb") as file:
        out = dpkt.pcap.Writer(file, linktype=147, nano=True)
        for t_ns, data in reads():
            out.writepkt(data, ts=Decimal(START_NS + t_ns) / 10**9)
    assert [data for _, data in ours(path)] == [data for _, data in reads()]


def dumped(path: Path, link: int, packets: list[tuple[int, bytes]]) -> str:
    """A capture that text2pcap writes out of a dump in hex."""
    dump = path.with_suffix(".txt")
    rows = [f"{t_ns // 10**9}.{t_ns % 10**9:09d}\n0000 {data.hex(' ')}\n" for t_ns, data in packets]
    dump.write_text("\n".join(rows))
    run("text2pcap", "-l", str(link), "-t", "%s.%f", str(dump), str(path))
    return str(path)


@pytest.mark.parametrize("first", ["network", "serial"])
def test_of_what_mergecap_joins_the_serial_line_is_taken(tmp_path: Path, first: str) -> None:
    frame = bytes([0x0F]) + bytes(range(100, 122)) + b"\0\0"
    bus = [(START_NS + i * 7_000_000, frame) for i in range(50)]
    rng = np.random.default_rng(8)
    network = [(START_NS - 900_000 + i * 21_000_000, rng.bytes(60)) for i in range(18)]
    paths = {
        "serial": dumped(tmp_path / "serial.pcapng", 147, bus),
        "network": dumped(tmp_path / "network.pcapng", 1, network),
    }
    both = tmp_path / "both.pcapng"
    other = ({"network", "serial"} - {first}).pop()
    run("mergecap", "-w", str(both), paths[first], paths[other])
    assert ours(both) == bus


def test_tshark_and_we_agree_on_a_file_cut_in_a_packet(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    expected = written(path)
    path.write_bytes(path.read_bytes()[:-30])
    assert ours(path) == expected[:-1]
    if shutil.which("tshark") is None:
        pytest.skip("outside tool missing: tshark")
    done = subprocess.run(
        ["tshark", "-r", str(path), "-T", "fields", "-e", "frame.len"], capture_output=True, text=True
    )
    assert len(done.stdout.splitlines()) == 299
    assert "cut short" in done.stderr


PER_READ = Clock(ClockKind.PER_READ, 1)
FRAME = bytes([0x0F]) + bytes(24)


def frames_of_two(path: Path, *, units: tuple[str, str], ports: tuple[str, str], late_ns: int = 0) -> None:
    """A recording of two ports, 100 and 50 frames."""
    origins = [Origin(unit, "range check", f"A5XK{number}") for number, unit in enumerate(units)]
    second = SerialLine(ports[1], BUS_LINE, PER_READ, origins[1])
    with PcapngWriter(
        str(path), port=ports[0], line=BUS_LINE, clock=PER_READ, origin=origins[0], others=[second],
        start_utc_ns=START_NS + late_ns,
    ) as out:  # fmt: skip
        for row in range(100):
            out.write(Chunk(row * 7_000_000, FRAME))
            if row % 2:
                out.write(Chunk(row * 7_000_000 + 1000, FRAME), number=1)


def test_capinfos_shows_what_was_recorded_with_which_adapter(tmp_path: Path) -> None:
    path = tmp_path / "pair.pcapng"
    frames_of_two(path, units=("left", "Heron, \u00e9"), ports=("ttyUSB0", "ttyUSB1"))
    text = run("capinfos", "-M", str(path))
    shown = [line.strip() for line in text.partition("Interface #0")[2].splitlines()]
    assert [
        line for line in shown if line.startswith(("Name", "Hardware", "Comment", "note", "Number of packets"))
    ] == [
        "Name = ttyUSB0",
        "Hardware = adapter serial number A5XK0",
        "Comment = unit: left",
        "note: range check",
        "Number of packets = 100",
        "Name = ttyUSB1",
        "Hardware = adapter serial number A5XK1",
        "Comment = unit: Heron, \u00e9",
        "note: range check",
        "Number of packets = 50",
    ]


def test_recordings_that_mergecap_joined_keep_their_lines_apart(tmp_path: Path) -> None:
    one, two, whole = (tmp_path / f"{name}.pcapng" for name in ("one", "two", "whole"))
    frames_of_two(one, units=("a", "b"), ports=("ttyUSB0", "ttyUSB1"))
    frames_of_two(two, units=("c", "d"), ports=("ttyUSB0", "ttyUSB1"), late_ns=3_500_000)
    run("mergecap", "-w", str(whole), str(one), str(two))
    both = read_recordings(whole)
    assert [(got.info.origin.unit, got.info.origin.adapter_serial, len(got.frames)) for got in both] == [
        ("a", "A5XK0", 100),
        ("b", "A5XK1", 50),
        ("c", "A5XK0", 100),
        ("d", "A5XK1", 50),
    ]
    assert len(read_recording(whole, options=ReadOptions(interface="3")).frames) == 50
    with pytest.raises(CaptureError, match='"ttyUSB1" as the name of several') as caught:
        read_recording(whole, options=ReadOptions(interface="ttyUSB1"))
    assert "choose one with --interface NUMBER; it holds 1 (ttyUSB1, b), 3 (ttyUSB1, d)" in str(caught.value)


def test_single_recordings_that_mergecap_joined_are_two_lines(tmp_path: Path) -> None:
    for name, start in (("left", 0), ("right", 1_000_000)):
        with PcapngWriter(
            str(tmp_path / f"{name}.pcapng"), port=name, line=BUS_LINE, clock=PER_READ, start_utc_ns=START_NS + start
        ) as out:
            for row in range(100):
                out.write(Chunk(row * 7_000_000, FRAME))
    whole = tmp_path / "whole.pcapng"
    run("mergecap", "-w", str(whole), str(tmp_path / "left.pcapng"), str(tmp_path / "right.pcapng"))
    assert [(got.info.source, len(got.frames)) for got in read_recordings(whole)] == [("left", 100), ("right", 100)]
