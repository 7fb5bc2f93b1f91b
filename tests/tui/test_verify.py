"""The screen that holds a source against the plan."""

from __future__ import annotations

import hashlib
import re
import shlex
import shutil
from pathlib import Path

import pytest
from textual.widgets import Input

from busbench.analysis.recording import read_recording
from busbench.bench.check_session import CheckSession, CheckState
from busbench.capture.open import open_capture
from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.surface_check import Entry, Station, Word
from busbench.drive.surface_file import WalkHead, write_walk
from busbench.errors import BusbenchError
from busbench.rig.load import read_rig
from busbench.sim.aircraft import VirtualAircraft
from busbench.sim.aircraft_faults import parse_fault
from busbench.sim.aircraft_port import AircraftPort
from busbench.tui.live import LiveSession
from busbench.tui.opening import rig_names
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.verify import VerifyView
from busbench.tui.verifying import RecordedCheck, command_words, write_page
from busbench.tui.widgets.verify import VerifyLines
from busbench.verify.result import Verdict
from busbench.wire.scale import Scale
from tests.cli.running import CAPTURES, call
from tests.tui.ports import Hands, Live, Timed
from tests.tui.screens import SIZES, check, shown, text_of

RIG = CAPTURES / "heron.toml"
STILL = "virtual:?period=15ms&pilot=still"


def live_round(source: str = STILL) -> tuple[Live, CheckSession]:
    live = Live(source, names=rig_names(read_rig(RIG)))
    return live, CheckSession(live.session.receiver, read_rig(RIG))


class Aircraft(Timed):
    """A session on a virtual aircraft."""

    def __init__(self, *faults: str) -> None:
        self.hands = Hands()
        built = VirtualAircraft(read_rig(RIG), faults=[parse_fault(text) for text in faults])
        port = AircraftPort("virtual:heron.toml", aircraft=built, clock=self.hands)
        self.session = LiveSession(port, names=rig_names(read_rig(RIG)), now=self.hands)

    def fly(self, work: CheckSession, *, record: str | None = None) -> CheckSession:
        """The whole round, a word from the person before each step."""
        work.start(record)
        while state_of(work) is not CheckState.OVER:
            work.hear(Word.GO)
            self.pass_s(6.0)
        return work


def state_of(work: CheckSession) -> CheckState:
    return work.state


def faulty() -> ReplaySession:
    """The shipped round with faults; by its name alone where one is in its folder."""
    name = "heron-round-faulty.pcapng"
    session = ReplaySession(open_capture(name if Path(name).exists() else str(CAPTURES / name)))
    session.load()
    session.is_moving = False
    session.source = "round.pcapng"
    return session


def test_a_step_listens_for_its_time_and_then_asks_for_rest() -> None:
    live, work = live_round()
    assert state_of(work) is CheckState.START
    work.start()
    assert (work.state, work.step.mark) == (CheckState.READY, "rest")
    work.hear(Word.GO)
    live.pass_s(3.9)
    assert state_of(work) is CheckState.LISTENING
    live.pass_s(0.2)
    assert (work.state, work.step.mark) == (CheckState.READY, "aileron stick")
    work.hear(Word.GO)
    live.pass_s(1.1)
    assert state_of(work) is CheckState.RETURN
    work.hear(Word.GO)
    checks = work.results[1]
    assert checks is not None
    assert {check.channel for check in checks if check.channel != 8} == {1, 2}
    assert [mark.text for mark in live.session.marks] == ["rest", "done", "aileron stick", "done"]


def test_a_virtual_pilot_takes_a_good_aircraft_through_all_steps() -> None:
    live = Aircraft()
    work = live.fly(CheckSession(live.session.receiver, read_rig(RIG)))
    assert work.done is not None
    assert [check for check in work.done.found.checks if check.verdict is not Verdict.PASS] == []
    assert len(work.results) == len(work.steps)


def test_a_fault_of_the_virtual_aircraft_is_told_at_its_step() -> None:
    live = Aircraft("sent-short:rudder")
    work = live.fly(CheckSession(live.session.receiver, read_rig(RIG)))
    failed = {at: [c.name for c in checks or () if c.verdict is Verdict.FAIL] for at, checks in work.results.items()}
    assert {at: names for at, names in failed.items() if names} == {4: ["low end", "high end"]}


def test_back_goes_to_the_step_that_is_asked_for_again() -> None:
    live = Aircraft("sent-short:rudder")
    work = CheckSession(live.session.receiver, read_rig(RIG))
    work.start()
    while work.at < 5:
        work.hear(Word.GO)
        live.pass_s(6.0)
    (repeat,) = work.repeats
    assert repeat.message.startswith('repeat "rudder stick": channel 6 (rudder): low end: reached 483 counts')
    work.hear(Word.BACK)
    assert (work.step.mark, work.repeats) == ("rudder stick", ())


def test_the_page_of_a_round_keeps_what_it_stands_on_and_names_its_hash(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    live = Aircraft("sent-short:rudder")
    page, kept = tmp_path / "heron.html", tmp_path / "heron.pcapng"
    work = live.fly(CheckSession(live.session.receiver, read_rig(RIG)), record=str(kept))
    said = write_page(work, str(page), source="virtual:heron.toml", rig_path=str(RIG))
    assert said == f"wrote {page} (page to print and sign, of the recording {kept})"
    text = page.read_text(encoding="utf-8")
    assert hashlib.sha256(kept.read_bytes()).hexdigest() in text
    assert "it says nothing about a real one" in text
    session = ReplaySession(open_capture(str(kept)))
    again = RecordedCheck(session, read_rig(RIG), rig_path=str(RIG))
    again.work()
    assert again.done is not None
    assert work.done is not None
    assert again.done.found.checks == work.done.found.checks
    with pytest.raises(BusbenchError, match="file exists already"):
        write_page(work, str(page), source="virtual:heron.toml", rig_path=str(RIG))
    with pytest.raises(BusbenchError, match="file exists already"):
        work.start(str(kept))
    assert work.done is not None  # the former verdict stays


def test_back_begins_the_step_anew_or_goes_back() -> None:
    live, work = live_round()
    work.start()
    work.hear(Word.SKIP)
    work.hear(Word.GO)
    live.pass_s(0.5)
    work.hear(Word.BACK)
    assert (work.state, work.at) == (CheckState.READY, 1)
    work.hear(Word.BACK)
    work.hear(Word.BACK)
    assert work.at == 0


def test_what_was_skipped_is_not_tested_and_no_pass() -> None:
    live, work = live_round()
    work.start()
    work.hear(Word.GO)
    live.pass_s(4.1)
    while state_of(work) is not CheckState.OVER:
        work.hear(Word.SKIP)
    assert work.done is not None
    assert work.done.verdict is not Verdict.PASS
    ends = [check.verdict for check in work.done.found.checks if check.name == "high end"]
    assert set(ends) == {Verdict.NOT_TESTED}
    work.start()  # a new round knows nothing of the old
    assert (state_of(work), work.at, len(work.results)) == (CheckState.READY, 0, 0)


def test_a_port_that_is_lost_ends_the_round_with_what_was_received() -> None:
    live, work = live_round()
    work.start()
    live.pass_s(1.0)
    live.port.fails = "is gone"
    live.pass_s(0.1)
    assert state_of(work) is CheckState.OVER
    assert work.done is not None
    assert len(work.done.found.evidence.recording.frames) > 50


async def test_without_a_plan_it_says_how_to_name_one() -> None:
    async with shown(Live(STILL).session, keys="5") as (app, _):
        assert "--rig RIG.toml" in text_of(app)


@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_guided(size: tuple[int, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    live = Live("virtual:?period=15ms&pilot=moving", names=rig_names(read_rig(RIG)))
    live.pass_s(1.0)
    async with shown(live.session, size, rig=RIG, keys="5") as (app, pilot):
        check(f"verify-start-{size[0]}x{size[1]}", app)
        await pilot.press("enter", "enter", "enter")
        live.pass_s(4.1)
        await pilot.press("enter")
        live.pass_s(3.0)
        await pilot.press("u", "enter", "enter")
        live.pass_s(0.5)
        app.draw()
        await pilot.pause()
        check(f"verify-step-{size[0]}x{size[1]}", app)


async def test_a_rehearsal_on_a_virtual_aircraft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    live = Aircraft("sent-short:rudder")
    live.pass_s(1.0)
    async with shown(live.session, rig=RIG, keys="5", faults=("sent-short:rudder",)) as (app, pilot):
        check("verify-rehearsal-start", app)
        await pilot.press("enter", "enter", "k", "enter")
        live.pass_s(1.0)
        app.draw()
        await pilot.pause()
        check("verify-rehearsal-step", app)


@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_a_recording_is_checked_at_once(size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CAPTURES)
    async with shown(faulty(), size, rig=RIG, keys="5") as (app, pilot):
        await app.workers.wait_for_complete()
        app.draw()
        await pilot.pause()
        text = check(f"verify-recording-{size[0]}x{size[1]}", app)
        assert re.search(r"Heron: FAIL  6 failed, 2 not tested, \d+ passed", text)
        before = text_of(app)
        app.screen.query_one(VerifyLines).wheel(3)
        await pilot.pause()
        assert text_of(app) != before
        app.screen.query_one(VerifyLines).wheel(-3)
        await pilot.pause()
        assert text_of(app) == before


async def test_a_plan_that_is_amiss_is_told_before_the_round_and_beside_the_verdict(tmp_path: Path) -> None:
    plan = tmp_path / "loose.toml"
    text = RIG.read_text(encoding="utf-8").replace('on = "tail"', 'on = "tial"')
    plan.write_text(text.replace("channel = 17", "channel = 18"), encoding="utf-8")
    told = "the plan has 3 faults: see `busbench rig check"
    async with shown(Live(STILL).session, rig=plan, keys="5") as (app, _):
        assert told in text_of(app)
        assert "loose.toml`;" in "".join(text_of(app).split())
    async with shown(faulty(), (120, 40), rig=plan, keys="5") as (app, pilot):
        await app.workers.wait_for_complete()
        app.draw()
        await pilot.pause()
        assert "Heron: FAIL" in text_of(app)
        assert told in text_of(app)
        assert "not in the plan, but moved: channel 17\n" in re.sub(r" +\n", "\n", text_of(app))
        assert "plan: faults: 3 faults (left elevator, right elevator, rudder): all else" in text_of(app)


def test_answers_of_a_walk_that_were_kept_stand_on_the_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    stop = Station("rudder", 5, ("rudder",), "right", "left", True, 123, 1024, 1925)
    limits = Limits(tuple(ChannelLimit(173, 1811, 992, 20.0) for _ in range(16)))
    head = WalkHead("Heron", "port", False, "2026-01-31T09:00:00Z", limits, 0.015, 40.0, Scale())
    write_walk("heron.walk.json", head, [Entry(stop, answers=(True, False, True, True), note="it hums")])
    work = RecordedCheck(faulty(), read_rig(RIG), rig_path=str(RIG))
    work.work()
    said = write_page(work, "heron.html", source="virtual:", rig_path=str(RIG))
    assert said == "wrote heron.html (page to print and sign, with the answers of heron.walk.json)"
    assert "it hums" in Path("heron.html").read_text(encoding="utf-8")


async def test_the_page_is_written_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "heron.html"
    async with shown(faulty(), rig=RIG, keys="5") as (app, pilot):
        await app.workers.wait_for_complete()
        for said in ("wrote", "file exists already"):
            await pilot.press("w")
            app.screen.query_one(Input).value = str(path)
            await pilot.press("enter")
            assert said in app.ui.said
    assert "Heron" in path.read_text(encoding="utf-8")


async def test_a_check_asks_for_a_free_name_and_records_from_there_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("heron.html").touch()
    live = Live(STILL, names=rig_names(read_rig(RIG)))
    async with shown(live.session, rig=RIG, keys="5 enter") as (app, pilot):
        assert app.screen.query_one(Input).value == "heron-2.pcapng"
        await pilot.press("escape")
        assert "Enter begins" in text_of(app)
        assert not Path("heron-2.pcapng").exists()
        await pilot.press("enter", "enter", "enter")
        assert app.ui.said == "recording to heron-2.pcapng"
        live.pass_s(5.0)
    assert live.session.wrote == "wrote heron-2.pcapng"
    kept = read_recording("heron-2.pcapng")
    assert [note.text for note in kept.info.marks] == ["rest", "done"]
    assert len(kept.frames) > 300


async def test_a_cell_of_the_table_leads_to_its_moment() -> None:
    session = faulty()
    async with shown(session, rig=RIG, keys="5") as (app, pilot):
        await app.workers.wait_for_complete()
        app.draw()
        await pilot.pause()
        assert "line: glitches: 3 single frames" in text_of(app)
        await pilot.press("down", "down", "right")
        app.draw()
        await pilot.pause()
        assert "high end: reached 1434 counts" in " ".join(text_of(app).split())
        assert "Enter shows it at 0:11.595" in text_of(app)
        await pilot.press("enter")
        assert session.seconds(session.place) == pytest.approx(11.595, abs=0.001)
        assert app.ui.channel == 4
        assert "[1 Channels]" in text_of(app)


def test_the_command_named_gives_the_same_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    source = str(tmp_path / "a round.pcapng")
    shutil.copy(CAPTURES / "heron-round-faulty.pcapng", source)
    session = ReplaySession(open_capture(source))
    session.load()
    work = RecordedCheck(session, read_rig(RIG), rig_path=str(RIG))
    work.work()
    words = command_words(work, session, rig_path=str(RIG))
    write_page(work, "mine.html", source=source, rig_path=str(RIG))
    made = shlex.split(words)[-1]
    assert made == str(tmp_path / "a round.html")
    assert call(capfd, *shlex.split(words)[1:]).code == 1  # a check failed

    def body(path: str) -> str:
        return re.sub(r"\d\d\d\d-\d\d-\d\d[^<]*", "", Path(path).read_text(encoding="utf-8"))

    assert body(made) == body("mine.html")
    session.close()


async def test_a_check_and_its_result_are_not_lost_by_one_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    live = Aircraft("sent-short:rudder")
    live.pass_s(1.0)
    async with shown(live.session, (100, 40), rig=RIG, keys="5", faults=("sent-short:rudder", "dead:rudder")) as (
        app,
        pilot,
    ):
        view = app.screen
        assert isinstance(view, VerifyView)
        assert view.unkept == []
        await pilot.press("enter", "enter", "enter")
        live.pass_s(0.2)
        assert view.unkept == ["the guided check is at step 1 of 14; its recording so far is heron.pcapng"]
        await pilot.press("b")
        assert "what was heard of step 1" in text_of(app)
        await pilot.press("n")
        work = view._lines.work
        assert isinstance(work, CheckSession)
        assert state_of(work) is CheckState.LISTENING
        live.pass_s(6.0)
        assert work.results[0] is not None
        await pilot.press("b", "k")  # back to it and past it: it stays finished
        assert work.results[0] is not None
        await pilot.press("e", "y")
        assert state_of(work) is CheckState.OVER
        app.draw()
        await pilot.pause()
        text = " ".join(text_of(app).split())
        assert "This was a rehearsal on a virtual aircraft with 2 faults built in: 0 found." in text
        assert "dead:rudder). It shows in walk: right surface, no: nothing moves." in text
        assert view.unkept == ["the result of the guided check (w writes its page)"]
        await pilot.press("b")
        assert "y: begin another check all the same" in text_of(app)
        await pilot.press("n", "w", "enter")
        assert view.unkept == []
