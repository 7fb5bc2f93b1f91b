"""A dry run of a program too long to work out frame by frame: what is said of it holds for every frame."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.drive import dry_run as module
from busbench.drive import preview
from busbench.drive.dry_run import dry_run
from busbench.drive.frame_generator import EndState
from busbench.drive.preview import preview_lines
from busbench.drive.program import Part, Program, default_limits
from busbench.drive.shapes import Chirp, Cycle, Hold, Levels, Replay, Shape, TimeSpan, Wander, Wave
from busbench.model import F64
from busbench.wire.scale import Scale

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
    lines = list(preview_lines(away, seen, end=EndState.REST))
    assert lines[1] == (
        f"looked at {seen.looked_at:,} of them, 4 stretches of 0.7 s:"
        " ends and speeds below are limits that none of the others passes"
    )


def test_a_week_is_a_matter_of_few_frames() -> None:
    week = program(Part(0, Wave("sine", SPAN, Cycle(2.0, 302_400)), 0.0))
    seen = dry_run(week)
    assert seen.duration_s == pytest.approx(604_800, abs=1)
    assert seen.looked_at < 300_000


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
