"""A virtual aircraft on a guided round: a good one passes, and each fault is caught by its check and named."""

from __future__ import annotations

import hashlib
from functools import cache

import pytest

from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.receiver import Receiver
from busbench.bench.sources import open_aircraft, rig_in
from busbench.drive.surface_check import Word
from busbench.errors import PortError
from busbench.line import Chunk
from busbench.rig.load import parse_rig
from busbench.sim.aircraft import VirtualAircraft
from busbench.sim.aircraft_faults import FAULTS, parse_fault
from busbench.verify.result import Verdict
from busbench.verify.verify import Verification
from tests.verify.rounds import RIG, not_passed

SOURCE = "virtual:heron.toml"
RUDDER, AILERON = "channel 6 (rudder)", "channel 1 (left aileron)"
GEAR, MOTOR = "channel 7 (gear)", "channel 8 (sustainer)"
RESTARTS = 'after the mark "the receiver has too little voltage (5.3 V) and restarts"'
LOOK_S = 0.1


def fly(*faults: str, seed: int = 1) -> tuple[Verification, list[Chunk]]:
    """Lead the virtual pilot through a round; what was found, and what was heard."""
    port = open_aircraft(f"virtual:?seed={seed}", rig=RIG, faults=[parse_fault(text) for text in faults], is_fast=True)
    receiver = Receiver(port, now=port.now)
    heard: list[Chunk] = []
    receiver.listeners.append(lambda came: heard.extend(came.chunks))
    session = CheckSession(receiver, RIG)
    session.start()
    while session.state is not CheckState.OVER:
        session.hear(Word.GO)
        receiver.pump(session.left_s or LOOK_S)
    assert session.done is not None
    return session.done.found, heard


@cache
def flight(*faults: str) -> tuple[Verification, str]:
    """What was found, and a checksum of what was heard."""
    checked, heard = fly(*faults)
    return checked, digest(heard)


def found(*faults: str) -> Verification:
    return flight(*faults)[0]


def digest(heard: list[Chunk]) -> str:
    total = hashlib.sha256()
    for chunk in heard:
        total.update(b"%d;" % chunk.t_ns + chunk.data)
    return total.hexdigest()[:16]


def test_a_good_aircraft_passes_all_checks() -> None:
    assert not_passed(found()) == {}
    assert {check.part for check in found().checks} == {"line", "channel", "failsafe", "power-up"}


def test_the_same_seed_gives_the_same_bytes_at_the_same_times() -> None:
    first, again, other = (fly("lost-frames", seed=seed)[1] for seed in (3, 3, 4))
    assert first == again
    assert first != other


CASES = [
    ("sent-on:rudder:9", RUDDER, "high end", "it did not move, channel 9 moved in its place"),
    ("sent-on:left aileron", AILERON, "low end", "it did not move, channel 9 moved in its place"),
    ("sent-on:left aileron", AILERON, "moves alone", 'with "aileron stick" moved also channel 9 by 819 counts'),
    ("sent-reversed:rudder", RUDDER, "direction", "planned above neutral (rudder right): reversed"),
    ("sent-reversed:gear", "channel 7 (gear)", "direction", "is at its high end"),
    ("sent-short:rudder", RUDDER, "low end", "reached 483 counts (1182 µs), planned 123 counts (957 µs): short by"),
    ("sent-short:left flap:50", "channel 3 (left flap)", "high end", "reached 992 counts"),
    ("sent-with:rudder:3", RUDDER, "moves alone", 'with "rudder stick" moved also channel 3 by 270 counts'),
    ("no-failsafe", "failsafe", "how it shows", "no flag was set, so no device can know"),
    ("failsafe-held", RUDDER, "failsafe value", "planned 0 % = 1024: held as it was before"),
    ("failsafe-late", "failsafe", "delay", "came 3.01 s after the last good frame: too late"),
    ("failsafe-value:sustainer", "channel 8 (sustainer)", "failsafe value", "planned -100 % = 173: a wrong value"),
    ("failsafe-silent", "failsafe", "how it shows", "silent"),
    ("failsafe-drops", "failsafe", "flag stays up", "the failsafe flag was down in"),
    ("failsafe-stays:rudder", RUDDER, "after return", "stays in its failsafe position: 1024 counts"),
    ("failsafe-stays:gear", GEAR, "after return", "it stays in its failsafe position"),
    ("power-up-wild:sustainer", MOTOR, "from the first frame on", "1811 counts at 46.710 s (powered up, no link yet)"),
    ("power-up-wild:rudder", RUDDER, "from the first frame on", "planned 1024 counts"),
    ("pulse-at-rest:sustainer", MOTOR, "rest", "1811 counts at 1.005 s (at rest), 20 frames until 1.290 s"),
    ("pulse-at-rest:sustainer:0.01", MOTOR, "rest", "1811 counts at 1.005 s (at rest), away from its rest"),
    ("pulse-at-rest:rudder", RUDDER, "rest", "1925 counts at 1.005 s (at rest), 20 frames until 1.290 s"),
    ("pulse-between:sustainer", MOTOR, "rest", '1811 counts at 7.305 s (while "aileron stick" is moved), 20 frames'),
    ("pulse-between:rudder", AILERON, "moves alone", 'with "aileron stick" moved also channel 6 by 901 counts'),
    ("pulse-lost:sustainer", MOTOR, "while lost", "173 counts at 35.700 s (transmitter off, before failsafe)"),
    ("pulse-failsafe:sustainer", MOTOR, "failsafe value", "1811 counts at 36.810 s (in failsafe), 20 frames"),
    ("pulse-return:sustainer", MOTOR, "after return", "1811 counts at 40.215 s (link back), 20 frames until 40.500 s"),
    ("pulse-return:rudder", RUDDER, "after return", "counts at 40.215 s (link back), 20 frames until 40.500 s"),
    ("lost-frames::5", "line", "frames flagged lost", "95 % upper confidence limit"),
    ("missing-frames::5", "line", "missing frames", "95 % upper confidence limit"),
    ("jitter", "line", "jitter", "0.99"),
    ("wrong-period::14", "line", "period", "a frame every 14.0000 ms on average, planned 15 ms"),
    ("brown-out", "line", "missing frames", "in bursts"),
    ("brown-out", "line", "longest outage", RESTARTS),
    ("brown-out::0.5", "line", "longest outage", RESTARTS),
]  # fmt: skip


# A small fault fails so many checks and no other. It is counted with its case: a flight takes a second.
ALONE = {
    "sent-reversed:rudder": 1, "sent-short:rudder": 2, "sent-with:rudder:3": 1, "failsafe-late": 1,
    "lost-frames::5": 1, "missing-frames::5": 1, "jitter": 1, "wrong-period::14": 1,
    "failsafe-value:sustainer": 2,  # in failsafe, and at power-up
    "failsafe-drops": 1, "failsafe-stays:rudder": 1, "failsafe-stays:gear": 1,
    "power-up-wild:sustainer": 1, "power-up-wild:rudder": 1, "pulse-at-rest:sustainer": 1, "pulse-at-rest:rudder": 1,
    "pulse-lost:sustainer": 1, "pulse-failsafe:sustainer": 1, "pulse-return:sustainer": 1, "pulse-return:rudder": 1,
    "pulse-between:rudder": 2,  # two ailerons on one stick
    "pulse-between:sustainer": 3,  # and the motor itself
}  # fmt: skip


# A seed and its faults mean the same bytes at the same times next year.
HEARD = {
    "sent-on:rudder:9": "b613dd8091658da6", "sent-on:left aileron": "97175b32aa87f4b9",
    "sent-reversed:rudder": "ed9422fce5a73ade", "sent-reversed:gear": "2c4b5010b86f773c",
    "sent-short:rudder": "10645aefda16167b", "sent-short:left flap:50": "065c3b42877c0d9c",
    "sent-with:rudder:3": "7c1e2170dca2281f", "no-failsafe": "25308b8ffe52c0d5", "failsafe-held": "2993a1a8c2bf6833",
    "failsafe-late": "91f55e262f866600", "failsafe-value:sustainer": "16497e2476c042f5",
    "failsafe-silent": "0adb1a6e031ea1d8", "failsafe-drops": "97d72091978acad3",
    "failsafe-stays:rudder": "45a6585ec3453ac6", "failsafe-stays:gear": "c8c5458cabbea3d5",
    "power-up-wild:sustainer": "071e3cbb8e6482c3", "power-up-wild:rudder": "3741ad4e6e2eabe7",
    "pulse-at-rest:sustainer": "4e057a8417198bd1", "pulse-at-rest:sustainer:0.01": "6c404e7bb76cb55e",
    "pulse-at-rest:rudder": "6bf9acb5778e7e8d", "pulse-between:sustainer": "84b38bf5ddc889c3",
    "pulse-between:rudder": "1022e83b0a1cea11", "pulse-lost:sustainer": "dd2f2c5c961c0d72",
    "pulse-failsafe:sustainer": "3e80cb59791d78e1", "pulse-return:sustainer": "451eefafcb3e9f23",
    "pulse-return:rudder": "8f305ae81551676b", "lost-frames::5": "5301978f28db3fcd",
    "missing-frames::5": "fd497dae1ab750eb", "jitter": "4eb68e779d679f39", "wrong-period::14": "50be286252926da3",
    "brown-out": "c2263bb7dc647904", "brown-out::0.5": "c536c615ab3d9371",
}  # fmt: skip


@pytest.mark.parametrize(("fault", "subject", "name", "said"), CASES)
def test_a_fault_fails_its_check_and_is_named(fault: str, subject: str, name: str, said: str) -> None:
    check = next(check for check in found(fault).checks if (check.subject, check.name) == (subject, name))
    assert check.verdict is Verdict.FAIL
    assert said in check.sentence
    if fault in ALONE:
        assert len(not_passed(found(fault))) == ALONE[fault]
    assert flight(fault)[1] == HEARD[fault]


OTHER_RIG = parse_rig("""
[rig]
name = "Heron"
period_ms = 7
[supply]
voltage_v = 7.4
[[device]]
name = "aileron"
channel = 1
failsafe = "hold"
[[device]]
name = "elevator"
channel = 2
neutral_us = 1450
reversed = true
failsafe = 50
[[device]]
name = "brake"
channel = 3
rest_pct = 100
failsafe = 100
[[device]]
name = "gear"
channel = 17
failsafe = 100
[[device]]
name = "tow release"
channel = 18
failsafe = -100
""")


@pytest.mark.parametrize(
    ("faults", "kept"),
    [
        ((), "daa0f0d438243a83"),
        (("failsafe-value:elevator", "sent-with:brake"), "330b67c922cf6d74"),
        (("failsafe-value:aileron", "sent-reversed:elevator"), "e8255947a514545a"),
        (("failsafe-value:brake:20", "failsafe-drops::0.2"), "d161f306e23d0d44"),
        (("failsafe-value:gear", "pulse-between:brake", "pulse-at-rest:elevator:0.5"), "0f38a4235453a50a"),
        (
            ("failsafe-stays:brake", "power-up-wild:gear", "pulse-failsafe:elevator", "pulse-return:tow release"),
            "7497ec2396956a59",
        ),
        (("sent-on:brake", "sent-short:aileron:30", "pulse-lost:elevator"), "3e007fa07a501680"),
        (("no-failsafe", "wrong-period"), "28cfe605789556f4"),
        (("failsafe-silent", "missing-frames", "lost-frames"), "c1d56559622af188"),
    ],
)
def test_an_aircraft_of_another_kind_is_heard_as_before(faults: tuple[str, ...], kept: str) -> None:
    port = open_aircraft(
        "virtual:?seed=2", rig=OTHER_RIG, faults=[parse_fault(text) for text in faults], is_fast=True, flies_alone=True
    )
    heard: list[Chunk] = []
    while not port.has_ended:
        heard += port.read(LOOK_S)
    assert digest(heard) == kept


def test_before_any_step_the_aircraft_is_at_rest() -> None:
    aircraft = VirtualAircraft(OTHER_RIG, faults=[parse_fault("pulse-between:brake")])
    heard = aircraft.run(100_000_000)
    assert len({chunk.data for chunk in heard}) == 1
    assert len(heard) == 14
    assert heard[0].data[24] == 0


def test_every_small_fault_is_counted() -> None:
    assert set(ALONE) <= {case[0] for case in CASES}


def test_every_fault_that_is_sent_stands_above() -> None:
    named = {str(case[0]).partition(":")[0] for case in CASES}
    assert named == {*(kind for kind, words in FAULTS.items() if words.is_sent), "brown-out"}


def test_faults_of_devices_are_not_on_the_bus() -> None:
    kinds = ("wrong-channel", "reversed", "dead", "slow", "stalled")
    faults = [f"{kind}:rudder" for kind in kinds]
    assert not any(parse_fault(fault).shows_on_bus for fault in faults)
    assert found(*faults).verdict is Verdict.PASS


def test_a_pilot_who_flies_alone_marks_his_steps_and_ends() -> None:
    port = open_aircraft(SOURCE.replace("heron.toml", ""), rig=RIG, is_fast=True, flies_alone=True)
    frames = 0
    words: list[str] = []
    while not port.has_ended:
        frames += sum(len(chunk.data) == 25 for chunk in port.read(LOOK_S))
        words += [event.text for event in port.events()]
    assert frames == 3513
    assert words[1:3] + words[-2:] == ["rest", "aileron stick", "receiver on", "transmitter on after the receiver"]


def test_sources_as_people_type_them() -> None:
    assert rig_in("virtual:heron.toml?seed=3&speed=max") == "heron.toml"
    assert [rig_in(text) for text in ("virtual:", "virtual:?seed=3", "heron.toml")] == [None, None, None]
    for text in ("virtual:?sed=3", "virtual:?seed=x", "virtual:?speed=fast"):
        with pytest.raises(PortError, match="is not understood"):
            open_aircraft(text, rig=RIG)
