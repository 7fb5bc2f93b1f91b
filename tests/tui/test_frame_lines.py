"""The lines above and below every view, in each width: state, timeline, place and message.

What is drawn is kept in `drawn.json`, as screens.py says.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busbench.capture.open import open_capture
from busbench.model import NO_CLOCK
from busbench.tui.app_state import AppState
from busbench.tui.draw import ASCII
from busbench.tui.palette import choose
from busbench.tui.replay import ReplaySession
from busbench.tui.widgets.frame import Small, StateLine, Timeline, Transport, strip
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.window import timeline_window
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import check_drawn, check_room, styled
from tests.tui.test_drawn import STATES, state
from tests.tui.test_plain_figures import session_of

SAID = "wrote a-file-in-the-folder-of-the-heron.pcapng (1,234 frames), and reported so in more words than a line holds"


def recorded(folder: Path) -> AppState:
    """A recording runs for a minute and more."""
    live = Live("virtual:?period=7ms&lost=1:0.2")
    live.session.start_recording(str(folder / "a.pcapng"))
    session = live.pass_s(65.0)
    session._size, session._sized_ns = 1_249_999, session.now()  # of the file, which depends on when this runs
    session.notice = ""
    return state(session)


def half_cut(folder: Path) -> AppState:
    """A cut has its end alone, and what is played is far from its start."""
    ui = STATES["in a gap"](folder)
    ui.needs.set_cut(is_end=True)
    ui.needs.seek_by(-2.5)
    ui.needs.pace, ui.needs.is_moving = 0.2, True
    return ui


def half_read(folder: Path) -> AppState:
    """A recording is read still."""
    ui = STATES["in a gap"](folder)
    assert isinstance(ui.session, ReplaySession)
    ui.session.is_loaded = False
    return ui


def unread(folder: Path) -> AppState:
    """Nothing of a recording is read yet."""
    del folder
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    session.source = "heron-flight.pcapng"
    return AppState(choose("dark"), session=session)


def zoomed(folder: Path) -> AppState:
    """Single frames are seen on the timeline."""
    ui = STATES["at an outage"](folder)
    for _ in range(9):
        ui.zoom_by(1)
    return ui


EVERY = {
    **STATES,
    "recorded": recorded,
    "half cut": half_cut,
    "half read": half_read,
    "unread": unread,
    "zoomed": zoomed,
}


def drawn_in(widget: LineWidget, widths: range, heights: range) -> str:
    """A widget in some widths and heights; what it draws keeps to its room."""
    out = []
    for width in widths:
        for height in heights:
            lines = widget.lines(width, height)
            out.append(styled(lines, f"in {width}x{height}"))
            check_room(lines, width, height, least=60)
    return "\n".join(out)


@pytest.mark.parametrize("name", EVERY)
def test_lines_around_a_view_in_every_width(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CAPTURES)  # so that no path is drawn
    ui = EVERY[name](tmp_path)
    drawn = [
        drawn_in(StateLine(ui), range(40, 140), range(2, 3)),
        drawn_in(Timeline(ui), range(60, 140, 9), range(1, 2)),
    ]
    for said, has_timeline in ((ui.said, False), ("", True), (SAID, False), ("brief", True)):
        ui.said = said
        widget = Transport(ui)
        widget.has_timeline = has_timeline
        drawn.append(drawn_in(widget, range(44, 110), range(1, 2)))
        drawn.append(drawn_in(widget, range(60, 120, 15), range(2, 5)))
        drawn.append(str([widget.rows(width) for width in range(44, 110)]))
    check_drawn(f"{name}, around", {f"{name}, around": "\n".join(drawn)})
    for session in (ui.needs, *ui.beside):
        session.close()


@pytest.mark.parametrize(
    ("width", "height", "above", "texts"),
    [
        (60, 4, 1, ["the window is too small: at least 60x16", "q leaves"]),
        (39, 5, 1, ["the window is too small: at least 60x16", "q leaves"]),
        (38, 5, 1, ["the window is too small: at least", "60x16", "q leaves"]),
        (20, 8, 2, ["the window is too", "small: at least", "60x16", "q leaves"]),
        (20, 2, 0, ["the window is too", "small: at least", "60x16", "q leaves"]),
    ],
)
def test_a_window_too_small_says_so_in_its_middle(width: int, height: int, above: int, texts: list[str]) -> None:
    lines = Small(AppState(choose("dark"))).lines(width, height)
    assert lines == [[]] * above + [[(text.center(width), "warn")] for text in texts]


HOURS_NS = 3600 * 1_000_000_000


def hours_on(folder: Path) -> AppState:
    """Twelve hours into a recording, with a cut."""
    ui = STATES["marked and cut"](folder)
    ui.needs.start -= 12 * HOURS_NS
    ui.said, ui.needs.pace = "", 0.2
    return ui


def played(folder: Path) -> AppState:
    """The same while it plays."""
    ui = hours_on(folder)
    ui.needs.is_moving = True
    return ui


def at_its_end(folder: Path) -> AppState:
    """The same at its end."""
    ui = hours_on(folder)
    ui.needs.place = ui.needs.end
    return ui


def frozen(folder: Path) -> AppState:
    """Twelve hours of a port, with a cut that has no start."""
    ui = STATES["frozen"](folder)
    ui.needs.start -= 12 * HOURS_NS
    ui.needs.set_cut(is_end=True)
    return ui


def followed(folder: Path) -> AppState:
    """The same while it is followed, with a cut that has no end."""
    ui = STATES["frozen"](folder)
    ui.needs.start -= 12 * HOURS_NS
    ui.needs.set_cut(is_end=False)
    ui.needs.place, ui.needs.is_moving = ui.needs.end, True
    return ui


def millions(folder: Path) -> AppState:
    """A million frames without times, with a cut."""
    ui = STATES["without times"](folder)
    ui.needs.end, ui.needs.place = 1_234_999, 1_234_567
    ui.needs.cut_in, ui.needs.cut_out = 1_034_567, 1_134_567
    return ui


CUT = "cut [12:00:11.900 to 12:00:13.000]"
FRAMES_CUT = "cut [frame 1,034,567 to frame 1,134,567]"


@pytest.mark.parametrize(
    ("make", "forms"),
    [
        (
            hours_on,
            [
                f"paused (0.2x)  12:00:11.900 of 12:01:19.995  {CUT}",
                f"paused (0.2x)  12:00:11.900  {CUT}",
                f"paused  12:00:11.900  {CUT}",
            ],
        ),
        (
            played,
            [
                f"play 0.2x  12:00:11.900 of 12:01:19.995  {CUT}",
                f"play 0.2x  12:00:11.900  {CUT}",
                f"play  12:00:11.900  {CUT}",
            ],
        ),
        (at_its_end, [f"at the end  12:01:19.995 of 12:01:19.995  {CUT}", f"at the end  12:01:19.995  {CUT}"]),
        (
            millions,
            [
                f"paused (1x)  frame 1,234,567 of frame 1,234,999  {FRAMES_CUT}",
                f"paused (1x)  frame 1,234,567  {FRAMES_CUT}",
                f"paused  frame 1,234,567  {FRAMES_CUT}",
            ],
        ),
        (
            frozen,
            [
                "FROZEN at 12:00:01.998, 497.0 ms ago  cut [? to 12:00:01.998]",
                "FROZEN at 12:00:01.998  cut [? to 12:00:01.998]",
            ],
        ),
        (followed, ["live 12:00:02.495  cut [12:00:01.998 to ?]"]),
    ],
)
def test_a_place_without_room_is_said_in_fewer_words(
    make: Callable[[Path], AppState], forms: list[str], tmp_path: Path
) -> None:
    ui = make(tmp_path)
    ui.glyphs = ASCII
    for width in range(30, 100):
        (line,) = Transport(ui).lines(width, 1)
        wanted = next((form for form in forms if len(form) < width), f"{forms[-1][: width - 2]}~")
        assert "".join(text for text, _ in line) == f" {wanted}", width
    ui.needs.close()


@pytest.mark.parametrize("make", [hours_on, frozen, STATES["in sync"], STATES["without times"]])
def test_a_short_message_is_whole_in_every_width(make: Callable[[Path], AppState], tmp_path: Path) -> None:
    ui = make(tmp_path)
    for said in ("saved", "mark set", "mouse: on"):
        ui.said = said
        for width in range(30, 110):
            widget = Transport(ui)
            texts = ["".join(text for text, _ in line) for line in widget.lines(width, widget.rows(width))]
            assert sum(said in text for text in texts) == 1, (said, width)
    ui.needs.close()


def test_single_frames_are_seen_where_each_has_two_cells() -> None:
    session = session_of(NO_CLOCK)
    session.seek(200)
    ui = AppState(choose("dark"), session=session, glyphs=ASCII, zooms={"": 0})
    lo, hi = timeline_window(session, ui.zoom)
    assert hi - lo == 24
    for width, frames in ((48, "|" * 24), (47, "")):
        text = "".join(text for text, _ in strip(ui, width))
        assert text[::2].startswith(frames)
        assert text.count("|") == len(frames)
