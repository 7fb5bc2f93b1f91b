"""What the search finds in seeded damaged streams, to the byte and to the moment of each decision.

How well it finds the truth is held by test_framing.py within shares; here every figure is literal, so that a
changed weight or limit of the search shows. Where a change is meant, take the new figures after a look at both.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from busbench.model import NO_CLOCK, ByteLog, Clock, ClockKind, Reason
from busbench.wire.framing import FrameFinder, find_frames
from busbench.wire.table import AlignmentResult, FrameTable
from tests.wire.collage import collage, cut_up, long_collage, moved, timed
from tests.wire.corpus import END_CYCLE, Corpus, make, make_trap

CLOCKS = {
    ClockKind.NONE: NO_CLOCK,
    ClockKind.PER_BYTE: Clock(ClockKind.PER_BYTE, 100),
    ClockKind.PER_READ: Clock(ClockKind.PER_READ, 1_000_000),
}
ALL_DAMAGE: dict[str, Any] = {"flip": 1e-3, "lose": 2e-3, "extra": 2e-3, "bursts": 5e-4}
STREAMS: dict[str, Callable[[int], Corpus]] = {
    "still": lambda seed: make("still", 250, seed, **ALL_DAMAGE, skip=9),
    "moving": lambda seed: make("moving", 250, seed, flags_set=0.02, **ALL_DAMAGE),
    "cuts": lambda seed: make("mixed", 250, seed, flip=1e-3, cuts=2e-3, extra=1e-3, skip=3),
    "replies": lambda seed: make("mixed", 250, seed, end=END_CYCLE, slots=0.4, cut_before_slots=0.1, **ALL_DAMAGE),
    "hardly a frame": lambda seed: make("still", 250, seed, flip=1e-2, lose=8e-3, extra=8e-3),
    "hardly a frame, replies": lambda seed: make(
        "moving", 250, seed, end=END_CYCLE, slots=0.5, flip=5e-3, lose=1e-2, extra=5e-3
    ),
    "frames inside frames": lambda seed: make_trap(250, seed, rate=1e-3, held=37),
    "bursts": lambda seed: make("mixed", 250, seed, bursts=4e-3),
}
SEEDS = range(1, 9)
Figures = tuple[int, int, int, int, int, int]


def figures(*parts: AlignmentResult) -> Figures:
    """Frames; runs of replies, of cut pieces, of damage; ambiguous spans; a checksum of their places and times."""
    frames = FrameTable.concat([found.frames for found in parts])
    rejects = [found.rejects for found in parts]
    reasons = np.concatenate([some.reason for some in rejects])
    runs = [int(np.count_nonzero(reasons == reason)) for reason in (Reason.SLOT, Reason.CUT, Reason.DAMAGED)]
    spans = [span for found in parts for span in found.ambiguous]
    columns: list[Any] = [frames.offset, frames.t_ns, frames.slack_ns, frames.suspect, np.array(spans)]
    columns += [column for some in rejects for column in (some.offset, some.length, some.reason)]
    return len(frames), runs[0], runs[1], runs[2], len(spans), checksum(*columns)


def checksum(*columns: np.ndarray[tuple[int, ...], np.dtype[Any]]) -> int:
    return zlib.crc32(b"".join(column.astype("<i8").tobytes() for column in columns))


FOUND: dict[str, Figures] = {
    "still": (1800, 0, 7, 179, 0, 953444312),
    "moving": (1796, 0, 1, 182, 0, 4246165259),
    "cuts": (1839, 0, 7, 142, 0, 2639708697),
    "replies": (1743, 721, 1, 227, 0, 1694468096),
    "hardly a frame": (1385, 0, 4, 427, 0, 3395250898),
    "hardly a frame, replies": (1391, 813, 5, 417, 0, 557358990),
    "frames inside frames": (1906, 0, 6, 87, 0, 2993298297),
    "bursts": (1815, 0, 0, 177, 0, 1166908045),
}
CLOCKED = {
    ("still", ClockKind.PER_BYTE): (219, 0, 1, 29, 0, 766807865),
    ("still", ClockKind.PER_READ): (219, 0, 1, 29, 0, 4241599619),
    ("frames inside frames", ClockKind.PER_BYTE): (233, 0, 0, 16, 0, 2186968419),
    ("frames inside frames", ClockKind.PER_READ): (233, 0, 0, 16, 0, 1003122629),
    ("hardly a frame", ClockKind.PER_BYTE): (168, 0, 1, 56, 0, 2838615967),
    ("hardly a frame", ClockKind.PER_READ): (168, 0, 1, 56, 0, 4010741344),
    ("bursts", ClockKind.PER_BYTE): (225, 0, 0, 22, 0, 2902681784),
    ("bursts", ClockKind.PER_READ): (225, 0, 0, 22, 0, 3053722902),
}
WHEN = {
    "still": (107, 580, 2289659487),
    "moving": (101, 567, 4248993502),
    "cuts": (111, 767, 1459494339),
    "replies": (101, 573, 2877402952),
    "hardly a frame": (75, 182, 819364367),
    "hardly a frame, replies": (85, 290, 1505280357),
    "frames inside frames": (81, 90, 2975728796),
    "bursts": (97, 537, 2070357678),
}


COLLAGES: dict[ClockKind, Figures] = {
    ClockKind.NONE: (1542, 27, 14, 178, 27, 2460693225),
    ClockKind.PER_BYTE: (1363, 27, 8, 232, 32, 2097403973),
    ClockKind.PER_READ: (1544, 27, 12, 176, 25, 2522974384),
}
IN_PIECES = {
    ClockKind.NONE: (328, 59, 9117638),
    ClockKind.PER_BYTE: (302, 61, 1354631873),
    ClockKind.PER_READ: (328, 67, 68208373),
}
LONG_SEEDS = range(5, 12)
LONG = ((3971, 798, 1, 1401, 142, 2243792099), 9353036)


@pytest.mark.parametrize("name", FOUND)
def test_what_is_found_in_whole_streams(name: str) -> None:
    logs = [ByteLog.from_bytes(STREAMS[name](seed).data) for seed in SEEDS]
    assert figures(*(find_frames(log, clock=NO_CLOCK) for log in logs)) == FOUND[name]


@pytest.mark.parametrize(("name", "kind"), CLOCKED)
def test_what_is_found_with_times_and_marks(name: str, kind: ClockKind) -> None:
    log = STREAMS[name](5).log(kind, np.random.default_rng(9), marks=True)
    assert figures(find_frames(log, clock=CLOCKS[kind])) == CLOCKED[name, kind]


@pytest.mark.parametrize("name", WHEN)
def test_when_each_frame_is_found(name: str) -> None:
    """In pieces of 3 bytes: a frame comes as soon as no further byte can change it, and no later."""
    finder, stream = FrameFinder(clock=NO_CLOCK), STREAMS[name](5).data[:3000]
    when, in_sync = [], 0
    for place in range(0, stream.size, 3):
        found = finder.feed(ByteLog.from_bytes(stream[place : place + 3], offset=place))
        when += [place] * len(found.frames)
        in_sync += finder.is_in_sync
    assert (len(when), in_sync, checksum(np.array(when))) == WHEN[name]


@pytest.mark.parametrize("kind", COLLAGES)
def test_what_is_found_in_streams_put_together_by_chance(kind: ClockKind) -> None:
    logs = [timed(collage(seed), kind, seed) for seed in range(45)]
    assert figures(*(find_frames(log, clock=CLOCKS[kind]) for log in logs)) == COLLAGES[kind]


@pytest.mark.parametrize("kind", COLLAGES)
def test_pieces_of_streams_give_the_same_and_each_frame_with_the_piece_that_settles_it(kind: ClockKind) -> None:
    when, in_sync = [], 0
    for seed in range(100, 116):
        log = moved(timed(collage(seed), kind, seed), 1000 * (seed % 3))
        finder, found = FrameFinder(clock=CLOCKS[kind]), []
        for piece in cut_up(log, seed):
            found.append(finder.feed(piece))
            when += [len(found)] * len(found[-1].frames)
            in_sync += finder.is_in_sync
        found.append(finder.flush())
        assert figures(AlignmentResult.concat(found)) == figures(find_frames(log, clock=CLOCKS[kind]))
    assert (len(when), in_sync, checksum(np.array(when))) == IN_PIECES[kind]


def test_what_is_found_around_long_damage() -> None:
    """Whole, and the moments of all decisions in pieces of 500 bytes."""
    streams, when, found = [long_collage(seed) for seed in LONG_SEEDS], [], []
    for stream in streams:
        finder, parts = FrameFinder(clock=NO_CLOCK), []
        for place in range(0, stream.size, 500):
            parts.append(finder.feed(ByteLog.from_bytes(stream[place : place + 500], offset=place)))
            when += [len(parts[-1].frames), parts[-1].rejects.bytes_total]
        found.append(AlignmentResult.concat([*parts, finder.flush()]))
    assert [figures(one) for one in found] == [
        figures(find_frames(ByteLog.from_bytes(stream), clock=NO_CLOCK)) for stream in streams
    ]
    assert (figures(*found), checksum(np.array(when))) == LONG
