"""Sessions of the sigrok tools (.sr): samples of logic signals in a zip archive, unpacked while reading.

Source: "File format:sigrok/v2" of the sigrok project, from memory: `metadata` is an INI file with a section for the
device, `logic-1-1`, `logic-1-2` and so on hold its samples, a bit for each signal, the first the lowest.
"""

from __future__ import annotations

import configparser
import re
import zipfile
import zlib
from collections.abc import Collection, Iterator

import numpy as np

from busbench.capture.base import Capture, ReadOptions
from busbench.capture.compressed import unpacked_most
from busbench.capture.edges import LevelCapture, LevelFile
from busbench.capture.file_io import Source, as_source
from busbench.errors import CaptureError, sanitize
from busbench.model import I64, U8
from busbench.wire.edges import Edges

FORMAT = "sigrok session"

_BLOCK_BYTES = 1 << 20
_META_BYTES = 1 << 20
_UNIT_BYTES_MOST = 64  # 512 signals
_DAMAGE = (zipfile.BadZipFile, zlib.error, OSError, KeyError, EOFError, NotImplementedError, RuntimeError, ValueError)
_RATE = re.compile(r"(\d{1,12}(?:\.\d{1,9})?)\s*([kMG]?)(?:Hz)?", re.IGNORECASE)
_POWERS = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9}
_RATE_MOST = 5 * 10**9  # samples per second; with more, times would not fit


def sniff(head: bytes) -> bool:
    """True if the file begins as a zip archive whose first entry is one of a session."""
    return head.startswith(b"PK\x03\x04") and head[30:].startswith((b"version", b"metadata", b"logic-"))


def open_file(source: str | Source, options: ReadOptions) -> Capture:
    """Open a session as the bytes on one of its signals; `options.signal` picks one by name or number."""
    return LevelCapture(open_levels(source), options)


def open_levels(source: str | Source) -> LevelFile:
    """Open a session as the levels of all its signals; see open_file."""
    return SrSession(as_source(source))


class SrSession(LevelFile):
    """The signals of a session's first device, and their samples, readable repeatedly."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.path, self.format = source.name, FORMAT
        self.notes: list[str] = []
        with source.random_access() as file:
            try:
                with zipfile.ZipFile(file) as archive:
                    meta = archive.open("metadata").read(_META_BYTES)
                    sizes = {info.filename: info.file_size for info in archive.infolist()}
            except _DAMAGE:
                raise self._damaged() from None
            packed = file.seek(0, 2)
        self._read_meta(meta)
        entry = re.compile(re.escape(self._entry) + r"(?:-(\d{1,9}))?")
        found = [(int(match[1] or 0), name) for name in sizes if (match := entry.fullmatch(name))]
        self._entries = [name for _, name in sorted(found)]
        most = unpacked_most(packed)
        if sum(sizes[name] for name in self._entries) > most:
            what = f"unpacks to more than {most >> 20:,} MB, which no recording does"
            raise CaptureError(self.path, what, hint="look where it comes from")

    def _read_meta(self, meta: bytes) -> None:
        parser = configparser.ConfigParser(interpolation=None, strict=False)
        try:
            parser.read_string(meta.decode("utf-8", "replace"))
        except configparser.Error:
            raise self._damaged() from None
        sections = [dict(parser[name]) for name in parser.sections()]
        device = next((one for one in sections if "capturefile" in one), {})
        bits = {int(key[5:]) - 1: name for key, name in device.items() if re.fullmatch(r"probe[1-9]\d{0,2}", key)}
        if not bits:
            raise CaptureError(self.path, "holds no logic signals", hint="record the line with a logic analyser")
        rate = _RATE.fullmatch(device.get("samplerate", "").strip())
        self._rate = round(float(rate[1]) * _POWERS[rate[2].lower()]) if rate else 0
        if not 0 < self._rate <= _RATE_MOST:
            said = sanitize(device.get("samplerate", ""), most=40)
            what = f'has the sample rate "{said}"' if said else "states no sample rate"
            raise CaptureError(self.path, what, hint="record it again with one, such as 1 MHz")
        unit = device.get("unitsize", "").strip()
        self._unit = int(unit) if unit.isascii() and unit.isdigit() and len(unit) < 4 else max(bits) // 8 + 1
        if not max(bits) < 8 * self._unit <= 8 * _UNIT_BYTES_MOST:
            raise self._damaged()
        self._entry = device["capturefile"]
        names = {bit: sanitize(name, most=200) or str(bit + 1) for bit, name in sorted(bits.items())}
        if len(set(names.values())) < len(names):
            names = {bit: str(bit + 1) for bit in names}
        self._bits = {name: bit for bit, name in names.items()}
        self.names = tuple(self._bits)
        self.resolution_ns = max(1, round(10**9 / self._rate))

    def pieces(self, names: Collection[str]) -> Iterator[dict[str, Edges]]:
        """Read the samples of the named signals; see LevelFile."""
        self.notes.clear()
        last: dict[str, Edges] = {}
        at = 0
        with self._source.random_access() as file:
            try:
                with zipfile.ZipFile(file) as archive:
                    for block in self._blocks(archive):
                        samples = np.frombuffer(block, np.uint8).reshape(-1, self._unit)
                        for name in names:
                            byte, bit = divmod(self._bits[name], 8)
                            last[name] = self._edges(samples[:, byte], bit, at, last.get(name))
                        at += len(samples)
                        yield dict(last)
            except _DAMAGE:
                raise self._damaged() from None

    def _blocks(self, archive: zipfile.ZipFile) -> Iterator[bytes]:
        """Blocks of whole samples; a sample may begin in one entry and end in the next."""
        rest = b""
        for name in self._entries:
            with archive.open(name) as entry:
                while block := entry.read(_BLOCK_BYTES - _BLOCK_BYTES % self._unit):
                    block = rest + block if rest else block
                    whole = len(block) - len(block) % self._unit
                    rest = block[whole:]
                    if whole:
                        yield block[:whole] if rest else block
        if rest:
            self.notes.append("the session is cut inside its last sample")

    def _edges(self, column: U8, bit: int, at: int, before: Edges | None) -> Edges:
        """The changes of one bit in a column of bytes whose first sample is `at`."""
        level = column & np.uint8(1 << bit)
        places = np.flatnonzero(level[1:] != level[:-1]) + 1
        places = np.concatenate([np.zeros(1, np.int64), places])
        values = (level[places] >> np.uint8(bit) & 1).astype(np.uint8)
        end_ns = int(self._to_ns(np.array([at + len(column) - 1]))[0])
        return Edges.from_levels(self._to_ns(places + at), values, end_ns=end_ns, before=before)

    def _to_ns(self, samples: I64) -> I64:
        seconds, rest = np.divmod(samples, self._rate)
        times: I64 = seconds * 10**9 + rest * 10**9 // self._rate
        return times

    def _damaged(self) -> CaptureError:
        return CaptureError(self.path, f"is damaged ({FORMAT})", hint="copy it again")
