"""Faults of a virtual receiver: lost frames, failsafe, silence, line noise, and a line read with other settings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from busbench.line import BUS_LINE, LineSettings
from busbench.model import F64, I64, U8, Bools, ByteLog
from busbench.wire.uart import decode_fixed, encode_line


@dataclass(frozen=True, slots=True)
class OutageSpan:
    """A time range."""

    start_s: float  # its start, in seconds from the receiver's first frame
    length_s: float


class Episodes:
    """Time ranges of a condition; query it with rising times.

    Args:
        rate_per_min: rate of additional random ones.
        length_s: min and max length of the random ones.
    """

    def __init__(
        self,
        spans: tuple[OutageSpan, ...],
        *,
        rate_per_min: float,
        length_s: tuple[float, float],
        random: np.random.Generator,
    ) -> None:
        self._spans = [(span.start_s, span.start_s + span.length_s) for span in spans]
        self._rate = rate_per_min
        self._length_s = length_s
        self._random = random
        self._last_s = 0.0

    def during(self, t_s: F64) -> Bools:
        """True for times inside an episode, of one time at least."""
        inside = np.zeros(t_s.size, np.bool_)
        while self._rate > 0 and self._last_s <= t_s[-1]:
            low, high = self._length_s
            start = self._last_s - math.log(1 - self._random.random()) * 60 / self._rate
            self._last_s = start + low + (high - low) * self._random.random()
            self._spans.append((start, self._last_s))
        for start, end in self._spans:
            inside |= (t_s >= start - 1e-9) & (t_s < end - 1e-9)
        self._spans = [span for span in self._spans if span[1] > t_s[-1]]
        return inside


@dataclass(frozen=True, slots=True)
class Noise:
    """Line noise, each kind as a share of all bytes."""

    flips: float = 0.0
    drops: float = 0.0
    extras: float = 0.0  # an extra byte after it
    bursts: float = 0.0  # 3 to 20 bytes of garbage from here

    @property
    def is_quiet(self) -> bool:
        """True without any noise."""
        return not (self.flips or self.drops or self.extras or self.bursts)


def add_noise(t_ns: I64, data: U8, noise: Noise, random: np.random.Generator) -> tuple[I64, U8, U8]:
    """Damage bytes.

    Args:
        t_ns: end times of the characters, int64 (B,).
        data: the bytes, uint8 (B,).
        noise: amounts.

    Returns:
        Remaining times and bytes, and 1 for each byte marked by parity or framing.
    """
    data, bad = data.copy(), np.zeros(data.size, np.uint8)
    if noise.is_quiet or not data.size:
        return t_ns, data, bad
    throws = random.random((5, data.size))
    for start in np.flatnonzero(throws[3] < noise.bursts):
        stop = start + 3 + int(throws[4, start] * 18)
        garbage = random.random((2, data[start:stop].size))
        data[start:stop] = (garbage[0] * 256).astype(np.uint8)
        bad[start:stop] = garbage[1] < 0.5  # parity misses half of them
    flipped = throws[0] < noise.flips
    # A single flipped bit always breaks parity.
    data[flipped] ^= np.uint8(1) << (throws[4, flipped] * 8).astype(np.uint8)
    bad[flipped] = 1
    copies = 1 - (throws[1] < noise.drops).astype(np.int64) + (throws[2] < noise.extras)
    place = np.repeat(np.arange(data.size), copies)
    is_extra = np.concatenate([[False], place[1:] == place[:-1]]) if place.size else np.zeros(0, np.bool_)
    out, marks = data[place], bad[place]
    out[is_extra] = (throws[4, place[is_extra]] * 256).astype(np.uint8)
    marks[is_extra] = throws[3, place[is_extra]] < 0.5
    return t_ns[place], out, marks


def decode_fixed_bytes(blocks: Iterable[ByteLog], *, line: LineSettings, has_marks: bool) -> Iterator[ByteLog]:
    """Read each block's line with other settings.

    Args:
        blocks: bytes of the bus, each with the end time of its character.
        has_marks: True if the adapter marks damaged bytes.

    Returns:
        The garbage, a log per log, in the same form.
    """
    offset = 0
    for log in blocks:
        starts = log.mark_t_ns - BUS_LINE.character_ns
        # An extra byte made by noise has no place on the line.
        has_place = np.diff(starts, prepend=np.int64(-(1 << 40))) >= BUS_LINE.character_ns
        if not has_place.any():
            yield ByteLog(offset, np.empty(0, np.uint8), np.empty(0, np.int64), np.empty(0, np.int64))
            continue
        read = decode_fixed(encode_line(log.data[has_place], starts[has_place]), line=line)
        marks = offset + 1 + np.arange(len(read), dtype=np.int64)
        bad = (read.bad != 0).astype(np.uint8)
        yield ByteLog(offset, read.data, marks, read.t_ns + line.character_ns, bad if has_marks else None)
        offset += len(read)
