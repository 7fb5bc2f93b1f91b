"""What is seldom seen: a suspended computer, a lost driver, a stream with an end, a list without room."""

from __future__ import annotations

import codecs
import sys
from pathlib import Path
from types import SimpleNamespace
from unittest import mock

import pytest
from textual.events import Paste
from textual.widgets import Input

from busbench.capture.open import open_capture
from busbench.errors import CaptureError
from busbench.tui.app_state import AppState
from busbench.tui.driver import PromptSelector, tolerant_driver
from busbench.tui.palette import choose
from busbench.tui.plotting import Plotter
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.base import BenchView
from busbench.tui.screens.help import Help
from busbench.tui.text import Line
from busbench.tui.verdicts import Filter, VerdictTable
from busbench.tui.widgets.channel_plot import plot_lines
from busbench.tui.widgets.channels import channel_lines
from busbench.tui.widgets.outage_bytes import byte_lines
from busbench.tui.widgets.verdicts import table_lines
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import shown
from tests.tui.test_drawn import STATES


class Mover:
    """Notes its ticks and what stops it."""

    def __init__(self) -> None:
        self.ticks: list[float] = []
        self.stopped: list[str] = []

    def tick(self, dt_s: float) -> None:
        self.ticks.append(dt_s)

    def stop(self, key: str = "") -> None:
        self.stopped.append(key)


async def test_time_of_a_suspended_computer_passes_for_what_moves_alone() -> None:
    live, beside = Live("virtual:?period=10ms"), Live("virtual:?period=10ms")
    async with shown(live.pass_s(1)) as (app, _):
        app.ui.beside = [beside.session]
        told: list[tuple[str, float]] = []
        with (
            mock.patch.object(app._clock, "take", side_effect=[(0.05, 0.0), (0.05, 60.0), (0.05, 60.0)]),
            mock.patch.object(live.session, "tick", side_effect=lambda dt_s: told.append(("first", dt_s))),
            mock.patch.object(beside.session, "tick", side_effect=lambda dt_s: told.append(("beside", dt_s))),
            mock.patch.object(app.clicks, "hear") as hear,
        ):
            app.on_tick()
            assert told == [("first", 0.05), ("beside", 0.05)]
            app.on_tick()  # nothing moves
            mover = Mover()
            app.ui.mover = mover
            app.ui.settings.keep(mouse=False)
            app.on_tick()
            assert mover.ticks == [60.0, 0.05]
            app.ui.mover = None
            wanted = [call.kwargs["wanted"] for call in hear.call_args_list]
            assert wanted == [True, True, True]  # clicks stop what moves, whatever was set
            assert {call.args for call in hear.call_args_list} == {(app._driver,)}
        with (
            mock.patch.object(app._clock, "take", return_value=(0.05, 0.0)),
            mock.patch.object(app.clicks, "hear") as hear,
        ):
            app.on_tick()
            assert hear.call_args.kwargs == {"wanted": False}


async def test_the_terminal_is_asked_after_a_drawing_where_there_is_one() -> None:
    async with shown(Live("virtual:?period=10ms").pass_s(1)) as (app, pilot):
        driver = SimpleNamespace(is_headless=False, write=mock.Mock(), flush=mock.Mock())
        before = app._driver
        for is_headless, asked in ((True, 0), (False, 1)):
            driver.is_headless = is_headless
            app._driver = driver  # type: ignore[assignment]
            app._ask_terminal()
            app._driver = driver if not is_headless else before  # type: ignore[assignment]
            app._write("x") if is_headless else None
            await pilot.pause()
            app._driver = before
            assert driver.write.call_count == asked
        assert driver.write.call_args.args == ("\x1b[6n",)
        assert driver.flush.call_count == 1
        app._driver = None
        app._write("nowhere")
        app._driver = before


async def test_a_key_or_a_paste_stops_what_moves_and_does_nothing_else() -> None:
    async with shown(Live("virtual:?period=10ms").pass_s(1)) as (app, pilot):
        mover = Mover()
        app.ui.mover = mover
        await pilot.press("2")
        app.post_message(Paste("3"))
        await pilot.pause()
        assert isinstance(app.screen, BenchView)
        assert app.screen.view.key == "1"
        assert mover.stopped == ["2", ""]
        app.ui.mover = None


def test_without_a_session_none_can_be_needed() -> None:
    ui = AppState(choose("dark"))
    with pytest.raises(LookupError, match="no session"):
        _ = ui.needs
    ui.zoom_by(1)
    assert ui.zoom is None
    ui.show_at(3, channel=None)
    ui.draw()


@pytest.mark.skipif(sys.platform == "win32", reason="the driver there is the library's own")
def test_the_driver_reads_bytes_that_are_no_text() -> None:
    from textual.drivers import linux_driver

    driver = tolerant_driver()
    assert driver is not None
    names = "getincrementaldecoder", "selectors"
    with (
        mock.patch.dict(vars(linux_driver), {name: vars(linux_driver)[name] for name in names}),
        mock.patch.object(linux_driver.LinuxDriver, "run_input_thread") as run,
    ):
        driver.run_input_thread(mock.Mock(spec=driver))  # type: ignore[attr-defined]
        assert run.call_count == 1
        decoder = vars(linux_driver)["getincrementaldecoder"]("utf-8")()
        assert isinstance(decoder, codecs.IncrementalDecoder)
        assert decoder.decode(b"a\xffb") == "a\ufffdb"
        replaced = vars(linux_driver)["selectors"]
        assert (replaced.SelectSelector, replaced.EVENT_READ) == (PromptSelector, 1)


def test_a_stream_that_is_over_has_ended() -> None:
    live = Live("virtual:?period=10ms&duration=1s")
    session = live.pass_s(1.5)
    assert session.link == "ended"
    end = session.end
    live.pass_s(1.0)
    assert session.end == end


def test_bytes_that_can_be_read_in_two_ways_are_called_ambiguous() -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    came = SimpleNamespace(
        chunks=(),
        events=(),
        notes=(),
        found=SimpleNamespace(frames=session.store.table(0, 0), rejects=None, ambiguous=[(0, 9)]),
    )
    with mock.patch.object(session._outages, "add"):
        session._hear(came)  # type: ignore[arg-type]
    assert session.link == "ambiguous"


def test_a_recording_that_breaks_off_is_shown_as_far_as_it_was_read(tmp_path: Path) -> None:
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    with mock.patch("busbench.tui.replay.read_frames", side_effect=CaptureError("a.pcapng", "is cut")):
        session.load()
    assert (session.is_loaded, session.notice) == (True, "a.pcapng: is cut")
    session.close()


def words(lines: list[Line]) -> list[str]:
    return ["".join(text for text, _ in line).rstrip() for line in lines]


def test_rows_without_a_line_are_counted() -> None:
    ui = AppState(choose("dark"), session=Live().pass_s(1))
    for height in (5, 18):
        lines = words(channel_lines(ui, 80, height))
        assert len(lines) == height
        assert lines[-1] == f" … {18 - height + 2} more channels: make the window taller"
    assert len(channel_lines(ui, 80, 19)) == 19
    assert len(channel_lines(ui, 80, 1)) == 19  # nothing can be said in one line


def test_an_outage_without_room_for_frames_says_so(tmp_path: Path) -> None:
    ui = STATES["at an outage"](tmp_path)
    assert words(byte_lines(ui.needs, 3, 80, 2))[1:] == [" no frame is near it"]
    assert len(byte_lines(ui.needs, 3, 80, 3)) == 2
    ui.needs.close()


def test_a_table_of_nothing_says_what_there_is_not() -> None:
    table = VerdictTable([], Filter.FAILED)
    lines = table_lines(table, 80, 9, spot=lambda *_: None, at=0, act=lambda: None)
    assert lines == [[(" no check failed", "good")]]


async def test_keys_of_the_help_scroll_search_and_close_it() -> None:
    async with shown(Live().session, keys="question_mark") as (app, pilot):
        screen = app.screen
        assert isinstance(screen, Help)
        body = screen._body
        await pilot.press("home")
        assert body.top == 0
        page = body.size.height - 1
        for key, top in (
            ("down", 1),
            ("down", 2),
            ("up", 1),
            ("pagedown", 1 + page),
            ("pageup", 1),
            ("up", 0),
            ("up", 0),
        ):
            await pilot.press(key)
            assert body.top == top, key
        await pilot.press("end")
        last = body.top
        assert last == len(body._rows) - body.size.height
        await pilot.press("down", "ctrl+home")
        assert body.top == 0
        await pilot.press("ctrl+end")
        assert body.top == last
        await pilot.press("j", "i", "t", "home")
        assert screen.query_one(Input).cursor_position == 0  # the cursor of what is typed
        assert body.needle == "jit"
        await pilot.press("end", "question_mark")
        assert body.needle == "jit?"
        await pilot.press("f1")
        assert isinstance(app.screen, BenchView)


def test_the_overview_of_what_goes_on_lacks_less_than_a_128th_and_is_not_drawn_again_each_time() -> None:
    live = Live("virtual:?period=10ms&pilot=moving")
    session = live.pass_s(2)
    ui = AppState(choose("dark"), session=session)
    plotter, same = Plotter(session), 0
    with mock.patch.object(plotter, "envelope", wraps=plotter.envelope) as envelope:
        for length in range(1_900_000_000, 3_900_000_000, 131_415_926):
            ends = []
            for more in (0, 1_000_000):
                session.end = session.start + length + more
                plot_lines(ui, plotter, 100, 30, others=(), anchor=None, seek=lambda *_: None)
                lo, hi, parts = envelope.call_args_list[-1].args
                assert (lo, parts) == (session.start, 2 * (100 - 8 - 25))
                assert 0 <= session.end - hi < length / 128
                ends.append(hi)
            same += ends[0] == ends[1]
    assert same > 10
    session.close()


def test_before_the_first_frame_a_large_channel_has_no_value() -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    session.start -= 1_000_000_000
    session.seek(session.start)
    assert session.row == -1
    ui = AppState(choose("dark"), session=session)
    lines = words(plot_lines(ui, Plotter(session), 100, 30, others=(), anchor=None, seek=lambda *_: None))
    assert " ".join(lines[0].split()) == "channel 1 - counts no frame window 1.99 s"
    session.close()
