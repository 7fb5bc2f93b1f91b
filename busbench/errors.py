"""The errors people are meant to read: what happened, where, and what to do next; and words that all texts share."""

from __future__ import annotations

from pathlib import Path


def plain(text: str | bytes, *, most: int = 0) -> str:
    """Text from a file, a port or a command line, safe to show: one line, all that cannot be seen written out.

    Control and formatting characters (those that turn the direction of writing among
    them), line ends, blanks other than the space, and bytes that are no UTF-8 become
    escapes such as \\x1b or \\u202e.

    Args:
        text: any text, or bytes that may be UTF-8.
        most: characters of the result, the last an ellipsis where it is cut; 0 for all.
    """
    if most:
        text = text[: 4 * (most + 1)] if isinstance(text, bytes) else text[: most + 1]
    if isinstance(text, bytes):
        text = text.decode("utf-8", "backslashreplace")
    if not text.isprintable():
        text = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
    return text if not most or len(text) <= most else text[: most - 1] + "…"


def counted(number: int, noun: str) -> str:
    """A number of things for people: 1 frame, 5,172 frames."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


class BusbenchError(Exception):
    """Base of every error that is shown as one line and ends a command with exit code 2.

    Args:
        what: what happened and where, in one clause.
        hint: what to do next, or an empty string where there is nothing to say.
    """

    def __init__(self, what: str, *, hint: str = "") -> None:
        self.what, self.hint = plain(what), plain(hint)
        super().__init__(f"{self.what}: {self.hint}" if hint else self.what)


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
        words = str(self).removeprefix(plain(self.path)).lstrip(",: ")
        self.note = f"{words}; what stands before it was read"


class RigError(BusbenchError):
    """A rig file says something that cannot be: names the file and the key."""

    def __init__(self, path: str | Path, key: str, what: str, *, hint: str = "") -> None:
        self.path = str(path)
        self.key = key
        super().__init__(f"{path}, {key}: {what}" if key else f"{path}: {what}", hint=hint)


class DriveError(BusbenchError):
    """A drive program cannot be run, or may not be run, as it stands."""
