"""What is said at the end of a rehearsal with faults."""

from __future__ import annotations

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
