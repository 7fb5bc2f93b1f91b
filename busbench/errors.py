"""Errors for people: what happened, where, and what to do next; and text helpers that all rooms share."""

from __future__ import annotations

import errno
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

SAFETY = "Remove the propeller, or disconnect the motor. Keep hands, hair and tools away from all that may move."


# The disk is full, the user's quota is used up, or the file has its maximum size.
FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG)


def sanitize(text: str | bytes, *, most: int = 0) -> str:
    """Make text from a file, a port or a command line safe to show: one line, invisible characters escaped.

    Control and formatting characters (those that turn the direction of writing among
    them), line ends, blanks other than the space, and bytes that are not UTF-8 become
    escapes such as \\x1b or \\u202e.

    Args:
        text: any text, or bytes that may be UTF-8.
        most: max characters of the result, 0 for no limit; a cut text ends in an ellipsis.
    """
    if most:
        text = text[: 4 * (most + 1)] if isinstance(text, bytes) else text[: most + 1]
    if isinstance(text, bytes):
        text = text.decode("utf-8", "backslashreplace")
    if not text.isprintable():
        text = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
    return text if not most or len(text) <= most else text[: most - 1] + "…"


_WHAT_MOST = 900  # characters: names in files may be very long, messages may not


def pluralize(number: int, noun: str) -> str:
    """Number and noun: 1 frame, 5,172 frames."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def seconds(value_s: float | None) -> str:
    """A time or length for people, with its unit: 7.001 ms, 3.2 s, 1 h 04 min."""
    if value_s is None:
        return "-"
    size = abs(value_s)
    if size >= 3600:
        return f"{int(value_s // 3600)} h {int(value_s % 3600 // 60):02d} min"
    if size >= 1:
        return f"{value_s:.3f} s"
    if size >= 1e-3:
        return f"{value_s * 1e3:.3f} ms"
    return f"{value_s * 1e6:.1f} µs" if size > 5e-8 else f"{value_s * 1e9:.2g} ns" if value_s else "0 s"


def any_of(words: Sequence[str]) -> str:
    """A choice for people: hold, square or steps."""
    return f"{', '.join(words[:-1])} or {words[-1]}"


def meant(word: str, known: Iterable[str], *, otherwise: str) -> str:
    """The hint to a word that is not known: a close one, or what else to do."""
    import difflib

    near = difflib.get_close_matches(word, known, n=1)
    return f"did you mean {near[0]}?" if near else otherwise


def quote_value(value: object, *, most: int = 40) -> str:
    """A value of a text file as it is written there, cut to `most` characters."""
    if isinstance(value, str):
        return f'"{sanitize(value, most=most - 2)}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.10g}"
    try:
        return sanitize(str(value), most=most)
    except ValueError:  # of a number with thousands of decimal digits, in hex
        return "a number of thousands of digits"


def display_name(source: str | Path) -> str:
    """What a person gave: - in words, in quotes what holds a colon that could be taken for that of the message."""
    text = sanitize(str(source))
    if text == "-":
        return "standard input"
    return f'"{text}"' if ":" in text.rstrip("\\/")[2:] or text.endswith(":") else text


class TextFileError(ValueError):
    """A file cannot be read as text.

    Args:
        what: what is wrong, as a predicate.
        hint: what to do.
    """

    def __init__(self, what: str, *, hint: str) -> None:
        self.what, self.hint = what, hint
        super().__init__(f"{what}: {hint}")


def unreadable(error: Exception) -> tuple[str, str]:
    """Why a text file could not be read, and what to do next."""
    if isinstance(error, TextFileError):
        return error.what, error.hint
    if isinstance(error, FileNotFoundError):
        return "file not found", "check the name and the folder"
    if isinstance(error, IsADirectoryError):
        return "this is a folder", "name a file inside it"
    return f"cannot be read ({_reason(error)})", "check its name and your permissions"


_CLEARLY = re.compile(  # of another kind
    r"\.(pdf|png|jpe?g|svg|html?|xml|json|csv|txt|md|docx?|odt|xlsx|vcd|parquet)"
)


def require_kind(path: str, *, suffix: str, what: str, then: str = "") -> None:
    """Refuse a file name whose suffix belongs to another kind of file.

    Args:
        path: of the file.
        suffix: suffix of the kind that is written, for example ".html".
        what: that kind in words.
        then: how to get another kind.

    Raises:
        OutputError: for such a name.
    """
    given = Path(path).suffix.lower()
    if _CLEARLY.fullmatch(given) and given.removesuffix("l") != suffix.removesuffix("l"):
        raise OutputError(path, f"file would hold {what}", hint=f"end the name in {suffix}{then and '; '}{then}")


def unwritable(path: str | Path, error: Exception | None = None) -> tuple[str, str]:
    """Why a new file could not be written, and what to do next; without an error it exists already."""
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
        hint: what to do next; may be empty.

    Attributes:
        details: lines that a command prints first, such as the faults of a plan.
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
    """The port does not exist; see PortError."""


class PortBusy(PortError):  # noqa: N818 - named for its cause
    """Another program uses the port; see PortError."""


class PortDenied(PortError):  # noqa: N818 - named for its cause
    """The user has no permission to use the port; see PortError."""


class PortLost(PortError):  # noqa: N818 - named for its cause
    """The port, or the process that owns it, disappeared while it was used; see PortError."""


class CaptureError(BusbenchError):
    """A recording could not be read at a stated byte of a stated file.

    Args:
        path: the file.
        offset: the byte, None if the error concerns no single byte.
        what, hint: see BusbenchError.

    Attributes:
        problem: what happened, without the file's name.
        note: the same with the hint, for the notes of a recording that was read up to there.
    """

    def __init__(self, path: str | Path, what: str, *, offset: int | None = None, hint: str = "") -> None:
        self.path, self.problem = str(path), what
        self.offset = offset
        place = display_name(path)
        super().__init__(f"{place}: {what}" if offset is None else f"{place}, byte {offset}: {what}", hint=hint)
        words = str(self).removeprefix(sanitize(place)).lstrip(",: ")
        self.note = f"{words}; what is before it was read"


class OutputError(BusbenchError):
    """A file could not be made: its name was refused, or writing failed.

    Args:
        path: the file.
        offset: the byte up to which the file is complete, None if unknown.
        what, hint: see BusbenchError.
    """

    def __init__(self, path: str | Path, what: str, *, offset: int | None = None, hint: str = "") -> None:
        self.path = str(path)
        self.offset = offset
        self._of_path = what
        place = f"{display_name(path)}, byte {offset}" if offset is not None else display_name(path)
        super().__init__(f"{place}: {what}", hint=hint)

    def with_hint(self, more: str) -> OutputError:
        """A copy with a longer hint."""
        return OutputError(self.path, self._of_path, offset=self.offset, hint=f"{self.hint}, {more}")


class RigError(BusbenchError):
    """A rig file has a wrong value or key.

    Args:
        path: the file.
        key: its key, for example device[2].channel; "" if the error concerns no single key.
        what, hint: see BusbenchError.

    Attributes:
        problem: what is wrong, without file and key.
    """

    def __init__(self, path: str | Path, key: str, what: str, *, hint: str = "") -> None:
        self.path = str(path)
        self.key, self.problem = key, what
        place = display_name(path)
        super().__init__(f"{place}, {key}: {what}" if key else f"{place}: {what}", hint=hint)


class DriveError(BusbenchError):
    """A drive program cannot be run, or is not allowed to run; see BusbenchError."""
