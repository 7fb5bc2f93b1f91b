"""Small files of text that people write: read within bounds, whatever stands at the name."""

from __future__ import annotations

import os
import re
import select
import stat
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

from busbench.errors import TextFileError
from busbench.output_file import note_input

BYTES_MAX = 1_000_000
WRITER_WAIT_S = 5.0  # how long a named pipe may lack a program that writes to it
KEY_PARTS_MAX = 5  # names joined by dots in one key; tomllib's time grows with the square of their number
_LOOK_S = 0.05
# Comments and strings are passed over whole, unended ones to where the parser will complain. No quantifier goes back
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


def read_bounded(path: str | Path, *, takes_stdin: bool = False) -> bytes:
    """Read a file or pipe to its end.

    A device is refused unopened: to open one can set its lines. A named pipe is
    opened without waiting, and given up when no program writes to it.

    Args:
        path: of a regular file or a pipe.
        takes_stdin: True where "-" is standard input.

    Returns:
        All bytes, or the first BYTES_MAX + 1, which require_small then refuses.

    Raises:
        TextFileError: it is no file or pipe, or a pipe without a writer.
        OSError: it cannot be read.
    """
    if takes_stdin and str(path) == "-":
        return sys.stdin.buffer.read(BYTES_MAX + 1)
    kind = Path(path).stat().st_mode
    if stat.S_ISDIR(kind):
        raise IsADirectoryError
    if stat.S_ISFIFO(kind) and sys.platform != "win32":
        return _read_pipe(path)
    if not stat.S_ISREG(kind):
        raise TextFileError("is a device, not a file of text", hint="name a file")
    note_input(path)
    with Path(path).open("rb") as file:
        return file.read(BYTES_MAX + 1)


def require_small(data: bytes) -> None:
    """Refuse what read_bounded did not read to its end.

    Raises:
        TextFileError: the file is larger than BYTES_MAX.
    """
    if len(data) > BYTES_MAX:
        raise TextFileError(f"is larger than {BYTES_MAX:,} bytes", hint="shorten it")


def _read_pipe(path: str | Path) -> bytes:
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    try:
        parts: list[bytes] = []
        size, has_writer = 0, False
        given_up = time.monotonic() + WRITER_WAIT_S
        while size <= BYTES_MAX:
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
        ValueError: it is no TOML, or a key has more than KEY_PARTS_MAX names.
        RecursionError: it is nested too deep.
    """
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
    return tomllib.loads(text)
