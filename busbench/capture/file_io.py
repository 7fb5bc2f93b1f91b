"""Opening a file for reading, with every way it can fail told in one line."""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator

from busbench.errors import CaptureError, unreadable

HEAD_BYTES = 65_536
BLOCK_BYTES = 1 << 20


def open_binary(path: str) -> io.FileIO:
    """Open a recording, unbuffered.

    Args:
        path: a file's path.

    Raises:
        CaptureError: it is missing, a folder, a device, or may not be read.
    """
    try:
        mode = os.stat(path).st_mode  # noqa: PTH116 - a path may be any text, such as one with a NUL
        if stat.S_ISDIR(mode):
            raise CaptureError(path, "is a folder", hint="name a recording inside it")
        if stat.S_ISCHR(mode) or stat.S_ISSOCK(mode):
            raise CaptureError(path, "is a port, not a recording", hint="record from it first, or watch it live")
        return open(path, "rb", buffering=0)  # noqa: PTH123
    except (OSError, ValueError) as error:
        what, hint = unreadable(error)
        raise CaptureError(path, what, hint=hint) from None


def read_into(file: io.FileIO, view: memoryview, path: str) -> int:
    """Fill the view as far as the file goes.

    Args:
        file: from open_binary.
        view: place for the bytes.
        path: for the error.

    Returns:
        Bytes read; fewer than the view holds only at the end of the file.

    Raises:
        CaptureError: the system could not read any further.
    """
    have = 0
    try:
        while have < len(view):
            got = file.readinto(view[have:])
            if not got:
                break
            have += got
    except OSError as error:
        raise CaptureError(
            path, f"cannot be read any further ({error.strerror})", offset=file.tell(), hint="check the disk"
        ) from None
    return have


def read_head(path: str, *, most: int = HEAD_BYTES) -> bytes:
    """The beginning of a recording, by which its format is told.

    Args:
        path: the file.
        most: bytes of it, fewer only where the file is shorter.

    Raises:
        CaptureError: as open_binary and read_into.
    """
    with open_binary(path) as file:
        head = bytearray(most)
        return bytes(head[: read_into(file, memoryview(head), path)])


def whole_parts(path: str, *, start: int, ends: bytes) -> Iterator[tuple[bytes, bytes]]:
    """The text of a recording, about a megabyte at a time, cut behind whole rows or entries.

    Args:
        path: the file.
        start: byte to begin at.
        ends: characters, any of which ends a row or an entry.

    Returns:
        What is whole, and what stands behind it: the beginning of the next part,
        or at the end of the file what has no end.

    Raises:
        CaptureError: as open_binary and read_into; what was whole before was given.
    """
    block, rest = bytearray(BLOCK_BYTES), b""
    with open_binary(path) as file:
        file.seek(start)
        while got := read_into(file, memoryview(block), path):
            text = rest + block[:got]
            end = 1 + max(text.rfind(bytes([code])) for code in ends)
            whole, rest = text[:end], text[end:]
            yield whole, rest
