"""Checks as a table, and the moment of each."""

from __future__ import annotations

import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.sign_off import sign_off
from busbench.rig.load import read_rig
from busbench.tui.verdicts import Filter, VerdictTable
from busbench.verify.moments import moment_of
from busbench.verify.result import Check, Verdict
from busbench.verify.verify import Verification
from tests.cli.running import CAPTURES

F, N, P = Verdict.FAIL, Verdict.NOT_TESTED, Verdict.PASS
CHECKS = [
    Check("line", "line", "jitter", P, "small"),
    Check("channel", "channel 1", "low end", F, "short"),
    Check("channel", "channel 1", "high end", P, "there"),
    Check("channel", "channel 2", "low end", P, "there"),
    Check("channel", "channel 2", "high end", F, "short"),
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


def test_what_the_recording_does_not_show_has_no_moment(faulty: Verification) -> None:
    check = next(one for one in faulty.checks if one.name == "frames flagged failsafe")
    assert moment_of(check, faulty) is None
    assert moment_of(Check("walk", "rudder", "right way", F, "no"), faulty) is None
