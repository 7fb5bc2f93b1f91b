"""The UI library's terminal driver: it takes invalid bytes, and escape alone without delay."""

from __future__ import annotations

import codecs
import functools
import os
import selectors
import signal
import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import TYPE_CHECKING

from textual import constants, events
from textual.geometry import Size

if TYPE_CHECKING:
    from textual.driver import Driver

# Until escape is a key of its own; `ESCDELAY` in the environment takes precedence. The characters of a longer key come
# 1 ms apart over 9,600 characters/s, and usually in one piece over a network.
_ESCAPE_S = 0.025


def _tolerant(encoding: str) -> Callable[[], codecs.IncrementalDecoder]:
    return functools.partial(codecs.getincrementaldecoder(encoding), errors="replace")


class PromptSelector(selectors.SelectSelector):
    """Waits for input; after some has come, only until it is clear that the key has no further characters."""

    def __init__(self) -> None:
        super().__init__()
        self._is_fed = False

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Wait for input, at most a time in s."""
        if self._is_fed and timeout is not None:
            timeout = min(timeout, constants.ESCAPE_DELAY + 0.001)  # at its end, that time is over for the parser
        ready = super().select(timeout)
        self._is_fed = bool(ready)
        return ready


def tolerant_driver() -> type[Driver] | None:
    """A driver that treats invalid UTF-8 as a key and answers escape soon; None if the library's own driver is used.

    The library's driver decodes strictly: one such byte ends the thread that reads the keyboard, and the screen with
    it. It looks only every 100 ms whether escape came alone. It takes the decoder and the selector by name from its
    module, where they are replaced. Its signal handler for a new size may be interrupted by the next one, and then the
    older size comes last.
    """
    if "ESCDELAY" not in os.environ:
        vars(constants)["ESCAPE_DELAY"] = _ESCAPE_S
    if sys.platform == "win32":
        return None
    from textual.drivers import linux_driver

    class TolerantDriver(linux_driver.LinuxDriver):
        def start_application_mode(self) -> None:
            """Take the terminal; sizes are read in the event loop, one after another."""
            super().start_application_mode()  # type: ignore[no-untyped-call, unused-ignore]
            self._loop.add_signal_handler(signal.SIGWINCH, self._read_size)

        def disable_input(self) -> None:
            """Read no more keys and sizes."""
            self._loop.remove_signal_handler(signal.SIGWINCH)
            super().disable_input()

        def _read_size(self) -> None:
            if not self._in_band_window_resize:
                size = Size(*self._get_terminal_size())
                self._app.post_message(events.Resize(size, size))

        def run_input_thread(self) -> None:
            """Wait for input and dispatch events."""
            prompt = SimpleNamespace(SelectSelector=PromptSelector, EVENT_READ=selectors.EVENT_READ)
            vars(linux_driver).update(getincrementaldecoder=_tolerant, selectors=prompt)
            super().run_input_thread()

    return TolerantDriver
