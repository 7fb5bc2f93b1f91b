"""Recordings by address: file:// always, other schemes through fsspec if it is installed."""

from __future__ import annotations

import importlib
import os
from typing import Any, BinaryIO, cast
from urllib.parse import urlsplit

from busbench.capture.file_io import FileSource, ObjectSource, Source
from busbench.errors import CaptureError, unreadable

LIVE_SCHEMES = ("socket", "rfc2217", "loop", "spy", "alt", "hwgrep", "cp2110")
"""Of ports, not of recordings."""


def is_address(name: str) -> bool:
    """True for the address of a recording, for example file:///home/heron.pcapng or s3://bench/heron.pcapng."""
    scheme, mark, _ = name.partition("://")
    return bool(mark) and scheme.isascii() and scheme.replace("+", "").isalnum() and not is_live_address(name)


def is_live_address(name: str) -> bool:
    """True for the address of a port, for example socket://HOST:PORT."""
    scheme, mark, _ = name.partition("://")
    return bool(mark) and scheme.lower() in LIVE_SCHEMES


def local_path(name: str) -> str:
    """The path in a file:// address, anything else unchanged (raises CaptureError: it is on another computer)."""
    parts = urlsplit(name) if name[:7].lower() == "file://" else None
    if parts is None:
        return name
    from urllib.request import url2pathname  # slow to import

    if parts.netloc not in ("", "localhost") and os.name != "nt":
        raise CaptureError(name, "names another computer", hint="write file:///PATH, with three slashes")
    return url2pathname(f"//{parts.netloc}{parts.path}" if os.name == "nt" and parts.netloc else parts.path)


def open_address(address: str) -> Source:
    """Open an address (raises CaptureError: it cannot be read, or fsspec is not installed)."""
    path = local_path(address)
    if not is_address(path):
        return FileSource(path)
    fsspec = need_fsspec(address)
    try:
        file = fsspec.open(address, "rb").open()
        return _AddressSource(cast(BinaryIO, file), name=address)
    except Exception as error:  # each file system has its own errors
        raise address_fault(address, error) from None


class _AddressSource(ObjectSource):
    """A file that fsspec opened."""

    def __init__(self, file: BinaryIO, *, name: str) -> None:
        super().__init__(cast(BinaryIO, _Remote(file)), name=name)
        self._remote = file

    def close(self) -> None:
        """Close the file."""
        self._remote.close()


class _Remote:
    """A remote file whose errors are turned into file errors."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file

    def tell(self) -> int:
        return self._file.tell()

    def seek(self, place: int) -> int:
        return self._file.seek(place)

    def read(self, size: int) -> bytes:
        try:
            return self._file.read(size)
        except OSError:
            raise
        except Exception as error:
            raise OSError(f"{type(error).__name__}: {error}") from None


def need_fsspec(address: str) -> Any:
    """The library fsspec.

    Raises:
        CaptureError: it is not installed.
    """
    try:
        return importlib.import_module("fsspec")
    except ImportError:
        hint = "install the addresses extra, as by `pip install fsspec`, or copy the file"
        raise CaptureError(address, "needs the package fsspec", hint=hint) from None


def address_fault(address: str, error: Exception) -> CaptureError:
    """What a file system said of an address, for people."""
    if isinstance(error, OSError):
        what, hint = unreadable(error)
        return CaptureError(address, what, hint=hint)
    if isinstance(error, ImportError):
        return CaptureError(address, f"needs a further package ({error})", hint="install it beside fsspec")
    what = f"cannot be read ({type(error).__name__}: {error})"
    return CaptureError(address, what, hint="check the address, or copy the file")
