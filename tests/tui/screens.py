"""Screens compared with files; BUSBENCH_SNAPSHOTS=write makes the files again.

What is on a screen is kept as text. `drawn.json` holds a checksum of what each of its widgets draws, with styles, in
the room it has and in more and less of it: where one differs, the failure prints what is drawn now.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from zlib import crc32

from rich.cells import cell_len
from textual.pilot import Pilot

from busbench.errors import BusbenchError
from busbench.rig.load import read_rig
from busbench.sim.aircraft_faults import parse_fault
from busbench.tui.app import BenchApp
from busbench.tui.main import make_app
from busbench.tui.opening import Opened
from busbench.tui.palette import Shade
from busbench.tui.session import Session
from busbench.tui.text import Line
from busbench.tui.widgets.line_widget import LineWidget

SNAPSHOTS = Path(__file__).parent / "snapshots"
DRAWN = Path(__file__).parent / "drawn.json"
ROOMS = ((61, 9), (79, 16), (101, 27), (139, 34), (200, 57))
_VIEWS = re.compile(r"1-\d view")
_CHECKS = re.compile(r"\d+(?= passed| checks \()")
SIZES = ((80, 24), (120, 40), (160, 48))


def no_opener(source: str, rig_path: str) -> Opened:
    raise BusbenchError(f"{source}: nothing can be opened here")


@asynccontextmanager
async def shown(
    session: Session | None,
    size: tuple[int, int] = (80, 24),
    *,
    keys: str = "",
    is_ascii: bool = False,
    rig: Path | None = None,
    is_armed: bool = False,
    faults: tuple[str, ...] = (),
    shade: Shade = "dark",
) -> AsyncIterator[tuple[BenchApp, Pilot[None]]]:
    """The app on a session, its time stopped: a test gives the ticks."""
    opened = None
    if session is not None:
        plan, path = (None, "") if rig is None else (read_rig(rig), rig.name)
        opened = Opened(session, plan, path, faults=tuple(map(parse_fault, faults)))
    app = make_app(opened, opener=no_opener, is_ascii=is_ascii, shade=shade, is_timed=False, is_armed=is_armed)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        if keys:
            await pilot.press(*keys.split())
        app.draw()
        await pilot.pause()
        yield app, pilot
    if session is not None:
        session.close()


def text_of(app: BenchApp) -> str:
    """What is on the screen."""
    strips = app.screen._compositor.render_strips()
    return "".join(strip.text.rstrip() + "\n" for strip in strips)


def check(name: str, app: BenchApp) -> str:
    """Compare a screen and what its widgets draw with what is kept; how many views and checks there are is no matter.

    Returns:
        The text of the screen.
    """
    shown_text = text_of(app)
    text = _CHECKS.sub("N", _VIEWS.sub("1-n view", shown_text))
    path = SNAPSHOTS / f"{name}.txt"
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8"), f"{path.name} is another: write it again if that is meant"
    widgets = [widget for widget in app.screen.query(LineWidget) if widget.size.area]
    check_drawn(f"{name} ", {f"{name} {type(widget).__name__}": _drawn(widget) for widget in widgets})
    return shown_text


def check_drawn(start: str, drawn: dict[str, str]) -> None:
    """Compare what widgets draw with the checksums kept.

    Args:
        start: of all names that belong to one state.
        drawn: what each widget draws, by name.
    """
    drawn = {what: _CHECKS.sub("N", _VIEWS.sub("1-n view", lines)) for what, lines in drawn.items()}
    sums = {what: crc32(lines.encode()) for what, lines in drawn.items()}
    kept: dict[str, int] = json.loads(DRAWN.read_text(encoding="utf-8"))
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        kept = {what: one for what, one in kept.items() if not what.startswith(start)} | sums
        DRAWN.write_text(json.dumps(dict(sorted(kept.items())), indent=0) + "\n", encoding="utf-8")
    other = next((what for what in sums if kept.get(what) != sums[what]), "")
    assert not other, f"{other} is another: write it again if that is meant\n{drawn[other]}"


def check_room(lines: Iterable[Line], width: int, height: int, *, least: int) -> None:
    """No line is wider than its room, where that has at least so many cells."""
    texts = ["".join(text for text, _ in line).rstrip() for line in lines]
    assert not [text for text in texts if cell_len(text) > width >= least], f"in {width}x{height}"


def styled(lines: Iterable[Line], head: str) -> str:
    """Lines as text, with the styles of their parts between angle brackets."""
    return "\n".join([head, *("".join(f"<{style}>{text}" for text, style in line) for line in lines)])


def _drawn(widget: LineWidget) -> str:
    """What a widget draws in the room it has and in others."""
    rooms = dict.fromkeys([tuple(widget.size), *ROOMS])
    drawn = [styled(widget.lines(width, height)[:height], f"in {width}x{height}") for width, height in rooms]
    widget.redraw()
    return "\n".join(drawn)
