"""Settings of a virtual receiver and faults of a virtual aircraft as people type them, at their limits."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import asdict

import pytest

from busbench.errors import PortError, RigError
from busbench.line import BUS_LINE, LineSettings
from busbench.rig.load import read_rig
from busbench.sim.address import parse_virtual, read_settings
from busbench.sim.aircraft_faults import FAULTS, AircraftFault, check_fault, motion_faults, parse_fault
from busbench.sim.line_faults import Noise, OutageSpan
from busbench.sim.receiver import ReceiverSettings
from busbench.sim.stick_motion import Hand
from tests.rig.rigs import HERON

# Kind: min and max of VALUE, None for a fault without one; whether it concerns one device, and shows on the bus.
TABLE: dict[str, tuple[float | None, float | None, bool, bool]] = {
    "wrong-channel": (1, 18, True, False), "reversed": (None, None, True, False), "dead": (None, None, True, False),
    "slow": (0.001, 1e6, True, False), "stalled": (None, None, True, False), "brown-out": (0.001, 1e6, False, False),
    "sent-on": (1, 16, True, True), "sent-reversed": (None, None, True, True), "sent-short": (0.001, 100, True, True),
    "sent-with": (1, 16, True, True), "no-failsafe": (None, None, False, True),
    "failsafe-held": (None, None, False, True), "failsafe-late": (0.001, 60, False, True),
    "failsafe-value": (-150, 150, True, True), "failsafe-silent": (None, None, False, True),
    "failsafe-drops": (0.001, 60, False, True), "failsafe-stays": (None, None, True, True),
    "power-up-wild": (None, None, True, True), "pulse-at-rest": (0.001, 2, True, True),
    "pulse-between": (0.001, 0.7, True, True), "pulse-lost": (0.001, 60, True, True),
    "pulse-failsafe": (0.001, 60, True, True), "pulse-return": (0.001, 60, True, True),
    "lost-frames": (0.001, 100, False, True), "missing-frames": (0.001, 100, False, True),
    "jitter": (0.001, 1.5, False, True), "wrong-period": (6, 100, False, True),
}  # fmt: skip


def test_the_table_holds_every_fault() -> None:
    assert list(TABLE) == list(FAULTS)
    assert motion_faults() == "wrong-channel, reversed, dead, slow, stalled, brown-out"


@pytest.mark.parametrize("kind", TABLE)
def test_a_value_is_taken_up_to_its_limits(kind: str) -> None:
    least, most, has_device, is_sent = TABLE[kind]
    assert (FAULTS[kind].has_device, FAULTS[kind].is_sent) == (has_device, is_sent)
    fault = AircraftFault(kind)
    assert fault.shows_on_bus is (is_sent or kind == "brown-out")
    assert fault.shows_in_motion is not is_sent
    if least is None or most is None:
        with pytest.raises(RigError, match=f"--fault, {kind}: takes no value: leave :1 out"):
            parse_fault(f"{kind}::1")
        return
    for value in (least, most):
        assert parse_fault(f"{kind}:rudder:{value}") == AircraftFault(kind, "rudder", value)
    for value in (least - 0.0005, most + 0.0005):
        hint = f'--fault, {kind}: "{value}" is out of range: give {least:g} to {most:g}; VALUE is {FAULTS[kind].value}'
        with pytest.raises(RigError) as caught:
            parse_fault(f"{kind}:rudder:{value}")
        assert str(caught.value) == hint


@pytest.mark.parametrize(
    ("text", "is_hidden"),
    [
        ("sent-short:tow release", True),
        ("sent-short:tow release:50", True),
        ("sent-short:tow release:49.9", False),
        ("sent-short:sustainer", False),
        ("sent-short:gear", False),
        ("failsafe-stays:sustainer", True),
        ("failsafe-stays:gear", False),
        ("failsafe-stays:tow release", False),
    ],
)
def test_a_fault_that_cannot_show_is_refused(text: str, is_hidden: bool) -> None:
    plan = read_rig(HERON)
    with pytest.raises(RigError, match="does not show") if is_hidden else nullcontext():
        check_fault(parse_fault(text), plan)


@pytest.mark.parametrize("kind", TABLE)
def test_a_fault_of_a_device_names_one_and_the_others_none(kind: str) -> None:
    plan, has_device = read_rig(HERON), TABLE[kind][2]
    check_fault(AircraftFault(kind, "rudder" if has_device else ""), plan)
    with pytest.raises(RigError) as caught:
        check_fault(AircraftFault(kind, "" if has_device else "rudder"), plan)
    give = f"give {kind}::VALUE" if TABLE[kind][0] is not None else f"give {kind}"
    said = "DEVICE is missing: give one of left aileron, " if has_device else (
        f'applies to no single device, but "rudder" is given: {give}'
    )  # fmt: skip
    assert str(caught.value).startswith(f"--fault, {kind}: {said}")
    assert has_device or str(caught.value).endswith(give)


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (AircraftFault("dead", "left flap"), "dead:left flap"),
        (AircraftFault("slow", "rudder", 2.5), "slow:rudder:2.5"),
        (AircraftFault("jitter", value=0.25), "jitter::0.25"),
        (AircraftFault("no-failsafe"), "no-failsafe"),
        (AircraftFault("failsafe-value", "rudder", -20.0), "failsafe-value:rudder:-20"),
    ],
)
def test_a_fault_is_typed_as_it_is_shown(fault: AircraftFault, text: str) -> None:
    assert str(fault) == text
    assert parse_fault(text) == fault
    assert parse_fault(f" {text} ".replace(":", " : ")) == fault


@pytest.mark.parametrize(
    ("text", "settings"),
    [
        ("period=20ms", ReceiverSettings(period_s=0.02)),
        ("period=0.02", ReceiverSettings(period_s=0.02)),
        ("period=0.02s", ReceiverSettings(period_s=0.02)),
        ("jitter=250us", ReceiverSettings(jitter_s=250e-6)),
        ("duration=2min", ReceiverSettings(duration_s=120.0)),
        ("duration=1.5h", ReceiverSettings(duration_s=5400.0)),
        ("duration=999999999999s", ReceiverSettings(duration_s=999_999_999_999.0)),
        ("seed=0", ReceiverSettings(seed=0)),
        (f"seed={2**63 - 1}", ReceiverSettings(seed=2**63 - 1)),
        ("dither=100%", ReceiverSettings(dither=1.0)),
        ("dither=0.25", ReceiverSettings(dither=0.25)),
        ("flips=1%&drops=2%&extras=3%&bursts=4%", ReceiverSettings(noise=Noise(0.01, 0.02, 0.03, 0.04))),
        ("pilot=still", ReceiverSettings(hand=Hand.STILL)),
        ("slots=on&period=15ms", ReceiverSettings(has_slots=True, period_s=0.015)),
        ("frames=off", ReceiverSettings(has_frames=False)),
        ("inverted=on", ReceiverSettings(is_inverted=True)),
        ("marks=off", ReceiverSettings(has_marks=False)),
        ("baud=9600", ReceiverSettings(baud=9600)),
        ("batch=16ms&join=5ms", ReceiverSettings(batch_s=0.016, join_s=0.005)),
        ("chatter=200", ReceiverSettings(chatter=200.0)),
        ("lost_rate=2&failsafe-rate=0.5&gap-rate=1", ReceiverSettings(lost_rate=2, failsafe_rate=0.5, gap_rate=1)),
        ("failsafe=10:1500ms", ReceiverSettings(failsafe=(OutageSpan(10, 1.5),))),
        ("gaps=1min:0.4,2:1s", ReceiverSettings(gaps=(OutageSpan(60, 0.4), OutageSpan(2, 1)))),
        ("lost=+2:0.5", ReceiverSettings(lost=(OutageSpan(2, 0.5),))),
    ],
)
def test_settings_with_their_units(text: str, settings: ReceiverSettings) -> None:
    found, is_fast = parse_virtual(f"virtual:?{text}")
    assert (found, is_fast) == (settings, False)


@pytest.mark.parametrize(
    "text",
    ["duration=1e12", "seed=-1", f"seed={2**63}", "seed=1.5", "dither=x%", "slots=yes", "lost=2", "lost=2:", "gaps=:1",
     "pilot=fast", "period=ms", "chatter=inf", "jitter=-1us", "baud=", "gaps=1:2:3"],
)  # fmt: skip
def test_what_is_not_understood(text: str) -> None:
    name, _, value = text.partition("=")
    with pytest.raises(
        PortError, match=f'{name}: "{value}" is not understood; give it as in {name}='.replace("+", ".")
    ):
        parse_virtual(f"virtual:?{text}")


def test_options_of_a_command_are_named_as_such() -> None:
    with pytest.raises(PortError) as caught:
        read_settings({"lost_rate": "x"})
    assert str(caught.value) == '--lost-rate: "x" is not understood: give it as in --lost-rate 2'
    with pytest.raises(PortError) as caught:
        read_settings({"period": "1ms"})
    assert str(caught.value).startswith("simulate: period 1 ms is too short")
    with pytest.raises(PortError, match='"lots" is not a setting'):
        read_settings({"lots": "1"})


@pytest.mark.parametrize(("text", "is_fast"), [("", False), ("?", False), ("?speed=real", False), ("?speed=max", True),
                                               ("?&&speed=max&", True), ("?spe%65d=m%61x", True)])  # fmt: skip
def test_how_fast_it_runs(text: str, is_fast: bool) -> None:
    assert parse_virtual(f"virtual:{text}") == (ReceiverSettings(), is_fast)


def test_a_receiver_of_which_nothing_is_said_is_a_good_one() -> None:
    """14 ms, sticks that move, no fault, no noise, and an adapter that hands over each frame."""
    assert asdict(ReceiverSettings()) == {
        "seed": 1, "period_s": 0.014, "jitter_s": 0.0, "hand": Hand.MIXED, "dither": 0.0, "has_frames": True,
        "has_slots": False, "lost": (), "failsafe": (), "gaps": (), "lost_rate": 0.0, "failsafe_rate": 0.0,
        "gap_rate": 0.0, "noise": {"flips": 0.0, "drops": 0.0, "extras": 0.0, "bursts": 0.0}, "chatter": 0.0,
        "is_inverted": False, "baud": 100_000, "batch_s": 0.0, "has_marks": True, "join_s": 0.0, "duration_s": None,
    }  # fmt: skip
    assert ReceiverSettings().adapter_line == BUS_LINE
    assert ReceiverSettings(baud=9600, is_inverted=True).adapter_line == LineSettings(
        baud=9600, inverted=not BUS_LINE.inverted
    )
