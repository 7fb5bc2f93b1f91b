"""A virtual aircraft and the faults built into it."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.errors import RigError
from busbench.rig.load import read_rig
from busbench.sim.aircraft_faults import FAULTS, AircraftFault, parse_fault
from busbench.sim.devices import DeviceState, VirtualRig
from tests.rig.rigs import HEAD, HERON, device, hub, rig

PERIOD_NS = 15_000_000


def run(aircraft: VirtualRig, frames: int, *, start: int = 0, flags: int = 0, **channels: int) -> list[DeviceState]:
    """Send frames, all centred but the channels given as c1=…"""
    row = np.full(16, 992, np.uint16)
    for name, value in channels.items():
        row[int(name[1:]) - 1] = value
    for number in range(frames):
        aircraft.frame((start + number) * PERIOD_NS, row, flags=flags)
    return list(aircraft.states())


def positions(aircraft: VirtualRig) -> dict[str, float]:
    return {state.name: round(state.position_pct, 3) for state in aircraft.states() if state.position_pct}


def test_a_sound_aircraft_moves_what_it_should() -> None:
    heron = VirtualRig(read_rig(HERON))
    run(heron, 100, c5=1811, c6=1024, c8=992)
    # Both elevator halves move up to their travel; the tow release is at its end.
    assert positions(heron) == {"left elevator": 90.0, "right elevator": -90.0, "tow release": -100.0}
    left, right = heron.state("left elevator"), heron.state("right elevator")
    assert left.surface_deg == pytest.approx(right.surface_deg)
    with pytest.raises(KeyError):
        heron.state("pack voltage")


@pytest.mark.parametrize(
    ("fault", "moved"),
    [
        (AircraftFault("wrong-channel", "left flap", 9), {}),
        (AircraftFault("wrong-channel", "left aileron", 3), {"left flap": 100.0, "left aileron": 100.0}),
        (AircraftFault("reversed", "left flap"), {"left flap": -100.0}),
        (AircraftFault("dead", "left flap"), {}),
        (AircraftFault("stalled", "left flap"), {}),
    ],
)
def test_faults_show_in_what_moves(fault: AircraftFault, moved: dict[str, float]) -> None:
    heron = VirtualRig(read_rig(HERON), faults=[fault])
    run(heron, 100, c3=1811, c6=1024, flags=1)
    assert positions(heron) == {**moved, "tow release": 100.0}


def test_a_slow_device_takes_its_factor_longer() -> None:
    def frames_to_end(*faults: AircraftFault) -> int:
        aircraft = VirtualRig(read_rig(HERON), faults=faults)
        for number in range(1000):
            run(aircraft, 1, start=number, c3=1811)
            if aircraft.state("left flap").position_pct == 100:
                return number
        return -1

    assert frames_to_end() == 10  # 45 degrees at 0.2 s a 60 degrees: 150 ms
    assert frames_to_end(AircraftFault("slow", "left flap", 3)) == 30


def test_a_stalled_device_draws_its_stall_current_and_pulls_its_voltage_down() -> None:
    heron = VirtualRig(read_rig(HERON), faults=[AircraftFault("stalled", "rudder")])
    run(heron, 20, c6=1811)
    rudder = heron.state("rudder")
    assert heron.supply_a == pytest.approx(3.5 + 0.86)  # the rudder and the others
    assert not rudder.is_moving
    assert heron.volts()["rudder"] < 6.5


def test_brown_out_stops_devices_below_the_minimum() -> None:
    everything = {f"c{channel}": 1811 for channel in range(1, 17)}
    sound = run(VirtualRig(read_rig(HERON)), 10, **everything)
    assert all(state.is_powered for state in sound)
    weak = VirtualRig(read_rig(HERON), faults=[AircraftFault("brown-out")])
    seen = [all(state.is_powered for state in run(weak, 1, start=n, **everything)) for n in range(10)]
    assert not all(seen)


def test_a_receiver_short_of_voltage_passes_no_frames() -> None:
    # A second feed keeps the wing well supplied while the receiver sags after its poor lead.
    head = '[rig]\nname = "a"\nperiod_ms = 15\n[supply]\nvoltage_v = 8\nminimum_v = 6\nlead = {resistance_ohm = 1}\n'
    wing = hub("wing", "lead = {resistance_ohm = 10}") + '[[feed]]\nto = "wing"\nlead = {resistance_ohm = 0.1}\n'
    hungry = device("hungry", 2, "current_a = {idle = 3, moving = 3}")
    flap = device("flap", 1, 'on = "wing"', "current_a = {idle = 0.1}")
    fed = VirtualRig(rig(wing, hungry, flap, head=head))
    assert fed.volts()["receiver"] < 6 < fed.volts()["flap"]
    run(fed, 1, c1=1811)
    run(fed, 1, start=1, c1=1811)
    assert fed.state("flap").is_powered
    assert fed.state("flap").position_pct == 0


def test_silence_and_waiting() -> None:
    parks = rig(device("a", 1, "when_silent = -100"), device("b", 1))
    aircraft = VirtualRig(parks)
    run(aircraft, 20, c1=1811)
    aircraft.wait(2_000_000_000)
    assert positions(aircraft) == {"a": -100.0, "b": 100.0}


def test_a_receiver_restarts_after_a_sag_and_devices_come_back() -> None:
    head = '[rig]\nname = "a"\nperiod_ms = 15\n[supply]\nvoltage_v = 7\nminimum_v = 5\n'
    hungry = device("hungry", 2, "current_a = {idle = 0, moving = 4}")  # there in one frame
    flap = device("flap", 1, "speed_s_per_60deg = 1", "when_silent = -50")
    weak = VirtualRig(rig(hungry, flap, head=head), faults=[AircraftFault("brown-out")])
    weak.settle(np.full(16, 992, np.uint16))
    run(weak, 3, c1=1811, c2=1811)
    assert (weak.restarts, weak.receiver_lives) == (1, False)
    assert not weak.state("flap").is_powered
    at = weak.state("flap").position_pct
    assert 0 < at < 10
    run(weak, 60, start=3, c1=1811, c2=1811)  # 0.9 s: voltage is back, the receiver is not
    assert weak.volts()["receiver"] > 6.9
    assert (weak.receiver_lives, weak.state("flap").position_pct) == (False, at)
    run(weak, 20, start=63, c1=1811, c2=1811)
    assert (weak.restarts, weak.receiver_lives) == (1, True)
    assert weak.state("flap").position_pct > at + 5


def test_a_fault_is_written_as_it_is_typed() -> None:
    assert str(AircraftFault("brown-out", value=0.5)) == "brown-out::0.5"
    assert str(AircraftFault("dead", "rudder")) == "dead:rudder"


def test_a_brown_out_needs_a_minimum() -> None:
    with pytest.raises(RigError, match="the plan states no minimum_v"):
        VirtualRig(rig(device("a", 1), head=HEAD.replace("minimum_v", "limit_a")), faults=[AircraftFault("brown-out")])


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("brown-out", AircraftFault("brown-out")),
        ("brown-out::0.8", AircraftFault("brown-out", "", 0.8)),
        ("dead:left flap", AircraftFault("dead", "left flap")),
        ("wrong-channel:left flap:5", AircraftFault("wrong-channel", "left flap", 5.0)),
    ],
)
def test_faults_as_people_type_them(text: str, fault: AircraftFault) -> None:
    assert parse_fault(text) == fault


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ded:left flap", '--fault: "ded" is not known: did you mean dead?'),
        ("???", f'--fault: "???" is not known: give one of {", ".join(FAULTS)}'),
        (
            "slow:left flap:x",
            '--fault, slow: "x" is not a number: give 0.001 to 1e+06; VALUE is times slower (6 s for 60 degrees)',
        ),
        (
            "sent-on:rudder:17",
            '--fault, sent-on: "17" is out of range: give 1 to 16; VALUE is channel (the first that is free)',
        ),
        ("dead:rudder:3", "--fault, dead: takes no value: leave :3 out"),
        ("jitter:rudder", '--fault, jitter: applies to no single device, but "rudder" is given: give jitter::VALUE'),
        (
            "sent-on:pack voltage",
            '--fault, sent-on: no device is named "pack voltage": give one of left aileron, right aileron, left flap,'
            " right flap, left elevator, right elevator, rudder, gear, tow release, sustainer",
        ),
        (
            "dead",
            "--fault, dead: DEVICE is missing: give one of left aileron, right aileron, left flap, right flap,"
            " left elevator, right elevator, rudder, gear, tow release, sustainer",
        ),
        ("dead:left flop", '--fault, dead: no device is named "left flop": did you mean "left flap"?'),
    ],
)
def test_wrong_faults_are_told(text: str, said: str) -> None:
    with pytest.raises(RigError) as caught:
        VirtualRig(read_rig(HERON), faults=[parse_fault(text)])
    assert str(caught.value) == said


def test_a_flight_with_every_device_on_its_way() -> None:
    # One stuck, and the supply sags. The values are from an independent version, which works with arrays of devices.
    faults = [AircraftFault("stalled", "rudder"), AircraftFault("brown-out", value=0.2)]
    heron = VirtualRig(read_rig(HERON), faults=faults)
    row = np.full(16, 992, np.uint16)
    seen = []
    for number in range(320):
        if number % 40 == 0:
            row[number // 40 :: 3] = 173 + 7 * number
        heron.frame(number * PERIOD_NS, row, flags=number // 80)
        if number % 40 == 4:
            states = heron.states()
            seen += [sum(state.position_pct for state in states), sum(s.surface_deg for s in states), heron.supply_a]
    wanted = [
        -70.87619047619049, -59.11258230594775, 6.66, -271.3548229548231, -163.110391557181, 2.17,
        -309.9145299145303, -196.46895892484966, 5.29, -183.2478632478631, -101.46895892484969, 5.71,
        -114.01709401709448, 2.750391386597876, 5.68, -260.68376068376074, -32.355058885585976, 4.36,
        -187.35042735042677, 0.644941114414296, 5.54, 100, 129.95263342210635, 4.36,
    ]  # fmt: skip
    assert seen == pytest.approx(wanted, rel=1e-9)
    assert heron.lowest_v == pytest.approx(5.695233125461087, rel=1e-9)


def degrees_after(faults: list[AircraftFault], speed: str, time_s: float) -> float:
    """How far an arm of 45 degrees at full command has moved."""
    aircraft = VirtualRig(rig(device("a", 1, *([speed] if speed else []))), faults=faults)
    aircraft.settle(np.full(16, 992, np.uint16))
    run(aircraft, round(time_s / 0.015) + 1, c1=1811)
    return aircraft.state("a").position_pct * 0.45


@pytest.mark.parametrize(
    ("value", "speed", "s_per_60deg"),
    [
        (None, "", 6.0),
        (None, "speed_s_per_60deg = 0.1", 6.0),
        (3, "speed_s_per_60deg = 0.5", 1.5),
        (5, "", 1.0),  # five times slower than a common one of 0.2 s
    ],
)
def test_how_slow_a_slow_device_is(value: float | None, speed: str, s_per_60deg: float) -> None:
    moved = degrees_after([AircraftFault("slow", "a", value)], speed, 0.3)
    assert moved == pytest.approx(60 * 0.3 / s_per_60deg, rel=0.02)


@pytest.mark.parametrize(("channel", "value", "obeys"), [(1, None, 2), (16, None, 1), (1, 9.0, 9)])
def test_a_device_on_the_wrong_channel_obeys_the_next(channel: int, value: float | None, obeys: int) -> None:
    aircraft = VirtualRig(rig(device("a", channel)), faults=[AircraftFault("wrong-channel", "a", value)])
    run(aircraft, 40, **{f"c{obeys}": 1811})
    assert positions(aircraft) == {"a": 100.0}


@pytest.mark.parametrize("wait_ns", [5_000_000, 14_000_000, 33_000_000, 200_000_000])
def test_devices_go_on_while_no_frame_comes(wait_ns: int) -> None:
    """At 0.6 s for 60 degrees, up to the time waited for and no farther."""
    aircraft = VirtualRig(rig(device("a", 1, "speed_s_per_60deg = 0.6")))
    aircraft.settle(np.full(16, 992, np.uint16))
    run(aircraft, 2, c1=1811)
    before = aircraft.state("a").position_pct
    aircraft.wait(PERIOD_NS + wait_ns)
    assert (aircraft.state("a").position_pct - before) * 0.45 == pytest.approx(100 * wait_ns / 1e9)
    aircraft.wait(PERIOD_NS)  # time does not go back
    assert (aircraft.state("a").position_pct - before) * 0.45 == pytest.approx(100 * wait_ns / 1e9)


@pytest.mark.parametrize(("stall", "drawn"), [("stall = 2", 2.0), ("", 0.5)])
def test_a_jammed_device_draws_its_stall_current_or_what_is_known(stall: str, drawn: float) -> None:
    draws = f"current_a = {{idle = 0.1, moving = 0.5{', ' * bool(stall)}{stall}}}"
    aircraft = VirtualRig(rig(device("a", 1, draws)), faults=[AircraftFault("stalled", "a")])
    aircraft.settle(np.full(16, 992, np.uint16))
    assert aircraft.supply_a == pytest.approx(0.1)
    run(aircraft, 3, c1=1811)
    assert aircraft.supply_a == pytest.approx(drawn)
    run(aircraft, 40, start=3, c1=992)
    assert aircraft.supply_a == pytest.approx(0.1)


@pytest.mark.parametrize(("kind", "position"), [("stalled", 0.0), ("dead", 0.0), ("reversed", -100.0)])
def test_a_device_that_cannot_move_is_not_settled(kind: str, position: float) -> None:
    aircraft = VirtualRig(rig(device("a", 1)), faults=[AircraftFault(kind, "a")])
    row = np.full(16, 992, np.uint16)
    row[0] = 1811
    aircraft.settle(row)
    assert aircraft.state("a").position_pct == pytest.approx(position)


@pytest.mark.parametrize(("frames", "lives"), [(66, False), (67, True)])
def test_a_receiver_is_up_again_a_second_after_its_voltage(frames: int, lives: bool) -> None:
    head = '[rig]\nname = "a"\nperiod_ms = 15\n[supply]\nvoltage_v = 7\nminimum_v = 5\n'
    weak = VirtualRig(
        rig(device("hungry", 2, "current_a = {idle = 0, moving = 4}"), head=head), faults=[AircraftFault("brown-out")]
    )
    weak.settle(np.full(16, 992, np.uint16))
    run(weak, 2, c2=1811)
    assert weak.volts()["receiver"] < 5  # the device moves, until the next frame
    run(weak, 1, start=2, c2=1811)
    assert (weak.restarts, weak.receiver_lives) == (1, False)
    run(weak, frames, start=3, c2=1811)
    assert (weak.restarts, weak.receiver_lives) == (1, lives)


def test_a_long_wait_shows_what_happens_within_it() -> None:
    """A device that parks without frames draws its current on the way, and the receiver restarts."""
    head = '[rig]\nname = "a"\nperiod_ms = 15\n[supply]\nvoltage_v = 7\nminimum_v = 5\n'
    hungry = device("hungry", 2, "current_a = {idle = 0, moving = 4}", "when_silent = -100", "speed_s_per_60deg = 0.2")
    plan, faults = rig(hungry, head=head), [AircraftFault("brown-out")]
    seen = []
    for step_ns in (3_000_000_000, PERIOD_NS):
        aircraft = VirtualRig(plan, faults=faults)
        aircraft.settle(np.full(16, 992, np.uint16))
        run(aircraft, 3)
        for until_ns in range(2 * PERIOD_NS + step_ns, 2 * PERIOD_NS + 3_000_000_001, step_ns):
            aircraft.wait(until_ns)
        seen.append((aircraft.restarts, round(aircraft.lowest_v, 6), aircraft.receiver_lives, positions(aircraft)))
    assert seen[0] == seen[1]
    assert seen[0][0] > 0
    assert seen[0][1] < 5


@pytest.mark.parametrize("supply", ["voltage_v = 5\nminimum_v = 5", "voltage_v = 0.5"])
def test_at_the_minimum_itself_or_without_one_all_have_power(supply: str) -> None:
    plan = rig(
        device("a", 1, "current_a = {idle = 0, moving = 0}"),
        head=f'[rig]\nname = "a"\nperiod_ms = 15\n[supply]\n{supply}\n',
    )
    aircraft = VirtualRig(plan)
    aircraft.settle(np.full(16, 992, np.uint16))
    run(aircraft, 20, c1=1811)
    assert (aircraft.receiver_lives, aircraft.restarts) == (True, 0)
    assert aircraft.state("a").is_powered
    assert positions(aircraft) == {"a": 100.0}
