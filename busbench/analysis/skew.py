"""The delay between two receivers, from the contents of their frames, or between pulse outputs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Generic, TypeVar

import numpy as np

from busbench.model import I64, U8, U64
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.table import FrameTable

MATCHES_LEAST = 8
APART_MOST_NS = 1_000_000_000
_PAYLOAD = slice(1, 23)
HASH_STEP = np.uint64(0x9E3779B97F4A7C15)  # from a hash to that of it and its successor
SourceName = TypeVar("SourceName", int, str)


@dataclass(frozen=True, slots=True)
class Skew(Generic[SourceName]):
    """The delay of one source after another.

    Args:
        sources: numbers or names of the two; the skew is positive if the second is later.
        median_s: None with too few common changes, for example with still sticks.
        low_s, high_s: 5th and 95th percentile.
        matches: number of changes that both show.
    """

    sources: tuple[SourceName, SourceName]
    median_s: float | None
    low_s: float | None
    high_s: float | None
    matches: int

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        return {name: getattr(self, name) for name in self.__slots__} | {"sources": list(self.sources)}


@cache
def _factors() -> U64:
    """An odd factor per byte; made at first use, since random numbers take long to import."""
    return np.random.default_rng(7).integers(1, 1 << 62, FRAME_BYTES, dtype=np.uint64) | np.uint64(1)


def hash_rows(raw: U8) -> U64:
    """A hash of each row of at most 25 bytes, uint8 (N, B) -> uint64 (N,)."""
    hashes: U64 = (raw.astype(np.uint64) * _factors()[: raw.shape[1]]).sum(axis=1, dtype=np.uint64)
    return hashes


class ContentChanges:
    """The times and values of channel changes of one source; feed it the frames as they are read."""

    def __init__(self) -> None:
        self._times: list[I64] = []
        self._keys: list[U64] = []
        self._last: U64 = np.empty(0, np.uint64)

    def feed(self, frames: FrameTable) -> None:
        """Add frames; flagged and marked ones are ignored."""
        sound = frames.is_sound
        contents = hash_rows(frames.raw[sound, _PAYLOAD])
        whole = np.concatenate([self._last, contents])
        changed = np.flatnonzero(whole[1:] != whole[:-1]) + 1
        self._keys.append(whole[changed - 1] * HASH_STEP + whole[changed])
        self._times.append(frames.t_ns[sound][changed - self._last.size])
        self._last = whole[-1:]

    def columns(self) -> tuple[I64, U64]:
        """Time of each change, int64 (N,), and a hash of its values, uint64 (N,)."""
        return np.concatenate([np.empty(0, np.int64), *self._times]), np.concatenate(
            [np.empty(0, np.uint64), *self._keys]
        )


def find_skew(
    first: ContentChanges, second: ContentChanges, *, sources: tuple[SourceName, SourceName], shift_ns: int = 0
) -> Skew[SourceName]:
    """Match the changes of two sources; a change that occurs twice in either is ignored.

    Args:
        shift_ns: added to the times of the second, so that both have one zero.
    """
    (t_first, key_first), (t_second, key_second) = first.columns(), second.columns()
    one, at_first, count_first = np.unique(key_first, return_index=True, return_counts=True)
    two, at_second, count_second = np.unique(key_second, return_index=True, return_counts=True)
    _, in_one, in_two = np.intersect1d(one, two, assume_unique=True, return_indices=True)
    once = (count_first[in_one] == 1) & (count_second[in_two] == 1)
    late = t_second[at_second[in_two[once]]] + shift_ns - t_first[at_first[in_one[once]]]
    return skew_of(late[np.abs(late) <= APART_MOST_NS], sources)


def skew_of(late: I64, sources: tuple[SourceName, SourceName]) -> Skew[SourceName]:
    """The skew by how much later the second source was each time, ns, int64 (M,)."""
    if late.size < MATCHES_LEAST:
        return Skew(sources, None, None, None, int(late.size))
    low, median, high = (float(value) / 1e9 for value in np.percentile(late, (5, 50, 95)))
    return Skew(sources, median, low, high, int(late.size))
