"""Between what bounds a receiver's own jitter lies, and the sentence about it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from busbench.analysis.host_lateness import HostLateness, host_lateness
from busbench.analysis.jitter_range import JitterRange, describe_range, explain_jitter, range_by_bytes
from busbench.analysis.read_grid import ReadGrid
from busbench.analysis.timing import timing
from busbench.line import WAKE_EDGES_US, WakeUps
from busbench.model import Clock, ClockKind, FrameTimes

MS, S = 1e6, 1_000_000_000
EVERY_MS = ReadGrid(1.0004 * MS, 0.25 * MS, 0.25 * MS)
CALM = HostLateness(1000, 2.5 * MS, 1e8)


@pytest.mark.parametrize(
    ("rms_ns", "step_ns", "bounds"), [(900.0, 100, (850.0, 950.0)), (30.0, 100, (0.0, 80.0)), (50.0, 100, (0.0, 100.0))]
)
def test_a_clock_per_byte_knows_jitter_to_half_a_step(rms_ns: float, step_ns: int, bounds: tuple[float, float]) -> None:
    found = range_by_bytes(rms_ns, step_ns)
    assert (found.low, found.high) == bounds
    assert (found.kind, found.way, found.rms, found.grid) == ("figure", "bytes", rms_ns, ReadGrid())


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (JitterRange("figure", 20e3, 19e3, 22e3, "bytes", ReadGrid()), "each byte has its own time"),
        (
            JitterRange("figure", 0.2 * MS, 0.15 * MS, 0.22 * MS, "cut", ReadGrid()),
            "period jitter 0.20 ms rms, true value within 0.05 ms: reads cut frames, so that their ends are known to a"
            " character",
        ),
        (
            JitterRange("figure", 0.09 * MS, 0.085 * MS, 0.1022 * MS, "cut", ReadGrid()),
            "period jitter 0.09 ms rms, true value within 0.012 ms: reads cut frames, so that their ends are known to a"
            " character",
        ),
        (
            JitterRange("at most", 0.2 * MS, 0.0, 0.234 * MS, "blocks", ReadGrid()),
            "period jitter is at most 0.23 ms rms: the adapter hands over blocks, so that bytes held back look late",
        ),
        (
            JitterRange("at most", 0.2 * MS, 0.0, 1.25 * MS, "whole", EVERY_MS, CALM),
            "period jitter is at most 1.25 ms rms: reads come every 1 ms and can hide jitter up to 0.25 ms",
        ),
        (
            JitterRange("at most", 0.2 * MS, 0.0, 1.25 * MS, "whole", ReadGrid(15.625 * MS, 0.25 * MS, 0.5 * MS)),
            "period jitter is at most 1.25 ms rms: reads come every 15.6 ms and can hide jitter up to 0.25 ms; reads in"
            " step with the period may hide 0.5 ms",
        ),
        (
            JitterRange("at most", 0.2 * MS, 0.0, 0.3 * MS, "whole", ReadGrid(4 * MS)),
            "period jitter is at most 0.30 ms rms: reads come every 4 ms, which adds to the jitter",
        ),
        (
            JitterRange("at most", 0.2 * MS, 0.0, 0.3 * MS, "whole", ReadGrid()),
            "period jitter is at most 0.30 ms rms: each read held a whole frame, so the computer's share is unknown",
        ),
        (
            JitterRange("at most", 0.2 * MS, 0.0, 0.3 * MS, "whole", ReadGrid(0.0, 0.0, 0.25 * MS)),
            "period jitter is at most 0.30 ms rms: each read held a whole frame, so the computer's share is unknown;"
            " reads in step with the period may hide 0.25 ms",
        ),
        (
            JitterRange("figure", 1.2 * MS, 1.05 * MS, 1.22 * MS, "whole", ReadGrid(), CALM),
            "period jitter 1.20 ms rms, true value within 0.15 ms: the computer woke at most 2.5 ms late while"
            " recording",
        ),
        (
            JitterRange("at most", 1.2 * MS, 0.0, 1.22 * MS, "whole", ReadGrid(), HostLateness(9, math.inf, math.inf)),
            "period jitter is at most 1.22 ms rms: the computer woke over 50 ms late while recording",
        ),
        (
            JitterRange("figure", 0.2 * MS, 0.15 * MS, 0.22 * MS, "cut", ReadGrid(0.0, 0.0, 0.5 * MS)),
            "period jitter 0.20 ms rms, true value within 0.05 ms: reads cut frames, so that their ends are known to a"
            " character",
        ),
    ],
)  # fmt: skip
def test_what_is_known_of_jitter_in_words(found: JitterRange, words: str) -> None:
    assert explain_jitter(found) == words


def test_without_a_range_it_says_how_to_get_one() -> None:
    assert explain_jitter(None) == (
        "too few periods, or too late reads, to say anything of jitter; record with a logic analyser, or with an"
        " adapter whose latency timer is short"
    )


@pytest.mark.parametrize(
    ("low_s", "high_s", "words"),
    [
        (0.0009, 0.00105, "period jitter 1.00 ms rms, true value within 0.10 ms"),  # the farther end counts
        (0.00095, 0.0012, "period jitter 1.00 ms rms, true value within 0.20 ms"),
        (0.00099, 0.00101, "period jitter 1.00 ms rms, true value within 0.01 ms"),
        (0.000998, 0.0010019, "period jitter 1.00 ms rms, true value within 0.002 ms"),
    ],
)
def test_a_figure_is_given_with_its_farther_bound(low_s: float, high_s: float, words: str) -> None:
    assert describe_range("figure", 0.001, low_s, high_s) == words


@pytest.mark.parametrize(("high_s", "words"), [(1.0e-4, "0.10"), (0.99e-4, "0.099"), (1.234e-3, "1.23")])
def test_small_figures_have_two_digits(high_s: float, words: str) -> None:
    assert describe_range("at most", 0.0, 0.0, high_s) == f"period jitter is at most {words} ms rms"


def log(*wakes: dict[float, int], first_ns: int = 0) -> list[WakeUps]:
    """A log a second: how many wake-ups were so late, in us."""
    made = []
    for second, late in enumerate(wakes):
        counts = [0] * (len(WAKE_EDGES_US) + 1)
        for late_us, count in late.items():
            counts[int(np.searchsorted(WAKE_EDGES_US, late_us, "right"))] += count
        made.append(WakeUps(first_ns + second * S, tuple(counts)))
    return made


def plain_variance(late: list[tuple[float, float, int]]) -> float:
    """Upper estimate from classes (low, high, count), ns: each wake-up at the end of its class far from the mean."""
    total = sum(count for _, _, count in late)
    mean = sum((low + high) / 2 * count for low, high, count in late) / total
    far = [(max(abs(low - mean), abs(high - mean)), count) for low, high, count in late]
    variance = sum(away**2 * count for away, count in far) / total
    kurtosis = max(3.0, sum(away**4 * count for away, count in far) / total / variance**2)
    return variance * (1 + 3 * math.sqrt((kurtosis - 1) / total))


def classes(*late: tuple[float, int]) -> list[tuple[float, float, int]]:
    edges = [0.0, *WAKE_EDGES_US]
    found = []
    for late_us, count in late:
        at = int(np.searchsorted(WAKE_EDGES_US, late_us, "right"))
        found.append((edges[at] * 1e3, edges[at + 1] * 1e3, count))
    return found


@pytest.mark.parametrize(
    "late",
    [((10.0, 40),), ((10.0, 40), (700.0, 1)), ((90.0, 500), (3000.0, 20)), ((10.0, 1000), (20_000.0, 1))],
)
def test_the_variance_of_lateness_is_an_upper_estimate(late: tuple[tuple[float, int], ...]) -> None:
    found = host_lateness(log(dict(late), {}, {}), first_ns=0, last_ns=2 * S)
    assert found is not None
    assert found.count == sum(count for _, count in late)
    assert found.most_ns == classes(late[-1])[0][1]
    assert found.variance_ns2 == pytest.approx(plain_variance(classes(*late)), rel=1e-9)


def test_one_wake_up_beyond_all_classes_leaves_lateness_open() -> None:
    found = host_lateness(log({10.0: 40, 1e9: 1}), first_ns=0, last_ns=S)
    assert found == HostLateness(41, math.inf, math.inf)


@pytest.mark.parametrize(("logged", "is_enough"), [(9, True), (8, False)])
def test_nine_tenths_of_the_time_must_be_logged(logged: int, is_enough: bool) -> None:
    wakes = log(*[{10.0: 4}] * logged)
    assert (host_lateness(wakes, first_ns=0, last_ns=10 * S) is not None) is is_enough


def test_only_what_was_logged_meanwhile_counts() -> None:
    wakes = log(*[{10.0: 4}] * 20)
    found = host_lateness(wakes, first_ns=5 * S, last_ns=10 * S)
    assert found is not None
    assert found.count == 8 * 4  # from 5 s to two seconds after the end
    assert host_lateness(wakes, first_ns=5 * S + 1, last_ns=10 * S - 1).count == 6 * 4  # type: ignore[union-attr]
    assert host_lateness([], first_ns=0, last_ns=0) is None
    assert host_lateness(log({}, {}), first_ns=0, last_ns=S) is None  # nothing woke


@pytest.mark.parametrize(
    ("cut", "way"),
    [
        (range(0, 1000, 21), "whole"),  # 48 of 1,000: fewer than a tenth are numbered by themselves
        (range(1000), "cut"),
        ([*range(0, 500, 2), *range(501, 1000, 2)], "cut"),  # no neighbours, but both kinds
        ((), "whole"),
    ],
)
def test_which_frames_show_the_jitter(cut: Sequence[int], way: str) -> None:
    """Reads of whole frames with 1 ms of lateness; frames that a read cut are known to a character."""
    rng = np.random.default_rng(5)
    t_ns = 14_000_370 * np.arange(1000) + rng.normal(0, 4e4, 1000).astype(np.int64)
    slack = np.full(1000, 9_000_000, np.int32)
    late = rng.integers(0, 1_000_000, 1000)
    late[list(cut)] = rng.integers(0, 60_000, len(cut))
    slack[list(cut)] = 110_000
    found = timing(FrameTimes(t_ns + late, slack, np.zeros(1000, np.uint8)), clock=Clock(ClockKind.PER_READ, 1))
    jitter = found.jitter
    assert jitter is not None
    assert ("reads cut frames" in found.note) is (way == "cut")
    assert jitter.of_cut is (way == "cut")
    true_s = np.std(np.diff(t_ns)) / 1e9
    assert jitter.period_low_s <= true_s <= jitter.period_high_s
    if way == "whole":
        assert jitter.period_rms_s > 3e-4  # lateness is in it
    else:
        assert jitter.period_rms_s < 1.5e-4


@pytest.mark.parametrize(("cut", "is_by_cut"), [(30, False), (31, True)])
def test_thirty_periods_between_cut_frames_show_the_jitter(cut: int, is_by_cut: bool) -> None:
    rng = np.random.default_rng(5)
    t_ns = 14_000_370 * np.arange(500) + rng.normal(0, 2e4, 500).astype(np.int64)
    late, slack = rng.integers(0, 2_000_000, 500), np.full(500, 9_000_000, np.int32)
    late[100 : 100 + cut], slack[100 : 100 + cut] = rng.integers(0, 60_000, cut), 110_000
    found = timing(FrameTimes(t_ns + late, slack, np.zeros(500, np.uint8)), clock=Clock(ClockKind.PER_READ, 1))
    assert found.jitter is not None
    assert found.jitter.of_cut is is_by_cut
