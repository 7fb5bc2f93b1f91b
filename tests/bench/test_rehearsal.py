"""What is said at the end of a rehearsal with faults."""

from __future__ import annotations

import re

import pytest

from busbench.bench.rehearsal import found_by_check, found_by_walk, rehearsal_lines
from busbench.drive.surface_check import Entry, Station
from busbench.rig.load import read_rig
from busbench.sim.aircraft_faults import parse_fault
from busbench.verify.result import Check, Verdict
from tests.cli.running import CAPTURES

RUDDER = Station("rudder", 5, ("rudder",), "left", "right", True, 172, 992, 1811)


def test_faults_are_found_where_a_check_of_their_channel_or_part_failed() -> None:
    rig = read_rig(CAPTURES / "heron.toml")
    faults = [parse_fault(text) for text in ("sent-short:rudder", "reversed:rudder", "failsafe-late", "jitter")]
    checks = [
        Check("channel", "channel 6 (rudder)", "low end", Verdict.FAIL, "reached 483", channel=6),
        Check("channel", "channel 1", "low end", Verdict.PASS, "reached 172", channel=1),
        Check("line", "line", "jitter", Verdict.FAIL, "1 ms"),
        Check("failsafe", "failsafe", "delay", Verdict.PASS, "0.5 s"),
    ]
    assert [str(one) for one in found_by_check(faults, checks, rig)] == ["sent-short:rudder", "jitter"]


def test_faults_are_found_where_an_answer_is_no() -> None:
    faults = [parse_fault(text) for text in ("reversed:rudder", "dead:left flap", "sent-short:rudder")]
    no, yes = Entry(RUDDER, answers=(True, False, True, True)), Entry(RUDDER, answers=(True,) * 4)
    assert [str(one) for one in found_by_walk(faults, [no])] == ["reversed:rudder"]
    assert found_by_walk(faults, [yes]) == []


def test_the_end_says_what_was_found_and_where_the_rest_shows() -> None:
    faults = [parse_fault(text) for text in ("sent-short:rudder", "reversed:rudder")]
    assert list(rehearsal_lines(faults, faults[:1])) == [
        "This was a rehearsal on a virtual aircraft with 2 faults built in: 1 found.",
        "- found: rudder: its channel stops short of its ends (sent-short:rudder)",
        "- not found: rudder: the device runs the other way (reversed:rudder). It shows in walk: right way, no.",
    ]
    assert list(rehearsal_lines([], [])) == []


@pytest.mark.parametrize(
    ("fault", "part"),
    [
        ("no-failsafe", "failsafe"), ("failsafe-late", "failsafe"), ("failsafe-stays", "failsafe"),
        ("power-up-wild", "power-up"), ("jitter", "line"), ("lost-frames", "line"), ("wrong-period", "line"),
        ("brown-out", "line"),
    ],
)  # fmt: skip
def test_a_fault_of_no_device_is_found_in_its_part_alone(fault: str, part: str) -> None:
    rig = read_rig(CAPTURES / "heron.toml")
    faults = [parse_fault(fault)]
    for name in ("line", "failsafe", "power-up", "channel"):
        check = Check(name, name, "x", Verdict.FAIL, "y")
        assert found_by_check(faults, [check], rig) == (faults if name == part else [])
    for verdict in (Verdict.PASS, Verdict.NOT_TESTED):
        assert found_by_check(faults, [Check(part, part, "x", verdict, "y")], rig) == []  # type: ignore[arg-type]


def test_a_fault_of_a_device_is_found_on_its_channel_alone() -> None:
    rig = read_rig(CAPTURES / "heron.toml")
    faults = [parse_fault("sent-short:rudder"), parse_fault("sent-short:unknown")]
    for channel in (None, 5, 6, 7):
        check = Check("channel", "x", "low end", Verdict.FAIL, "y", channel=channel)
        assert found_by_check(faults, [check], rig) == (faults[:1] if channel == 6 else [])
    walked = parse_fault("reversed:rudder")  # the bus cannot show it
    assert found_by_check([walked], [Check("channel", "x", "y", Verdict.FAIL, "z", channel=6)], rig) == []


def test_a_fault_of_all_devices_is_found_by_any_no() -> None:
    faults = [parse_fault("brown-out"), parse_fault("jitter")]
    no = Entry(RUDDER, answers=(None, False, None, None))
    assert found_by_walk(faults, [no]) == faults[:1]
    assert found_by_walk(faults, [Entry(RUDDER)]) == []


def test_one_fault_is_singular_and_has_a_device_if_it_is_of_one() -> None:
    lines = list(rehearsal_lines([parse_fault("jitter")], []))
    assert lines[0] == "This was a rehearsal on a virtual aircraft with 1 fault built in: 0 found."
    assert re.fullmatch(r"- not found: [^:]+ \(jitter[^)]*\)\. It shows in verify: jitter\.", lines[1])
