"""Which frames of two recordings of one line are the same, by the contents of frames and their order.

Runs of frames that end in a change and occur once in each recording give a first line from one clock to the other.
By it runs are matched that occur once near the expected time. The exact times of the second recording number its
frames, lost ones included; so the number of frames that the first one lost so far can only grow. Matches that
contradict their neighbours in this are dropped, and frames at rest are matched by their place between others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.period import number_frames
from busbench.analysis.skew import HASH_STEP, MATCHES_LEAST, hash_rows
from busbench.model import F64, I64, U64, Bools
from busbench.wire.table import FrameTable

_RUNS = (8, 4)  # frames of a run; the shorter ones if frames are lost too often for the longer
_DRIFT = 2e-3  # max difference of two clocks
_WINDOW_NS = 40_000_000.0  # lateness of an adapter is spread over no more
_VOTES = 2048  # runs that vote on the first line
_SHARE = 0.5  # of the runs that must agree
_MARGIN_NS = 5_000_000.0
_CLEAR = 0.8  # of the period: if lateness is spread over less, its time shows which frame it is
_LOOK = 5  # matches by whose majority one is judged
Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """Frames that are the same: rows in both recordings, int64 (M,), rising."""

    first: Rows
    second: Rows

    def __len__(self) -> int:
        return int(self.first.size)


@dataclass(frozen=True, slots=True, eq=False)
class _Contents:
    """What is compared of a recording: time of each frame, a hash of it, and whether its channels changed."""

    t_ns: F64
    keys: U64
    has_moved: Bools

    @staticmethod
    def of(frames: FrameTable) -> _Contents:
        middle = (int(frames.t_ns[0]) + int(frames.t_ns[-1])) // 2  # so that float64 holds times to the nanosecond
        keys = hash_rows(frames.raw)
        bad = np.flatnonzero(frames.suspect)
        keys[bad] = frames.t_ns[bad].astype(np.uint64) * HASH_STEP  # like no other
        moved = np.append(False, (frames.raw[1:, 1:23] != frames.raw[:-1, 1:23]).any(axis=1))
        return _Contents((frames.t_ns - middle).astype(np.float64), keys, moved)

    def runs(self, length: int, number: Rows) -> tuple[U64, Rows]:
        """A hash of each run of neighbours that ends in a change, and the row of its last frame."""
        whole = np.zeros(max(0, self.keys.size - length + 1), np.uint64)
        for at in range(length):
            whole = whole * HASH_STEP + self.keys[at : at + whole.size]
        last = np.arange(length - 1, self.keys.size)
        good = self.has_moved[last] & (number[last] - number[last - length + 1] == length - 1)
        return whole[good], last[good]


def match_frames(first: FrameTable, second: FrameTable) -> Matches:
    """Match the frames of two recordings of one line; none if their contents do not show it.

    Args:
        first: recorded by an adapter, whose times may be late.
        second: recorded with exact times, on another clock.
    """
    none = Matches(np.empty(0, np.int64), np.empty(0, np.int64))
    if len(first) < MATCHES_LEAST or len(second) < MATCHES_LEAST:
        return none
    numbers = number_frames(second.times())
    if numbers is None:
        return none
    a, b = _Contents.of(first), _Contents.of(second)
    slot = _slots(len(second), numbers.missing.row, numbers.missing.count)
    row = np.arange(len(first))
    for length in _RUNS:
        in_a, in_b = _same_runs(a.runs(length, row), b.runs(length, slot))
        found = _first_line(a.t_ns[in_a], b.t_ns[in_b])
        if found is not None:
            break
    else:
        return none
    level, slope = found
    expected = b.t_ns * (1 + slope) + level
    late = a.t_ns[in_a] - expected[in_b]
    late = late[np.abs(late) <= _WINDOW_NS]
    margin = _MARGIN_NS + float(np.ptp(late)) / 2
    bounds = float(late.min()) - margin, float(late.max()) + margin
    at = _near(a.runs(_RUNS[-1], row), a.t_ns, b.runs(_RUNS[-1], slot), expected, bounds)
    known = np.flatnonzero(at >= 0)
    known = known[_agrees(slot[at[known]] - known)]
    sure = _without_doubt(_between(known, at[known], a.keys, b.keys, slot), b.keys, slot)
    return _by_time(sure, a, b, numbers.period_ns)


def _slots(count: int, gap_row: I64, gap_count: I64) -> Rows:
    """Number of each frame on the period."""
    step = np.ones(count, np.int64)
    step[gap_row] += gap_count
    return np.cumsum(step) - 1


def _same_runs(first: tuple[U64, Rows], second: tuple[U64, Rows]) -> tuple[Rows, Rows]:
    """Rows of the runs that both have once."""
    singles = []
    for keys, rows in (first, second):
        value, at, count = np.unique(keys, return_index=True, return_counts=True)
        singles.append((value[count == 1], rows[at[count == 1]]))
    (one, row_one), (two, row_two) = singles
    _, in_one, in_two = np.intersect1d(one, two, assume_unique=True, return_indices=True)
    return row_one[in_one], row_two[in_two]


def _first_line(first_ns: F64, second_ns: F64) -> tuple[float, float] | None:
    """Level and slope of the band in which most differences of the times lie; None without a majority."""
    if first_ns.size < MATCHES_LEAST:
        return None
    some = slice(None, None, -(-first_ns.size // _VOTES))
    x, y = second_ns[some], (first_ns - second_ns)[some]
    span = float(np.ptp(x)) or 1.0
    best = (0, 0.0, 0.0)
    for slope in np.arange(-_DRIFT, _DRIFT, min(_DRIFT, _WINDOW_NS / 2 / span)).tolist():
        off = np.sort(y - slope * x)
        inside = np.searchsorted(off, off + _WINDOW_NS, "right") - np.arange(off.size)
        at = int(inside.argmax())
        best = max(best, (int(inside[at]), slope, float(off[at])))
    count, slope, low = best
    if count < max(MATCHES_LEAST, _SHARE * x.size):
        return None
    level = low + _WINDOW_NS / 2
    for _ in range(3):
        near = np.abs(y - level - slope * x) <= _WINDOW_NS
        if np.ptp(x[near]) > 0:
            slope = float(np.polyfit(x[near] / span, y[near], 1)[0]) / span
        level = float(np.median(y[near] - slope * x[near]))
    return level, slope


def _near(
    first: tuple[U64, Rows], first_ns: F64, second: tuple[U64, Rows], expected_ns: F64, bounds_ns: tuple[float, float]
) -> Rows:
    """For each row of the first, the row of the only like run of the second near its time; -1 if none."""
    (key_a, row_a), (key_b, row_b) = first, second
    at = np.full(first_ns.size, -1, np.int64)
    if not row_a.size or not row_b.size:
        return at
    low_ns, high_ns = bounds_ns
    _, group = np.unique(np.concatenate([key_a, key_b]), return_inverse=True)
    mine, theirs = first_ns[row_a], expected_ns[row_b]
    zero = min(float(mine.min()) - high_ns, float(theirs.min())) - 1e3
    wide = int((max(float(mine.max()) - low_ns, float(theirs.max())) - zero) / 1e3) + 2

    def place(groups: NDArray[np.signedinteger], t_ns: F64) -> I64:
        """Group and time in one number: whole µs, so that 64 bits hold them."""
        made: I64 = groups.astype(np.int64) * wide + ((t_ns - zero) / 1e3).astype(np.int64)
        return made

    places = place(group[key_a.size :], theirs)
    order = np.argsort(places, kind="stable")
    begin = np.searchsorted(places[order], place(group[: key_a.size], mine - high_ns), "left")
    end = np.searchsorted(places[order], place(group[: key_a.size], mine - low_ns), "right")
    alone = end - begin == 1
    at[row_a[alone]] = row_b[order[begin[alone]]]
    return at


def _agrees(lost: Rows) -> Bools:
    """True for matches by which as many frames were lost so far as by most matches just before or just after."""
    if lost.size < _LOOK:
        return np.zeros(lost.size, np.bool_)
    padded = np.pad(lost, _LOOK - 1, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, _LOOK), axis=1)
    agrees: Bools = (lost == middle[: lost.size]) | (lost == middle[_LOOK - 1 :])
    return agrees


def _between(known: Rows, at: Rows, first: U64, second: U64, slot: Rows) -> Matches:
    """The matches, and the frames between two of them if the first recording lost none there."""
    if known.size < 2:
        return Matches(known, at)
    row = np.arange(known[0], known[-1] + 1)
    before = np.clip(np.searchsorted(known, row, "right") - 1, 0, known.size - 2)
    is_whole = known[before + 1] - known[before] == slot[at[before + 1]] - slot[at[before]]
    is_known = np.isin(row, known, assume_unique=True)
    wanted = slot[at[before]] + row - known[before]
    found = np.minimum(np.searchsorted(slot, wanted), slot.size - 1)
    good = (is_whole & (slot[found] == wanted) & (first[row] == second[found])) | is_known
    guess = np.where(is_known, at[np.searchsorted(known, row).clip(max=known.size - 1)], found)
    return Matches(row[good], guess[good])


def _without_doubt(known: Matches, second: U64, slot: Rows) -> Matches:
    """The matches without frames that may as well be one of those after, which seem to be lost in the first."""
    rows = known.second
    lost = np.diff(slot[rows] - known.first, append=slot[rows[-1:]] - known.first[-1:])
    is_alike = np.searchsorted(slot, slot[rows] + lost, "right") - 1 - rows < lost  # the second lost some of them too
    for step in range(1, _LOOK + 1):
        after = np.minimum(rows + step, second.size - 1)
        is_alike |= (slot[after] - slot[rows] <= lost) & (second[after] == second[rows]) & (after > rows)
    return Matches(known.first[~is_alike], rows[~is_alike])


def _by_time(known: Matches, a: _Contents, b: _Contents, period_ns: float) -> Matches:
    """The matches, and all other frames that have only one like frame at the time that the matches allow."""
    if len(known) < MATCHES_LEAST:
        return known
    x, y = b.t_ns[known.second], a.t_ns[known.first] - b.t_ns[known.second]
    expected = b.t_ns * (1 + float(np.polyfit(x / 1e9, y, 1)[0]) / 1e9)
    late = a.t_ns[known.first] - expected[known.second]
    margin = (_CLEAR * period_ns - float(np.ptp(late))) / 2
    if margin <= 0:
        return known
    bounds = float(late.min()) - margin, float(late.max()) + margin
    at = _near((a.keys, np.arange(a.keys.size)), a.t_ns, (b.keys, np.arange(b.keys.size)), expected, bounds)
    at[known.first] = known.second
    row = np.flatnonzero(at >= 0)
    found = at[row]
    is_new = np.append(True, found[1:] > found[:-1]) & np.append(found[1:] > found[:-1], True)
    is_new |= np.isin(row, known.first, assume_unique=True)
    return Matches(row[is_new], found[is_new])
