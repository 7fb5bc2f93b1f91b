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

from busbench.analysis.outages import Outage
from busbench.analysis.sags import OutageVoltage, Sags
from busbench.report.pictures import draw_channel, draw_histogram, draw_outages, draw_periods
from busbench.report.power_picture import WEAKEST, draw_harness, draw_sags
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


DRAWN: dict[str, Callable[[], str]] = {
    "trace": lambda: trace(turn=ControlMove("elevator", 1, 5, (), True)),
    "trace-on-off": lambda: trace(17, is_on_off=True),
    "channel": channel,
    "outages": outages,
    "histogram": histogram,
    "periods": periods,
    "harness": harness,
    "harness-bare": bare_harness,
    "sags": sags,
}


@pytest.mark.parametrize("name", DRAWN)
def test_a_picture_is_as_it_is_kept(name: str) -> None:
    path, drawn = PICTURES / f"{name}.svg", DRAWN[name]().replace("><", ">\n<") + "\n"
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        path.write_text(drawn, encoding="utf-8")
    assert drawn.splitlines() == path.read_text(encoding="utf-8").splitlines(), f"{path.name} is another"
