"""One factory for the app, for people and for tests."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from busbench.errors import plain
from busbench.tui import palette
from busbench.tui.app import BenchApp
from busbench.tui.draw import ASCII, UNICODE
from busbench.tui.live import LiveSession
from busbench.tui.session import Session
from busbench.tui.ui import Ui

if TYPE_CHECKING:
    from busbench.drive.program import Program
    from busbench.rig.fault import Fault
    from busbench.rig.model import Rig


@contextlib.contextmanager
def _ends_when_told() -> Iterator[None]:
    """Being told to end, or a hang-up, is taken as Ctrl-C: recordings are closed and the terminal is given back."""
    numbers = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, lambda *_: signal.raise_signal(signal.SIGINT)) for number in numbers}
    # A shell starts what runs in its background with Ctrl-C ignored: then nothing could end the screen.
    before[signal.SIGINT] = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def make_app(
    session: Session | None,
    *,
    opener: Callable[[str], Session],
    rings: bool = False,
    is_ascii: bool = False,
    shade: palette.Shade = "dark",
    is_timed: bool = True,
    rig: Rig | None = None,
    rig_path: str = "",
    is_armed: bool = False,
    lock: Callable[[Program], Program] | None = None,
    faults: tuple[Fault, ...] = (),
) -> BenchApp:
    """The app on a session.

    Args:
        session: None asks for a source.
        opener: makes a session of what a person named.
        rings: True rings the bell on losses.
        is_ascii: True draws with plain characters.
        shade: dark or light, where the terminal has the colours.
        is_timed: False leaves the ticks to the caller.
        rig, rig_path, is_armed, lock, faults: see Ui.
    """
    ui = Ui(palette.choose(shade), glyphs=ASCII if is_ascii else UNICODE, rings=rings, session=session)
    ui.rig, ui.rig_path, ui.is_armed, ui.lock = rig, rig_path, is_armed, lock
    ui.faults = faults
    return BenchApp(ui, opener=opener, is_timed=is_timed)


def run(app: BenchApp) -> None:
    """Run an app until the person leaves; its sessions are closed then."""
    first = app.ui.session
    for name in ("COLUMNS", "LINES"):  # some shells export them, and they stay what they are when the window changes
        os.environ.pop(name, None)
    try:
        with _ends_when_told():
            app.run(mouse=False)
    finally:
        for one in {id(one): one for one in (first, app.ui.session)}.values():
            if one is not None:
                one.close()
            if isinstance(one, LiveSession) and one.wrote:
                print(f"busbench: {plain(one.wrote)}", file=sys.stderr)
