"""The errors people are meant to read: what happened, where, and what to do next."""

from __future__ import annotations

import re
from pathlib import Path

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def plain(text: str) -> str:
    """Text from a file or a port, safe for a terminal: control characters are written out."""
    return _CONTROL.sub(lambda found: repr(found.group())[1:-1], text)


class BusbenchError(Exception):
    """Base of every error that is shown as one line and ends a command with exit code 2.

    Args:
        what: what happened and where, in one clause.
        hint: what to do next, or an empty string where there is nothing to say.
    """

    def __init__(self, what: str, *, hint: str = "") -> None:
        self.what = what
        self.hint = hint
        super().__init__(f"{what}: {hint}" if hint else what)


class PortError(BusbenchError):
    """A serial port or stream address could not be opened, set or kept."""

    def __init__(self, port: str, what: str, *, hint: str = "") -> None:
        self.port = port
        super().__init__(": ".join((port, what)), hint=hint)


class CaptureError(BusbenchError):
    """A recording could not be read (or written) at a stated byte of a stated file.

    Attributes:
        note: the same for the notes of a recording that was read up to there, without the file's name.
    """

    def __init__(self, path: str | Path, what: str, *, offset: int | None = None, hint: str = "") -> None:
        self.path = str(path)
        self.offset = offset
        place = f"{path}, byte {offset}" if offset is not None else str(path)
        super().__init__(f"{place}: {what}", hint=hint)
        words = str(self).removeprefix(str(path)).lstrip(",: ")
        self.note = f"{words}; what stands before it was read"


class RigError(BusbenchError):
    """A rig file says something that cannot be: names the file and the key."""

    def __init__(self, path: str | Path, key: str, what: str, *, hint: str = "") -> None:
        self.path = str(path)
        self.key = key
        super().__init__(f"{path}, {key}: {what}" if key else f"{path}: {what}", hint=hint)


class DriveError(BusbenchError):
    """A drive program cannot be run, or may not be run, as it stands."""
