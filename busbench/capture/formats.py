"""The formats of recordings, a row for each: its reader and its writer are imported when they are needed."""

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
    """What the module of a format offers."""

    FORMAT: str

    def sniff(self, head: bytes) -> bool:
        """True where a file that begins so is of this format."""

    def open_file(self, source: Source, options: ReadOptions) -> Capture:
        """The recording (raises CaptureError: it is no such file, or leaves a choice that `options` does not make)."""


@dataclass(frozen=True, slots=True)
class FileFormat:
    """One format."""

    module: str  # its reader, as in "busbench.capture.vcd"; sniffed in the order of FORMATS, the strictest first
    suffixes: tuple[str, ...] = ()  # of the files that are read
    written: tuple[str, ...] = ()  # of these, what the writer makes
    writer: str = ""  # "module:class", called with path, info, line and force; "" where it is not written so
    needs_clock: bool = False  # True where it cannot be written without times
    is_followed: bool = False  # True where it is read on as it comes out of a pipe

    def reader(self) -> FormatReader:
        """Its reader."""
        return cast(FormatReader, importlib.import_module(self.module))


_HERE = "busbench.capture"
_WRITE = f"{_HERE}.write"
# Raw bytes are recognized only by the frames in them, so they come last.
RAW = FileFormat(f"{_HERE}.raw", (".raw", ".bin"), (".raw", ".bin"), f"{_WRITE}:RawFile", is_followed=True)
FORMATS: list[FileFormat] = [
    FileFormat(f"{_HERE}.parquet_read", (".parquet",)),  # frames alone: written by bench.convert
    FileFormat(f"{_HERE}.sr_session", (".sr",)),
    FileFormat(f"{_HERE}.usb", (".pcapng", ".pcap")),
    FileFormat(f"{_HERE}.pcapng_read", (".pcapng", ".pcap"), (".pcapng",), f"{_WRITE}:PcapngFile", is_followed=True),
    FileFormat(f"{_HERE}.vcd", (".vcd",), (".vcd",), f"{_WRITE}:LineVcdFile", needs_clock=True, is_followed=True),
    FileFormat(f"{_HERE}.level_csv", (".csv",), is_followed=True),
    FileFormat(f"{_HERE}.byte_csv", (".csv",), (".csv",), f"{_WRITE}:ByteCsvFile", needs_clock=True, is_followed=True),
    FileFormat(f"{_HERE}.volts_csv", (".csv",)),
    RAW,
]


def read_suffixes() -> tuple[str, ...]:
    """Of files that may be recordings, compressed ones among them."""
    return (*dict.fromkeys(suffix for one in FORMATS for suffix in one.suffixes), *COMPRESSED_SUFFIXES)


def written_suffixes() -> tuple[str, ...]:
    """Of recordings that can be written."""
    return tuple(dict.fromkeys(suffix for one in FORMATS for suffix in one.written))


def format_of(suffix: str) -> FileFormat | None:
    """What is written under a suffix, None where there is no such format."""
    return next((one for one in FORMATS if suffix in one.written), None)


def writer_of(made: FileFormat) -> Callable[..., LogWriter]:
    """Its writer, called with path, info, line and, by keyword, force."""
    module, _, name = made.writer.partition(":")
    return cast("Callable[..., LogWriter]", getattr(importlib.import_module(module), name))
