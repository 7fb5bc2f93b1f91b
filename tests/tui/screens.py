"""Screens as text, compared with files; BUSBENCH_SNAPSHOTS=write makes the files again."""

from __future__ import annotations

import os
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from textual.pilot import Pilot

from busbench.errors import BusbenchError
from busbench.rig.load import read_rig
from busbench.sim.aircraft_faults import parse_fault
from busbench.tui.app import BenchApp
from busbench.tui.main import make_app
from busbench.tui.opening import Opened
from busbench.tui.palette import Shade
from busbench.tui.session import Session

SNAPSHOTS = Path(__file__).parent / "snapshots"
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


def check(name: str, text: str) -> None:
    """Compare a screen with its file; how many views and checks there are is no matter."""
    text = _CHECKS.sub("N", _VIEWS.sub("1-n view", text))
    path = SNAPSHOTS / f"{name}.txt"
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8"), f"{path.name} is another: write it again if that is meant"
