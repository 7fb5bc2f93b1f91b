"""The keys that each view names in each state, kept in snapshots/keys.txt, and what clicks on them press."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from busbench.drive.surface_check import Word
from busbench.tui.app_state import AppState
from busbench.tui.driving import DrivePhase
from busbench.tui.palette import choose
from busbench.tui.screens import VIEWS
from busbench.tui.screens.base import BenchView
from busbench.tui.screens.channels import ChannelsView
from busbench.tui.screens.drive import DriveView
from busbench.tui.screens.outages import OutagesView
from busbench.tui.screens.verify import VerifyView
from busbench.tui.screens.walk import WalkView
from busbench.tui.widgets.driving import DriveLines
from busbench.tui.widgets.frame import Keys, Tabs
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.verify import VerifyLines
from busbench.tui.widgets.walk import WalkLines
from tests.tui.filled import HALTED, PLAN, checked, driven, guided, walked
from tests.tui.ports import Live
from tests.tui.screens import SNAPSHOTS
from tests.tui.test_drawn import STATES, state

KEPT = SNAPSHOTS / "keys.txt"


def view_of(ui: AppState, name: str) -> BenchView:
    """A view without a screen around it."""
    return next(view for view in VIEWS if view.name == name).load()(ui)


def told(view: BenchView) -> str:
    """Its keys, and what else the app asks of it."""
    pairs = view.keys()
    keys = "  ".join(f"{key} {word}" for key, word in pairs)
    more = [word for word, holds in (("fast", view.is_fast), ("busy", view.is_busy)) if holds]
    return f"{keys}{''.join(f' ({word})' for word in more)}{''.join(f' ! {one}' for one in view.unkept)}"


def sessions(folder: Path) -> Iterator[tuple[str, AppState]]:
    """Sessions in states that change what keys there are."""
    yield "no source", AppState(choose("dark"))
    yield "live", state(Live("virtual:?period=7ms").pass_s(1))
    recorded = Live("virtual:?period=7ms&gaps=0.5:0.2")
    recorded.session.start_recording(str(folder / "a.pcapng"))
    yield "live with outages, recorded", state(recorded.pass_s(1.5))
    recorded.session.close()
    yield "live, frozen", STATES["frozen"](folder)
    for is_moving, cuts in ((True, 0), (False, 1), (False, 2)):
        ui = STATES["in a gap"](folder)
        ui.needs.is_moving = is_moving
        for is_end in (True, False)[:cuts]:
            ui.needs.set_cut(is_end=is_end)
            ui.needs.seek_by(-1)
        ui.needs.is_moving = is_moving
        yield f"recording, {'playing' if is_moving else 'paused'}, {cuts} ends of a cut", ui
    empty = STATES["in a gap"](folder)
    empty.needs.end = empty.needs.start
    yield "recording without a length", empty


def views(folder: Path) -> Iterator[tuple[str, BenchView]]:
    """Views in states that change what keys there are."""
    for name, ui in sessions(folder):
        for view in VIEWS if name in ("live", "recording, paused, 2 ends of a cut") else VIEWS[:4]:
            yield f"{view.name}, {name}", view_of(ui, view.name)
    ui = state(Live("virtual:?period=7ms&gaps=0.5:0.2").pass_s(1))
    channels = view_of(ui, "Channels")
    assert isinstance(channels, ChannelsView)
    for is_large, others, has_cursor in ((True, [], False), (True, [0], True), (True, [3], True)):
        channels._lines.is_large, channels._lines.others = is_large, others
        if has_cursor is (channels._lines.cursor_a is None):
            channels._lines.toggle_cursor()
        yield f"Channels, large, {others} over it, {'two cursors' if has_cursor else 'a cursor'}", channels
    ui.settings.keep(one_scale=True)
    yield "Channels, large, on one scale", channels
    outages = view_of(ui, "Outages")
    assert isinstance(outages, OutagesView)
    outages._lines.shows_frames, ui.listed.kind, ui.listed.text = True, "gap", ">50ms"
    yield "Outages, bytes, filtered", outages
    ui.rig = PLAN
    yield "Rig, with a plan", view_of(ui, "Rig")
    yield from sequences(folder)


def sequences(folder: Path) -> Iterator[tuple[str, BenchView]]:
    """Check, walk and drive as far as they can come."""
    for name, check in (
        ("before", guided()),
        ("ready at the first", guided(Word.GO, 6.0, Word.BACK, Word.BACK)),
        ("ready", guided(Word.SKIP)),
        ("listening", guided(Word.GO, 1.0)),
        ("returning", guided(Word.SKIP, Word.GO, 6.0, is_real=True)),
        ("over", guided(Word.SKIP, Word.END)),
        ("of a recording", checked()),
    ):
        lines = check(folder)
        assert isinstance(lines, VerifyLines)
        verify = view_of(lines.ui, "Verify")
        assert isinstance(verify, VerifyView)
        verify._lines = lines
        yield f"Verify, {name}", verify
    for name, walk in (
        ("before", walked()),
        ("counting", walked(Word.GO, 1.0)),
        ("moving", walked(Word.GO, 4.0)),
        ("ready", walked(Word.SKIP, Word.BACK)),
        ("asking", walked(*HALTED)),
        ("in review", walked(Word.SKIP, Word.SKIP)),
        ("over", walked(Word.SKIP, Word.SKIP, Word.END)),
        ("rehearsed, asking", walked(*HALTED, is_rehearsal=True)),
    ):
        (folder / "small.walk.json").unlink(missing_ok=True)
        shown = walk(folder)
        assert isinstance(shown, WalkLines)
        view = view_of(shown.ui, "Walk")
        assert isinstance(view, WalkView)
        view.walking, view._lines = shown.walking, shown
        if "rehearsed" in name:
            view.walking.path = None
        yield f"Walk, {name}", view
        if name == "before":
            shown.ui.is_armed = False
            yield "Walk, not armed", view
    for phase in DrivePhase:
        body = driven(phase)(folder)
        assert isinstance(body, DriveLines)
        drive = view_of(body.ui, "Drive")
        assert isinstance(drive, DriveView)
        drive.drive = body.drive
        yield f"Drive, {phase.value}", drive
    assert isinstance(body, DriveLines)
    body.drive.stop()
    body.ui.is_armed = False
    yield "Drive, not armed and stopping", drive


def test_keys_of_all_views_in_all_states(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    lines, used = [], {}
    for name, view in views(tmp_path):
        lines.append(f"{name}: {told(view)}".replace(str(tmp_path), "FOLDER"))
        used[id(view.ui)] = view.ui
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        KEPT.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    assert lines == KEPT.read_text(encoding="utf-8").splitlines()
    for ui in used.values():
        if ui.session is not None:
            ui.session.close()


class NoApp:
    """Notes the keys that clicks press."""

    def __init__(self) -> None:
        self.pressed: list[str] = []

    def simulate_key(self, key: str) -> None:
        self.pressed.append(key)


def line_of(widget: LineWidget, width: int) -> tuple[str, list[str]]:
    """The text of a widget of one line, and what a click on each of its cells presses."""
    app = NoApp()
    widget.__class__ = type(widget.__class__.__name__, (widget.__class__,), {"app": app})
    widget._spots = []
    (line,) = widget.lines(width, 1)
    pressed = []
    for x in range(width):
        app.pressed = []
        widget.click(x, 0)
        pressed.append(" ".join(app.pressed) or "-")
        widget.click(x, 1)
        assert app.pressed in ([], pressed[-1:])
    return "".join(text for text, _ in line), pressed


PAIRS = [("space", "play"), ("- +", "pace"), (". ,", "zoom"), ("ctrl+p", "menu"), ("?", "help"), ("q", "quit")]
FEWER = [
    " space play  - + pace  . , zoom  ctrl+p menu  ? help  q quit",
    " space play  - + pace  ctrl+p menu  ? help  q quit",
    " space play  ctrl+p menu  ? help  q quit",
    " ctrl+p menu  ? help  q quit",
    " ctrl+p menu  ? help",
    " ctrl+p menu",
    "",
]


def test_keys_without_room_are_dropped_and_menu_help_and_quit_last() -> None:
    ui = AppState(choose("dark"))
    for width in range(3, 80):
        text, _ = line_of(Keys(ui, lambda: PAIRS), width)
        assert text.rstrip() == next(one for one in FEWER if len(one) < width), width


def runs_of(pressed: list[str]) -> list[tuple[str, int, int]]:
    """What cells press, in runs of neighbours: the key, the first cell, and the end."""
    starts = [at for at in range(len(pressed)) if not at or pressed[at] != pressed[at - 1]]
    runs = zip(starts, [*starts[1:], len(pressed)], strict=True)
    return [(pressed[first], first, end) for first, end in runs if pressed[first] != "-"]


def test_a_click_presses_the_key_named_there_and_of_two_the_word_is_the_second() -> None:
    ui = AppState(choose("dark"))
    text, pressed = line_of(Keys(ui, lambda: PAIRS), 80)
    assert [(key, text[first:end]) for key, first, end in runs_of(pressed)] == [
        ("space", "space play"),
        ("minus", "- "),
        ("plus", "+ pace"),
        ("full_stop", ". "),
        ("comma", ", zoom"),
        ("ctrl+p", "ctrl+p menu"),
        ("question_mark", "? help"),
        ("q", "q quit"),
    ]
    text, pressed = line_of(Keys(ui, lambda: [("any key", "STOPS")]), 80)
    assert [(key, text[first:end]) for key, first, end in runs_of(pressed)] == [("space", "any key STOPS")]


@pytest.mark.parametrize("at", range(len(VIEWS)))
def test_tabs_have_names_where_all_have_room_and_a_click_presses_their_key(at: int) -> None:
    ui = AppState(choose("dark"))
    words = [f"[{one.key} {one.name}]" if one is VIEWS[at] else f" {one.key} {one.name}" for one in VIEWS]
    whole = "".join(words[: at + 1]) + "".join(words[at + 1 :]).removeprefix(" ")
    bare = [f"[{one.key} {one.name}]" if one is VIEWS[at] else f" {one.key}" for one in VIEWS]
    keys = "".join(bare[: at + 1]) + "".join(bare[at + 1 :]).removeprefix(" ")
    for width in range(len(whole) - 2, len(whole) + 3):
        text, pressed = line_of(Tabs(ui, VIEWS[at]), width)
        assert text == (whole if width >= len(whole) else keys)
        parts = [text[first:end].strip() for key, first, end in runs_of(pressed) if key != VIEWS[at].key]
        names = [f"{one.key} {one.name}" if text == whole else one.key for one in VIEWS if one is not VIEWS[at]]
        assert parts == names
