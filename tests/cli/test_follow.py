"""Sources that are written out as they come: live ports, pipes and FIFOs give the rows of their recording."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from busbench.capture.frames import Span
from busbench.cli import follow
from busbench.cli.frame_rows import HEAD, csv_rows, json_rows, table_rows
from busbench.cli.output import table_lines
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_LOST
from busbench.wire.table import FrameTable
from tests.cli.running import CAPTURES, ROOT, call

LIVE = "virtual:?duration=5s&speed=max&seed=3&period=10ms&lost=1:0.5&gaps=3:0.2&flips=0.1%"
posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and FIFOs are POSIX")


def frame(count: int, flags: int = 0) -> bytes:
    return pack_frames([[count] * 16], np.array([flags], np.uint8)).tobytes()


@contextmanager
def running(*words: str, stdin: int | None = subprocess.PIPE) -> Iterator[subprocess.Popen[bytes]]:
    with subprocess.Popen(
        [sys.executable, "-m", "busbench", *words], stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        cwd=ROOT,
    ) as process:  # fmt: skip
        yield process
        process.kill()


def line_of(process: subprocess.Popen[bytes]) -> str:
    """The next line, which must come without anything more being sent."""
    assert process.stdout is not None
    if sys.platform != "win32":
        assert select.select([process.stdout], [], [], 60)[0], "no line came"
    return os.read(process.stdout.fileno(), 1 << 16).decode()


def test_a_live_port_gives_the_rows_of_its_recording(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    kept = tmp_path / "f.pcapng"
    assert call(capfd, "record", LIVE, "-o", kept).code == 0
    live = call(capfd, "frames", LIVE)
    assert live.out == call(capfd, "frames", kept).out
    assert live.out.count("\n") > 430


@pytest.mark.parametrize(
    ("source", "kinds"),
    [
        (LIVE, {"lost", "gap", "damaged"}),
        ("virtual:?duration=2s&speed=max&failsafe=1:9", {"failsafe"}),  # to its end
        ("virtual:?duration=1s&speed=max&frames=off&chatter=500", {"damaged"}),  # all of it
        ("virtual:?duration=1s&speed=max&frames=off", set()),  # nothing comes
    ],
)
def test_events_of_a_live_port_are_those_of_its_recording(
    source: str, kinds: set[str], capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    kept = tmp_path / "f.pcapng"
    call(capfd, "record", source, "-o", kept)
    ran = call(capfd, "outages", kept, "--format", "json")
    events = json.loads(ran.out)["events"]
    assert ("no frames in " in ran.err) is ("frames=off" in source)
    lines = call(capfd, "outages", source, "--follow").out.splitlines()
    assert [json.loads(line) for line in lines] == events
    assert {event["kind"] for event in events} >= kinds


@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-noisy.raw"])
def test_events_of_a_recording_come_in_blocks_as_all_at_once(name: str, capfd: pytest.CaptureFixture[str]) -> None:
    events = json.loads(call(capfd, "outages", CAPTURES / name, "--format", "json").out)["events"]
    lines = call(capfd, "outages", CAPTURES / name, "--follow").out.splitlines()
    assert [json.loads(line) for line in lines] == events != []


def test_a_recording_without_a_frame_is_named_with_its_size(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, wide: None
) -> None:
    kept = tmp_path / "f.pcapng"
    call(capfd, "record", "virtual:?duration=1s&speed=max&frames=off&chatter=500", "-o", kept)
    size = json.loads(call(capfd, "outages", kept, "--format", "json").out)["events"][0]["bytes"]
    for format_ in ("table", "csv"):
        ran = call(capfd, "outages", kept, "--format", format_)
        assert (ran.code, ran.err) == (
            0,
            f"busbench: {kept}: no frames in {size} bytes: a wrong rate or polarity, or another line?\n",
        )


@posix
def test_a_row_comes_out_of_a_pipe_with_the_last_byte_of_its_frame() -> None:
    with running("frames", "-") as process:
        assert process.stdin is not None
        process.stdin.write(b"".join(frame(992 + i) for i in range(8)))
        process.stdin.flush()
        text = line_of(process)
        while text.count("\n") < 9:
            text += line_of(process)
        for count in (1000, 1001):
            process.stdin.write(frame(count)[:13])
            process.stdin.flush()
            process.stdin.write(frame(count)[13:])
            process.stdin.flush()
            assert line_of(process).startswith(f",{200 + 25 * (count - 1000)},{count},{count},")
        process.stdin.close()
        assert process.wait() == 0


@posix
def test_packets_that_grow_in_a_fifo_are_read_as_they_come(tmp_path: Path) -> None:
    fifo, whole = tmp_path / "fifo", (CAPTURES / "heron-tty.pcapng").read_bytes()
    os.mkfifo(fifo)
    with running("frames", str(fifo)) as process, fifo.open("wb", buffering=0) as writer:
        writer.write(whole[:4000])
        text = line_of(process)
        while text.count("\n") < 20:
            text += line_of(process)
        for start in range(4000, len(whole), 30_000):
            writer.write(whole[start : start + 30_000])
        writer.close()
        assert process.stdout is not None
        text += process.stdout.read().decode()
        assert process.wait() == 0
    kept = subprocess.run(
        [sys.executable, "-m", "busbench", "frames", "captures/heron-tty.pcapng"], capture_output=True, cwd=ROOT
    )
    assert text == kept.stdout.decode()


@posix
def test_a_port_is_followed_until_it_is_told_to_end() -> None:
    import pty

    master, slave = pty.openpty()
    with running("frames", os.ttyname(slave)) as process:
        assert line_of(process).startswith("time_s,")
        text, sent = "", 0
        while text.count("\n") < 40:
            os.write(master, frame(sent))
            sent += 1
            if process.stdout and select.select([process.stdout], [], [], 0.007)[0]:
                text += line_of(process)
        process.send_signal(signal.SIGINT)
        assert process.wait() == 0
    os.close(master)
    os.close(slave)
    assert [line.split(",")[2] for line in text.splitlines()[:40]] == [str(count) for count in range(40)]


@posix
@pytest.mark.parametrize("words", [("frames",), ("outages", "--follow")])
def test_a_reader_who_leaves_ends_it(words: tuple[str, ...]) -> None:
    with running(*words, "virtual:?duration=0.3s") as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.wait() == 0
        assert process.stderr is not None
        assert process.stderr.read() == b""


@posix
def test_a_reader_who_leaves_ends_a_silent_pipe() -> None:
    with running("frames", "-") as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.wait() == 0


def rows_by_cell(table: FrameTable, zero_ns: int | None) -> list[list[str]]:
    times = [""] * len(table) if zero_ns is None else [f"{t / 1e9:.6f}" for t in (table.t_ns - zero_ns).tolist()]
    return [
        [times[i], str(table.offset[i]), *map(str, table.channels[i].tolist())]
        + [str(table.flags[i] >> bit & 1) for bit in range(4)]
        + [f"0x{table.end[i]:02X}", str(int(table.suspect[i]))]
        for i in range(len(table))
    ]


def json_by_cell(row: list[str]) -> str:
    cells = [value or "null" for value in row]
    cells[22] = f'"{row[22]}"'
    return "{" + ", ".join(f'"{name}": {cell}' for name, cell in zip(HEAD, cells, strict=True)) + "}"


def aligned_by_cell(rows: list[list[str]], shown: list[int]) -> list[str]:
    head = ["time, s", *(f"ch{number}" for number in shown), "flags", "end"]
    cells = [
        [
            row[0] or "-",
            *(row[1 + number] for number in shown),
            "".join(letter if row[at] == "1" else "-" for letter, at in (("L", 20), ("F", 21), ("S", 23))),
            row[22],
        ]
        for row in rows
    ]
    lines = table_lines(head, [[" " * 11, *("    " for _ in shown), "     ", "    "], *cells], left=0)
    return [lines[0], *lines[2:]]


def test_rows_made_of_tables_are_those_made_cell_by_cell() -> None:
    rng = np.random.default_rng(5)
    count = 1500
    raw = pack_frames(rng.integers(0, 2048, (count, 16), dtype=np.uint16), rng.integers(0, 16, count).astype(np.uint8))
    raw[:, 24] = rng.integers(0, 256, count)
    t_ns = np.cumsum(rng.integers(0, 15_000_000, count))
    t_ns[::3] = t_ns[::3] // 1000 * 1000 + 500  # half a microsecond
    t_ns[5], t_ns[6:9], t_ns[9] = -1_500, [0, 999_999_500, 10**15 + 500], 3 * 10**17 + 123_456_500
    marks = rng.integers(0, 3, count).astype(np.uint8)
    offsets = np.sort(rng.integers(0, 10**11, count))
    offsets[0] = 0
    whole, shown = FrameTable(t_ns, np.zeros(count, np.int32), offsets, raw, marks), [1, 16, 17, 4, 18]
    for table in (whole, whole[10:]):
        for zero_ns in (0, None, -12_345):
            rows = rows_by_cell(table, zero_ns)
            assert csv_rows(table, zero_ns) == "".join(",".join(row) + "\n" for row in rows)
            few = [csv_rows(table[at : at + 8], zero_ns) for at in range(0, len(table), 8)]
            assert "".join(few) == csv_rows(table, zero_ns)
            assert json_rows(table, zero_ns) == "".join(json_by_cell(row) + "\n" for row in rows)
            lines = aligned_by_cell(rows, shown)
            assert table_rows(table, zero_ns, shown=shown, has_head=True).splitlines() == lines
            assert table_rows(table, zero_ns, shown=shown, has_head=False).splitlines() == lines[1:]
    assert len(HEAD) == 24
    for zero_ns in (0, None):
        assert csv_rows(table[:0], zero_ns) == json_rows(table[:0], zero_ns) == ""
        assert table_rows(table[:0], zero_ns, shown=[1, 17], has_head=False) == ""


def test_flags_of_a_row() -> None:
    raw = np.frombuffer(frame(7, FLAG_LOST), np.uint8).reshape(1, 25).copy()
    table = FrameTable(np.array([1_500_000_000]), np.zeros(1, np.int32), np.array([3]), raw, np.zeros(1, np.uint8))
    assert csv_rows(table, 0) == "1.500000,3," + "7," * 16 + "0,0,1,0,0x00,0\n"


def test_a_reader_that_has_gone_is_noticed_while_nothing_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[int] = []
    monkeypatch.setattr(follow, "require_reader", lambda: looks.append(len(got)))
    came = [
        SimpleNamespace(events=(), chunks=chunks, log=SimpleNamespace(end=25), found=SimpleNamespace(ambiguous=()))
        for chunks in ((), ("a chunk",), ())
    ]
    receiver: Any = SimpleNamespace(receptions=lambda is_over: iter(came), first_t_ns=1, last_t_ns=2)
    got: list[object] = []
    for found in follow._received(receiver, Span(), is_over=bool):
        got.append(found)
    assert (len(got), looks) == (3, [0, 2])
