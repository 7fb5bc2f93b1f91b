"""The factory of the app, for users and tests."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import threading
from collections.abc import Iterable, Iterator

from busbench.errors import sanitize
from busbench.tui import palette
from busbench.tui.app import BenchApp
from busbench.tui.app_state import AppState
from busbench.tui.draw import ASCII, UNICODE
from busbench.tui.live import LiveSession
from busbench.tui.opening import Opened, Opener
from busbench.tui.session import Session
from busbench.tui.settings import SettingsStore

_GRACE_S = 5.0  # time to end in order after the terminal was lost


@contextlib.contextmanager
def _ends_with_its_terminal() -> Iterator[None]:
    """End the screen if its terminal disappears silently; else it would wait for ever.

    Recordings hold all flushed data, and the port process comes to rest by itself, so a hard end is safe.
    """
    if sys.platform == "win32" or not os.isatty(0):
        yield
        return
    is_over = threading.Event()

    def is_gone() -> bool:
        line = select.poll()  # one per call: two threads ask
        line.register(0, 0)  # a lost terminal is reported in any case
        return any(what & select.POLLHUP for _, what in line.poll(0))

    def watch() -> None:
        while not is_over.wait(0.5):
            if is_gone():
                os.kill(os.getpid(), signal.SIGHUP)
                if not is_over.wait(_GRACE_S):
                    os._exit(128 + signal.SIGHUP)

    threading.Thread(target=watch, daemon=True, name="terminal").start()
    try:
        yield
    except OSError:  # last output of the screen: its reader has gone
        if not is_gone():
            raise
    finally:
        is_over.set()


@contextlib.contextmanager
def _ends_when_told() -> Iterator[None]:
    """Treat ending signals and a lost terminal as Ctrl-C: recordings are closed and the terminal is restored."""
    numbers = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, lambda *_: signal.raise_signal(signal.SIGINT)) for number in numbers}
    # A shell starts background jobs with Ctrl-C ignored: then nothing could end the screen.
    before[signal.SIGINT] = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def make_app(
    opened: Opened | None,
    *,
    opener: Opener,
    rings: bool = False,
    is_ascii: bool = False,
    shade: palette.Shade | None = None,
    is_timed: bool = True,
    is_armed: bool = False,
    settings: SettingsStore | None = None,
    beside: Iterable[Session] = (),
) -> BenchApp:
    """Make the app for an opened source, None to ask for one; see AppState. Tests tick it themselves."""
    kept = settings or SettingsStore()
    chosen = palette.choose(shade or kept.now.theme or "dark")
    ui = AppState(chosen, glyphs=ASCII if is_ascii else UNICODE, rings=rings, is_armed=is_armed, beside=list(beside))
    ui.settings, ui.said = kept, kept.trouble
    if opened is not None:
        ui.take(opened)
        ui.session = opened.session
    return BenchApp(ui, opener=opener, is_timed=is_timed)


def run(app: BenchApp) -> None:
    """Run an app until the user quits, then close its sessions."""
    first = app.ui.session
    for name in ("COLUMNS", "LINES"):  # some shells export them, and they do not follow the window
        os.environ.pop(name, None)
    try:
        with _ends_when_told(), _ends_with_its_terminal():
            app.run(mouse=False)
    finally:
        app.clicks.restore()
        for one in {id(one): one for one in (first, app.ui.session, *app.ui.beside)}.values():
            if one is not None:
                one.close()
            if isinstance(one, LiveSession) and one.wrote:
                with contextlib.suppress(OSError):  # of a terminal that is gone
                    print(f"busbench: {sanitize(one.wrote)}", file=sys.stderr)
