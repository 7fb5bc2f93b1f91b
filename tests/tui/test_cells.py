"""Text by cells, lists to choose from, menu and help, and what a widget sends of its lines."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from unittest import mock

import pytest
from rich.cells import cell_len
from textual.geometry import Region, Size

from busbench.line import LineSettings
from busbench.reference.topics import TOPICS
from busbench.tui.app_state import AppState
from busbench.tui.commands import COMMANDS, Command
from busbench.tui.empty import NEEDS_PLAN, empty_lines
from busbench.tui.palette import choose
from busbench.tui.screens import VIEWS
from busbench.tui.screens.help import FIGURES, HelpLines, help_rows
from busbench.tui.screens.menu import ACT, PRESS, Menu
from busbench.tui.screens.pick import Choice
from busbench.tui.text import (
    Line,
    as_ascii,
    by_cells,
    clock_time,
    duration,
    fit,
    line_words,
    percent,
    width_of,
    wrap,
    wrapped,
)
from busbench.tui.widgets.frame import apart, cell_of, joined
from busbench.tui.widgets.line_widget import WHEEL_ROWS, LineWidget

MIXED = "the 方向舵 of e\u0301lan is stalled, as 補助翼の長い名前 was before it"


@pytest.mark.parametrize("indent", ["", "  "])
def test_words_are_wrapped_by_cells_and_none_is_lost(indent: str) -> None:
    for width in range(1, 60):
        lines = wrap(MIXED, width, indent=indent)
        least = len(indent) + 2  # of a line that holds a wide character
        assert all(cell_len(line) <= max(width, least) for line in lines)
        assert "".join("".join(lines).split()) == "".join(MIXED.split())
        assert all(line.startswith(indent) for line in lines[1:] if indent)
        if width >= 18:  # no word is longer
            assert " ".join(" ".join(lines).split()) == MIXED
            for line, after in pairwise(lines):
                assert cell_len(f"{line} {after.split()[0]}") > width  # as many words as there is room for


def test_a_window_of_no_width_still_has_lines() -> None:
    assert wrap("a b", 0) == ["a", "b"]
    assert wrap("", 5) == []


def test_list_items_hang_below_their_first_word() -> None:
    texts = [line[0] for line in wrapped("- one two three four", 17, "warn")]
    assert texts == [(" - one two three", "warn"), ("   four", "warn")]
    assert [line[0][0] for line in wrapped("one two three four five", 5, indent=3)] == [
        "   one two",
        "   three four",
        "   five",
    ]
    assert list(wrapped("", 40)) == [[(" ", "ink")]]
    assert list(wrapped("a\x1b", 40)) == [[(" a\\x1b", "ink")]]


@pytest.mark.parametrize("text", ["", "abc", "abcdef", "abcdefg", "方向舵", "a方向舵b", "e\u0301lan vital"])
@pytest.mark.parametrize("width", range(7))
def test_what_is_fitted_has_the_width_asked_for(text: str, width: int) -> None:
    fitted = fit(text, width, more="~")
    assert cell_len(fitted) == width
    if cell_len(text) <= width:
        assert fitted == text + " " * (width - cell_len(text))
    elif width > 1:
        assert fitted.endswith("~")
        assert text.startswith(fitted[:-1].rstrip())
    assert width_of([(text, "ink"), (fitted, "dim")]) == cell_len(text) + width
    assert len(by_cells(text)) == cell_len(text)
    assert "".join(by_cells(text)) == text


def test_marks_before_any_character_take_no_cell() -> None:
    assert by_cells("\u0301a") == ["a"]


@pytest.mark.parametrize("text", ["µ…±·→►◄─│●┌┐└┘├┤┬┴┼", "Ångström 方 ﬁ ½ €"])
def test_plain_characters_take_as_many_cells(text: str) -> None:
    plain = as_ascii(text)
    assert plain.isascii()
    assert cell_len(plain) == cell_len(text)


@pytest.mark.parametrize(
    ("value_s", "words"),
    [
        (3599.9995, "1:00:00.000"),
        (3599.9994, "59:59.999"),
        (60, "1:00.000"),
        (59.9996, "1:00.000"),
        (-0.0004, "-0:00.000"),
        (-3600.5, "-1:00:00.500"),
        (36_000, "10:00:00.000"),
    ],
)
def test_times_of_a_session(value_s: float, words: str) -> None:
    assert clock_time(value_s) == words


@pytest.mark.parametrize(
    ("value_s", "words"),
    [(-0.005, "-5.00 ms"), (-0.0005, "-500 µs"), (7322, "2 h 02 min"), (0.0123, "12.3 ms"), (125.9, "2 min 05 s")],
)
def test_lengths_of_time(value_s: float, words: str) -> None:
    assert duration(value_s) == words


def test_small_ratios_keep_three_digits() -> None:
    assert [percent(one) for one in (0.999999, 0.12345, 1e-9)] == ["100 %", "12.3 %", "0.0000001 %"]
    assert line_words(LineSettings(baud=250_000)) == "250000 8E2 inverted"


@pytest.mark.parametrize(
    ("width", "text"),
    [
        (20, "left part      right"),
        (15, "left part right"),
        (14, "left pa… right"),
        (10, "lef… right"),
        (8, "l… right"),
        (7, "l right"),
        (6, " right"),
    ],
)
def test_the_left_part_is_cut_first(width: int, text: str) -> None:
    line = apart([("left ", "ink"), ("part", "dim")], [("right", "warn")], width)
    assert "".join(part for part, _ in line) == text
    assert width_of(line) == width


def test_neighbours_of_one_style_are_joined() -> None:
    assert joined([("a", "x"), ("b", "x"), ("c", "y"), ("d", "x")]) == [("ab", "x"), ("c", "y"), ("d", "x")]
    assert joined([]) == []


@pytest.mark.parametrize(("place", "cell"), [(-5, 0), (10, 0), (19, 0), (20, 1), (109, 9), (110, 9), (999, 9)])
def test_the_column_of_a_place(place: int, cell: int) -> None:
    assert cell_of(place, 10, 110, 10) == cell
    assert cell_of(10, 10, 10, 10) == 0


def test_rows_that_begin_with_what_is_typed_are_found_apart_from_those_that_hold_it() -> None:
    choice = Choice("id", "port      /dev/ttyUSB0   Serial Adapter")
    assert choice.matches([])
    assert choice.matches(["usb", "adap"])
    assert not choice.matches(["usb", "none"])
    assert choice.begins(["port", "ser"])
    assert not choice.begins(["usb"])
    assert not choice.begins(["port", "usb"])


def test_keys_are_named_for_people() -> None:
    named = {command.action: command.key_words for command in COMMANDS}
    assert (named["help"], named["zoom(1)"], named["seek(-10)"], named["shade"]) == ("? or F1", ".", "page up", "")
    assert Command("plus,minus", "", "", "").key_words == "+ or -"


def test_the_menu_has_keys_of_the_view_then_views_then_what_works_everywhere() -> None:
    pairs = [
        ("1-8", "view"),
        ("enter", "large"),
        ("space", "play"),
        ("up down", "channel"),
        ("any key", "stops"),
        ("- +", "pace"),
    ]
    menu = Menu("Channels", pairs, is_ascii=False)
    offered: list[Choice] = []
    with mock.patch.object(menu, "prepare"), mock.patch.object(menu, "offer", side_effect=offered.extend):
        menu.on_mount()
    ids = [one.id for one in offered]
    assert ids[:3] == [f"{PRESS}enter", f"{PRESS}up", f"{PRESS}down"]
    assert ids[3 : 3 + len(VIEWS)] == [f"{ACT}view({at})" for at in range(len(VIEWS))]
    assert ids[3 + len(VIEWS) :] == list(dict.fromkeys(ACT + one.action for one in COMMANDS))
    texts = {one.id: one.text for one in offered}
    assert texts[f"{PRESS}enter"] == f"{'enter':<12} {'Large':<17} in Channels"
    assert texts[f"{ACT}view(1)"] == f"{'2':<12} {'Timing':<17} {VIEWS[1].text}"
    assert texts[f"{ACT}help"].startswith(f"{'? or F1':<12} {'Help':<17} explains")


def test_the_help_is_searched_in_part_name_and_sentence_and_in_lines_of_the_reference() -> None:
    whole, parts = help_rows("", is_ascii=False, width=80)
    assert list(parts) == [*FIGURES, "Keys", *TOPICS]
    for title, at in parts.items():
        assert whole[at] == [(f" {title}" if title not in TOPICS else f" busbench help {title}", "head")]
        assert at == 0 or whole[at - 1] == [("", "ink")]
    rows, found = help_rows("outages /", is_ascii=True, width=80)
    texts = [line[0] for line in rows]
    assert (" Outages", "head") in texts
    assert (" /", "title") in texts
    assert all(style in ("head", "title", "ink") for _, style in texts)
    assert next(iter(found)) == "Outages"
    rows, found = help_rows("zzz", is_ascii=False, width=80)
    assert (rows, found) == ([], {})
    for width, longest in ((10, 20), (60, 60), (300, 100)):
        rows, found = help_rows("", is_ascii=False, width=width)
        sentences = [line[0][0] for line in rows[: found["Keys"]] if line[0][0].startswith("     ")]
        assert max(map(cell_len, sentences)) <= longest + (5 if width == 10 else 0)
        assert max(map(cell_len, sentences)) >= longest - 12


def test_the_help_scrolls_from_its_first_line_to_its_last_and_opens_at_a_part() -> None:
    widget = HelpLines(AppState(choose("dark")), part="Timing")
    first = widget.lines(80, 10)
    assert first[0] == [(" Timing", "head")]
    rows, parts = help_rows("", is_ascii=False, width=80)
    widget.top = 10**6
    assert widget.lines(80, 10) == rows[-10:]
    widget.top = -5
    assert widget.lines(80, 10) == rows[:10]
    widget.top = parts["Timing"] + 2
    assert widget.lines(80, 10) == rows[widget.top : widget.top + 10]
    widget.needle = "jitter"
    found = widget.lines(80, 10)
    assert widget.top == 0
    assert found == help_rows("jitter", is_ascii=False, width=80)[0][:10]
    widget.needle = "zzz"
    assert widget.lines(80, 10) == [[(" nothing in the help has all these words", "warn")]]
    assert HelpLines(AppState(choose("dark")), part="nothing").lines(80, 5) == rows[:5]


def test_a_view_without_what_it_needs_says_what_it_is_for() -> None:
    lines = empty_lines("Rig", "a need", 60)
    assert [line[0] for line in lines] == [
        (" Rig: the plan as a tree with voltage and current.", "title"),
        ("", "ink"),
        (" a need", "warn"),
    ]
    more = empty_lines("Rig", NEEDS_PLAN, 60)
    assert more[-1][0][1] == "dim"
    assert " ".join(line[0][0].strip() for line in more).endswith("s lists those nearby.")


class Lines(LineWidget):
    """Lines that a test gives, and what of them is sent."""

    def __init__(self, ui: AppState) -> None:
        super().__init__(ui)
        self.given: list[Line] = []
        self.sent: list[tuple[int, int]] = []
        self.turned: list[int] = []

    size = SimpleNamespace(width=10, height=4)  # type: ignore[assignment]

    def lines(self, width: int, height: int) -> list[Line]:
        return self.given

    def refresh(self, *regions: Region, **_: object) -> Lines:
        self.sent += [(region.y, region.height) for region in regions]
        assert all((region.x, region.width) == (0, 10) for region in regions)
        return self

    def wheel(self, rows: int) -> None:
        self.turned.append(rows)


def test_changed_lines_alone_are_sent_and_neighbours_together(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Lines, "size", property(lambda self: self.cells), raising=False)
    monkeypatch.setattr(Lines, "cells", Size(10, 4), raising=False)
    widget = Lines(AppState(choose("dark"), session=SimpleNamespace()))  # type: ignore[arg-type]
    rows = {name: [(name * 3, "ink")] for name in "abcdefgh"}
    for given, sent in (
        ("abcd", [(0, 4)]),
        ("abcd", []),
        ("abed", [(2, 1)]),
        ("fbeg", [(0, 1), (3, 1)]),
        ("fb", [(2, 2)]),
        ("fbcdefgh", [(2, 2)]),
        ("bc", [(0, 4)]),
        ("", [(0, 2)]),
    ):
        widget.sent = []
        widget.given = [rows[name] for name in given]
        widget.redraw()
        assert widget.sent == sent, given
    widget.given = [rows["a"]]
    for cells, session in ((Size(0, 4), True), (Size(10, 0), True), (Size(10, 4), False)):
        widget.sent = []
        monkeypatch.setattr(Lines, "cells", cells)
        widget.ui.session = SimpleNamespace() if session else None  # type: ignore[assignment]
        widget.redraw()
        assert widget.sent == []


def test_the_last_action_drawn_on_a_cell_is_the_one_that_a_click_does() -> None:
    widget = Lines(AppState(choose("dark")))
    done: list[object] = []
    widget.area(1, 2, 8, done.append)
    widget.spot(1, 4, 6, lambda: done.append("spot"))
    for x, y in ((1, 1), (2, 1), (3, 1), (4, 1), (5, 1), (6, 1), (7, 1), (8, 1), (4, 0), (4, 2)):
        widget.click(x, y)
    assert done == [2, 3, "spot", "spot", 6, 7]
    event = SimpleNamespace(stop=lambda: None)
    widget.on_mouse_scroll_down(event)  # type: ignore[arg-type]
    widget.on_mouse_scroll_up(event)  # type: ignore[arg-type]
    assert widget.turned == [WHEEL_ROWS, -WHEEL_ROWS]
