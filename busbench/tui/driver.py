"""The terminal driver of the UI library, made to survive bytes that are no text."""

from __future__ import annotations

import codecs
import functools
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from textual.driver import Driver


def _tolerant(encoding: str) -> Callable[[], codecs.IncrementalDecoder]:
    return functools.partial(codecs.getincrementaldecoder(encoding), errors="replace")


def tolerant_driver() -> type[Driver] | None:
    """A driver to which a byte that is no UTF-8 is a key like any other; None if the library's own does.

    The library's driver decodes strictly: one such byte ends the thread that reads the keyboard, and the screen with
    it. It takes its decoder by name from its module, so that is where another is put.
    """
    if sys.platform == "win32":
        return None
    from textual.drivers import linux_driver

    class TolerantDriver(linux_driver.LinuxDriver):
        def run_input_thread(self) -> None:
            """Wait for input and dispatch events."""
            vars(linux_driver)["getincrementaldecoder"] = _tolerant
            super().run_input_thread()

    return TolerantDriver
