"""The UI library's terminal driver, made tolerant of invalid bytes."""

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
    """A driver that treats invalid UTF-8 as a key; None if the library's own driver is used.

    The library's driver decodes strictly: one such byte ends the thread that reads the keyboard, and the screen with
    it. It takes its decoder by name from its module, where it is replaced.
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
