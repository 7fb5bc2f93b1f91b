"""The errors people are meant to read: what happened, where, and what to do next; and words that all texts share."""

from __future__ import annotations

import errno
import re
from pathlib import Path

SAFETY = "Remove the propeller, or disconnect the motor. Keep hands, hair and tools away from all that may move."


# The disk, a person's share of it, or the longest file that is allowed.
FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG)


def sanitize(text: str | bytes, *, most: int = 0) -> str:
    """Text from a file, a port or a command line, safe to show: one line, all that cannot be seen written out.

    Control and formatting characters (those that turn the direction of writing among
    them), line ends, blanks other than the space, and bytes that are not UTF-8 become
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


_WHAT_MOST = 900  # characters: a name in a file may be endless, a line for people may not


def pluralize(number: int, noun: str) -> str:
    """A number of things for people: 1 frame, 5,172 frames."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def quote_value(value: object, *, most: int = 40) -> str:
    """A value out of a file of text, as it is there, cut where it is long.

    Args:
        value: a text, number, truth value or list.
        most: characters of the result.
    """
    if isinstance(value, str):
        return f'"{sanitize(value, most=most - 2)}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.10g}"
    try:
        return sanitize(str(value), most=most)
    except ValueError:  # of a number in hex that has thousands of decimal digits
        return "a number of thousands of digits"


def display_name(source: str | Path) -> str:
    """What a person gave: - in words, in quotes what holds a colon that could be taken for that of the message."""
    text = sanitize(str(source))
    if text == "-":
        return "standard input"
    return f'"{text}"' if ":" in text.rstrip("\\/")[2:] or text.endswith(":") else text


class TextFileError(ValueError):
    """A file cannot be taken for one of text.

    Args:
        what: what is wrong, as a predicate.
        hint: what to do.
    """

    def __init__(self, what: str, *, hint: str) -> None:
        self.what, self.hint = what, hint
        super().__init__(f"{what}: {hint}")


def unreadable(error: Exception) -> tuple[str, str]:
    """What went wrong where a file of text was to be read, and what to do next."""
    if isinstance(error, TextFileError):
        return error.what, error.hint
    if isinstance(error, FileNotFoundError):
        return "file not found", "check the name and the folder"
    if isinstance(error, IsADirectoryError):
        return "this is a folder", "name a file inside it"
    return f"cannot be read ({_reason(error)})", "check its name and your permissions"


_CLEARLY = re.compile(  # another kind was wanted
    r"\.(pdf|png|jpe?g|svg|html?|xml|json|csv|txt|md|docx?|odt|xlsx|vcd|parquet)"
)


def require_kind(path: str, *, suffix: str, what: str, then: str = "") -> None:
    """Refuse a name that promises clearly another kind of file.

    Args:
        path: of the file.
        suffix: of the kind that is written, as in ".html".
        what: that kind, in a word.
        then: how to come by another kind.

    Raises:
        OutputError: for such a name.
    """
    given = Path(path).suffix.lower()
    if _CLEARLY.fullmatch(given) and given.removesuffix("l") != suffix.removesuffix("l"):
        raise OutputError(path, f"file would hold {what}", hint=f"end the name in {suffix}{then and '; '}{then}")


def unwritable(path: str | Path, error: Exception | None = None) -> tuple[str, str]:
    """What was against a new file, and what to do next.

    Args:
        path: of the file.
        error: what the system said; None where the file is simply there already.
    """
    try:
        is_folder = Path(path).is_dir()
    except (OSError, ValueError):
        is_folder = False
    if is_folder:
        return "this is a folder", "name a file inside it"
    if error is None or isinstance(error, FileExistsError):
        return "file exists already", "choose another name, or write over it with --force"
    if isinstance(error, FileNotFoundError):
        return "folder not found", "make it first"
    if getattr(error, "errno", None) in FULL:
        return f"cannot be written ({_reason(error)})", "make room, or write elsewhere"
    return f"cannot be written ({_reason(error)})", "check the folder and your permissions in it"


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error)


class BusbenchError(Exception):
    """Base of every error that is shown as one line and ends a command with exit code 2.

    Args:
        what: what happened and where, in one clause.
        hint: what to do next, or an empty string where there is nothing to say.

    Attributes:
        details: lines that a command prints before it, such as the faults of a plan.
    """

    details: tuple[str, ...] = ()

    def __init__(self, what: str, *, hint: str = "") -> None:
        self.what, self.hint = sanitize(what, most=_WHAT_MOST), sanitize(hint, most=_WHAT_MOST)
        join = "; " if self.what.replace("virtual: ", "").count(": ") > 1 else ": "  # no third colon
        super().__init__(f"{self.what}{join}{self.hint}" if hint else self.what)


class PortError(BusbenchError):
    """A serial port or stream address could not be opened, set or kept.

    Args:
        port: its name.
        what, hint: see BusbenchError.

    Attributes:
        problem: what happened, without the port's name.
    """

    def __init__(self, port: str, what: str, *, hint: str = "") -> None:
        self.port, self.problem = port, what
        super().__init__(": ".join((display_name(port), what)), hint=hint)


class PortMissing(PortError):  # noqa: N818 - named for its cause
    """There is no such port; see PortError."""


class PortBusy(PortError):  # noqa: N818 - named for its cause
    """Another program has the port; see PortError."""


class PortDenied(PortError):  # noqa: N818 - named for its cause
    """The system gives no right to use the port; see PortError."""


class PortLost(PortError):  # noqa: N818 - named for its cause
    """The port, or the process that owns it, has gone while it was used; see PortError."""


class CaptureError(BusbenchError):
    """A recording could not be read at a stated byte of a stated file.

    Args:
        path: the file.
        offset: the byte, None where it is no matter of one.
        what, hint: see BusbenchError.

    Attributes:
        note: the same for the notes of a recording that was read up to there, without the file's name.
    """

    def __init__(self, path: str | Path, what: str, *, offset: int | None = None, hint: str = "") -> None:
        self.path = str(path)
        self.offset = offset
        place = display_name(path)
        super().__init__(f"{place}: {what}" if offset is None else f"{place}, byte {offset}: {what}", hint=hint)
        words = str(self).removeprefix(sanitize(place)).lstrip(",: ")
        self.note = f"{words}; what is before it was read"


class OutputError(BusbenchError):
    """A file could not be made: its name is refused, or it could not be written to its end.

    Args:
        path: the file.
        offset: the byte up to which it is whole, None where it is no matter of one.
        what, hint: see BusbenchError.
    """

    def __init__(self, path: str | Path, what: str, *, offset: int | None = None, hint: str = "") -> None:
        self.path = str(path)
        self.offset = offset
        self._of_path = what
        place = f"{display_name(path)}, byte {offset}" if offset is not None else display_name(path)
        super().__init__(f"{place}: {what}", hint=hint)

    def with_hint(self, more: str) -> OutputError:
        """The same with one more thing to do next."""
        return OutputError(self.path, self._of_path, offset=self.offset, hint=f"{self.hint}, {more}")


class RigError(BusbenchError):
    """A rig file says something that cannot be.

    Args:
        path: the file.
        key: what is there, as in device[2].channel; "" where it is no matter of one key.
        what, hint: see BusbenchError.

    Attributes:
        problem: what is wrong, without the place.
    """

    def __init__(self, path: str | Path, key: str, what: str, *, hint: str = "") -> None:
        self.path = str(path)
        self.key, self.problem = key, what
        place = display_name(path)
        super().__init__(f"{place}, {key}: {what}" if key else f"{place}: {what}", hint=hint)


class DriveError(BusbenchError):
    """A drive program cannot be run, or may not be run, as it is; see BusbenchError."""
