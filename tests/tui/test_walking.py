"""A walk without a screen: what it says in each state, what of a motion is followed, and what ends it."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.bench.plan_limits import LimitSources
from busbench.bench.surface_session import WalkState
from busbench.drive.surface_check import Word, Wrote
from busbench.errors import OutputError
from busbench.rig.load import read_rig
from busbench.sim.aircraft_faults import parse_fault
from busbench.tui import palette
from busbench.tui.app_state import AppState
from busbench.tui.empty import NEEDS_PLAN
from busbench.tui.live import LiveSession
from busbench.tui.walking import NO_PORT, Walking
from tests.cli.running import CAPTURES, SMALL
from tests.tui.ports import Live
from tests.tui.test_drawn import STATES
from tests.tui.test_walk import Bench


def state_of(walking: Walking) -> WalkState:
    return walking.state


def test_without_a_plan_or_a_port_there_is_no_walk(rig: Path, tmp_path: Path) -> None:
    walking = Walking(AppState(palette.choose("dark")))
    walking.look()
    assert (walking.trouble, walking.plan, walking.path) == (NEEDS_PLAN, None, None)
    walking.begin()
    walking.hear(Word.GO)
    walking.stop("x")
    walking.rest()
    walking.tick(1.0)
    assert (walking.walk, walking.state, walking.left_s, walking.progress) == (None, WalkState.OVER, 0.0, "")
    assert (walking.is_rehearsal, walking.is_resumed, walking.refusal, walking.said) == (False, False, "", "")
    ui = STATES["at an outage"](tmp_path)
    ui.rig = read_rig(rig)
    walking = Walking(ui)
    walking.look()
    assert (walking.trouble, walking.plan) == (NO_PORT, None)
    walking.begin()
    assert walking.walk is None
    ui.needs.close()


def test_a_plan_without_anything_to_walk_says_so(rig: Path) -> None:
    rig.write_text(SMALL.partition("[[device]]")[0], encoding="utf-8")
    bench = Bench(rig)
    assert bench.walking.plan is None
    assert bench.walking.trouble not in ("", NEEDS_PLAN, NO_PORT)
    assert bench.walking.trouble.endswith("has nothing to walk: state a servo on the bus, with its channel")


def test_a_motion_is_followed_from_its_first_frame_on(rig: Path) -> None:
    bench = Bench(rig, echoes=True)
    bench.port.period_ns = 14_000_000  # as the plan has it
    walking = bench.walking
    walking.begin()
    assert (walking.moved, walking.start_ns, walking.sent_s, state_of(walking)) == (None, None, 0.0, WalkState.WORD)
    assert walking.progress == ""
    walking.hear(Word.GO)
    assert state_of(walking) is WalkState.COUNTING
    assert walking.left_s == pytest.approx(3.0, abs=0.3)
    assert bench.ui.mover is walking
    walking.hear(Word.SKIP)  # no word is heard now
    assert state_of(walking) is WalkState.COUNTING
    bench.pass_s(1.0)
    assert walking.left_s == pytest.approx(2.0, abs=0.3)
    assert walking.moved is None
    bench.pass_s(3.0)
    assert state_of(walking) is WalkState.MOVING
    assert walking.walk is not None
    assert walking.moved is walking.walk.stop
    assert walking.start_ns is not None
    assert walking.start_ns <= bench.hands.t_ns
    assert walking.start_ns >= bench.hands.t_ns - 1_200_000_000
    first_ns = walking.start_ns
    assert 0.5 < walking.sent_s < 1.2
    assert walking.progress.startswith(f"{walking.sent_s:.1f} s, ")
    before_s = walking.sent_s
    bench.pass_s(0.5)
    assert walking.sent_s == pytest.approx(before_s + 0.5, abs=0.1)
    assert walking.start_ns == first_ns
    bench.pass_s(20.0)
    assert state_of(walking) is WalkState.WORD
    assert bench.ui.mover is None
    walking.hear(Word.REPEAT)
    bench.pass_s(3.5)
    assert walking.start_ns > first_ns


def test_a_rehearsal_sends_nothing_and_keeps_nothing(rig: Path) -> None:
    rig.write_text((CAPTURES / "heron.toml").read_text(encoding="utf-8"), encoding="utf-8")
    bench = Bench(rig, is_armed=False)
    bench.session.source = "virtual:"
    bench.ui.faults = (parse_fault("dead:left aileron"),)
    walking = bench.walking = Walking(bench.ui)
    walking.look()
    assert (walking.is_rehearsal, walking.path, walking.refusal) == (True, None, "")
    walking.begin()
    walking.hear(Word.GO)
    assert state_of(walking) is WalkState.MOVING  # without a countdown
    assert walking.progress == "0.0 s, nothing is sent"
    bench.pass_s(2.0)
    assert walking.progress == "2.0 s, nothing is sent"
    bench.pass_s(20.0)
    assert walking.walk is not None
    assert walking.walk.entry.moves[-1].seen == ("nothing moved",) or "left aileron" not in str(
        walking.walk.entry.moves
    )
    assert bench.port.how is None
    assert not list(rig.parent.glob("*.json"))


def test_another_source_ends_a_walk_and_is_taken_up(rig: Path) -> None:
    bench = Bench(rig)
    walking = bench.walking
    walking.begin()
    walking.hear(Word.GO)
    bench.pass_s(4.0)
    walking.said = "something"
    other = Live("virtual:?period=14ms").session
    bench.ui.session = other
    walking.tick(0.1)
    assert (walking.session, bench.ui.mover) == (None, None)
    walking.look()
    assert (walking.said, walking.moved, walking.is_rehearsal, walking.path) == ("", None, True, None)
    assert walking.plan is not None


def test_what_a_walk_may_not_do_is_said_and_nothing_is_written(rig: Path) -> None:
    bench = Bench(rig, is_armed=False)
    assert bench.walking.refusal.startswith("Not armed")
    bench.walking.begin()
    assert bench.walking.said == bench.walking.refusal
    assert not Path("small.walk.json").exists()
    bench.ui.is_armed = True
    bench.ui.sources = LimitSources(has_no_motor=True)
    Path("small.walk.json").mkdir()
    bench.walking.begin()
    assert bench.walking.walk is None
    assert "small.walk.json" in bench.walking.said


def test_answers_that_cannot_be_written_are_told_and_so_is_a_plan_that_changed(rig: Path) -> None:
    bench = Bench(rig)
    walking = bench.walking
    assert (str(walking.path), walking.is_resumed) == ("small.walk.json", False)
    walking.begin()
    assert (walking.is_resumed, walking.said) == (True, "")
    walking.hear(Word.GO)
    bench.pass_s(25.0)
    for event in (Word.YES, Word.YES, Word.YES, Word.YES, Wrote("hums")):
        walking.hear(event)
    assert walking.session is not None
    error = OutputError("small.walk.json", "cannot be written", hint="free some space")
    walking.session.save_error = error
    walking.said = "before"
    walking._show()
    assert walking.said == str(error)
    walking.session.save_error = None
    rig.write_text(SMALL.replace('name = "left aileron"\nchannel = 1', 'name = "left aileron"\nchannel = 5'), "utf-8")
    again = Bench(rig).walking
    again.begin()
    assert again.said == "left aileron: the plan has changed since, so it is walked again"


def test_a_port_that_goes_while_nothing_moves_ends_the_walk(rig: Path) -> None:
    bench = Bench(rig)
    walking = bench.walking
    walking.begin()
    bench.pass_s(0.2)
    bench.port.fails = "has gone"
    bench.pass_s(0.2)
    assert state_of(walking) is WalkState.OVER
    assert "has gone" in walking.said
    assert walking.said.endswith("are not known; answers are in small.walk.json")
    walking.path = None
    walking._show()
    assert walking.said.endswith("the positions of the surfaces are not known")
    assert isinstance(bench.ui.session, LiveSession)


def test_a_countdown_called_off_says_so_and_a_motion_stopped_does_not(rig: Path) -> None:
    bench = Bench(rig)
    walking = bench.walking
    walking.begin()
    walking.hear(Word.GO)
    bench.pass_s(1.0)
    walking.stop("x")
    bench.pass_s(1.0)
    assert walking.said == "cancelled; nothing was sent"
    assert bench.ui.mover is None
    walking.hear(Word.GO)
    assert walking.said == ""
    bench.pass_s(4.5)
    walking.stop("n")
    bench.pass_s(4.0)
    assert walking.said == ""
    assert state_of(walking) is WalkState.WORD
