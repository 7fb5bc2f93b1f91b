"""Capabilities of the terminal."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from textual.driver import Driver


def is_dumb(environ: Mapping[str, str] | None = None) -> bool:
    """True if the terminal cannot show screens."""
    term = (os.environ if environ is None else environ).get("TERM", "")
    return term == "dumb" or (not term and sys.platform != "win32")


class Clicks:
    """Asks the terminal for buttons and wheel, not for motion, while the user wants it."""

    _ON, _OFF = "\x1b[?1000h\x1b[?1006h", "\x1b[?1006l\x1b[?1000l"

    def __init__(self) -> None:
        self._is_heard = False

    def hear(self, driver: Driver | None, *, wanted: bool) -> None:
        """Ask the terminal for clicks, or stop asking."""
        if driver is not None and wanted != self._is_heard:
            self._is_heard = wanted
            driver.write(self._ON if wanted else self._OFF)
            driver.flush()

    def restore(self) -> None:
        """Release the mouse if the screens ended while using it."""
        if self._is_heard and sys.__stderr__ is not None:
            with contextlib.suppress(OSError, ValueError):  # of a terminal that is gone
                print(self._OFF, end="", file=sys.__stderr__, flush=True)
