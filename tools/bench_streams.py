"""Sections of bench.py with a goal for each row: real streams, text, pages and scripts.

Processor seconds are counted, so that other work matters less.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from bench_rows import COMMAND, ROOT, Row, best, ran
from synthetic import REPLY_BYTES, write_recording

from busbench.analysis.recording import read_recording
from busbench.capture.base import CaptureInfo
from busbench.capture.open import open_capture
from busbench.capture.write import open_writer
from busbench.model import NO_CLOCK, U8, ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_PLAIN, END_SLOTS, FRAME_BYTES
from busbench.wire.framing import find_frames

_RATES = (0, 1e-5, 1e-4, 1e-3, 1e-2)
# Million frames per processor second, by the share of bytes that are damaged.
_GOALS = {"plain": (None, None, 5, 1.5, 0.25), "slots": (12, 4, 4, 1.5, None)}
_HOUR = 514_286  # frames at 7 ms


def stream(frames: int, rate: float, *, slots: bool, seed: int = 3) -> U8:
    """Bytes of moving sticks, some of them damaged.

    Args:
        rate: share of bytes of which a bit is turned; as many are lost, as many foreign ones come in, and a fifth as
            many bursts of up to 60 foreign bytes, as in the study of alignment.
        slots: True for end bytes in turn and a reply after each third frame.
    """
    rng = np.random.default_rng(seed)
    steps = rng.integers(-4, 5, (frames, 16), np.int16)
    counts = np.clip(992 + np.cumsum(steps, axis=0, dtype=np.int32), 172, 1811)
    number = np.arange(frames)
    raw = pack_frames(counts, end=np.array(END_SLOTS, np.uint8)[number % 4] if slots else END_PLAIN)
    data = raw.reshape(-1)
    if slots:
        at = FRAME_BYTES * (np.flatnonzero(number % 3 == 0) + 1)
        replies = rng.integers(0, 256, (at.size, REPLY_BYTES), np.uint8)
        replies[:, 0] = 0x03
        data = np.insert(data, np.repeat(at, REPLY_BYTES), replies.reshape(-1))
    data = data.copy()
    struck = np.flatnonzero(rng.random(data.size) < rate)
    data[struck] ^= np.uint8(1) << rng.integers(0, 8, struck.size, np.uint8)
    data = data[rng.random(data.size) >= rate]
    foreign = np.flatnonzero(rng.random(data.size) < rate)
    bursts = np.flatnonzero(rng.random(data.size) < rate / 5)
    bursts = np.repeat(bursts, rng.integers(1, 61, bursts.size))
    places = np.concatenate([foreign, bursts])
    return np.insert(data, places, rng.integers(0, 256, places.size, np.uint8))


def streams(short: bool) -> Iterator[Row]:
    """Frames found in slots and noise."""
    frames = 200_000 if short else 1_000_000
    for kind, goals in _GOALS.items():
        for rate, goal in zip(_RATES, goals, strict=True):
            log = ByteLog.from_bytes(stream(frames, rate, slots=kind == "slots"))
            times = 1 if rate == 1e-2 else 3
            spent = best(lambda log=log: find_frames(log, clock=NO_CLOCK), times=times, clock=time.process_time)  # type: ignore[misc]
            goal_words = f">= {goal} M" if goal else ""
            yield Row(
                f"find frames, {kind}, {rate:g} damaged", f"{frames / spent / 1e6:.2f} M frames/s", "", goal_words
            )


def hours(short: bool) -> Iterator[Row]:
    """An hour as from real adapters and receivers, against a perfect one."""
    frames = _HOUR // 6 if short else _HOUR
    with tempfile.TemporaryDirectory() as folder:
        spent = {}
        for name, more in {"perfect": {}, "slots and 4-6 reads": {"cuts": True, "slots": True}}.items():
            path = Path(folder) / "hour.pcapng"
            write_recording(path, frames=frames, **more)
            words = [*COMMAND, "outages", str(path), "--format", "json"]
            spent[name] = min(ran(words)[2] for _ in range(3))
            yield Row(f"outages, an hour, {name}", f"{spent[name]:.2f} s of processor")
        ratio = spent["slots and 4-6 reads"] / spent["perfect"]
        yield Row("the two, one to the other", f"{ratio:.2f} x", "", "<= 2 x")


def text(short: bool) -> Iterator[Row]:
    """Readers of text, and the rows of frames."""
    frames = 10_000 if short else 40_000
    rng = np.random.default_rng(1)
    counts = np.clip(992 + np.cumsum(rng.integers(-3, 4, (frames, 16)), axis=0), 172, 1811)
    start = np.arange(frames)[:, None] * 7_000_000 + np.arange(FRAME_BYTES) * 120_000
    t_ns = (start + rng.integers(0, 900, start.shape)).reshape(-1)
    data = pack_frames(counts).reshape(-1)
    info = CaptureInfo("bench", "bench", Clock(ClockKind.PER_BYTE, 1), source="bus")
    with tempfile.TemporaryDirectory() as folder:
        paths = {name: Path(folder) / name for name in ("line.vcd", "bytes.csv")}
        for path in paths.values():
            with open_writer(str(path), info) as writer:
                writer.write_log(ByteLog(0, data, np.arange(1, data.size + 1), t_ns))
        levels = Path(folder) / "levels.csv"
        _levels(paths["line.vcd"], levels)
        goals = (("VCD", paths["line.vcd"], 100), ("level CSV", levels, 150), ("byte CSV", paths["bytes.csv"], 200))
        for name, path, goal in goals:
            spent = best(lambda path=path: read_bytes(path), times=3, clock=time.process_time)  # type: ignore[misc]
            speed = path.stat().st_size / spent / 1e6
            yield Row(f"read a {name}, to bytes with their times", f"{speed:.0f} MB/s", "", f">= {goal} MB/s")
        path = Path(folder) / "rows.pcapng"
        rows = 300_000 if short else 2_000_000
        write_recording(path, frames=rows)
        for form in ("csv", "json", "table"):
            spent = min(ran([*COMMAND, "frames", "--format", form, str(path)])[2] for _ in range(2))
            wanted = ">= 1.2 M rows/s" if form == "csv" else ""
            yield Row(f"frames --format {form}, the whole command", f"{rows / spent / 1e6:.2f} M rows/s", "", wanted)


def read_bytes(path: Path) -> int:
    """All bytes of a recording, read to its end."""
    with open_capture(str(path)) as capture:
        return sum(len(log) for log in capture.blocks())


def _levels(dump: Path, path: Path) -> None:
    """The changes of a dump as CSV."""
    t_ns = 0
    with dump.open(encoding="utf-8") as lines, path.open("w", encoding="utf-8") as out:
        out.write("Time [s],line\n")
        for line in lines:
            if line[0] == "#":
                t_ns = int(line[1:])
            elif line[0] in "01":
                out.write(f"{t_ns / 1e9:.9f},{line[0]}\n")


def pages(short: bool) -> Iterator[Row]:
    """The page of a long recording, and a short recording in a script."""
    frames = 300_000 if short else 2_000_000
    with tempfile.TemporaryDirectory() as folder:
        path, page = Path(folder) / "long.pcapng", Path(folder) / "long.html"
        write_recording(path, frames=frames)
        spent = min(ran([*COMMAND, "report", str(path), "-o", str(page), "--force"])[2] for _ in range(2))
        size = page.stat().st_size / 1e6
        yield Row(f"report, {frames:,} frames", f"{spent:.2f} s, {size:.2f} MB", "", "< 3 s, < 1 MB")
        path = Path(folder) / "short.pcapng"
        write_recording(path, frames=286)
        yield _from_python("a recording of 2 s from Python, all figures", path, "<= 8 ms")
    yield _from_python("one of 20 s", ROOT / "captures" / "heron-tty.pcapng")
    yield _from_python("one of 80 s with losses", ROOT / "captures" / "heron-flight.pcapng")


def _from_python(what: str, path: Path, goal: str = "") -> Row:
    def ask() -> None:
        found = read_recording(path)
        found.outages(), found.timing(), found.channels()

    spent = best(ask, times=20, clock=time.process_time)
    alone = best(lambda: read_recording(path).outages(), times=20, clock=time.process_time)
    return Row(what, f"{spent * 1e3:.1f} ms", f"its outages alone {alone * 1e3:.1f} ms", goal)


SECTIONS: dict[str, Callable[[bool], Iterator[Row]]] = {
    "streams": streams,
    "hours": hours,
    "text": text,
    "pages": pages,
}
