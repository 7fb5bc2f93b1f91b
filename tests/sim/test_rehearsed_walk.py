"""A virtual aircraft in a walk: settled at rest, moved frame by frame, looked at every fourth frame, described."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.bench.surface_plan import WalkPlan, plan_walk
from busbench.drive.frame_generator import FrameGenerator
from busbench.model import U8
from busbench.port.pacer import FrameSource
from busbench.rig.load import parse_rig
from busbench.sim.aircraft_faults import parse_fault
from busbench.sim.surface_rehearsal import Rehearsal
from busbench.wire.codec import pack_frames
from tests.sim.test_surface_rehearsal import source

PLAN = """
[rig]
name = "Heron"
period_ms = 14
[supply]
voltage_v = 7
minimum_v = 5
[[device]]
name = "rudder"
channel = 2
above_neutral = "left"
rest_pct = 50
geometry = {throw_deg = 20}
current_a = {idle = 0.1, moving = 0.5, stall = 2}
[[device]]
name = "hungry"
channel = 3
current_a = {idle = 0, moving = 4}
"""


def walk() -> WalkPlan:
    return plan_walk(parse_rig(PLAN), rig_path="heron.toml", port="virtual:")


def rehearsal(*faults: str) -> Rehearsal:
    return walk().rehearsal([parse_fault(text) for text in faults])


def frames(*steps: tuple[int, dict[int, int]]) -> FrameSource:
    """So many frames each with some channels at counts; the rudder else at its rest, 1402."""
    rows = []
    for count, channels in steps:
        counts = np.full(16, 992)
        counts[1] = 1402
        for channel, value in channels.items():
            counts[channel - 1] = value
        rows += [counts] * count
    raw: U8 = pack_frames(np.array(rows))
    return source(*(row.tobytes() for row in raw), period_s=0.014)


def play(port: Rehearsal, what: FrameSource) -> tuple[str, ...]:
    port.transmit(what)
    port.play(100.0)
    return port.seen()


def test_it_settles_at_rest_before_anything_moves() -> None:
    port = rehearsal()
    assert port.seen() == ()
    states = {state.name: state for state in port.states()}
    assert states["rudder"].position_pct == pytest.approx(50.0, abs=0.1)
    assert not any(state.is_moving for state in states.values())
    first = FrameGenerator(walk().hold.program).take(1).raw
    assert play(port, source(*[first[0].tobytes()] * 40, period_s=0.014)) == ("nothing moved",)


def test_a_slow_device_has_three_seconds_to_come_to_rest() -> None:
    """At 6 s for 60 degrees it gets 30 degrees far in 3 s; the rudder is put where it rests, not moved there."""
    assert play(rehearsal("slow:rudder"), frames((20, {}))) == ("nothing moved",)


def test_a_motion_is_described_as_the_plan_names_it() -> None:
    assert play(rehearsal(), frames((60, {2: 1811}), (60, {}))) == ("rudder moved 10° left",)
    assert play(rehearsal("reversed:rudder"), frames((60, {2: 1811}), (60, {2: 1402})))[0].endswith("° right")
    assert play(rehearsal(), frames((60, {3: 1811}), (60, {}))) == ("hungry moved high (arm 45°)",)


@pytest.mark.parametrize(("count", "is_seen"), [(3, False), (4, False), (5, True)])
def test_every_fourth_frame_is_looked_at(count: int, is_seen: bool) -> None:
    """From the first on, before a device has moved by it; there and back in between is not seen."""
    port = rehearsal()
    assert (play(port, frames((count, {3: 1811}))) != ("nothing moved",)) is is_seen


def test_looks_begin_again_with_each_transmission() -> None:
    port = rehearsal()
    assert play(port, frames((3, {}))) == ("nothing moved",)
    assert play(port, frames((4, {3: 1811}))) == ("nothing moved",)


@pytest.mark.parametrize(("turns", "often"), [(1, ""), (2, " 2 times")])
def test_a_receiver_that_restarts_is_named_with_its_voltage(turns: int, often: str) -> None:
    port = rehearsal("brown-out::1")
    steps = [(100, {3: 1811 if turn % 2 == 0 else 172}) for turn in range(turns)]
    seen = play(port, frames(*steps))
    assert seen[-1] == (
        f"the receiver had too little voltage ({port._aircraft.lowest_v:.1f} V) and restarted{often}:"
        " frames stopped meanwhile"
    )
    assert 2.0 < port._aircraft.lowest_v < 5.0
    calm = play(port, frames((10, {3: 1811 if turns % 2 else 172})))
    assert not any("restarted" in line for line in calm)  # that was before
