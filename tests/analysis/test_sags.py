"""Sags of a measured voltage beside the outages of a recording."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busbench.analysis.outages import Outage, Outages, find_outages
from busbench.analysis.sags import find_sags
from busbench.model import Clock, ClockKind, FrameTimes, Rejects
from busbench.rig.measurement import Measurement

READING_S = 0.1


def measured(lows: dict[float, float], *, node: str = "receiver", first_s: float = 0.0) -> Measurement:
    """60 s of 7 V, but for some readings."""
    t_s = np.arange(600, dtype=np.float64) * READING_S + first_s
    volts = np.full(600, 7.0)
    for at_s, low_v in lows.items():
        volts[np.abs(t_s - at_s) < READING_S / 2] = low_v
    return Measurement({node: volts}, {}, t_s, False, (), 0.01, ())


def outages(*spans: tuple[float, float]) -> Outages:
    """60 s of frames, with gaps."""
    times = FrameTimes(np.zeros(0, np.int64), np.zeros(0, np.int32), np.zeros(0, np.uint8))
    none = find_outages(times, Rejects.empty(), first_offset=0, clock=Clock(ClockKind.PER_READ, 1))
    events = tuple(Outage("gap", start, end, 1, 1, 1, 0, 0) for start, end in spans)
    return replace(none, events=events, duration_s=60.0, period_s=0.015)


def test_a_sag_lasts_to_the_next_reading_above_the_minimum() -> None:
    found = find_sags(measured({10.0: 5.4, 10.1: 5.1, 20.0: 5.5}), outages((10.15, 12.0), (30.0, 30.3)), below_v=5.5)
    assert [(round(one.start_s, 6), round(one.end_s, 6), one.min_v) for one in found.sags] == [(10.0, 10.2, 5.1)]
    assert found.reading_s == pytest.approx(0.1)
    assert [(one.min_v, one.has_sag) for one in found.outages] == [(5.1, True), (7.0, False)]
    assert [one.start_s for one in found.beside(found.sags[0])] == [10.15]
    assert found.coincidence.bursts == 1
    assert found.coincidence.coincident == 1


@pytest.mark.parametrize(("start_s", "is_beside"), [(9.0, True), (10.25, True), (10.45, False)])
def test_an_outage_beside_a_sag_was_going_on_or_began_within_two_readings(start_s: float, is_beside: bool) -> None:
    found = find_sags(measured({10.0: 5.0, 10.1: 5.0}), outages((start_s, start_s + 1.5)), below_v=5.5)
    assert bool(found.beside(found.sags[0])) is is_beside
    assert found.outages[0].has_sag is is_beside


def test_times_are_those_of_the_recording() -> None:
    found = find_sags(measured({1010.0: 5.0}, first_s=1000.0), outages((10.05, 11.0)), below_v=5.5, zero_s=1000.0)
    assert [round(one.start_s, 6) for one in found.sags] == [10.0]
    assert found.outages[0].has_sag
    assert found.coincidence.end_s == pytest.approx(60)


def test_the_receiver_counts_else_what_was_lowest() -> None:
    both = measured({10.0: 5.0}, node="tail")
    calm = {"supply": np.full(600, 7.2)}
    assert find_sags(replace(both, volts=both.volts | calm), outages(), below_v=5.5).node == "tail"
    calm = {"receiver": np.full(600, 6.9)}
    found = find_sags(replace(both, volts=both.volts | calm), outages((10.0, 10.1)), below_v=5.5)
    assert (found.node, found.sags) == ("receiver", ())
    assert found.coincidence.independent == "cannot tell"


def test_sags_that_come_with_most_outages_are_more_than_chance() -> None:
    at = [3.0, 9.1, 14.2, 22.7, 31.0, 40.3, 47.9, 55.5]
    found = find_sags(measured(dict.fromkeys(at, 5.0)), outages(*((one, one + 0.5) for one in at)), below_v=5.5)
    assert found.coincidence.independent == "no"
    away = outages(*((one + 2.0, one + 2.1) for one in at))
    assert find_sags(measured(dict.fromkeys(at, 5.0)), away, below_v=5.5).coincidence.independent != "no"


def test_without_times_there_is_nothing_to_lay_beside() -> None:
    with pytest.raises(ValueError, match="fewer than two readings"):
        find_sags(replace(measured({}), t_s=None), outages(), below_v=5.5)


def test_in_json_all_have_their_units() -> None:
    found = find_sags(measured({10.0: 5.0}), outages((10.05, 11.0)), below_v=5.5).to_json()
    assert list(found) == ["node", "below_v", "reading_s", "events", "outages", "coincidence"]
    assert found["events"] == [{"start_s": 10.0, "end_s": 10.1, "min_v": 5.0}]
    assert found["outages"] == [{"kind": "gap", "start_s": 10.05, "end_s": 11.0, "min_v": 5.0}]


def test_only_the_time_is_compared_in_which_both_were_recorded() -> None:
    """Readings from 5 s to 65 s beside frames from 0 s to 60 s."""
    found = find_sags(measured({10.0: 5.0}, first_s=5.0), outages((2.0, 3.0), (30.0, 30.3)), below_v=5.5)
    assert (found.coincidence.start_s, found.coincidence.end_s) == (5.0, 60.0)
    found = find_sags(measured({10.0: 5.0}, first_s=-5.0), outages((2.0, 3.0)), below_v=5.5)
    assert (found.coincidence.start_s, found.coincidence.end_s) == (0.0, 55.0)


@pytest.mark.parametrize(
    ("start_s", "end_s", "min_v"),
    [
        (12.69, 13.0, 5.0),  # two readings before it count
        (12.71, 13.0, 7.0),
        (9.0, 12.5, 5.0),  # up to its end
        (9.0, 12.49, 7.0),
        (-3.0, -0.5, None),  # before the first reading
        (-3.0, 0.0, 7.0),
        (60.11, 61.0, None),  # more than two readings after the last
    ],
)
def test_the_lowest_voltage_of_an_outage(start_s: float, end_s: float, min_v: float | None) -> None:
    found = find_sags(measured({12.5: 5.0}), outages((start_s, end_s)), below_v=5.5)
    (one,) = found.outages
    assert (one.min_v, one.has_sag) == (min_v, min_v == 5.0)


@pytest.mark.parametrize(("low_v", "sags"), [(5.499, 1), (5.5, 0)])
def test_a_sag_is_below_the_minimum(low_v: float, sags: int) -> None:
    found = find_sags(measured({10.0: low_v}), outages((10.0, 10.05)), below_v=5.5)
    assert (len(found.sags), found.outages[0].has_sag) == (sags, bool(sags))


def test_a_sag_at_the_last_reading_lasts_as_long_as_the_others() -> None:
    found = find_sags(measured({59.8: 5.2, 59.9: 5.0}), outages(), below_v=5.5)
    assert [(round(one.start_s, 6), round(one.end_s, 6), one.min_v) for one in found.sags] == [(59.8, 60.0, 5.0)]


def test_readings_that_are_missing_are_passed_over() -> None:
    made = measured({10.0: 5.0, 10.4: 4.9})
    for column in made.volts.values():
        column[101:104] = np.nan
    found = find_sags(made, outages((10.2, 10.3)), below_v=5.5)
    assert [(round(one.start_s, 6), round(one.end_s, 6), one.min_v) for one in found.sags] == [(10.0, 10.5, 4.9)]
    assert (found.t_s.size, found.volts.size, found.outages[0].min_v) == (597, 597, 5.0)
    for column in made.volts.values():
        column[1:] = np.nan
    with pytest.raises(ValueError, match="fewer than two readings"):
        find_sags(made, outages(), below_v=5.5)


def test_outages_without_a_time_are_not_laid_beside() -> None:
    timed, timeless = outages((10.0, 10.2)), Outage("damaged", None, None, 1, 1, 1, 25, 0)
    found = find_sags(measured({10.0: 5.0}), replace(timed, events=(*timed.events, timeless)), below_v=5.5)
    assert len(found.outages) == 1


@pytest.mark.parametrize(
    ("period_s", "gap_s", "coincident"),
    [
        (None, 0.08, 1),  # nearer than a reading
        (None, 0.12, 0),
        (0.015, 0.12, 0),
        (0.5, 0.45, 1),  # or than a period, where that is longer
        (0.5, 0.55, 0),
    ],
)
def test_a_sag_and_an_outage_coincide_within_a_reading_or_a_period(
    period_s: float | None, gap_s: float, coincident: int
) -> None:
    sags = {10.0 * at: 5.0 for at in range(1, 5)}
    found = outages(*((10.0 * at + 0.1 + gap_s, 10.0 * at + 0.2 + gap_s) for at in range(1, 5)))
    made = find_sags(measured(sags), replace(found, period_s=period_s), below_v=5.5)
    assert (made.coincidence.bursts, made.coincidence.coincident) == (4, 4 * coincident)


def test_a_recording_without_duration_has_no_time_beside_the_voltage() -> None:
    made = find_sags(measured({10.0: 5.0}), replace(outages((10.05, 11.0)), duration_s=None), below_v=5.5)
    assert (made.coincidence.start_s, made.coincidence.end_s, made.coincidence.bursts) == (0.0, 0.0, 0)
