"""Files of recordings in progress: they grow under their final name, so that they can be read after a crash."""

# ruff: noqa: PTH108, PTH116

from __future__ import annotations

import contextlib
import os
import stat
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from busbench.errors import OutputError
from busbench.output_file import BINARY_MODE, refused_output, require_output


class GrowingFile:
    """The file of a recording in progress: it grows under its final name and can be read after a crash.

    Args:
        inputs: see refuse_input.
        keep: as many bytes of a file that is there stay, with `force`.

    Raises:
        OutputError: the name is refused (see require_output), another program records to it, or it cannot be
            written.

    Attributes:
        least_bytes: the file is removed if it cannot grow to this size.
    """

    def __init__(
        self, path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = (), keep: int = 0
    ) -> None:
        self._path, self._fd = str(path), -1
        self.size = self.least_bytes = self._tail_bytes = 0
        require_output(path, force=force, inputs=inputs)
        access = os.O_WRONLY | os.O_CREAT | (0 if force else os.O_EXCL) | BINARY_MODE
        try:
            self._fd = os.open(path, access, 0o666)
            _claim(self._fd)
            self._is_file = stat.S_ISREG(os.fstat(self._fd).st_mode)
            if force and self._is_file:
                os.ftruncate(self._fd, keep)
                self.size = os.lseek(self._fd, keep, os.SEEK_SET)
        except BlockingIOError:
            self._release()
            raise OutputError(
                path, "is being recorded to by another program", hint="end that one, or choose another name"
            ) from None
        except (OSError, ValueError) as error:
            self._release()
            raise refused_output(path, error) from None

    @property
    def is_open(self) -> bool:
        """False after it was closed, or after a write failed."""
        return self._fd >= 0

    def write(self, data: memoryview, *, whole: Callable[[memoryview], int] = len, tail: bytes = b"") -> None:
        """Write bytes.

        Args:
            tail: written after them; the next call overwrites it. Regular files only.
            whole: how many of the first bytes may stay if the disk is full.

        Raises:
            OutputError: the disk is full or gone, or the file was deleted or cut by another program.
        """
        if self._fd < 0:
            raise OutputError(self._path, "is closed already")
        self.require_untouched()
        done, size = 0, len(data)
        try:
            if self._tail_bytes:
                os.lseek(self._fd, self.size, os.SEEK_SET)
            if tail:
                data = memoryview(bytes(data) + tail)
            while done < len(data):
                done += os.write(self._fd, data[done:])
            if len(data) < self._tail_bytes:
                os.ftruncate(self._fd, self.size + len(data))
        except OSError as error:
            self.size += whole(data[: min(done, size)])
            self._give_up(error)
        self.size += size
        self._tail_bytes = len(tail)

    def close(self) -> None:
        """Sync it to the disk and close it.

        Raises:
            OutputError: the disk is full or gone, or the file is not at its name as it was written.
        """
        if self._fd < 0:
            return
        try:
            self.require_untouched()
            if self._is_file and not self._is_at_name():
                what = "was moved by another program while it was recorded; what was moved is whole"
                raise OutputError(self._path, what, hint="look for it under its new name")
            os.fsync(self._fd)
        except OSError as error:
            if self._is_file:
                self._give_up(error)
        finally:
            self._release()

    def require_untouched(self) -> None:
        """Check that the file still holds what was written (raises OutputError: it was deleted or cut)."""
        if not self._is_file:
            return
        now = os.fstat(self._fd)
        hint = "record again, and leave the file alone meanwhile"
        if not now.st_nlink:
            self._release()
            raise OutputError(self._path, "was deleted by another program while it was recorded", hint=hint)
        if now.st_size < self.size:
            self._release()
            what = "was cut short by another program while it was recorded"
            raise OutputError(self._path, what, offset=now.st_size, hint=hint)

    def _is_at_name(self) -> bool:
        try:
            return os.path.samestat(os.fstat(self._fd), os.stat(self._path))
        except OSError:
            return False

    def _give_up(self, error: OSError) -> None:
        is_empty = self.size < self.least_bytes
        with contextlib.suppress(OSError):  # the reader accepts a cut block too
            os.ftruncate(self._fd, self.size)
            if is_empty and self._is_file:
                os.unlink(self._path)
        self._release()
        if is_empty:
            raise refused_output(self._path, error) from None
        what = f"cannot be written any further ({error.strerror}); all before it is whole"
        raise OutputError(self._path, what, offset=self.size, hint="make room, then record to a new file") from None

    def _release(self) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


def _claim(fd: int) -> None:
    """Lock a file against other recordings while it is open (raises BlockingIOError: one is being written to it)."""
    if sys.platform == "win32":
        return
    import fcntl

    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except OSError:  # not every file system has locks
        pass
