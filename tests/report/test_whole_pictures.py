"""Each picture whole, as it is kept in pictures/: no line, place, size, width or word of it changes unseen.

Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes it again; look at it in a browser then.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from busbench.analysis.change import Figure
from busbench.analysis.latency import Latency
from busbench.analysis.lead_fit import LeadFit
from busbench.analysis.outages import Outage
from busbench.analysis.ranking import Ranked
from busbench.analysis.sags import OutageVoltage, Sags
from busbench.analysis.several import Several
from busbench.analysis.trend import Point, Trend
from busbench.report.compared import draw_change
from busbench.report.pictures import (
    draw_channel,
    draw_histogram,
    draw_latency,
    draw_lateness,
    draw_outages,
    draw_periods,
    draw_receivers,
)
from busbench.report.power_picture import WEAKEST, draw_harness, draw_measured, draw_sags
from busbench.report.survey_pictures import draw_ranking, draw_trend
from busbench.rig.load import parse_rig
from busbench.rig.power import MOVING, power_cases
from busbench.verify.control_moves import ControlMove
from tests.report.test_pictures import LOSS, event, timing, trace

PICTURES = Path(__file__).with_name("pictures")
RIG = """
[rig]
name = "Heron"
period_ms = 14
[supply]
voltage_v = 7.4
resistance_ohm = 0.05
lead = { length_m = 0.2, awg = 18 }
[[hub]]
name = "the hub in the left wing, which has a long name"
from = "receiver"
lead = { length_m = 0.8, awg = 20, connector_ohm = 0.01 }
[[device]]
name = "left aileron"
kind = "servo"
channel = 1
on = "the hub in the left wing, which has a long name"
lead = { length_m = 0.3, awg = 24 }
current_a = { idle = 0.02, moving = 0.5, stall = 2.0 }
[[device]]
name = "motor"
kind = "off-bus"
channel = 3
motor = "electric"
lead = { length_m = 0.2, awg = 22 }
current_a = { idle = 0 }
[[device]]
name = "altimeter"
kind = "sensor"
slot = 4
"""


def harness() -> str:
    rig = parse_rig(RIG)
    case = next(one for one in power_cases(rig) if one.case == MOVING)
    return draw_harness(rig, case, {"left aileron": WEAKEST}, caption="all moving, at 20 degrees").svg()


def bare_harness() -> str:
    return draw_harness(parse_rig(RIG), None, {}).svg()


def sags() -> str:
    volts = np.array([7.0, 6.9, 5.2, 5.0, 6.8, 7.1, 7.0])
    outages = tuple(OutageVoltage(one, None, False) for one in (event("gap", 2.0, 3.5), event("failsafe", 5.0, 5.01)))
    found = SimpleNamespace(node="receiver", below_v=5.5, t_s=np.arange(-1.0, 6.0), volts=volts, outages=outages)
    return draw_sags(cast(Sags, found)).svg()


def channel() -> str:
    t_s = np.array([0.0, 1.0, 2.0, 3.0, 6.0, 8.0])  # a gap from 3 s on
    values = np.array([172, 992, 1811, 992, 172, 300], np.int16)
    return draw_channel("channel 1", t_s, values, 10.0, gap_s=2.5)


def outages() -> str:
    events: list[Outage] = [event("gap", 1.0, 2.0), event("gap", 2.1, 2.2), event("lost", 8.0, 8.001)]
    events += [event("damaged", 3.0, 4.0), event("failsafe", 4.5, 5.9)]
    return draw_outages(events, 10.0, off=LOSS)


def histogram() -> str:
    t_ns = np.cumsum([0, 13, 14, 14, 15, 14, 14, 13, 30]) * 1_000_000
    return draw_histogram(timing(14.0, 0.1), t_ns, plan_ms=14.0)


def periods() -> str:
    return draw_periods(np.array([0.0, 0.014, 0.029, 0.043, 0.143, 0.157]), 0.157, most_s=0.021)


def measured() -> str:
    """Two voltages; one lead explains a difference, of two others one does."""
    readings = [SimpleNamespace(name="receiver", mean_v=7.312, current_a=None)]
    readings.append(SimpleNamespace(name="left aileron", mean_v=6.9, current_a=0.456))
    lead = [SimpleNamespace(to=to, extra_ohm=ohm) for to, ohm in (("left aileron", 0.2), ("motor", -0.0123))]
    fit = SimpleNamespace(readings=readings, leads=lead[:1], alternatives=lead[1:])
    return draw_measured(parse_rig(RIG), cast(LeadFit, fit)).svg()


def shallow_sags() -> str:
    """Never below the min, whose word leaves no room for the lowest; two readings in one column, one after the end."""
    volts = np.array([5.6, 6.0, 5.9, 6.2, 5.7, 5.8])
    found = SimpleNamespace(
        node="hub", below_v=5.5, t_s=np.array([0.0, 0.001, 0.002, 0.003, 0.5, 1.0]), volts=volts, outages=()
    )
    return draw_sags(cast(Sags, found)).svg()


def dense_channel() -> str:
    """Many frames a column: first, min, max and last of each are kept, and level stretches are two points."""
    t_s = np.arange(12) * 0.01
    values = np.array([172, 180, 1811, 500, 992, 992, 992, 992, 600, 700, 172, 300], np.int16)
    return draw_channel("channel 17", np.append(t_s, [5.0, 9.0]), np.append(values, values[-2:]), 10.0, gap_s=6.0)


def level_channel() -> str:
    return draw_channel("channel 2", np.array([0.0, 1.0]), np.array([992, 992], np.int16), 0.0, gap_s=6.0)


def narrow_histogram() -> str:
    """Every period is the same, and the plan is far away."""
    return draw_histogram(timing(14.0, 0.0), np.arange(4) * 14_000_000, plan_ms=7.0)


def wide_histogram() -> str:
    """The bound of the receiver's own jitter is wider than what was seen; no plan."""
    return draw_histogram(timing(14.0, 1.5), np.cumsum([0, 13, 14, 14, 15]) * 1_000_000)


def latency() -> str:
    late_ns = np.array([2_000_000] * 3 + [4_000_000, 8_000_000], np.int64)
    return draw_latency("left aileron", Latency(np.arange(5) * 7_000_000, late_ns))


def receivers() -> str:
    """The right one begins half a second later; both are out from 3 s to 3.5 s, and for a moment at 8 s."""
    left = [event("gap", 1.0, 2.0), event("gap", 3.0, 4.0), event("lost", 8.0, 8.001)]
    right = [event("failsafe", 2.5, 3.0), event("lost", 7.5, 7.501)]
    placed = [
        (begin_ns, SimpleNamespace(name=name, outages=SimpleNamespace(duration_s=duration_s, events=events)))
        for begin_ns, name, duration_s, events in (
            (0, "left", 9.0, left),
            (500_000_000, "right, with a long name", 9.5, right),
        )
    ]
    overlaps = [
        SimpleNamespace(start_s=a, end_s=b, sources=(0, 1)[:many])
        for a, b, many in ((1.0, 2.0, 1), (3.0, 3.5, 2), (8.0, 8.001, 2))
    ]
    found = SimpleNamespace(placed=placed, coincidence=SimpleNamespace(overlaps=overlaps))
    return draw_receivers(cast(Several, found))


def ranked(name: str, missed: int, ratio: float | None, low: float | None, high: float | None) -> Ranked:
    bursts = None if low is None else 3
    return Ranked(name, None, "Heron", "2026-05-01T08:09:10Z", missed, 1000, ratio, bursts, low, high, None)


RANKING = [
    ranked("the first flight of the year with the new aerial.pcapng", 20, 0.02, 0.005, 0.09),  # a long name
    ranked("of forty-six letters, which is the most.pcapng", 2, 0.002, 0.0001, 0.01),
    ranked("one.pcapng", 1, 0.001, 0.00001, 0.004),  # from the left edge on
    ranked("none.pcapng", 0, 0.0, 0.0, 0.003),
    ranked("bytes.raw", 0, None, None, None),
]


def trend(*points: tuple[str, float, float | None, float | None], slope_per_day: float) -> Trend:
    made = tuple(Point(*point) for point in points)
    return Trend("period", "s", made, made[1].value, slope_per_day, None, None)


def trend_of_days() -> str:
    """Four in three weeks: bounds, none, and one so wide that it is cut off."""
    one = trend(
        ("2026-05-01T00:00:00Z", 0.0140, 0.0139, 0.0141),
        ("2026-05-08T00:00:00Z", 0.0142, None, None),
        ("2026-05-15T12:00:00Z", 0.0141, 0.0100, 0.0200),
        ("2026-05-22T00:00:00Z", 0.0144, 0.0143, 0.0145),
        slope_per_day=0.00002,
    )
    return draw_trend(one, unit="ms", factor=1e3)


def trend_of_hours() -> str:
    """All the same value, whose axis has a twentieth to each side."""
    days = ("2026-05-01T08:00:00Z", "2026-05-01T11:00:00Z", "2026-05-01T14:30:00Z")
    return draw_trend(trend(*((day, 20.0, None, None) for day in days), slope_per_day=0.0), unit="counts", factor=1.0)


def trend_of_nothing() -> str:
    """All zero, at one time."""
    return draw_trend(
        trend(*3 * [("2026-05-01T08:00:00Z", 0.0, None, None)], slope_per_day=0.0), unit="%", factor=100.0
    )


def change() -> str:
    return draw_change(Figure("period", "s", 0.007, 0.007, 1.2e-6, -1.2e-6, 2.4e-6, (-3.6e-6, 3.6e-6)))


def change_off_the_scale() -> str:
    return draw_change(Figure("endpoint low", "counts", 173.0, 190.0, 6.0, -1.0, 23.0, (-4.0, 4.0)))


def lateness() -> str:
    t_s = np.array([0.0, 0.014, 0.014, 1.0, 5.0, 9.99])
    return draw_lateness(t_s, np.array([0.0001, 0.004, 0.001, 0.016, 0.0, 0.008]), 10.0)


DRAWN: dict[str, Callable[[], str]] = {
    "trace": lambda: trace(turn=ControlMove("elevator", 1, 5, (), True)),
    "trace-on-off": lambda: trace(17, is_on_off=True),
    "channel": channel,
    "outages": outages,
    "histogram": histogram,
    "periods": periods,
    "lateness": lateness,
    "harness": harness,
    "harness-bare": bare_harness,
    "measured": measured,
    "sags": sags,
    "sags-shallow": shallow_sags,
    "channel-dense": dense_channel,
    "channel-level": level_channel,
    "histogram-narrow": narrow_histogram,
    "histogram-wide": wide_histogram,
    "latency": latency,
    "receivers": receivers,
    "ranking": lambda: draw_ranking(RANKING),
    "trend-days": trend_of_days,
    "trend-hours": trend_of_hours,
    "trend-nothing": trend_of_nothing,
    "change": change,
    "change-off-the-scale": change_off_the_scale,
}


@pytest.mark.parametrize("name", DRAWN)
def test_a_picture_is_as_it_is_kept(name: str) -> None:
    path, drawn = PICTURES / f"{name}.svg", DRAWN[name]().replace("><", ">\n<") + "\n"
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        path.write_text(drawn, encoding="utf-8")
    assert drawn.splitlines() == path.read_text(encoding="utf-8").splitlines(), f"{path.name} is another"
