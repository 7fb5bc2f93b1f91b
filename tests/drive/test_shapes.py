"""Every shape against its closed form, written out again."""

import math

import numpy as np
import pytest

from busbench.drive.hash_random import hash_unit
from busbench.drive.shape_words import SHAPES, shape_lines, shapes_text, switch_words
from busbench.drive.shapes import Chirp, Cycle, Hold, Levels, Replay, Shape, TimeSpan, Wander, Wave, staircase
from busbench.model import F64
from tests.drive.helpers import make

SPAN = TimeSpan(500.0, 1000.0, 1500.0)


def at(shape: Shape, *t_s: float) -> list[float]:
    return [round(float(counts), 6) for counts in shape.counts(np.array(t_s, np.float64))]


def test_hold_stands() -> None:
    assert at(Hold(777.0, 2.0), 0.0, 1.999) == [777.0, 777.0]


def test_ramp_rises_evenly_and_begins_anew() -> None:
    assert at(Wave("ramp", SPAN, Cycle(4.0, 2.0)), 0, 1, 2, 3, 4, 5) == [500, 750, 1000, 1250, 500, 750]


def test_triangle_begins_at_its_centre_rising() -> None:
    assert at(Wave("triangle", SPAN, Cycle(4.0)), 0, 0.5, 1, 2, 3, 3.5) == [1000, 1250, 1500, 1000, 500, 750]


def test_sine() -> None:
    t_s = np.linspace(0.0, 12.0, 500)
    want = [1000 + 500 * math.sin(2 * math.pi * t / 4.0 + math.pi / 6) for t in t_s]
    assert np.allclose(Wave("sine", SPAN, Cycle(4.0, 3.0, 30.0)).counts(t_s), want, atol=1e-9)


def test_square_is_high_first_and_phase_turns_it() -> None:
    assert at(Wave("square", SPAN, Cycle(4.0)), 0, 1.99, 2, 3.99) == [1500, 1500, 500, 500]
    assert at(Wave("square", SPAN, Cycle(4.0, phase_deg=180.0)), 0, 2) == [500, 1500]


def test_an_uneven_centre_stretches_each_half_by_itself() -> None:
    uneven = Wave("sine", TimeSpan(900.0, 1000.0, 1800.0), Cycle(4.0))
    assert at(uneven, 0, 1, 2, 3) == [1000, 1800, 1000, 900]


def test_steps_share_the_cycle() -> None:
    assert at(Levels("steps", (600.0, 900.0, 700.0), Cycle(6.0)), 0, 1.9, 2, 4, 5.9) == [600, 600, 900, 700, 700]


def test_a_frame_that_falls_on_a_step_takes_it() -> None:
    steps = Levels("steps", (0.0, 1.0, 2.0), Cycle(0.021))
    assert at(steps, 0.0, 0.007, 2 * 0.007) == [0, 1, 2]


def test_staircase_goes_up_and_down_without_a_double_stair() -> None:
    stairs = staircase(100.0, 300.0, stairs=3, cycle=Cycle(4.0))
    assert at(stairs, 0.5, 1.5, 2.5, 3.5) == [100, 200, 300, 200]


def test_chirp_turns_as_often_as_told_and_ends_at_its_last_period() -> None:
    chirp = Chirp(SPAN, Cycle(2.0, 10.0), 0.5)
    assert chirp.duration_s == 8.0  # 10 cycles at 0.5 to 2 Hz, 1.25 Hz in the mean
    t_s = np.linspace(0, 8, 4001)[:-1]
    turns = 0.5 * t_s + 1.5 * t_s**2 / 16
    assert np.allclose(chirp.counts(t_s), 1000 + 500 * np.sin(2 * np.pi * turns))
    rising = np.nonzero(np.diff(np.sign(chirp.counts(t_s) - 1000.0)) > 0)[0]
    assert t_s[rising[-1]] - t_s[rising[-2]] == pytest.approx(0.5, rel=0.1)


def wander(seed: int) -> F64:
    return Wander(SPAN, Cycle(0.5, 400.0), seed).counts(np.arange(0.0, 200.0, 0.007))


def test_wander_is_told_by_its_seed_and_uses_its_span() -> None:
    assert np.array_equal(wander(7), wander(7))
    assert not np.allclose(wander(7), wander(8))
    assert 500.0 <= wander(7).min() < 550.0
    assert 1450.0 < wander(7).max() <= 1500.0
    assert abs(wander(7).mean() - 1000.0) < 40.0


def test_channels_of_one_seed_wander_each_by_itself() -> None:
    program = make({"channel": [1, 2], "shape": "wander", "low": 0, "high": 2000, "period": 0.5, "cycles": 400})
    first, second = program.wanted(0, program.slots)[:, :2].T
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.2


def test_wander_never_jumps() -> None:
    # 3 x^2 - 2 x^3 is steepest in its middle, 1.5 a period; two ends are 1000 counts apart at most.
    assert np.abs(np.diff(wander(3))).max() <= 1000 * 1.5 * 0.007 / 0.5


def test_wander_is_the_same_in_blocks() -> None:
    shape = Wander(SPAN, Cycle(0.5, 400.0), 7)
    t_s = np.arange(1000, dtype=np.float64) * 0.007
    assert np.array_equal(shape.counts(t_s), np.concatenate([shape.counts(t_s[:333]), shape.counts(t_s[333:])]))


def test_replay_holds_each_level_until_the_next_frame() -> None:
    replay = Replay(np.array([0.0, 0.014, 0.028]), np.array([10.0, 20.0, 30.0]), 1.0, "heron.raw channel 1")
    assert at(replay, 0.0, 0.007, 0.014, 0.021, 0.028, 0.9) == [10, 10, 20, 20, 30, 30]


@pytest.mark.parametrize(
    ("shape", "quarter_later"),
    [
        (Wave(kind, SPAN, Cycle(4.0, 2.0)), Wave(kind, SPAN, Cycle(4.0, 2.0, 90.0)))
        for kind in ("ramp", "triangle", "sine", "square")
    ]
    + [
        (Levels("steps", (600.0, 900.0, 700.0), Cycle(4.0)), Levels("steps", (600.0, 900.0, 700.0), Cycle(4.0, 1, 90))),
        # A move that lasts 4 s is a whole turn, so the phase of 90 degrees is a second of it.
        (Wander(SPAN, Cycle(4.0, 5.0), 7), Wander(SPAN, Cycle(4.0, 5.0, 90.0), 7)),
        # With equal periods it is a plain sine.
        (Chirp(SPAN, Cycle(4.0), 4.0), Chirp(SPAN, Cycle(4.0, 1.0, 90.0), 4.0)),
    ],
    ids=lambda shape: shape.words(),
)
def test_a_phase_of_a_quarter_begins_a_quarter_later(shape: Shape, quarter_later: Shape) -> None:
    t_s = np.arange(0.0, 8.0, 0.07)
    np.testing.assert_allclose(quarter_later.counts(t_s), shape.counts(t_s + 1.0), atol=1e-6)


def test_wander_goes_from_level_to_level_by_its_curve() -> None:
    shape = Wander(SPAN, Cycle(2.0, 5.0), seed=7, stream=3)
    levels = 2.0 * hash_unit(np.arange(6), seed=7 * 64 + 3) - 1.0
    eased = (0.0, 3 / 16 - 2 / 64, 0.5, 27 / 16 - 54 / 64)  # 3 x^2 - 2 x^3 at no, one, two and three quarters
    want = [
        1000 + 500 * (levels[move] + (levels[move + 1] - levels[move]) * part) for move in range(5) for part in eased
    ]
    np.testing.assert_allclose(shape.counts(np.arange(0.0, 10.0, 0.5)), want)


@pytest.mark.parametrize(
    ("shape", "duration_s", "reach", "words"),
    [
        (Hold(777.0, 2.5), 2.5, (777, 777), "hold for 2.5 s"),
        (Wave("sine", SPAN, Cycle(4.0, 3.0)), 12.0, (500, 1500), "sine, 3 cycles of 4 s"),
        (Wave("ramp", SPAN, Cycle(4.0, 1.0, -30)), 4.0, (500, 1500), "ramp, 1 cycle of 4 s from -30 degrees"),
        (Wave("square", SPAN, Cycle(0.5, 1.5)), 0.75, (500, 1500), "square, 1.5 cycles of 0.5 s"),
        (Levels("steps", (9.0, 3.0, 7.0), Cycle(6.0, 2)), 12.0, (3, 9), "steps through 3 levels, 2 cycles of 6 s"),
        (Levels("steps", (9.0,), Cycle(6.0)), 6.0, (9, 9), "steps through 1 level, 1 cycle of 6 s"),
        (
            staircase(100, 300, stairs=3, cycle=Cycle(2.0)),
            2.0,
            (100, 300),
            "staircase through 4 levels, 1 cycle of 2 s",
        ),
        (Chirp(SPAN, Cycle(2.0, 10.0), 0.5), 8.0, (500, 1500), "chirp, 10 cycles, periods from 2 s to 0.5 s"),
        (Wander(SPAN, Cycle(2.0, 30), 7), 60.0, (500, 1500), "wander, 30 moves of 2 s, seed 7"),
        (
            Replay(np.array([0.0, 1.0]), np.array([30.0, 10.0]), 60.0, "heron.pcapng channel 3"),
            60.0,
            (10, 30),
            "replay of heron.pcapng channel 3, 60 s",
        ),
    ],
    ids=lambda value: value.words() if isinstance(value, Shape) else "",
)
def test_each_says_how_long_how_far_and_what_it_is(
    shape: Shape, duration_s: float, reach: tuple[float, float], words: str
) -> None:
    assert (shape.duration_s, shape.reach, shape.words()) == (duration_s, reach, words)


def test_replay_takes_a_frame_at_its_recorded_time_and_the_first_before_it() -> None:
    replay = Replay(np.array([0.007, 0.014]), np.array([10.0, 20.0]), 1.0, "x")
    # Times of frames are products, a few parts in 1e16 off; half a microsecond is more, and less than any frame.
    assert at(replay, 0.0, 0.014 - 4e-7, 0.014 - 6e-7) == [10, 20, 10]


def test_the_shapes_in_words() -> None:
    assert shapes_text() == (
        "hold, ramp, triangle, sine (also sweep), square, steps, staircase, chirp, wander or replay"
    )
    assert switch_words() == ("hold", "square", "steps", "replay")
    assert "\n".join(shape_lines()) == SHAPE_LINES
    # Those that low, high, period and cycles are enough for.
    assert {word for word, declared in SHAPES.items() if declared.is_wave} == {
        "ramp", "triangle", "sine", "square", "staircase", "wander",
    }  # fmt: skip


SHAPE_LINES = """\
hold         holds --level for --duration
ramp         rises from low to high, then restarts
triangle     goes up and down in straight lines, a cycle in each --period
sweep, sine  swings between --low and --high, a cycle in each --period
square       is high for half a cycle, then low
steps        holds each of --levels in turn
staircase    goes up and down in --stairs equal steps
chirp        is a sine whose cycle changes from --period to --period-end
wander       moves at random, by --seed
replay       repeats what a channel of a --recording did"""
