"""A dry run of a program, and of one too long to work out frame by frame: what is said of it holds for every frame."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.drive import dry_run as module
from busbench.drive import preview
from busbench.drive.dry_run import DryRun, dry_run
from busbench.drive.frame_generator import EndState, FrameGenerator
from busbench.drive.preview import preview_lines
from busbench.drive.program import Part, Program, default_limits
from busbench.drive.shapes import Chirp, Cycle, Hold, Levels, Replay, Shape, TimeSpan, Wander, Wave
from busbench.model import F64
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import Scale
from tests.drive.helpers import make

SPAN = TimeSpan(600.0, 992.0, 1400.0)
SHAPES: tuple[Shape, ...] = (
    Hold(1200.0, 3.0),
    Wave("sine", SPAN, Cycle(1.7, 30)),
    Wave("square", SPAN, Cycle(9.0, 8)),
    Levels("steps", (500.0, 1500.0, 992.0), Cycle(6.0, 11)),
    Chirp(SPAN, Cycle(3.0, 40), 0.5),
    Wander(SPAN, Cycle(1.0, 70), seed=3),
    Replay(np.array([0.0, 20.0, 20.01]), np.array([992.0, 1810.0, 992.0]), 60.0, "x"),
)


def program(*parts: Part, **more: object) -> Program:
    return Program("p", parts, default_limits(Scale()), Scale(), period_s=0.007, **more)  # type: ignore[arg-type]


ALL = program(*(Part(channel, shape, 0.5 * channel) for channel, shape in enumerate(SHAPES)), Part(17, SHAPES[2], 0.0))


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: type(shape).__name__)
def test_a_shape_stays_within_its_reach(shape: Shape) -> None:
    levels = shape.counts(np.arange(0.0, shape.duration_s, 0.0007))
    low, high = shape.reach
    assert low <= levels.min() <= levels.max() <= high


@pytest.mark.parametrize("end", EndState)
def test_what_is_said_of_a_long_program_holds_for_every_frame(end: EndState, monkeypatch: pytest.MonkeyPatch) -> None:
    exact = dry_run(ALL, end=end)
    assert exact.looked_at == exact.frames
    monkeypatch.setattr(module, "LOOKED_AT_MAX", 5000)
    monkeypatch.setattr(module, "STRETCHES", 8)
    monkeypatch.setattr(module, "STRETCH_FRAMES", 100)
    monkeypatch.setattr(module, "_CATCH_UP_FRAMES", 300)
    long = dry_run(ALL, end=end)
    assert 800 <= long.looked_at < 1500
    assert abs(long.frames - exact.frames) < 300  # the way to rest at the end depends on where a chase was
    assert (long.least <= exact.least).all()
    assert (long.most >= exact.most).all()
    assert (long.fastest >= exact.fastest).all()
    assert (np.isnan(long.lowest) == np.isnan(exact.lowest)).all()
    assert (long.lowest[:7] <= exact.lowest[:7]).all()
    assert (long.highest[:7] >= exact.highest[:7]).all()
    assert (long.held_back <= exact.held_back + 50).all()


def test_a_part_between_the_stretches_is_not_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LOOKED_AT_MAX", 5000)
    for place in (module, preview):
        monkeypatch.setattr(place, "STRETCHES", 4)
        monkeypatch.setattr(place, "STRETCH_FRAMES", 100)
    away = program(Part(0, Hold(992.0, 100.0), 0.0), Part(1, Hold(1700.0, 3.0), 10.0))
    seen = dry_run(away)
    assert (seen.least[1], seen.most[1], seen.highest[1]) == (992, 1700, 1700.0)
    lines = list(preview_lines(away, seen, end=EndState.REST, is_ascii=True))
    assert lines[1] == (
        f"looked at {seen.looked_at:,} of them, 4 stretches of 0.7 s:"
        " ends and speeds below are limits that none of the others passes"
    )


def test_a_week_is_a_matter_of_few_frames() -> None:
    week = program(Part(0, Wave("sine", SPAN, Cycle(2.0, 302_400)), 0.0))
    seen = dry_run(week)
    assert seen.duration_s == pytest.approx(604_800, abs=1)
    ramp = seen.frames - 86_400_000  # in frames of 7 ms
    assert seen.looked_at == 129 * 2048 + ramp  # the last stretch is the end
    said = list(preview_lines(week, seen, end=EndState.REST, is_ascii=True))[1]
    assert said.startswith(f"looked at {seen.looked_at:,} of them, 128 stretches of 14.3 s: ")


def test_only_the_parts_of_the_time_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    many = program(*(Part(0, Hold(500.0 + n, 1.0), float(n)) for n in range(1000)))
    assert many.round_s == 1000.0
    np.testing.assert_array_equal(np.unique(many.wanted(7000, 400)[:, 0]), [549.0, 550.0, 551.0])
    looked: list[float] = []

    def counts(self: Hold, t_s: F64) -> F64:
        looked.append(self.level)
        return np.full(t_s.shape, self.level)

    monkeypatch.setattr(Hold, "counts", counts)
    many.wanted(7000, 400)
    assert looked == [549.0, 550.0, 551.0]


class Plain:
    """A summary of a program from all its frames at once.

    Args:
        program: the program.
        end: its end state.
        slots: slots of the program that are looked at; the frames before and after it always are.
    """

    def __init__(self, program: Program, *, end: EndState, slots: set[int] | None = None) -> None:
        feed, blocks, targets = FrameGenerator(program, end=end), [], []
        is_run, is_seen = list[bool](), list[bool]()
        while not feed.is_over:
            slot, block = feed.run_slot, feed.take(1_000_000)  # the whole lead, program or end
            blocks.append(block)
            none = np.full((len(block), CHANNELS), np.nan)
            targets.append(none if slot is None else program.wanted(0, len(block))[:, :CHANNELS])
            is_run += [slot is not None] * len(block)
            is_seen += [slot is None or slots is None or one in slots for one in range(len(block))]
        rows = np.concatenate([np.hstack([one.limited.channels, one.limited.switches]) for one in blocks]).astype(int)
        is_heard = np.concatenate([one.is_sent & (one.raw[:, 0] == 0x0F) for one in blocks]) & is_run
        target, counts, is_kept = np.concatenate(targets), rows[:, :CHANNELS], np.array(is_seen)
        is_held_back = np.abs(target - counts) > 0.5 + 1e-6
        exact = np.where(is_held_back, np.nan, target)
        moves, exact_moves = np.abs(np.diff(counts, axis=0)), np.abs(np.diff(exact, axis=0))
        moves = np.where(np.isnan(exact_moves), moves, exact_moves)[is_kept[1:] & is_kept[:-1]]
        self.frames, self.rows = len(rows), rows[is_kept]
        self.fastest = moves.max(axis=0) / program.period_s
        self.held_back = is_held_back[is_kept & is_heard].sum(axis=0)
        self.lowest, self.highest = np.fmin.reduce(target[is_kept]), np.fmax.reduce(target[is_kept])

    def bins(self, size: int) -> list[tuple[list[int], list[int]]]:
        """Min and max of the channels in each `size` frames."""
        cut = [self.rows[start : start + size] for start in range(0, len(self.rows), size)]
        return [(rows.min(axis=0).tolist(), rows.max(axis=0).tolist()) for rows in cut]


def agrees(seen: DryRun, plain: Plain, *, bin_frames: int) -> None:
    """Assert that a dry run found what one frame after another gives."""
    assert (seen.frames, seen.looked_at) == (plain.frames, len(plain.rows))
    assert seen.duration_s == pytest.approx(plain.frames * 0.02)
    assert list(zip(seen.low.tolist(), seen.high.tolist(), strict=True)) == plain.bins(bin_frames)
    assert [(seen.least.tolist(), seen.most.tolist())] == plain.bins(plain.frames)
    assert seen.held_back.tolist() == plain.held_back.tolist()
    np.testing.assert_allclose(seen.fastest, plain.fastest, rtol=1e-9)
    np.testing.assert_array_equal(seen.lowest, plain.lowest)
    np.testing.assert_array_equal(seen.highest, plain.highest)


SWINGS = {"low": 600.25, "high": 1400.5, "period": 3, "cycles": 5}
MIXED = (
    {"channel": 1, "shape": "sine", **SWINGS},
    {"channel": [2, 3], "shape": "square", **SWINGS, "delay": 0.5},
    {"channel": 4, "shape": "wander", **SWINGS},
    {"channel": 5, "shape": "hold", "level": 1100, "duration": 2},
    {"channel": 5, "shape": "ramp", **SWINGS, "delay": 1},
    {"channel": 6, "shape": "hold", "level": 1990, "duration": 14},  # beyond its travel
    {"channel": 18, "shape": "square", "period": 3, "cycles": 4},
)
FAULTS = [
    {"kind": "gap", "start": 3.1, "duration": 0.7},
    {"kind": "flips", "start": 6, "duration": 4, "flips": 0.02},
    {"kind": "lost", "start": 1, "duration": 1},
]


def mixed(**more: object) -> Program:
    """Shapes that fit their limits and shapes that do not, at 50 frames a second."""
    channels = [
        {"number": 2, "rate": 700},
        {"number": 3, "locked": True, "rest": 172},
        {"number": 4, "rate": 30},  # less than a count per frame
        {"number": 6, "high": 1900, "rest": 1000},
    ]
    return make(*MIXED, frame_period=0.02, channel=channels, fault=FAULTS, **more)


@pytest.mark.parametrize(("end", "bins", "bin_frames"), [("rest", 2048, 1), ("hold", 450, 4), ("silence", 18, 100)])
def test_what_is_said_is_what_one_frame_after_another_gives(
    end: str, bins: int, bin_frames: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_BINS", bins)
    monkeypatch.setattr(module, "BLOCK", 70)  # several blocks
    program = mixed(repeat=2)
    assert program.slots == 2 * 900  # 2 s, a delay of 1 s and 5 cycles of 3 s on channel 5
    agrees(dry_run(program, end=EndState(end)), Plain(program, end=EndState(end)), bin_frames=bin_frames)
    assert np.flatnonzero(dry_run(program).is_driven).tolist() == [0, 1, 2, 3, 4, 5, 17]


def in_stretches(monkeypatch: pytest.MonkeyPatch, *, stretches: int, frames: int, catch_up: int) -> None:
    monkeypatch.setattr(module, "LOOKED_AT_MAX", 900)
    monkeypatch.setattr(module, "STRETCHES", stretches)
    monkeypatch.setattr(module, "STRETCH_FRAMES", frames)
    monkeypatch.setattr(module, "_CATCH_UP_FRAMES", catch_up)


# 901 slots: every 225th begins a stretch, or every 180th, where the fifth begins right before the end.
@pytest.mark.parametrize(("stretches", "starts"), [(4, (0, 225, 450, 675, 801)), (5, (0, 180, 360, 540, 720, 801))])
@pytest.mark.parametrize("end", EndState)
def test_what_is_looked_at_of_a_long_program_are_its_stretches(
    stretches: int, starts: tuple[int, ...], end: EndState, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = make(*MIXED, frame_period=0.02, fault=[{"kind": "lost", "start": 18, "duration": 0.02}])
    assert program.slots == 901
    seen_slots = {slot for start in starts for slot in range(start, min(start + 100, 901))}
    plain = Plain(program, end=end, slots=seen_slots)
    in_stretches(monkeypatch, stretches=stretches, frames=100, catch_up=50)
    monkeypatch.setattr(module, "_bounded", lambda program, seen: seen)
    agrees(dry_run(program, end=end), plain, bin_frames=100)


def test_a_program_is_looked_at_whole_up_to_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    in_stretches(monkeypatch, stretches=4, frames=100, catch_up=50)
    hold = {"channel": 1, "shape": "hold", "level": 992}
    seen = [dry_run(make({**hold, "duration": slots * 0.02}, frame_period=0.02)) for slots in (900, 901)]
    assert [(one.frames - 3, one.looked_at - 3) for one in seen] == [(900, 900), (901, 500)]  # 3 at rest


@pytest.mark.parametrize(("catch_up", "moves"), [(1, 1), (24, 24), (35, 35), (36, 35), (300, 35)])
def test_a_channel_catches_up_before_each_stretch(catch_up: int, moves: int, monkeypatch: pytest.MonkeyPatch) -> None:
    hold = {"channel": 1, "shape": "hold"}
    levels = ((992, 4.0), (1392, 0.8), (992, 14.0))  # up in slot 200, down in slot 240 of 940
    program = make(
        *({**hold, "level": level, "duration": duration_s} for level, duration_s in levels),
        frame_period=0.02,
        limits={"rate": 500},  # 10 counts in a frame
    )
    in_stretches(monkeypatch, stretches=4, frames=5, catch_up=catch_up)
    seen = dry_run(program)
    assert seen.looked_at == 4 * 5 + 5 + 3
    # The second stretch begins in slot 235.
    assert seen.high[:2, 0].tolist() == [992, 992 + 10 * (moves + 5)]


def test_the_bounds_of_a_long_program_are_those_of_shapes_and_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    program = mixed(repeat=2)
    in_stretches(monkeypatch, stretches=4, frames=10, catch_up=100)
    seen = dry_run(program, end=EndState.SILENCE)
    assert seen.frames - seen.looked_at == 1800 - 5 * 10
    driven = [0, 1, 2, 3, 4, 5, 17]
    # Its own levels for the locked channel; 1990 is asked of channel 6, 0.25 and 0.5 counts are rounded outwards.
    assert seen.least[driven].tolist() == [600, 600, 172, 600, 600, 1000, 0]
    assert seen.most[driven].tolist() == [1401, 1401, 172, 1401, 1401, 1900, 1]
    assert seen.lowest[driven[:-1]].tolist() == [600.25, 600.25, 600.25, 600.25, 600.25, 1990]
    assert seen.highest[driven[:-1]].tolist() == [1400.5, 1400.5, 1400.5, 1400.5, 1400.5, 1990]
    assert seen.fastest[[0, 1, 2, 4, 5]].tolist() == [1e6, 700, 0, 1e6, 1e6]
    others = [channel for channel in range(16) if channel not in driven]
    assert set(seen.least[others].tolist()) == set(seen.most[others].tolist()) == {992}
    assert set(seen.fastest[others].tolist()) == {0}


def test_the_speed_of_a_long_program_is_within_its_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    # Between two stretches the sine is elsewhere, which is no movement.
    sine = {"channel": 1, "shape": "sine", "low": 592, "high": 1392, "period": 4, "cycles": 25}
    program = make(sine, limits={"rate": 900})
    in_stretches(monkeypatch, stretches=7, frames=50, catch_up=100)
    assert dry_run(program).fastest[0] == 900
