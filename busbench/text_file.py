"""Small text files that people write, read within bounds."""

from __future__ import annotations

import os
import re
import select
import stat
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from busbench.errors import TextFileError, sanitize, unreadable
from busbench.output_file import note_input

BYTES_MAX = 1_000_000
WRITER_WAIT_S = 5.0  # max time without a program that writes to a named pipe
KEY_PARTS_MAX = 5  # names joined by dots in one key; tomllib's time grows with the square of their number
_LOOK_S = 0.05
# Comments and strings are skipped whole, unended ones up to where the parser will fail. No quantifier goes back
# over what it took, so that the time is linear in the size.
_TOKEN = re.compile(
    r"#[^\n]*+"
    r'|"""(?:\\.|[^\\"]|"(?!""))*+(?:"{3,5}|\Z)'
    r"|'''(?:[^']|'(?!''))*+(?:'{3,5}|\Z)"
    r'|"(?:\\[^\n]|[^"\\\n])*+"?'
    r"|'[^'\n]*+'?"
    r"|(?P<dot>\.)"
    r"|(?P<end>[\n=,{}\[\]])",
    re.DOTALL,
)


def read_bounded(path: str | Path, *, takes_stdin: bool = False, most: int = BYTES_MAX) -> bytes:
    """Read a regular file or a pipe to its end.

    A device is refused unopened: to open one can set its lines. A named pipe is
    opened without waiting, and given up when no program writes to it.

    Args:
        path: of a regular file or a pipe.
        takes_stdin: True if "-" is standard input.
        most: bytes that are read.

    Returns:
        All bytes, or the first `most` + 1, which require_small then refuses.

    Raises:
        TextFileError: neither a file nor a pipe, or a pipe without a writer.
        OSError: it cannot be read.
    """
    if takes_stdin and str(path) == "-":
        return sys.stdin.buffer.read(most + 1)
    kind = Path(path).stat().st_mode
    if stat.S_ISDIR(kind):
        raise IsADirectoryError
    if stat.S_ISFIFO(kind) and sys.platform != "win32":
        return _read_pipe(path, most=most)
    if not stat.S_ISREG(kind):
        raise TextFileError("this is a device, not a file of text", hint="name a file")
    note_input(path)
    with Path(path).open("rb") as file:
        return file.read(most + 1)


def require_small(data: bytes, *, most: int = BYTES_MAX) -> None:
    """Refuse a file that read_bounded did not read to its end (raises TextFileError: it is larger than `most`)."""
    if len(data) > most:
        raise TextFileError(f"is larger than {most:,} bytes", hint="shorten it")


def _read_pipe(path: str | Path, *, most: int) -> bytes:
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    try:
        parts: list[bytes] = []
        size, has_writer = 0, False
        given_up = time.monotonic() + WRITER_WAIT_S
        while size <= most:
            try:
                part = os.read(descriptor, 1 << 16)
            except BlockingIOError:
                has_writer = True
                select.select([descriptor], [], [])
                continue
            if part:
                parts.append(part)
                size += len(part)
            elif parts or has_writer:
                break
            elif time.monotonic() > given_up:
                raise TextFileError("is a pipe that no program writes to", hint="start that program, or name a file")
            else:
                time.sleep(_LOOK_S)
        return b"".join(parts)
    finally:
        os.close(descriptor)


def load_toml(text: str) -> dict[str, Any]:
    """Parse TOML in bounded time.

    Args:
        text: at most BYTES_MAX characters.

    Raises:
        TextFileError: not TOML, nested too deep, or a key of more than KEY_PARTS_MAX names; says where.
    """
    import tomllib

    text = text.replace("\r\n", "\n")
    dots = 0
    for token in _TOKEN.finditer(text):
        if token.lastgroup == "dot":
            dots += 1
            if dots >= KEY_PARTS_MAX:
                line = text.count("\n", 0, token.start()) + 1
                raise TextFileError(f"line {line} has more than {KEY_PARTS_MAX} names in a key", hint="shorten it")
        elif token.lastgroup == "end":
            dots = 0
    try:
        return tomllib.loads(text)
    except RecursionError:
        hint = "write tables as `busbench help rig-file` shows them"
        raise TextFileError("is nested too deep", hint=hint) from None
    except tomllib.TOMLDecodeError:
        raise _toml_fault(list(_statements(text))) from None
    except ValueError:  # of a number
        raise TextFileError("holds a number of thousands of digits", hint="shorten it") from None


def read_toml(
    path: str | Path,
    *,
    what: str,
    hint: str,
    recording_hint: str = "",
    missing_hint: str = "",
    takes_stdin: bool = False,
) -> tuple[dict[str, Any], str]:
    """Read a TOML file.

    Args:
        path: see read_bounded.
        what: what is read, for example "a rig file".
        hint: what to do if it is a file of another kind.
        recording_hint: the same if it is a recording.
        missing_hint: what else can be done if the file is not found.
        takes_stdin: see read_bounded.

    Returns:
        The tables, and the text.

    Raises:
        TextFileError: it cannot be read, or is something else.
    """
    try:
        data = read_bounded(path, takes_stdin=takes_stdin)
    except (OSError, ValueError) as error:
        problem, todo = unreadable(error)
        more = missing_hint if isinstance(error, FileNotFoundError) else ""
        raise TextFileError(problem, hint=todo + more) from None
    if _RECORDING.match(data[:4096]) or _FRAMES.search(data[:4096]):
        raise TextFileError(f"this is a recording, not {what}", hint=recording_hint or hint)
    if other := other_kind(data[:4096]):
        raise TextFileError(f"{other}, not {what}", hint=hint)
    require_small(data)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise TextFileError(f"line {line} is not UTF-8 text", hint="save the file as UTF-8") from None
    return load_toml(text), text


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Line number and text of each heading, and of each key with its value, over as many lines as its brackets go."""
    begin, line, depth = 0, 1, 0
    for token in _TOKEN.finditer(text):
        sign = token[0]
        depth += (sign in ("[", "{")) - (sign in ("]", "}"))
        statement = text[begin : token.start()]
        if sign == "\n" and (depth <= 0 or statement.lstrip().startswith("[")):
            if statement.strip():
                yield line + len(statement) - len(statement.lstrip("\n")), statement
            line += statement.count("\n") + 1
            begin, depth = token.end(), 0
    if text[begin:].strip():
        yield line, text[begin:]


def _is_toml(text: str) -> bool:
    import tomllib

    try:
        tomllib.loads(text)
    except ValueError:
        return False
    return True


def _toml_fault(statements: Sequence[tuple[int, str]]) -> TextFileError:
    """What is wrong with a text that is not TOML, with its line."""
    for line, statement in statements:
        if not _is_toml(statement):
            return _statement_fault(line, statement)
    # Each is valid by itself; the shortest invalid text ends in one that contradicts an earlier one.
    right, wrong = 0, len(statements)
    while wrong - right > 1:
        half = (right + wrong) // 2
        if _is_toml("\n".join(statement for _, statement in statements[:half])):
            right = half
        else:
            wrong = half
    line, statement = statements[wrong - 1]
    if heading := re.match(r"\s*\[+\s*(.*?)\s*\]", statement):
        table = sanitize(heading[1])
        hint = f"join the two; where there may be several, write [[{table}]] above each"
        return TextFileError(f"line {line} begins the table [{table}] again", hint=hint)
    return TextFileError(f"line {line} states a key again", hint="keep one of the two")


def _statement_fault(line: int, statement: str) -> TextFileError:
    if statement.lstrip().startswith("["):
        hint = "write [name], or [[name]] where there may be several"
        return TextFileError(f"line {line} is not the heading of a table", hint=hint)
    equals = next((token.start() for token in _TOKEN.finditer(statement) if token[0] == "="), None)
    has_comma = re.match(r"[^\[{#\"']*\d,\d", statement.strip().split("\n")[0])
    hint = "numbers take a point, as in 7.4" if has_comma else "write texts in quotes, numbers with a point"
    if equals is None or not _is_toml(f"{statement[:equals]}= 0"):
        return TextFileError(f"line {line} is not TOML", hint=hint if has_comma else f"write key = value, {hint[6:]}")
    return TextFileError(f"line {line} has a value that is not TOML", hint=hint)


# First bytes of files that people name by mistake: what such a file is, and what to do if it can be used.
FOREIGN = (
    (b"\x1f\x8b", "file is compressed (gzip)", "unpack it first"),
    (b"BZh", "file is compressed (bzip2)", "unpack it first"),
    (b"\xfd7zXZ", "file is compressed (xz)", "unpack it first"),
    (b"\x28\xb5\x2f\xfd", "file is compressed (zstd)", "unpack it first"),
    (b"PK\x03\x04", "is an archive (zip)", "unpack it and name a recording from inside"),
    (b"\x89PNG", "this is a picture", ""),
    (b"\xff\xd8\xff", "this is a picture", ""),
    (b"%PDF", "this is a document", ""),
    (b"\x7fELF", "this is a program", ""),
)
_RECORDING = re.compile(
    rb"\n\r\r\n|\xd4\xc3\xb2\xa1|\xa1\xb2\xc3\xd4|\x4d\x3c\xb2\xa1|\xa1\xb2\x3c\x4d"  # pcapng, pcap
    rb"|\s*\$(date|version|timescale|comment|scope|var)\b|[\w \[\]\"]+[,;][^=\n]*\n[\"\d.+-]+[,;]"
)
_FRAMES = re.compile(rb"\x0f(.{24}\x0f){3}", re.DOTALL)


def other_kind(head: bytes) -> str:
    """What a file with these first bytes is, as a clause; empty if it may be text."""
    if head.lstrip()[:1] in (b"{", b"<"):
        return "this is JSON" if head.lstrip()[:1] == b"{" else "this is HTML or SVG"
    known = next((what for magic, what, _ in FOREIGN if head.startswith(magic)), "")
    is_utf16 = head[:2] in (b"\xff\xfe", b"\xfe\xff")  # has its own remedy
    return known or ("this is binary data" if b"\0" in head and not is_utf16 else "")
