"""The app by its keys."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import patch

import pytest
from rich.color import ColorType
from rich.style import Style
from textual.events import Paste
from textual.geometry import Size
from textual.widgets import Input

from busbench.analysis.recording import read_recording
from busbench.capture.open import open_capture
from busbench.rig.load import read_rig
from busbench.tui import palette
from busbench.tui.main import make_app
from busbench.tui.opening import Opened
from busbench.tui.replay import ReplaySession
from busbench.tui.screens import VIEWS
from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of


async def test_space_plays_and_pauses(flight: ReplaySession) -> None:
    async with shown(flight, keys="space") as (app, pilot):
        app.tick(1.5)
        assert flight.seconds(flight.place) == pytest.approx(1.5)
        await pilot.press("space")
        app.tick(1.5)
        assert flight.seconds(flight.place) == pytest.approx(1.5)
        assert "paused (1x)  0:01.500 of 1:19.995" in text_of(app)


async def test_keys_of_the_place(flight: ReplaySession) -> None:
    async with shown(flight, keys="shift+right shift+right pagedown shift+left") as (_, pilot):
        assert flight.seconds(flight.place) == pytest.approx(11.0)
        await pilot.press("right", "right", "left")
        row = flight.row
        await pilot.press("right")
        assert flight.row == row + 1
        await pilot.press("end")
        assert flight.place == flight.end
        await pilot.press("home", "plus")
        assert (flight.place, flight.pace) == (flight.start, 2.0)


async def test_outages_are_chosen_and_gone_to(flight: ReplaySession) -> None:
    async with shown(flight, keys="3 n n down p") as (app, pilot):
        assert app.ui.chosen == 1
        assert flight.place == flight.events.start[1]
        assert "channels across outage 2 (damaged): before and after" in text_of(app)
        await pilot.press("home", "p")
        assert "no further outage that way" in text_of(app)


async def test_units_go_round_and_name_their_scale(flight: ReplaySession) -> None:
    async with shown(flight) as (app, pilot):
        assert "counts as in the frame, 0 to 2047" in text_of(app)
        await pilot.press("u")
        assert "1500 µs at 992 counts, 0.625 µs a count" in text_of(app)
        await pilot.press("u")
        assert "0 at 992 counts, 100 at 1811" in text_of(app)
        await pilot.press("u")
        assert app.ui.unit == "counts"


async def test_a_mark_is_set_where_the_key_was_pressed() -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    async with shown(session, keys="m") as (app, pilot):
        place = session.place
        live.pass_s(1)
        await pilot.press("3", "0", "space", *"paces", "enter")
        assert [(mark.t_ns, mark.text) for mark in session.marks] == [(place, "30 paces")]
        await pilot.press("m", "x", "escape")
        assert len(session.marks) == 1
        assert app.ui.said.startswith("mark at")


async def test_a_cut_is_exported(flight: ReplaySession, tmp_path: Path) -> None:
    path = tmp_path / "cut.pcapng"
    async with shown(flight, keys="x") as (app, pilot):
        assert app.ui.said == "no cut yet: i sets its start, o its end"
        await pilot.press("i", "o", "x")
        assert app.ui.said == "the cut is empty: set its start with i and its end with o at another place"
        assert isinstance(app.screen, BenchView)
        await pilot.press("shift+right", "o", "x")
        app.screen.query_one(Input).value = str(path)
        await pilot.press("enter")
        await app.workers.wait_for_complete()
        assert app.ui.said == f"wrote {path} (67 frames)"
    assert len(read_recording(path).frames) == 67


async def test_r_records_a_live_source_alone(
    flight: ReplaySession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    async with shown(flight, keys="r") as (app, _):
        assert app.ui.said == "only a live source is recorded"
    live = Live("virtual:?period=10ms")
    async with shown(live.session, keys="r") as (app, pilot):
        live.pass_s(1)
        app.draw()
        await pilot.pause()
        assert "● REC" in text_of(app)
        await pilot.press("r")
        assert "REC" not in text_of(app)
    (made,) = tmp_path.glob("bench-*.pcapng")
    assert len(read_recording(made).frames) == 100


async def test_the_bell_rings_on_losses_where_it_is_on(monkeypatch: pytest.MonkeyPatch) -> None:
    live = Live("virtual:?period=10ms&lost=1:0.1")
    rings: list[int] = []
    async with shown(live.session, keys="4 b") as (app, _):
        assert "bell on outages: on   m annotates" in text_of(app)
        monkeypatch.setattr(app, "bell", lambda: rings.append(1))
        app._rang_at = -100
        for _ in range(40):
            live.hands.t_ns += 50_000_000
            app.tick(0.05)
    assert rings == [1]


async def test_a_source_is_chosen_and_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.tui.screens import choose

    monkeypatch.setattr(choose, "ports", list)
    monkeypatch.setattr(choose, "files", lambda _: [])
    asked: list[str] = []

    def opener(source: str, rig_path: str) -> Opened:
        asked.append(source)
        return Opened(Live("virtual:?period=10ms").pass_s(1))

    app = make_app(None, opener=opener, is_timed=False)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("down", "enter")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert asked == ["virtual:?period=7ms&pilot=moving"]
        app.draw()
        await pilot.pause()
        assert "100 frames, 0 missed of 100 due" in text_of(app)


async def test_what_cannot_be_opened_is_told_and_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.tui.screens import choose

    monkeypatch.setattr(choose, "ports", list)
    async with shown(None) as (app, pilot):
        await pilot.press("enter")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert "virtual:: nothing can be opened here" in text_of(app)


async def test_letters_name_a_source_wherever_one_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.tui.screens import choose

    monkeypatch.setattr(choose, "ports", list)
    async with shown(None) as (app, pilot):
        await pilot.press("down", *"quer1")
        assert "open      quer1   as typed" in text_of(app)
        await pilot.press("enter")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert "quer1: nothing can be opened here" in text_of(app)
        app.post_message(Paste("/dev/x\n"))
        await pilot.pause()
        await pilot.press("y")
        assert app.screen.query_one(Input).value == "/dev/xy"
        app.screen.set_focus(None)  # as while another window has the keys
        app.post_message(Paste(" z\n"))
        await pilot.pause()
        assert app.screen.query_one(Input).value == "/dev/xyz"


async def test_letters_filter_the_sources(monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.tui.screens import choose

    monkeypatch.setattr(choose, "ports", list)
    monkeypatch.chdir(CAPTURES)
    async with shown(None, (100, 40)) as (app, pilot):
        await app.workers.wait_for_complete()
        text = text_of(app)
        assert "aircraft  virtual:heron.toml   rehearse on it" in text
        assert "plan      heron.toml" in text
        assert "heron-sweeps.toml" not in text  # a drive program is no plan
        await pilot.press(*"moving")
        await pilot.pause()
        assert "all sticks move" in text_of(app)
        assert "mixed flying" not in text_of(app)


async def test_a_plan_is_opened_beside_the_source(flight: ReplaySession, monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.tui.screens import choose

    monkeypatch.setattr(choose, "ports", list)
    monkeypatch.chdir(CAPTURES)
    asked: list[tuple[str, str]] = []

    def opener(source: str, rig_path: str) -> Opened:
        asked.append((source, rig_path))
        return Opened(Live("virtual:?period=10ms").pass_s(1), read_rig(rig_path), rig_path)

    app = make_app(Opened(flight), opener=opener, is_timed=False)
    async with app.run_test(size=(80, 24)) as pilot:
        units = [app.ui.unit]
        await pilot.press("s", *"plan", "space", *"heron", "enter")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert asked == [(flight.source, "heron.toml")]
        assert app.ui.rig is not None
        assert [*units, app.ui.unit] == ["counts", "percent"]  # the plan names the devices


async def test_a_recording_is_read_beside_the_screen() -> None:
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    async with shown(session) as (app, _):
        await app.workers.wait_for_complete()
        app.tick(0.0)
        app.draw()
        assert " 290 missed of 5,334 due: 5.44 %, 95 % limit 5.98 %" in text_of(app)


async def test_resizing_keeps_all_18_lanes(flight: ReplaySession) -> None:
    async with shown(flight, (160, 48)) as (app, pilot):
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        lines = text_of(app).splitlines()
        assert [line[:3].strip(" >") for line in lines[4:22]] == [str(n) for n in range(1, 19)]
        await pilot.resize_terminal(20, 6)
        await pilot.pause()
        assert len(text_of(app).splitlines()) == 6


@pytest.mark.parametrize("view", "12345678")
async def test_a_body_that_is_not_hidden_yet_draws_nothing_in_a_window_too_small(
    view: str, flight: ReplaySession
) -> None:
    async with shown(flight, keys=view) as (app, _):
        assert isinstance(app.screen, BenchView)
        (body,) = app.screen.query(".body").results(LineWidget)
        for width in (1, 59):
            before = body._lines
            with patch.object(type(body), "size", Size(width, 18)):
                body.redraw()
            assert body._lines is before
        with patch.object(type(body), "size", Size(60, 18)):
            body.redraw()
        assert body._lines is not before


async def test_the_menu_is_searched_by_letters_and_does_what_is_picked(flight: ReplaySession) -> None:
    async with shown(flight, (120, 40)) as (app, pilot):
        await pilot.press("ctrl+p")
        text = text_of(app)
        assert [view.name for view in VIEWS if view.name not in text] == []
        await pilot.press(*"range")
        await pilot.pause()
        assert "Outages" not in text_of(app).split("Menu")[1].split("\n 1")[0]
        await pilot.press("enter")
        await pilot.pause()
        app.draw()
        await pilot.pause()
        assert "LINK AT 0:00.000" in text_of(app)
        await pilot.press("ctrl+p", *"write", "space", *"the", "space", *"cut", "enter")
        await pilot.pause()
        assert app.ui.said == "no cut yet: i sets its start, o its end"
        await pilot.press("1", "ctrl+p", *"one", "space", *"scale", "enter")  # a key of the view
        await pilot.pause()
        assert app.ui.is_common_scale


async def test_the_help_is_searched_by_letters_and_opens_at_the_view(flight: ReplaySession) -> None:
    async with shown(flight, keys="3 ?") as (app, pilot):
        assert text_of(app).splitlines()[2] == " Outages"
        await pilot.press(*"cycle")
        await pilot.pause()
        text = text_of(app)
        assert "how much a period differs from the one before it" in text
        assert "g gap" not in text
        await pilot.press("space", *"zzz")
        await pilot.pause()
        assert "nothing in the help has all these words" in text_of(app)
        await pilot.press("escape")
        assert isinstance(app.screen, BenchView)


@pytest.mark.parametrize(
    ("environ", "shade", "theme", "gap"),
    [
        ({"TERM": "xterm-256color", "COLORTERM": "truecolor"}, "light", "bench-light", "bold #a82c1c"),
        ({"TERM": "xterm-256color"}, "light", "bench-light", "bold #a82c1c"),
        ({"TERM": "xterm-256color"}, "dark", "bench-dark", "bold #ee7d62"),
        ({"TERM": "xterm"}, "light", "bench-plain", "bold red"),
        ({}, "dark", "bench-plain", "bold red"),
        ({"TERM": "xterm-256color", "NO_COLOR": ""}, "light", "bench-plain", "bold"),
    ],
)
def test_colours_by_what_the_terminal_has(
    environ: dict[str, str], shade: palette.Shade, theme: str, gap: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = palette.choose(shade, environ)
    assert (found.theme, found.styles["gap"]) == (theme, Style.parse(gap))
    assert found.is_ansi == (theme == "bench-plain")
    for name in ("TERM", "COLORTERM", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environ.items():
        monkeypatch.setenv(name, value)
    assert palette.choose(shade) == found


def test_what_the_themes_say_of_themselves() -> None:
    # With the terminal's own colours the library assumes a dark ground, and replaces none of them.
    assert {one.name: (one.dark, one.ansi) for one in palette.THEMES} == {
        "bench-dark": (True, False),
        "bench-light": (False, False),
        "bench-plain": (True, True),
    }


async def test_no_colour_means_none(flight: ReplaySession, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with shown(flight, keys="4 n n n") as (app, _):
        colours = {
            colour.type
            for strip in app.screen._compositor.render_strips()
            for segment in strip
            if segment.style
            for colour in (segment.style.color, segment.style.bgcolor)
            if colour
        }
        assert colours <= {ColorType.DEFAULT}
        assert "LOST" in text_of(app)


@pytest.mark.parametrize("view", "12345678")
async def test_a_window_too_small_says_so_until_it_grows(view: str) -> None:
    live = Live("virtual:?period=10ms")
    live.pass_s(1)
    async with shown(live.session, (40, 10), keys=view) as (app, pilot):
        lines = [line.strip() for line in text_of(app).splitlines()]
        assert [line for line in lines if line] == ["the window is too small: at least 60x16", "q leaves"]
        await pilot.resize_terminal(60, 16)
        app.draw()
        await pilot.pause()
        text = text_of(app)
        assert "too small" not in text
        assert "100 frames" in text or "0 missed of 100 due" in text
        assert "? help  q quit" in text.splitlines()[-1]
        await pilot.resize_terminal(60, 15)
        app.draw()
        await pilot.pause()
        assert "too small" in text_of(app)
