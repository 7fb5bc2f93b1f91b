"""The formats of recordings, a row per format; readers and writers are imported when needed."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, cast

if TYPE_CHECKING:
    from busbench.capture.base import Capture, ReadOptions
    from busbench.capture.file_io import Source
    from busbench.capture.write import LogWriter

COMPRESSED_SUFFIXES = (".gz", ".zst", ".xz", ".bz2")


class FormatReader(Protocol):
    """The interface of a format's module."""

    FORMAT: str

    def sniff(self, head: bytes) -> bool:
        """True if a file with these first bytes is of this format."""

    def open_file(self, source: Source, options: ReadOptions) -> Capture:
        """Open the recording (raises CaptureError: another format, or a choice is missing in `options`)."""


@dataclass(frozen=True, slots=True)
class FileFormat:
    """One format."""

    module: str  # of the reader, "busbench.capture.vcd" for example
    suffixes: tuple[str, ...] = ()  # suffixes of files that are read
    written: tuple[str, ...] = ()  # of these, the suffixes of files that are written
    writer: str = ""  # "module:class", called with path, info, line and force; "" if not written this way
    needs_clock: bool = False  # True if it cannot be written without times
    is_followed: bool = False  # True if it is read while it arrives through a pipe

    def reader(self) -> FormatReader:
        """Its reader."""
        return cast(FormatReader, importlib.import_module(self.module))


_HERE = "busbench.capture"
_WRITE = f"{_HERE}.write"
# In the order of sniffing: strict formats first, of these the commonest.
# Raw bytes are recognized only by the frames in them, so they come last.
RAW = FileFormat(f"{_HERE}.raw", (".raw", ".bin"), (".raw", ".bin"), f"{_WRITE}:RawFile", is_followed=True)
FORMATS: list[FileFormat] = [
    FileFormat(f"{_HERE}.usb", (".pcapng", ".pcap")),
    FileFormat(f"{_HERE}.pcapng_read", (".pcapng", ".pcap"), (".pcapng",), f"{_WRITE}:PcapngFile", is_followed=True),
    FileFormat(f"{_HERE}.parquet_read", (".parquet",)),  # frames only: written by bench.convert
    FileFormat(f"{_HERE}.sr_session", (".sr",)),
    FileFormat(f"{_HERE}.vcd", (".vcd",), (".vcd",), f"{_WRITE}:LineVcdFile", needs_clock=True, is_followed=True),
    FileFormat(f"{_HERE}.level_csv", (".csv",), is_followed=True),
    FileFormat(f"{_HERE}.byte_csv", (".csv",), (".csv",), f"{_WRITE}:ByteCsvFile", needs_clock=True, is_followed=True),
    FileFormat(f"{_HERE}.volts_csv", (".csv",)),
    RAW,
]


def read_suffixes() -> tuple[str, ...]:
    """Suffixes of files that may be recordings, including compressed ones."""
    return (*dict.fromkeys(suffix for one in FORMATS for suffix in one.suffixes), *COMPRESSED_SUFFIXES)


def written_suffixes() -> tuple[str, ...]:
    """Suffixes of recordings that can be written."""
    return tuple(dict.fromkeys(suffix for one in FORMATS for suffix in one.written))


def format_of(suffix: str) -> FileFormat | None:
    """The format written under a suffix, None without one."""
    return next((one for one in FORMATS if suffix in one.written), None)


def writer_of(made: FileFormat) -> Callable[..., LogWriter]:
    """Its writer, called with path, info, line and, by keyword, force."""
    module, _, name = made.writer.partition(":")
    return cast("Callable[..., LogWriter]", getattr(importlib.import_module(module), name))
