"""What clicks and the wheel do in each body of a view, and the terminal's clicks."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.tui.draw import ASCII
from busbench.tui.driver import tolerant_driver
from busbench.tui.terminal import Clicks, is_dumb
from busbench.tui.text import as_ascii, width_of
from busbench.tui.widgets.channels import ChannelLines
from busbench.tui.widgets.frame import Timeline
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outages import OutageLines
from busbench.tui.widgets.verify import VerifyLines
from busbench.tui.window import timeline_window
from tests.tui.filled import FILLED, checked
from tests.tui.test_drawn import STATES


def sized(widget: LineWidget, width: int, height: int) -> LineWidget:
    """A widget that has its room, without a screen, and draws into it."""

    def redraw(self: LineWidget) -> None:
        self._spots = []
        self.lines(width, height)

    more = {"size": SimpleNamespace(width=width, height=height), "redraw": redraw}
    widget.__class__ = type(widget.__class__.__name__, (widget.__class__,), more)
    widget.redraw()
    return widget


@pytest.fixture
def channels(tmp_path: Path) -> ChannelLines:
    ui = STATES["at an outage"](tmp_path)
    widget = sized(ChannelLines(ui), 100, 30)
    assert isinstance(widget, ChannelLines)
    return widget


def test_a_row_is_chosen_by_a_click_on_any_of_its_lines_and_by_the_wheel(channels: ChannelLines) -> None:
    ui = channels.ui
    lines = channels.lines(100, 30)
    numbers = [line[0][0][:2].strip() for line in lines]
    channel = 0
    for y, number in enumerate(numbers):
        channel = int(number) - 1 if number.isdecimal() else channel
        ui.channel = 9
        channels.click(99, y)
        assert ui.channel == (9 if y == 0 else channel), y
    channels.wheel(3)
    channels.wheel(3)
    assert (channel, ui.channel) == (17, 17)
    for wanted in (16, 15):
        channels.wheel(-3)
        assert ui.channel == wanted
    channels.choose(99)
    assert ui.channel == 17
    channels.choose(-1)
    assert ui.channel == 0
    ui.needs.close()


def test_a_click_on_the_large_plot_goes_to_its_place_and_the_wheel_zooms(channels: ChannelLines) -> None:
    ui, session = channels.ui, channels.ui.needs
    drawn: list[int] = []
    ui.draw = lambda: drawn.append(1)
    channels.is_large = True
    ui.zoom = 2
    channels.redraw()
    for line, ends in ((1, (session.start, session.end)), (10, timeline_window(session, 2))):
        cells = 100 - 8 - 25
        for x in (8, 9, 40, 8 + cells - 1):
            lo, hi = ends
            session.seek(session.start)
            channels.click(x, line)
            assert session.place == lo + (hi - lo) * (x - 8) // cells
        before = session.place
        channels.click(7, line)
        channels.click(8 + cells, line)
        assert session.place == before
    assert len(drawn) == 8
    channels.wheel(-3)
    assert ui.zoom == 1
    channels.wheel(3)
    assert ui.zoom == 2
    assert len(drawn) == 10
    session.close()


def test_a_second_cursor_belongs_to_its_session(channels: ChannelLines, tmp_path: Path) -> None:
    session = channels.ui.needs
    channels.toggle_cursor()
    assert channels.cursor_a == session.place
    channels.ui.session = None
    assert channels.cursor_a is None
    channels.ui.session = session
    channels.toggle_cursor()
    assert channels.cursor_a is None
    session.close()


def test_a_click_on_the_timeline_goes_there_and_the_wheel_zooms(tmp_path: Path) -> None:
    ui = STATES["at an outage"](tmp_path)
    widget, session = sized(Timeline(ui), 90, 1), ui.needs
    for zoom in (None, 2):
        ui.zoom = zoom
        (line,) = widget.lines(90, 1)
        left, right = (0, 0) if zoom is None else (width_of(line[:1]), width_of(line[-1:]))
        for x in (0, left, left + 1, 50, 89 - right, 89):
            lo, hi = timeline_window(session, zoom)
            widget.click(x, 0)
            at = min(max(x - left, 0), 90 - left - right - 1)
            assert session.place == lo + (hi - lo) * at // (90 - left - right), (zoom, x)
    widget.wheel(-3)
    assert ui.zoom == 1
    widget.wheel(3)
    widget.wheel(3)
    assert ui.zoom == 3
    session.close()


def test_outages_are_gone_to_by_clicks_on_their_rows_and_by_the_wheel(tmp_path: Path) -> None:
    ui = STATES["at an outage"](tmp_path)
    widget, session = sized(OutageLines(ui), 100, 40), ui.needs
    lines = ["".join(text for text, _ in line) for line in widget.lines(100, 40)]
    head = next(y for y, line in enumerate(lines) if line.startswith("    no."))
    end = next(y for y, line in enumerate(lines) if line.startswith(" channels across"))
    rows = {y: int(lines[y][3:8]) - 1 for y in range(head + 1, end) if lines[y][3:8].strip()}
    assert len(rows) > 8
    for y, index in rows.items():
        widget.click(74, y)
        assert (ui.chosen, session.place) == (index, int(session.events.start[index]))
        widget.click(75, y)  # where the channels are drawn
        assert ui.chosen == index
    ui.chosen = 5
    session.seek(int(session.events.start[5]))
    for turned, index in ((3, 6), (3, 7), (-3, 6)):
        widget.wheel(turned)
        assert (ui.chosen, session.place) == (index, int(session.events.start[index]))
    ui.listed.kind = "gap"
    widget.wheel(3)
    gaps = [at for at, one in enumerate(session.events.items) if one.kind == "gap"]
    assert ui.chosen == gaps[1]
    widget.wheel(3)
    assert ui.chosen == gaps[1]
    session.close()


def test_a_choice_is_made_where_none_is_listed_any_more(tmp_path: Path) -> None:
    ui = STATES["at an outage"](tmp_path)
    widget, session = OutageLines(ui), ui.needs
    for place_s, kind, index in ((0, None, 0), (12.5, None, 2), (12.5, "gap", 6), (79, "gap", 21), (79, None, 23)):
        ui.chosen = None
        session.seek(session.start + round(place_s * 1e9))
        ui.listed.kind = kind  # type: ignore[assignment]
        widget.lines(80, 24)
        assert ui.chosen == index, (place_s, kind)
    ui.listed.text = "nothing-of-it"
    widget.lines(80, 24)
    assert ui.chosen is None
    session.close()


def test_a_check_is_chosen_by_a_click_on_its_cell_or_on_its_words(tmp_path: Path) -> None:
    widget = sized(checked(filters=1)(tmp_path), 120, 50)
    assert isinstance(widget, VerifyLines)
    table = widget.table
    assert table is not None
    for spot in list(widget._spots):
        widget.click(spot[1], spot[0])
        chosen = table.chosen
        assert chosen is not None
        drawn = widget.lines(120, 50)
        texts = ["".join(text for text, _ in line) for line in drawn]
        words = f"{chosen.subject}: {chosen.name}: "
        assert sum(words in text for text in texts) >= 1, words
        assert sum("[" in text and "]" in text for text in texts) == 1
    table.choose(None)
    first = table.chosen
    widget.wheel(3)
    second = table.chosen
    assert second is not first
    widget.wheel(3)
    third = table.chosen
    assert third is not second
    for wanted in (second, first):
        widget.wheel(-3)
        assert table.chosen is wanted
    widget.ui.needs.close()


def test_the_wheel_turns_nothing_before_there_is_a_result(tmp_path: Path) -> None:
    widget = FILLED["check before"](tmp_path)
    before = widget.lines(100, 30)
    for rows in (3, -3):
        widget.wheel(rows)
        assert widget.lines(100, 30) == before
    widget.ui.needs.close()


class Written:
    """A driver that notes what is written."""

    def __init__(self) -> None:
        self.text = ""
        self.flushed = 0

    def write(self, text: str) -> None:
        self.text += text

    def flush(self) -> None:
        self.flushed += 1


def test_clicks_are_asked_for_once_and_given_back_once() -> None:
    clicks, driver = Clicks(), Written()
    for wanted, told in (
        (False, ""),
        (True, "\x1b[?1000h\x1b[?1006h"),
        (True, ""),
        (False, "\x1b[?1006l\x1b[?1000l"),
        (False, ""),
    ):
        driver.text, driver.flushed = "", 0
        clicks.hear(driver, wanted=wanted)  # type: ignore[arg-type]
        assert (driver.text, driver.flushed) == (told, int(bool(told)))
    clicks.hear(None, wanted=True)
    clicks.hear(driver, wanted=True)  # type: ignore[arg-type]
    assert driver.text == "\x1b[?1000h\x1b[?1006h"


@pytest.mark.parametrize(
    ("system", "environ", "dumb"),
    [
        ("linux", {}, True),
        ("linux", {"TERM": "dumb"}, True),
        ("linux", {"TERM": "xterm"}, False),
        ("win32", {}, False),
        ("win32", {"TERM": "dumb"}, True),
    ],
)
def test_a_terminal_without_screens_is_known_by_its_name(
    system: str, environ: dict[str, str], dumb: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.platform", system)
    assert is_dumb(environ) is dumb
    monkeypatch.delenv("TERM", raising=False)
    for name, value in environ.items():
        monkeypatch.setenv(name, value)
    assert is_dumb() is dumb


def test_on_windows_the_driver_is_the_librarys_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "win32")
    assert tolerant_driver() is None


def test_what_fills_a_widget_is_drawn_without_blocks_where_characters_are_plain(tmp_path: Path) -> None:
    for name in ("channels at an outage", "large on one scale", "outages marked and cut", "timing in sync"):
        widget = FILLED[name](tmp_path)
        widget.ui.glyphs = ASCII
        texts = [text for line in widget.lines(130, 45) for text, _ in line]
        assert not [text for text in texts if any("\u2580" <= one <= "\u28ff" for one in text)], name
        assert all(as_ascii(text).isascii() for text in texts)
        widget.ui.needs.close()
