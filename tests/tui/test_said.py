"""What is said on the screen is whole for as long as it takes to read it, however narrow the window."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.capture.open import open_capture
from busbench.port.ipc import EventKind
from busbench.tui.app import SAID_TICKS, BenchApp
from busbench.tui.replay import ReplaySession
from busbench.tui.screens import VIEWS, View
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of

LONG = (
    "wrote a-file-in-the-folder-of-the-heron.pcapng (1,234 frames), and reported so in more words than one line holds"
)


def pass_ticks(app: BenchApp, ticks: int) -> None:
    for _ in range(ticks):
        app.tick(0.0)


async def test_what_is_said_has_a_line_for_itself_and_gives_it_back(flight: ReplaySession) -> None:
    words = "wrote heron-flight-cut.pcapng (4,321 frames)"
    async with shown(flight, keys="i pagedown o") as (app, pilot):
        app.say(words)
        pass_ticks(app, SAID_TICKS)
        await pilot.pause()
        place = " paused (1x)  0:10.000 of 1:19.995  cut [0:00.000 to 0:10.000]"
        assert text_of(app).splitlines()[-3:-1] == [place, f" {words}"]
        pass_ticks(app, 5)
        await pilot.pause()
        assert text_of(app).splitlines()[-2].startswith(f"{place}   ·")


async def test_what_is_longer_than_a_line_takes_two_and_stays_the_longer(flight: ReplaySession) -> None:
    async with shown(flight) as (app, pilot):
        app.say(LONG)
        pass_ticks(app, SAID_TICKS + 10)
        await pilot.pause()
        lines = text_of(app).splitlines()
        assert " ".join(" ".join(lines[-3:-1]).split()) == LONG
        assert lines[-4].startswith(" paused (1x)")
        pass_ticks(app, SAID_TICKS)
        await pilot.pause()
        assert LONG[:20] not in text_of(app)
        assert "   ··" in text_of(app).splitlines()[-2]
        await pilot.press("l")
        await pilot.pause()
        assert LONG in " ".join(text_of(app).split())


@pytest.mark.parametrize("size", [(80, 24), (60, 16)])
async def test_that_a_live_screen_is_frozen_is_never_hidden(size: tuple[int, int]) -> None:
    live = Live("virtual:?period=10ms")
    live.pass_s(1.0)
    async with shown(live.session, size, keys="space") as (app, pilot):
        live.pass_s(1.0)
        app.say("wrote bench-20260131-120000.pcapng (232 frames), and some more words")
        pass_ticks(app, 2)
        await pilot.pause()
        lines = text_of(app).splitlines()
        assert any(line.startswith(" FROZEN at 0:0") for line in lines[-5:-1])
        assert any(line.startswith(" wrote bench-") for line in lines[-5:-1])


async def test_nothing_said_pushes_away_what_must_be_read_before_something_moves() -> None:
    async with shown(Live("virtual:").session, keys="7 enter") as (app, pilot):
        app.say(LONG)
        await pilot.pause()
        text = text_of(app)
        assert "Enter: all this is seen to, count down. Escape: back." in text
        assert text.splitlines()[-2].startswith(f" {LONG[:70]}")


@pytest.mark.parametrize("size", [(80, 24), (60, 16)])
async def test_what_is_said_of_a_port_that_is_away_stays_whole(size: tuple[int, int]) -> None:
    live = Live("virtual:?period=10ms")
    live.pass_s(1.0)
    async with shown(live.session, size) as (app, pilot):
        live.port.happens(EventKind.UNPLUGGED, "/dev/ttyHERON was unplugged: watching goes on when it is back")
        live.pass_s(0.1)
        pass_ticks(app, 3 * SAID_TICKS)
        await pilot.pause()
        text = text_of(app)
        assert "/dev/ttyHERON was unplugged: watching goes on when it is back" in " ".join(text.split())
        assert "live 0:01" in text
        live.port.happens(EventKind.RECONNECTED, "back again")
        live.pass_s(0.1)
        pass_ticks(app, 3 * SAID_TICKS)
        await pilot.pause()
        assert text_of(app).splitlines()[-2].endswith("   back again")


async def test_the_end_of_a_recording_is_called_so(flight: ReplaySession) -> None:
    async with shown(flight, keys="end") as (app, pilot):
        assert text_of(app).splitlines()[-2].startswith(" at the end  1:19.995 of 1:19.995   ")
        await pilot.press("left")
        assert "paused (1x)  1:19.98" in text_of(app)


async def test_the_page_that_was_written_is_told_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    session.load()
    async with shown(session, rig=CAPTURES / "heron.toml", keys="5") as (app, pilot):
        await app.workers.wait_for_complete()
        pass_ticks(app, 2 * SAID_TICKS)
        app.draw()
        await pilot.press("w", "enter")
        pass_ticks(app, SAID_TICKS)
        await pilot.pause()
        assert " wrote heron.html (page to print and sign" in text_of(app)
        assert Path("heron.html").exists()


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
@pytest.mark.parametrize("size", [(60, 16), (80, 24)], ids=str)
async def test_every_view_has_its_name_in_its_head_and_help_opens_there(view: View, size: tuple[int, int]) -> None:
    async with shown(Live("virtual:").session, size, keys=view.key) as (app, pilot):
        assert f"[{view.key} {view.name}]" in text_of(app).splitlines()[0]
        assert text_of(app).splitlines()[1].startswith(" virtual:")
        await pilot.press("question_mark")
        await pilot.pause()
        lines = [line.strip(" ▁▂▃▄▅▆▇█") for line in text_of(app).splitlines()]  # without the bar that scrolls
        assert lines[0].strip().startswith("Help: up, down")
        assert lines[1] == "letters search"
        assert lines[2] == view.name
