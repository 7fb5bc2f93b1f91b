"""Checks as a table, and the moment of each."""

from __future__ import annotations

from dataclasses import replace

import heron
import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.sign_off import sign_off
from busbench.rig.load import read_rig
from busbench.tui.text import Line
from busbench.tui.verdicts import Filter, VerdictTable
from busbench.tui.widgets.verdicts import listed_lines, no_moment, table_lines
from busbench.verify.moments import channel_of, moment_of
from busbench.verify.result import Check, Verdict
from busbench.verify.verify import Verification, verify
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from tests.cli.running import CAPTURES
from tests.verify.rounds import RIG, recorded, round_of

F, N, P = Verdict.FAIL, Verdict.NOT_TESTED, Verdict.PASS
CHECKS = [
    Check("line", "line", "jitter", P, "small"),
    Check("channel", "channel 1", "low end", F, "short", channel=1),
    Check("channel", "channel 1", "high end", P, "there", channel=1),
    Check("channel", "channel 2", "low end", P, "there", channel=2),
    Check("channel", "channel 2", "high end", F, "short", channel=2),
    Check("failsafe", "failsafe", "delay", N, "no flag"),
]


@pytest.fixture(scope="module")
def faulty() -> Verification:
    recording = read_recording(CAPTURES / "heron-round-faulty.pcapng")
    return sign_off(recording, read_rig(CAPTURES / "heron.toml")).found


def test_at_first_only_what_failed_is_shown() -> None:
    table = VerdictTable.first_look(CHECKS)
    assert (table.filter, table.rows, table.columns) == (
        Filter.FAILED,
        ["channel 1", "channel 2"],
        ["low end", "high end"],
    )
    assert table.chosen is CHECKS[1]
    table.next_filter()
    assert (table.rows[-1], table.columns[-1], table.chosen) == ("failsafe", "delay", CHECKS[1])
    table.next_filter()
    assert (len(table.cells), table.chosen) == (6, CHECKS[1])
    assert VerdictTable.first_look(CHECKS[:1]).filter is Filter.ALL
    assert VerdictTable.first_look(CHECKS[5:]).filter is Filter.OPEN


def test_one_moves_along_rows_and_to_the_nearest_cell_of_another() -> None:
    table = VerdictTable(CHECKS)
    assert table.chosen is CHECKS[0]
    table.move(0, 1)
    assert table.chosen is CHECKS[0]
    table.move(1, 0)
    assert table.chosen is CHECKS[1]
    table.move(0, 1)
    table.move(1, 0)
    assert table.chosen is CHECKS[4]
    table.move(9, 0)
    assert table.chosen is CHECKS[5]
    empty = VerdictTable([])
    empty.move(1, 1)
    assert empty.chosen is None


def test_the_moment_of_an_end_is_the_farthest_frame_of_the_move(faulty: Verification) -> None:
    check = next(one for one in faulty.checks if one.channel == 5 and one.name == "high end")
    row = moment_of(check, faulty)
    assert row is not None
    assert int(faulty.evidence.counts[4, row]) == 1434  # as the check says: reached 1434 counts
    assert "reached 1434" in check.sentence


@pytest.mark.parametrize(
    ("name", "channel", "time_s"),
    [("moves alone", 5, 11.265), ("while lost", 1, 33.21), ("recovery", None, 36.81)],
)
def test_the_moment_of_a_step_is_its_first_frame(
    faulty: Verification, name: str, channel: int | None, time_s: float
) -> None:
    check = next(one for one in faulty.checks if one.name == name and one.channel == channel)
    row = moment_of(check, faulty)
    assert row is not None
    assert float(faulty.evidence.t_s[row]) == pytest.approx(time_s, abs=0.001)


def test_the_moment_of_a_failsafe_value_is_the_frame_of_failsafe_farthest_from_the_planned() -> None:
    found = verify(round_of(), RIG)
    rows = np.flatnonzero(found.evidence.recording.frames.flags & FLAG_FAILSAFE)
    values = [one for one in found.checks if one.name == "failsafe value" and one.unit == "counts"]
    assert len(values) > 3
    for check in values:
        row = moment_of(check, found)
        assert row in rows
        away = np.abs(found.evidence.counts[(check.channel or 0) - 1] - (check.expected or 0.0))
        assert away[row] == away[rows].max()
        # Of a value of which the plan states no counts it is the first frame of failsafe.
        assert moment_of(replace(check, unit=""), found) == rows[0]


def test_a_loss_without_frames_has_no_moment_but_that_of_the_link_coming_back() -> None:
    flown = heron.fly_round(RIG)
    is_sent = flown.is_sent & ~(flown.flags & FLAG_LOST).astype(np.bool_)
    silent = heron.Round(flown.t_ns, flown.counts, flown.flags, is_sent, ())
    found = verify(recorded(heron.read_by_adapter(RIG, silent)), RIG)
    delay, recovery = (next(one for one in found.checks if one.name == name) for name in ("delay", "recovery"))
    row = moment_of(recovery, found)
    assert row is not None
    assert (moment_of(delay, found), round(float(found.evidence.t_s[row]), 2)) == (None, 36.81)


def test_the_moment_of_glitches_is_the_first_and_its_channel_shows_it(faulty: Verification) -> None:
    check = next(one for one in faulty.checks if one.name == "glitches")
    row = moment_of(check, faulty)
    assert row is not None
    assert float(faulty.evidence.t_s[row]) == pytest.approx(0.9, abs=0.001)
    assert channel_of(check, faulty) == 1


def test_rows_with_few_checks_in_common_are_no_table() -> None:
    drawn = [text_of(table_lines(VerdictTable(CHECKS), 80, 10, spot=_no_spot, at=0, act=_nothing))]
    assert drawn[0] == [
        " line       [jitter pass]",
        "            low end  high end",
        " channel 1  FAIL     pass",
        " channel 2  pass     FAIL",
        " failsafe   delay not tested",
    ]
    few = [Check("channel", f"channel {at}", f"check {at}", F, "no", channel=at) for at in (1, 2, 3)]
    assert text_of(table_lines(VerdictTable(few), 80, 10, spot=_no_spot, at=0, act=_nothing)) == [
        " channel 1  [check 1 FAIL]",
        " channel 2  check 2 FAIL",
        " channel 3  check 3 FAIL",
    ]


def test_checks_that_have_no_room_in_a_line_are_on_the_next_and_are_clicked_there() -> None:
    spots: list[tuple[int, int, int]] = []
    checks = [Check("line", "line", name, P, "good") for name in ("missing frames", "longest outage", "glitches")]
    lines = table_lines(
        VerdictTable(checks), 50, 9, spot=lambda y, x, end, _: spots.append((y, x, end)), at=4, act=_nothing
    )
    assert text_of(lines) == [" line  [missing frames pass]  longest outage pass", "       glitches pass"]
    assert spots == [(4, 7, 28), (4, 30, 49), (5, 7, 20)]


def test_what_did_not_pass_is_listed_in_words_from_the_chosen_one_on() -> None:
    table = VerdictTable(CHECKS)
    table.choose(CHECKS[4])
    whole = text_of(listed_lines(table, 60, 9, spot=_no_spot, at=0, act=_nothing))
    assert whole == [
        " failed or not tested",
        "   FAIL       channel 1: low end: short",
        " > FAIL       channel 2: high end: short",
        "   not tested failsafe: delay: no flag",
    ]
    table.choose(CHECKS[1])
    assert text_of(listed_lines(table, 60, 3, spot=_no_spot, at=0, act=_nothing))[1:] == [
        " > FAIL       channel 1: low end: short",
        "   2 more: arrow keys go to them",
    ]
    assert listed_lines(VerdictTable(CHECKS[:2]), 60, 9, spot=_no_spot, at=0, act=_nothing) == []


def _no_spot(*_: object) -> None:
    pass


def _nothing() -> None:
    pass


def text_of(lines: list[Line]) -> list[str]:
    return ["".join(text for text, _ in line).rstrip() for line in lines]


def test_what_the_recording_does_not_show_has_no_moment(faulty: Verification) -> None:
    check = next(one for one in faulty.checks if one.name == "frames flagged failsafe")
    assert moment_of(check, faulty) is None
    assert no_moment(check) == "it is about the whole recording"
    assert no_moment(Check("walk", "rudder", "right way", F, "no")) == "no frame of the recording shows it"
    assert moment_of(Check("walk", "rudder", "right way", F, "no"), faulty) is None
