"""What is set for a drive, at the ends of each field, and what is kept of what was sent."""

from __future__ import annotations

import pytest

from busbench.tui.driving import FIELDS, KEPT_S, PERIODS_S, WAVES, Commanded, DrivePhase, DriveSettings
from tests.tui.test_driving import PORT, Bench
from tests.verify.rounds import RIG


def test_at_first_a_slow_sine_of_half_the_travel_is_set() -> None:
    assert DriveSettings() == DriveSettings(1, "sine", -50, 50, 4.0, 3)
    assert WAVES[0] == "sine"
    assert len(set(WAVES)) == len(WAVES) > 2
    assert tuple(DriveSettings.__dataclass_fields__) == FIELDS


@pytest.mark.parametrize(
    ("field", "steps", "wanted"),
    [
        ("channel", 1, 2),
        ("channel", 17, 18),
        ("channel", 18, 1),
        ("channel", -1, 18),
        ("shape", 1, WAVES[1]),
        ("shape", -1, WAVES[-1]),
        ("shape", len(WAVES), WAVES[0]),
        ("low", 1, -45),
        ("low", -10, -100),
        ("low", -11, -100),
        ("low", 20, 50),
        ("low", 21, 50),
        ("high", -1, 45),
        ("high", 10, 100),
        ("high", 11, 100),
        ("high", -20, -50),
        ("high", -21, -50),
        ("period", 1, 5.0),
        ("period", -4, 0.5),
        ("period", -5, 0.5),
        ("period", 6, 20.0),
        ("period", 7, 20.0),
        ("cycles", 1, 4),
        ("cycles", -2, 1),
        ("cycles", -3, 1),
        ("cycles", 17, 20),
        ("cycles", 18, 20),
    ],
)
def test_a_field_goes_round_or_ends(field: str, steps: int, wanted: object) -> None:
    settings = DriveSettings()
    before = {name: getattr(settings, name) for name in FIELDS if name != field}
    settings.change(field, steps)
    assert getattr(settings, field) == wanted
    assert {name: getattr(settings, name) for name in before} == before


def test_periods_grow() -> None:
    assert list(PERIODS_S) == sorted(set(PERIODS_S))


def test_what_was_sent_is_kept_for_ten_seconds() -> None:
    drive = Bench().drive
    for t_s in (0.0, 1.0, 9.0, KEPT_S, KEPT_S + 1.0):
        drive._keep([Commanded(t_s, b"")])
    assert [one.t_s for one in drive.sent] == [1.0, 9.0, 10.0, 11.0]
    assert drive.sent_s == 11.0
    drive._keep([Commanded(99.0, b"")])
    assert [one.t_s for one in drive.sent] == [99.0]


def test_before_anything_is_set_off_nothing_was_sent_and_a_key_stops_nothing() -> None:
    drive = Bench().drive
    drive.stop("x")
    drive.tick(1.0)
    assert (drive.sent_s, drive.left_s, drive.is_stopping, drive.progress()) == (0.0, 0.0, False, "")
    drive.back()
    assert drive.phase is DrivePhase.SETTING
    assert drive.target == f"ARMED on {PORT}"


def test_what_a_run_was_is_said_at_its_end() -> None:
    bench = Bench()
    bench.begin()
    assert bench.drive.first_row == 0
    bench.pass_s(1.0)
    drive = bench.drive
    assert drive.sent[0].t_s == 0.0
    assert drive.sent[-1].t_s == pytest.approx(0.994, abs=0.007)
    assert not drive.is_stopping
    assert drive.progress() == "1.0 s, 143 frames, 0 late, 0 skipped"
    drive.stop("x")
    assert drive.is_stopping
    bench.pass_s(3.0)
    said = drive.said
    assert "frames sent" in said
    drive.settings.channel = 18
    drive.go_on()
    assert (drive.said, drive.phase) == ("", DrivePhase.CAUTIONS)
    drive.back()
    assert drive.phase is DrivePhase.SETTING
    bench.begin()
    bench.pass_s(0.5)
    assert drive.sent[0].t_s == 0.0  # of the new run alone
    assert drive.sent_s < 0.6


def test_a_rehearsal_says_how_many_frames_it_made_and_whether_it_was_stopped() -> None:
    for is_stopped in (True, False):
        bench = Bench()
        bench.session.source = "virtual:"
        bench.drive.settings.cycles = 1
        bench.drive.settings.period = 0.5
        bench.begin()
        assert bench.drive.progress() == "0.0 s, 0 frames"
        if is_stopped:
            bench.drive.stop()
        bench.pass_s(6.0)
        word, _, count = bench.drive.said.partition(": ")
        assert word == ("rehearsed, stopped" if is_stopped else "rehearsed")
        assert count.endswith(" frames; nothing was sent")
        assert bench.ui.mover is None


def test_rows_received_before_a_run_are_not_its_echo() -> None:
    bench = Bench(echoes=True)
    bench.begin()
    bench.pass_s(1.0)
    bench.drive.stop()
    bench.pass_s(3.0)
    rows = len(bench.session.store)
    assert rows > 100
    bench.session.is_moving = False
    bench.begin()
    assert bench.drive.first_row >= rows
    assert bench.session.is_moving  # what is frozen follows again


def test_the_period_of_the_frames_is_that_of_the_plan_also_for_a_rehearsal() -> None:
    bench = Bench()
    bench.session.source = "virtual:"
    bench.ui.rig = RIG
    assert bench.drive.program.program.period_s == pytest.approx(RIG.plan.period_ms / 1e3)
    bench.drive.settings.channel = 17
    assert bench.drive.program.program.name == "square on channel 17"
    bench.drive.settings.channel = 16
    assert bench.drive.program.program.name == "sine on channel 16"
