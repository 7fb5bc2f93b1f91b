"""Output files: each appears under its name when it is complete, and replaces no input of the command.

A file is written beside its name, as `.busbench-….part`, and renamed at its end. Interrupted or out of space, it leaves
what was at the name as it was. All that busbench writes goes through this module; recordings in the making grow under
their name: growing_file.py.
"""

# ruff: noqa: PTH105, PTH104, PTH108, PTH112, PTH115, PTH116, PTH118, PTH120, PTH211
# A name may be any text, and links are followed step by step

from __future__ import annotations

import contextlib
import errno
import io
import os
import stat
import sys
from collections.abc import Iterable, Iterator
from contextvars import ContextVar
from pathlib import Path

from busbench.errors import OutputError, unwritable

PART_PREFIX, PART_SUFFIX = ".busbench-", ".part"
_BUFFER_BYTES = 1 << 20
_noted: ContextVar[set[tuple[int, int]] | None] = ContextVar("noted", default=None)  # device and inode
BINARY_MODE = getattr(os, "O_BINARY", 0) | getattr(os, "O_NOINHERIT", 0)


@contextlib.contextmanager
def inputs_noted() -> Iterator[None]:
    """Inside the block, no output replaces a file that was read there (see note_input)."""
    token = _noted.set(set())
    try:
        yield
    finally:
        _noted.reset(token)


def note_input(file: str | Path | int) -> None:
    """Note an input file by name or descriptor; called wherever a file is opened for reading."""
    noted = _noted.get()
    if noted is not None:
        with contextlib.suppress(OSError, ValueError):
            found = os.stat(file)
            if stat.S_ISREG(found.st_mode):
                noted.add((found.st_dev, found.st_ino))


def refuse_input(path: str | Path, inputs: Iterable[str | Path]) -> None:
    """Refuse an output that is an input of the same command, under any name.

    Args:
        inputs: further inputs, besides those noted; names that are no files are ignored.

    Raises:
        OutputError: both names lead to one file.
    """
    try:
        target = os.stat(path)
    except (OSError, ValueError):
        return
    is_input = (target.st_dev, target.st_ino) in (_noted.get() or ())
    for other in inputs:
        with contextlib.suppress(OSError, ValueError):  # not a file
            is_input |= os.path.samestat(target, os.stat(other))
    if is_input:
        raise OutputError(path, "is also an input file", hint="choose another name")


def refuse_terminal(path: str) -> None:
    """Refuse to write frames to a terminal or serial port (OutputError), or a link to one: only an armed drive does."""
    if path == "-":
        is_terminal = sys.stdout.isatty()
    elif sys.platform == "win32":
        return  # no file there leads to a port
    else:
        try:
            state, null = os.stat(path), os.stat(os.devnull)
        except (OSError, ValueError):
            return  # does not exist yet
        is_terminal = stat.S_ISCHR(state.st_mode) and os.major(state.st_rdev) != os.major(null.st_rdev)
    if is_terminal:
        raise OutputError(
            "standard output" if path == "-" else path,
            "is a terminal or a serial port",
            hint="name a file or redirect to one; `busbench drive PROGRAM --to PORT --arm` sends to a port",
        )


def require_output(
    path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = (), is_update: bool = False
) -> None:
    """Refuse a name that cannot be written, before any work is done.

    Args:
        force: True if an existing file may be replaced.
        inputs: see refuse_input.
        is_update: True if the command reads this file and continues it.

    Raises:
        OutputError: the name is empty, taken, a folder, or that of an input, or its folder does not exist.
    """
    if not str(path):
        raise OutputError('""', "is not the name of a file", hint="give a name, or leave the option out")
    refuse_terminal(str(path))
    if not is_update:
        refuse_input(path, inputs)
    try:
        there = os.lstat(path)
    except FileNotFoundError as error:
        if not os.path.isdir(os.path.dirname(os.path.realpath(path))):
            raise refused_output(path, error) from None
        return
    except (OSError, ValueError) as error:
        raise refused_output(path, error) from None
    if stat.S_ISDIR(there.st_mode) or not force:
        what, hint = unwritable(path)
        raise OutputError(path, what, hint=hint)
    if os.path.isdir(path):
        raise refused_output(path, IsADirectoryError())


def write_output(path: str | Path, data: str | bytes, *, force: bool = False, is_update: bool = False) -> None:
    """Write a whole file at once; text is written as UTF-8 with its line ends unchanged."""
    with OutputFile(path, force=force or is_update, is_update=is_update) as out:
        out.write(data.encode() if isinstance(data, str) else data)


class OutputFile(io.RawIOBase):
    """A file that appears under its name when it is complete, or not at all.

    As a context manager it is put there at the end of the block, and discarded when
    an exception leaves the block. A device or pipe that is at the name is
    written to as it is.

    Args:
        force: True to replace an existing file.

    Raises:
        OutputError: here or at any later call: the name is refused (see require_output), or the file cannot be
            written; what was there is unchanged.
    """

    def __init__(
        self, path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = (), is_update: bool = False
    ) -> None:
        super().__init__()
        self._fd, self._part = -1, ""
        self._pending: list[bytes] = []
        self._pending_bytes = 0
        self._path, self._force = str(path), force
        require_output(path, force=force, inputs=inputs, is_update=is_update)
        try:
            self._open()
        except (OSError, ValueError) as error:
            raise refused_output(path, error) from None

    def _open(self) -> None:
        self._target = os.path.realpath(self._path)  # what a link leads to is replaced, not the link
        mode = None
        with contextlib.suppress(FileNotFoundError):
            mode = os.stat(self._target).st_mode
        if mode is not None and not stat.S_ISREG(mode):
            self._fd = os.open(self._target, os.O_WRONLY | BINARY_MODE)
            return
        if mode is not None and not os.access(self._target, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        folder = os.path.dirname(self._target)
        part = os.path.join(folder, f"{PART_PREFIX}{os.urandom(6).hex()}{PART_SUFFIX}")
        self._fd = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | BINARY_MODE, 0o666)
        self._part = part
        if mode is not None and hasattr(os, "fchmod"):
            with contextlib.suppress(OSError):
                os.fchmod(self._fd, stat.S_IMODE(mode))

    @property
    def is_open(self) -> bool:
        """False after it was closed or discarded."""
        return self._fd >= 0

    def writable(self) -> bool:
        """True."""
        return True

    def write(self, data: bytes | memoryview) -> int:  # type: ignore[override]
        """Write all bytes."""
        if self._fd < 0:
            raise OutputError(self._path, "is closed already")
        view = memoryview(data).cast("B")
        if self._pending_bytes + len(view) >= _BUFFER_BYTES:
            self._hand_over()
            self._write_through(view)
        else:
            self._pending.append(bytes(view))
            self._pending_bytes += len(view)
        return len(view)

    def close(self) -> None:
        """Move the file to its name; no effect after close or discard."""
        if self._fd < 0:
            return
        self._hand_over()
        try:
            if self._part:
                os.fsync(self._fd)
            self._release()
            if self._part:
                _put(self._part, self._target, force=self._force)
                self._part = ""
        except OSError as error:
            self._fail(error)
        super().close()

    def discard(self) -> None:
        """Discard the file: nothing appears under its name."""
        self._pending.clear()
        self._release()
        if self._part:
            with contextlib.suppress(OSError):
                os.unlink(self._part)
            self._part = ""
        super().close()

    def __enter__(self) -> OutputFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self.discard()

    def __del__(self) -> None:
        self.discard()  # abandoned: incomplete

    def _hand_over(self) -> None:
        data = b"".join(self._pending)
        self._pending.clear()
        self._pending_bytes = 0
        self._write_through(memoryview(data))

    def _write_through(self, data: memoryview) -> None:
        try:
            while data:
                data = data[os.write(self._fd, data) :]
        except BrokenPipeError:
            self.discard()
            raise
        except OSError as error:
            self._fail(error)

    def _fail(self, error: OSError) -> None:
        self.discard()
        raise refused_output(self._path, error) from None

    def _release(self) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


def make_link(path: str | Path, target: str) -> None:
    """Make a symbolic link at a free name (raises OutputError: something is there, or it cannot be made)."""
    try:
        os.symlink(target, path)
    except FileExistsError:
        raise OutputError(path, "file exists already", hint="choose another path, or remove it first") from None
    except (OSError, ValueError) as error:
        raise refused_output(path, error) from None


def remove_link(path: str | Path, target: str) -> None:
    """Remove a symbolic link if it still has its target."""
    with contextlib.suppress(OSError):
        if os.readlink(path) == target:
            os.unlink(path)


def _put(part: str, target: str, *, force: bool) -> None:
    """Rename a complete file; without force, one that appeared meanwhile is not replaced (raises OSError)."""
    if force:
        os.replace(part, target)
    elif sys.platform == "win32":
        os.rename(part, target)  # refuses a name that is taken
    else:
        try:
            os.link(part, target)
        except FileExistsError:
            raise
        except OSError:  # a file system without hard links
            if os.path.lexists(target):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
            os.rename(part, target)
        else:
            os.unlink(part)


def refused_output(path: str | Path, error: Exception) -> OutputError:
    """The system's error about an output, for people."""
    what, hint = unwritable(path, error)
    return OutputError(path, what, hint=hint)
