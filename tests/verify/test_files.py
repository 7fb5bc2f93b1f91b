"""JUnit out, answers of a walk in."""

from __future__ import annotations

import dataclasses
from xml.etree import ElementTree as ET

import msgspec
import pytest

from busbench.drive.surface_check import Entry, Station
from busbench.drive.surface_file import SavedWalk
from busbench.errors import RigError
from busbench.rig.finding import Finding
from busbench.verify.inputs import VerifyInputs
from busbench.verify.junit import junit_xml
from busbench.verify.result import CheckFactory, Verdict
from busbench.verify.stations import stations_of
from busbench.verify.surface_checks import check_walk
from busbench.verify.verify import Verification, faults_words, verify
from tests.verify.rounds import RIG, round_of, without_times


def test_what_was_not_tested_is_an_error_to_programs() -> None:
    found = verify(round_of("no failsafe flag"), RIG)
    root = ET.fromstring(junit_xml(found))
    assert root.attrib == {"tests": str(len(found.checks)), "failures": "1", "errors": "2"}
    assert [error.attrib for error in root.iter("error")] == [
        {"type": "not tested", "message": "there was no failsafe flag to wait for"},
        {"type": "not tested", "message": "there was no failsafe flag that could stay up"},
    ]
    (failure,) = root.iter("failure")
    assert failure.attrib["message"].startswith("values went on over 3.61 s without link")
    assert len(list(root.iter("testcase"))) == len(found.checks)


def test_the_whole_document() -> None:
    about = CheckFactory("channel", "channel 6 (rudder)", 6)
    checks = (
        about.at_most("noise", "3 counts", measured=3, limit=2, unit="counts"),
        about.not_tested("rest", "never <still>"),
        about.is_so("direction", "right", good=True),
    )
    found = Verification(checks, VerifyInputs(round_of(), RIG), (), None, unplanned=(3, 17))
    totals = 'tests="3" failures="1" errors="1"'
    assert (
        junit_xml(found)
        == f"""<?xml version="1.0" encoding="UTF-8"?>
<testsuites {totals}>
  <testsuite name="busbench verify Heron" {totals}>
    <testcase classname="channel 6 (rudder)" name="noise">
      <failure message="3 counts (limit 2 counts)" />
    </testcase>
    <testcase classname="channel 6 (rudder)" name="rest">
      <error type="not tested" message="never &lt;still&gt;" />
    </testcase>
    <testcase classname="channel 6 (rudder)" name="direction">
      <system-out>right</system-out>
    </testcase>
    <system-out>not in the plan, but moved: channels 3, 17</system-out>
  </testsuite>
</testsuites>
"""
    )
    assert "<system-out />" not in junit_xml(dataclasses.replace(found, unplanned=()))


def test_the_verdict_as_plain_values() -> None:
    """Counts of the verdicts, faults of the plan, and channels that moved without being in it."""
    found = verify(round_of("no failsafe flag"), RIG)
    told = found.to_json()
    assert [told[key] for key in ("rig", "verdict", "failed", "not_tested")] == ["Heron", "fail", 1, 2]
    assert told["passed"] == len(found.checks) - 3
    assert (told["plan_faults"], told["unplanned_channels_moved"]) == ([], [])
    assert [one["name"] for one in told["checks"]] == [one.name for one in found.checks]  # type: ignore[attr-defined]
    without = msgspec.structs.replace(RIG, devices=tuple(d for d in RIG.devices if d.name != "rudder"))
    two = tuple(msgspec.structs.replace(d, failsafe=100.0) if d.motor_kind else d for d in without.devices)
    found = verify(round_of(), msgspec.structs.replace(RIG, devices=two))
    told = found.to_json()
    assert told["unplanned_channels_moved"] == [6]
    assert [one["where"] for one in told["plan_faults"]] == [one.where for one in found.faults]  # type: ignore[attr-defined]
    assert found.unplanned_words == "not in the plan, but moved: channel 6"
    assert (found.checks[0].part, found.checks[0].verdict, found.verdict) == ("plan", Verdict.FAIL, Verdict.FAIL)
    assert junit_xml(found).count("<system-out>not in the plan, but moved: channel 6</system-out>") == 1
    assert "not in the plan" not in junit_xml(verify(round_of(), RIG))


def test_a_notebook_shows_the_verdict() -> None:
    html = verify(without_times(b""), RIG)._repr_html_()
    assert "Heron" in html
    assert "no frame was received" in html


def test_no_frames_leave_everything_untested_but_the_frames_themselves() -> None:
    found = verify(without_times(b""), RIG)
    assert (found.phases, found.loss, found.control_moves, found.unplanned) == (None, None, {}, ())
    assert [(one.part, one.subject, one.name, one.verdict) for one in found.checks] == [
        ("line", "line", "frames", Verdict.FAIL),
        *(("channel", mapped.subject, "channel", Verdict.NOT_TESTED) for mapped in found.channels),
        ("failsafe", "failsafe", "failsafe", Verdict.NOT_TESTED),
    ]
    assert [one.channel for one in found.checks] == [None, 1, 2, 3, 4, 5, 6, 7, 17, 8, None]
    assert {one.sentence for one in found.checks[1:]} == {"there are no frames"}


@pytest.mark.parametrize(
    ("severities", "words"),
    [
        ((), ""),
        (("hint",), ""),
        (("fault", "hint"), "the plan has 1 fault: see `busbench rig check 'my rig.toml'`"),
        (("fault", "fault"), "the plan has 2 faults: see `busbench rig check 'my rig.toml'`"),
    ],
)
def test_faults_of_a_plan_in_words(severities: tuple[str, ...], words: str) -> None:
    findings = [Finding(severity, "gear", "is wrong", "", "") for severity in severities]  # type: ignore[arg-type]
    assert faults_words(findings, rig_path="my rig.toml") == words


def stop(name: str) -> Station:
    (found,) = (one for one in stations_of(RIG)[0] if one.name == name)
    return found


def walked(*entries: Entry, rig: str = "Heron", is_rehearsal: bool = False) -> SavedWalk:
    return SavedWalk(rig, is_rehearsal, "2026-01-31T09:00:00Z", entries)


def test_answers_of_a_walk_are_checks() -> None:
    entries = (
        Entry(stop("rudder"), answers=(True, True, False, None), note="binds"),
        Entry(stop("gear"), is_skipped=True),
    )
    found = [(c.subject, c.name, c.verdict, c.sentence) for c in check_walk(walked(*entries), RIG, path="w.json")]
    assert found[:5] == [
        ("channel 6 (rudder)", "right surface, and only that", Verdict.PASS, "yes, on 2026-01-31; binds"),
        ("channel 6 (rudder)", "right way", Verdict.PASS, "yes, on 2026-01-31; binds"),
        ("channel 6 (rudder)", "full throw", Verdict.FAIL, "no, on 2026-01-31; binds"),
        ("channel 6 (rudder)", "smooth", Verdict.NOT_TESTED, "not answered; binds"),
        ("channel 7 (gear)", "right surface, and only that", Verdict.NOT_TESTED, "skipped"),
    ]
    # What was never come to is missed, but for the motor.
    rest = [(subject, verdict) for subject, name, verdict, _ in found if name == "walk"]
    assert [subject.split(" ")[1] for subject, _ in rest] == ["1", "2", "3", "4", "5", "17"]
    assert {verdict for _, verdict in rest} == {Verdict.NOT_TESTED}


def test_a_rehearsal_tests_nothing() -> None:
    entry = Entry(stop("rudder"), answers=(True,) * 4)
    found = check_walk(walked(entry, is_rehearsal=True), RIG, path="w.json")
    assert {check.verdict for check in found} == {Verdict.NOT_TESTED}


@pytest.mark.parametrize(
    ("changed", "not_walked"),
    [
        ({"travel_pct": 60.0}, []),
        ({"above_neutral": "left"}, []),
        ({"name": "left spoiler"}, ["channel 6 (left spoiler)"]),
        ({"channel": 12}, ["channel 12 (rudder)"]),
        ({"kind": "off-bus"}, []),
    ],
    ids=str,
)
def test_answers_for_another_plan_count_for_nothing(changed: dict[str, object], not_walked: list[str]) -> None:
    devices = tuple(msgspec.structs.replace(one, **changed) if one.name == "rudder" else one for one in RIG.devices)
    rig = msgspec.structs.replace(RIG, devices=devices)
    entries = [Entry(one, answers=(True,) * 4) for one in stations_of(RIG)[0]]
    found = list(check_walk(walked(*entries), rig, path="w.json"))
    stale = ("channel 6 (rudder)", "the plan says otherwise than when it was walked: walk it again")
    assert [(one.subject, one.sentence) for one in found if one.verdict is not Verdict.PASS] == [
        stale,
        *((subject, "it was not walked") for subject in not_walked),
    ]
    assert [one.subject for one in found].count("channel 6 (rudder)") == 1


def test_the_order_of_the_plan_is_no_other_plan() -> None:
    rig = msgspec.structs.replace(RIG, devices=RIG.devices[::-1])
    entries = (Entry(one, answers=(True,) * 4) for one in stations_of(RIG)[0])
    assert {check.verdict for check in check_walk(walked(*entries), rig, path="w.json")} == {Verdict.PASS}


def test_the_walk_of_another_aircraft_is_refused() -> None:
    with pytest.raises(RigError, match=r'w\.json: holds answers for "Egret", not for "Heron"'):
        list(check_walk(walked(rig="Egret"), RIG, path="w.json"))
