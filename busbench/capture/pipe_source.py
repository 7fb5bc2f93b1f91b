"""The bytes of a pipe, kept in a temporary file so that they can be read again."""

from __future__ import annotations

import contextlib
import io
import os
import select
import weakref
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from busbench.capture.file_io import FileSource
from busbench.errors import CaptureError

_PULL_BYTES = 1 << 16
_LOOK_S = 0.2


class PipeSource(FileSource):
    """A pipe, a FIFO, or an object that cannot seek.

    Args:
        waiting: called a few times per second while waiting; None takes all of the pipe at once.

    Attributes:
        comes_slowly: True once streams pass on what has arrived and wait for the rest.

    Raises:
        CaptureError: no temporary file can be made, or it has no room.
    """

    def __init__(self, name: str, stream: BinaryIO | io.FileIO, *, waiting: Callable[[], object] | None = None) -> None:
        import tempfile

        try:
            handle, kept = tempfile.mkstemp(prefix="busbench-")
        except OSError as error:
            what = f"cannot be kept, since no temporary file can be made ({error.strerror})"
            raise CaptureError(name, what, hint="save it to a file first") from None
        super().__init__(kept, name=name)
        self._remove = weakref.finalize(self, _unlink, kept)
        self._file = os.fdopen(handle, "wb", buffering=0)
        self._stream, self._waiting = stream, waiting
        self._has_ended = False
        if waiting is None:
            self.take_all()

    def open(self) -> io.FileIO:
        """A stream from the first byte on; see Source."""
        file = super().open()
        return _Following(file, self) if self.comes_slowly else file

    def grow(self) -> bool:
        """Wait for more bytes; False at the end (raises CaptureError: they cannot be stored)."""
        if self._has_ended:
            return False
        with self._keeping():
            data = self._pull()
            self._has_ended = not data
            self._file.write(data)
        return True

    def take_all(self) -> None:
        """Wait for the end (raises CaptureError: the bytes cannot be stored)."""
        if self._waiting is None:
            import shutil

            with self._keeping():
                shutil.copyfileobj(self._stream, self._file, 1 << 20)
            self._has_ended = True
        while self.grow():
            pass

    def follow(self) -> None:
        """From now on, streams wait for bytes that have not arrived yet."""
        self.comes_slowly = not self._has_ended

    @property
    def has_ended(self) -> bool:
        """True if all bytes have arrived."""
        return self._has_ended

    def close(self) -> None:
        """Remove the temporary file."""
        self._file.close()
        self._remove()

    @contextlib.contextmanager
    def _keeping(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            raise  # from `waiting`: the reader of the output has gone
        except OSError as error:
            self.close()
            raise CaptureError(
                self.name, f"cannot be kept ({error.strerror})", hint="save it to a file first"
            ) from None

    def _pull(self) -> bytes:
        raw = getattr(self._stream, "raw", self._stream)
        if os.name == "posix" and self._waiting is not None:
            while not select.select([raw], [], [], _LOOK_S)[0]:
                self._waiting()
        return raw.read(_PULL_BYTES) or b""


class _Following(io.FileIO):
    """The stored file, read while it grows."""

    comes_slowly = True

    def __init__(self, file: io.FileIO, source: PipeSource) -> None:
        super().__init__(os.dup(file.fileno()), "rb")
        file.close()
        self._source = source

    def readinto(self, view: memoryview) -> int:  # type: ignore[override]
        while not (got := super().readinto(view) or 0) and self._source.grow():
            pass
        return got


def _unlink(path: str) -> None:
    with contextlib.suppress(OSError):
        Path(path).unlink()
