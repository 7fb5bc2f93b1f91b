"""The walk on the screen: a rehearsal, and the rules of a real port."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from busbench.bench.surface_session import WalkState
from busbench.drive.surface_check import Ended, SurfacePhase, Word, Wrote
from busbench.line import Chunk
from busbench.port.port import FrameSource, Transmission
from busbench.rig.load import read_rig
from busbench.tui import palette
from busbench.tui.app_state import AppState
from busbench.tui.live import LiveSession
from busbench.tui.walking import Walking
from busbench.wire.codec import unpack_channels
from tests.cli.running import SMALL
from tests.tui.ports import Hands, Live, ticks
from tests.tui.screens import SIZES, check, shown, text_of
from tests.tui.test_driving import SendingPort


class WalkedPort(SendingPort):
    """Each transmission ends for its own reason; all that was sent is kept for the test."""

    def __init__(self, hands: Hands, *, echoes: bool = False) -> None:
        super().__init__(hands, echoes=echoes)
        self.told: list[Chunk] = []

    def sent(self) -> list[Chunk]:
        out = super().sent()
        self.told += out
        return out

    def transmit(self, source: FrameSource) -> None:
        self.stops = 0
        super().transmit(source)


class Bench:
    """A walk whose time and port are the test's."""

    def __init__(self, rig: Path, *, is_armed: bool = True, echoes: bool = False) -> None:
        self.hands = Hands()
        self.port = WalkedPort(self.hands, echoes=echoes)
        self.session = LiveSession(self.port, now=self.hands)
        self.ui = AppState(palette.choose("dark"), session=self.session)
        self.ui.rig, self.ui.rig_path, self.ui.is_armed = read_rig(rig), rig.name, is_armed
        self.walking = Walking(self.ui)
        self.walking.look()

    def pass_s(self, seconds: float) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        """Let time pass; the counts that were sent meanwhile."""
        sent = b""
        for tick_s in ticks(seconds):
            self.hands.t_ns += round(tick_s * 1e9)
            self.session.tick(tick_s)
            if self.ui.mover is not None:
                self.ui.mover.tick(tick_s)
            self.walking.look()
            self.port.sent()
            sent += b"".join(chunk.data for chunk in self.port.told)
            self.port.told.clear()
        raw = np.frombuffer(sent, np.uint8).reshape(-1, 25)
        return unpack_channels(raw).astype(np.int64)

    def phase(self) -> SurfacePhase | None:
        return self.walking.walk.phase if self.walking.walk else None

    def state(self) -> WalkState:
        return self.walking.state


def begun(rig: Path, *, for_s: float) -> Bench:
    """A walk whose first motion was asked for this long ago."""
    bench = Bench(rig)
    bench.walking.begin()
    bench.walking.hear(Word.GO)
    bench.pass_s(for_s)
    return bench


def test_a_port_that_is_not_armed_gets_nothing(rig: Path) -> None:
    bench = Bench(rig, is_armed=False)
    bench.walking.begin()
    assert bench.walking.said == "Not armed: leave with q and start again with --arm"
    assert bench.walking.walk is None
    assert not len(bench.pass_s(1))
    assert not Path("small.walk.json").exists()


def test_a_motion_waits_for_the_countdown_and_the_rest_is_held(rig: Path) -> None:
    bench = Bench(rig)
    bench.walking.begin()
    assert Path("small.walk.json").exists()  # before anything moves
    bench.walking.hear(Word.GO)
    assert bench.state() is WalkState.COUNTING
    assert not len(bench.pass_s(2.9))
    moved = bench.pass_s(2.0)
    assert bench.state() is WalkState.MOVING
    assert np.ptp(moved[:, 0]) > 400
    assert np.ptp(moved[:, 1:], axis=0).max() == 0
    assert set(moved[:, 2].tolist()) == {173}  # the motor's channel
    while bench.state() is not WalkState.WORD:
        bench.pass_s(0.5)
    assert bench.phase() is SurfacePhase.ASKING
    bench.pass_s(0.1)
    held = bench.pass_s(1.0)
    assert len(held) > 100
    assert np.ptp(held, axis=0).max() == 0


async def test_what_a_receiver_was_heard_to_send_is_drawn_over_the_motion(rig: Path) -> None:
    for echoes in (True, False):
        bench = Bench(rig, echoes=echoes)
        bench.port.period_ns = round(read_rig(rig).plan.period_ms * 1e6)
        async with shown(bench.session, SIZES[2], rig=rig, is_armed=True) as (app, pilot):
            Path("small.walk.json").unlink(missing_ok=True)
            await pilot.press("6", "enter", "enter")
            for tick_s in ticks(8.0):
                bench.hands.t_ns += round(tick_s * 1e9)
                app.tick(tick_s)
            app.draw()
            await pilot.pause()
            lines = text_of(app).splitlines()
            at = next(at for at, line in enumerate(lines) if line.startswith(" motion of "))
            told = lines[at].partition("; ")[2]
            heard = sum(line.count("o") for line in lines[at + 1 : -2])
            if echoes:
                assert told == "o received"
                assert heard > 10
                bar = max(line.find("│") for line in lines[at + 1 : -2])
                assert max(line.rfind("o") for line in lines[at + 1 : -2]) <= bar + 1  # nothing of what is to come
            else:
                assert (told, heard) == ("received: nothing, this port does not echo", 0)


def test_a_key_in_the_countdown_calls_it_off(rig: Path) -> None:
    bench = begun(rig, for_s=1.0)
    assert bench.ui.mover is bench.walking
    bench.walking.stop()
    assert not len(bench.pass_s(4.0))
    assert bench.phase() is SurfacePhase.STOPPED
    assert bench.ui.mover is None


def test_a_key_stops_and_none_hit_in_haste_begins_anew(rig: Path) -> None:
    bench = begun(rig, for_s=4.0)
    bench.walking.stop()
    back = bench.pass_s(0.3)
    assert bench.ui.mover is bench.walking
    assert np.abs(np.diff(back[:, 0])).max() <= 57  # a ramp, no jump
    bench.pass_s(3.0)
    assert bench.phase() is SurfacePhase.STOPPED
    assert bench.ui.mover is None
    assert bench.walking.walk is not None
    assert [move.ended for move in bench.walking.walk.entry.moves] == [Ended.STOPPED]


def test_answers_are_kept_at_once_and_taken_up_again(rig: Path) -> None:
    bench = begun(rig, for_s=30.0)
    for event in (Word.YES, Word.NO, Wrote("buzzes")):
        bench.walking.hear(event)
    saved = json.loads(Path("small.walk.json").read_text(encoding="utf-8"))["devices"][0]
    assert saved["answers"] == {"right_surface": True, "right_way": False, "full_throw": None, "smooth": None}
    assert saved["note"] == "buzzes"
    again = Bench(rig)
    assert again.walking.is_resumed
    again.walking.begin()
    assert again.walking.walk is not None
    assert again.walking.walk.entry.answers == (True, False, None, None)


def test_who_leaves_ends_the_frames_and_may_come_back(rig: Path) -> None:
    bench = begun(rig, for_s=30.0)
    bench.walking.rest()
    bench.pass_s(0.1)
    assert not len(bench.pass_s(1.0))
    assert bench.phase() is SurfacePhase.ASKING
    bench.walking.hear(Word.REPEAT)
    assert len(bench.pass_s(4.0)) > 100


def test_a_port_that_is_lost_ends_the_walk_with_its_answers(rig: Path) -> None:
    bench = begun(rig, for_s=4.0)
    bench.port.fails = "was unplugged"
    bench.pass_s(0.2)
    assert bench.phase() is SurfacePhase.OVER
    assert bench.ui.mover is None
    assert "the positions of the surfaces are not known; answers are in small.walk.json" in bench.walking.said
    (move,) = json.loads(Path("small.walk.json").read_text(encoding="utf-8"))["devices"][0]["moves"]
    assert move["ended"] == "lost"


@pytest.mark.parametrize("after_s", [4.0, 30.0], ids=["moving", "held"])
def test_a_transmission_that_ends_by_itself_ends_the_walk(rig: Path, after_s: float) -> None:
    bench = begun(rig, for_s=after_s)
    bench.port.sending, bench.port.how = None, Transmission(5, is_over=True, reason="the port was unplugged")
    bench.pass_s(0.1)
    assert bench.phase() is SurfacePhase.OVER
    assert bench.walking.said.startswith("the port was unplugged: see to the port")


async def test_a_fault_of_the_virtual_aircraft_is_seen(rig: Path) -> None:
    live = Live("virtual:?period=15ms&pilot=still")
    live.pass_s(1.0)
    async with shown(live.session, rig=rig, keys="6", faults=("reversed:left aileron",)) as (app, pilot):
        assert "It has 1 fault to find." in " ".join(text_of(app).split())
        await pilot.press("enter", "enter")
        for _ in range(600):
            app.tick(0.05)
        app.draw()
        await pilot.pause()
        text = text_of(app)
        assert "seen: left aileron moved down (arm 45°), then up (arm 45°)" in text
        assert "Did left aileron move, and nothing else?" in text


async def test_without_a_plan_it_says_how_to_name_one() -> None:
    async with shown(Live("virtual:").session, keys="6") as (app, _):
        assert "--rig RIG.toml" in text_of(app)


async def test_cautions_are_read_whole_or_the_walk_does_not_begin(rig: Path) -> None:
    bench = Bench(rig)
    async with shown(bench.session, (60, 16), rig=rig, is_armed=True, keys="6 enter") as (app, pilot):
        assert "The window is too small for all of it: make it larger." in text_of(app)
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        app.draw()
        assert "Enter begins: nothing moves yet." in text_of(app)
        await pilot.press("enter")
        assert "ARMED on /dev/ttyHERON" in text_of(app)


async def test_a_walk_that_may_not_begin_is_not_offered(rig: Path) -> None:
    rig.write_text(SMALL.replace("motor = true", "").replace("sustainer", "inrunner"), encoding="utf-8")
    async with shown(Bench(rig).session, rig=rig, keys="6 enter enter") as (app, _):
        text = " ".join(text_of(app).split())
        assert (
            text.count("Not armed, and the plan does not say what can turn a propeller (inrunner): leave with q") == 1
        )
        assert 'with --arm, and with motor = "electric", "engine" or false for each of these in the rig file' in text
        assert "Enter begins" not in text
        assert "enter begin" not in text


async def test_a_plan_with_a_fault_in_what_is_held_is_not_walked_and_its_faults_are_listed(rig: Path) -> None:
    rig.write_text(SMALL.replace("motor = true", "motor = true\nreversed = true"), encoding="utf-8")
    for source in ("/dev/ttyHERON", "virtual:"):
        bench = Bench(rig)
        bench.session.source = source
        async with shown(bench.session, rig=rig, is_armed=True, keys="6 enter enter") as (app, _):
            text = " ".join(text_of(app).split())
            assert "small.toml: nothing moves with 1 fault in what is moved or held: correct the plan" in text
            assert (
                "(sustainer: it is reversed, and the plan does not state what goes on the wire while it is off)" in text
            )
            assert "enter begin" not in text
        assert bench.port.how is None


async def test_cautions_stand_above_a_real_port(rig: Path) -> None:
    bench = Bench(rig)
    async with shown(bench.session, rig=rig, is_armed=True, keys="6") as (app, _):
        check("walk-cautions", app)


@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_a_rehearsal(rig: Path, size: tuple[int, int]) -> None:
    live = Live("virtual:?period=15ms&pilot=still")
    live.pass_s(1.0)
    async with shown(live.session, size, rig=rig, keys="6") as (app, pilot):
        assert "nothing is sent" in check(f"walk-start-{size[0]}x{size[1]}", app)
        await pilot.press("enter", "enter")
        for _ in range(20):
            app.tick(0.05)
        app.draw()
        await pilot.pause()
        check(f"walk-moving-{size[0]}x{size[1]}", app)
        await pilot.press("1")  # any key stops, and means nothing else
        for _ in range(60):
            app.tick(0.05)
        app.draw()
        await pilot.pause()
        assert "left aileron was stopped" in text_of(app)
        await pilot.press("a", "y", "n", "t", *"buzz", "enter")
        await pilot.pause()
        check(f"walk-asked-{size[0]}x{size[1]}", app)
        await pilot.press("k", "k", "enter")
        text = text_of(app)
        assert "over: 2 to walk: 1 answer no, 2 skipped, none unanswered" in text
        assert "Enter restarts." in text
        assert "not walked: sustainer: can turn a propeller" in text
    assert list(rig.parent.glob("*.json")) == []  # a rehearsal keeps nothing unless a file was named
