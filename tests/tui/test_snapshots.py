"""Every view at three sizes, as text; time does not move."""

from __future__ import annotations

import shutil

import pytest

from busbench.capture.open import open_capture
from busbench.rig.load import read_rig
from busbench.tui.opening import rig_names
from busbench.tui.replay import ReplaySession
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import SIZES, check, shown, text_of

VIEWS = (("channels", "1"), ("timing", "2"), ("outages", "3 n n n n"), ("range", "4"))
NAMES = {1: "left aileron", 2: "right aileron", 3: "left flap", 6: "rudder", 17: "tow release"}


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> ReplaySession:
    """The flight with its rig, stopped in the midst of it."""
    rig = read_rig(CAPTURES / "heron.toml")
    path = shutil.copy(CAPTURES / "heron-flight.pcapng", tmp_path_factory.mktemp("flight"))
    session = ReplaySession(open_capture(str(path)), names=rig_names(rig), scale=rig.scale)
    session.load()
    session.source = "heron-flight.pcapng"
    session.close = lambda: None  # type: ignore[method-assign] # shared by the tests
    return session


def rewind(session: ReplaySession) -> ReplaySession:
    session.seek(session.start + round(30.9 * 1e9))
    session.reset_row = 0
    session.marks = []
    session.cut_in = session.cut_out = None
    session.notice = ""
    session.refresh()
    return session


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize(("view", "keys"), VIEWS)
async def test_view(flight: ReplaySession, view: str, keys: str, size: tuple[int, int]) -> None:
    async with shown(rewind(flight), size, keys=keys) as (app, _):
        check(f"{view}-{size[0]}x{size[1]}", app)


@pytest.mark.parametrize(("view", "keys"), [("channels", "u"), ("timing", "2"), ("outages", "3 n u"), ("help", "?")])
async def test_plain_characters_alone(flight: ReplaySession, view: str, keys: str) -> None:
    async with shown(rewind(flight), keys=keys, is_ascii=True) as (app, _):
        assert check(f"ascii-{view}", app).isascii()


@pytest.mark.parametrize("view", ["1", "3"])
async def test_live(view: str) -> None:
    live = Live("virtual:?period=7ms&pilot=moving&lost=1:0.2&gaps=2:0.4&failsafe=2.7:0.4", names=NAMES)
    live.pass_s(2.0)
    live.session.mark(live.session.place, "30 paces")
    live.pass_s(1.0)
    async with shown(live.session, keys=view) as (app, _):
        check(f"live-{view}", app)


async def test_marks_and_cut_stand_on_the_timeline(flight: ReplaySession) -> None:
    session = rewind(flight)
    session.mark(session.start + 10**10, "engine\x1b[31m on [b]")
    session.set_cut(is_end=False)
    session.seek_by(20)
    session.set_cut(is_end=True)
    async with shown(session, keys="3") as (app, _):
        text = check("marks", app)
    assert "▼engine\\x1b[31m on …[" in text
    assert "cut [0:30.900 to 0:50.900]" in text


async def test_choice_of_a_source(monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.tui.screens import choose

    monkeypatch.setattr(choose, "ports", lambda: [("/dev/ttyUSB7", "FTDI [b]")])
    monkeypatch.setattr(choose, "plans", lambda _: ["captures/heron.toml"])
    monkeypatch.setattr(choose, "files", lambda _: ["captures/heron-flight.pcapng"])
    async with shown(None) as (app, pilot):
        await app.workers.wait_for_complete()
        await pilot.pause()
        check("choose", app)


async def test_a_cut_can_be_written_once_it_has_both_ends(flight: ReplaySession) -> None:
    async with shown(rewind(flight), (200, 24), keys="1 i") as (app, pilot):
        assert "i o cut from, to" in text_of(app)
        await pilot.press("right", "o")
        app.draw()
        await pilot.pause()
        assert "x write cut" in text_of(app)
        assert "i o cut from, to" not in text_of(app)
