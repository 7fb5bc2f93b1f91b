"""Every view, dialog and phase of the terminal UI, seen once in each mode and kept for all tests that look at them."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from rich.color import Color, ColorType
from rich.segment import Segment

from busbench.capture.open import open_capture
from busbench.rig.load import read_rig
from busbench.tui.app import BenchApp
from busbench.tui.opening import rig_names
from busbench.tui.palette import Shade
from busbench.tui.replay import ReplaySession
from busbench.tui.session import Session
from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import shown
from tests.tui.test_driving import NO_MOTOR

NAMES = {"left aileron": "linkes Quer\u0065\u0301ruder", "rudder": "方向舵", "tow release": "Löse [b]haken[/b]"}
RECORDING = "1 2 3 n u 4 5 6 7 8 ? escape ctrl+p escape m escape s down escape"
REHEARSAL = "1 5 enter enter a 6 enter enter y n k 7 enter enter space 8 left left"


@dataclass(frozen=True)
class Mode:
    """How the program is started.

    Args:
        size: columns and lines.
        environ: names and values as pairs.
        is_ascii, shade: options.
    """

    size: tuple[int, int] = (80, 24)
    environ: tuple[tuple[str, str], ...] = ()
    is_ascii: bool = False
    shade: Shade = "dark"


_seen: dict[Mode, Mapping[str, list[Segment]]] = {}


async def all_screens(mode: Mode, folder: Path) -> Mapping[str, list[Segment]]:
    """What is sent of each screen, by the keys that lead to it; of the Heron with names in letters of other languages.

    Args:
        mode: how the program is started.
        folder: of the test.
    """
    if mode not in _seen:
        with mock.patch.dict(os.environ, dict(mode.environ)):
            _seen[mode] = await _look(mode, _named_rig(folder))
    return _seen[mode]


def segments(app: BenchApp) -> list[Segment]:
    """All that is sent of a screen, a line end after each line."""
    return [one for strip in app.screen._compositor.render_strips() for one in (*strip, Segment("\n"))]


def text_in(screen: list[Segment]) -> str:
    """What is on it."""
    return "".join(one.text for one in screen)


def colours(screen: list[Segment]) -> set[Color]:
    """All that are seen on it, the terminal's own ones apart."""
    styled = [(one.text, one.style) for one in screen if one.style]
    seen = {style.bgcolor for _, style in styled} | {style.color for text, style in styled if text.strip()}
    return {colour for colour in seen if colour is not None and colour.type is not ColorType.DEFAULT}


def _named_rig(folder: Path) -> Path:
    text = (CAPTURES / "heron.toml").read_text(encoding="utf-8")
    for old, new in NAMES.items():
        text = text.replace(f'"{old}"', f'"{new}"')
    path = folder / "named.toml"
    path.write_text(text, encoding="utf-8")
    return path


async def _look(mode: Mode, rig: Path) -> Mapping[str, list[Segment]]:
    plan = read_rig(rig)
    replay = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")), names=rig_names(plan), scale=plan.scale)
    live = Live("virtual:?period=15ms&lost=0.2:0.1", names=rig_names(plan)).pass_s(1.0)
    both: tuple[tuple[Session, str], ...] = (replay, RECORDING), (live, REHEARSAL)
    found = {}
    with contextlib.chdir(rig.parent):  # what is recorded lies beside the plan
        for session, keys in both:
            async with shown(session, mode.size, rig=rig, is_ascii=mode.is_ascii, shade=mode.shade) as (app, pilot):
                app.ui.sources = NO_MOTOR
                for at, key in enumerate(keys.split()):
                    await pilot.press(key)
                    await app.workers.wait_for_complete()
                    for ticks in (1, 20, 100) if app.ui.mover is not None else (1,):
                        for _ in range(ticks):
                            if app.ui.mover is not None:
                                app.ui.mover.tick(0.25)
                        app.draw()
                        found[f"{at + 1} keys of {keys}, {ticks} ticks"] = segments(app)
    return found
