"""Frame candidates in bytes, and runs of candidates that follow one another.

A candidate has header, zero bits and end byte in place. One links to the next that is right
after it, or after sensor replies. Linked candidates are a run: the longer, the surer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.model import I64, U8, Bools
from busbench.wire.codec import IS_END, IS_SLOTS_END, are_slot_gaps
from busbench.wire.frame_spec import END_SLOTS, FLAGS_MAX, FRAME_BYTES, HEADER, SLOT_GAPS
from busbench.wire.similarity import FrameFields, are_wild, framed_alike, similarity
from busbench.wire.stream_buffer import StreamBuffer

GAPS = np.array((0, *SLOT_GAPS))
SOLID = 5  # frames in a run that prove it
SOON_BYTES, CHECK_BYTES = 2048, 1 << 14  # unproven candidates are weighed after so many bytes
# A frame that looks odd (all sticks jump, new flags) may be two halves with a foreign byte between: it waits
# for the next header, but not after so many frames without damage, fewer where the one before jumped too.
STREAK_ODD, STREAK_WILD = 2000, 50
_CROWDED = 2  # more candidates than SOLID around a proven run: chance is as likely
_CROWD_MIN, _CROWD = 32, 2 * SOON_BYTES // FRAME_BYTES  # candidates in SOON_BYTES, more than frames: weighed soon
_BLOCK_BYTES = 1 << 18  # stays in the cache
_IS_GAP = np.zeros(SLOT_GAPS[-1] + 2, np.bool_)  # indexed by length; the last entry is for all others
_IS_GAP[GAPS] = True


def are_candidates(rows: U8) -> Bools:
    """True for each row of 25 bytes that could be a frame, uint8 (N, 25) -> bool (N,)."""
    good: Bools = rows[:, 0] == HEADER
    good &= rows[:, 23] <= FLAGS_MAX
    good &= IS_END.take(rows[:, 24])
    return good


def find_candidates(data: U8) -> I64:
    """Indices of all candidates, rising."""
    parts = []
    stop = data.size - FRAME_BYTES + 1
    for start in range(0, max(stop, 0), _BLOCK_BYTES):
        at = np.flatnonzero(data[start : min(start + _BLOCK_BYTES, stop)] == HEADER)
        tail = data[start + FRAME_BYTES - 2 :]
        parts.append(at[(tail[at] <= FLAGS_MAX) & IS_END[tail[at + 1]]] + start)
    return np.concatenate(parts) if parts else np.empty(0, np.int64)


def are_followed(data: U8, index: I64) -> tuple[Bools, Bools]:
    """Which frames a header follows, directly or after replies, and for which that is certain.

    Args:
        index: start of each frame.

    Returns:
        True if a header follows, or may follow in bytes still to come; and True if no more bytes can change that.
    """
    behind = index[:, None] + FRAME_BYTES + GAPS
    has_come = behind < data.size
    is_header = has_come & (data[np.minimum(behind, data.size - 1)] == HEADER)
    has_slots = IS_SLOTS_END[data[index + FRAME_BYTES - 1]]
    found = is_header[:, 0] | has_slots & is_header.any(axis=1)
    is_open = ~has_come[:, 0] | has_slots & ~has_come.all(axis=1)
    return found | is_open, found | ~is_open


def link(data: U8, at: I64) -> I64:
    """For each candidate the index of the one it links to, or -1; each is linked to once at most."""
    after = np.full(at.size, -1)
    gap = np.diff(at) - FRAME_BYTES
    is_exact = gap == 0
    after[:-1][is_exact] = np.flatnonzero(is_exact) + 1
    left = np.flatnonzero(~is_exact & (gap <= GAPS[-1]))
    has_slots = IS_SLOTS_END[data[at[left] + FRAME_BYTES - 1]] & (data[at[left] + FRAME_BYTES] != HEADER)
    lag = 1
    while left.size:
        gap = at[left + lag] - at[left] - FRAME_BYTES
        good = _IS_GAP[np.clip(gap, -1, _IS_GAP.size - 1)] & (has_slots | (gap == 0))
        after[left[good]] = left[good] + lag
        goes_on = ~good & (gap < GAPS[-1]) & (left + lag + 1 < at.size)
        left, has_slots = left[goes_on], has_slots[goes_on]
        lag += 1
    first = np.flatnonzero(after >= 0)
    before = _before(after)
    after[first[before[after[first]] != first]] = -1
    return after


def _before(after: I64) -> I64:
    """The links reversed; of several to one candidate the nearest."""
    before = np.full(after.size, -1)
    first = np.flatnonzero(after >= 0)
    before[after[first]] = first  # the nearest is written last and wins
    return before


@dataclass(frozen=True, slots=True)
class Runs:
    """Linked candidates."""

    at: I64  # the candidates run by run, int64 (N,)
    first: I64  # index in `at` of each run's start, int64 (R,), runs ordered by their first candidates
    size: I64  # how many candidates each has, int64 (R,)


def find_runs(data: U8, at: I64) -> Runs:
    """Group candidates into runs."""
    before = _before(link(data, at))
    count = at.size
    is_head = before != np.arange(count) - 1  # of a piece: linked candidates with no other candidate between
    is_head[:1] = True
    heads = np.flatnonzero(is_head)
    order = np.arange(count)
    if (before[heads] >= 0).any():
        piece = np.cumsum(is_head) - 1
        root = np.where(before[heads] >= 0, piece[before[heads]], np.arange(heads.size))
        while not np.array_equal(further := root[root], root):
            root = further
        order = np.argsort(root[piece], kind="stable")
        heads = np.flatnonzero(before[order] < 0)
    return Runs(at[order], heads, np.diff(np.append(heads, count)))


def is_noise(data: U8) -> bool:
    """True for bytes with many candidates that follow one another no more often than by chance.

    Chance bytes of few values (0x0F and 0x00, say) hold hundreds of candidates a kilobyte. Frames follow
    one another however damaged they are.
    """
    at = find_candidates(data)
    if at.size <= _CROWD_MIN:
        return False
    could = np.zeros(data.size, np.bool_)
    could[at] = True
    lags = FRAME_BYTES + GAPS[:-1]
    followed = max(int(np.count_nonzero(could[:-lag] & could[lag:])) for lag in lags.tolist())
    return not (followed > 3 and followed > at.size * (0.05 + 1.5 * at.size / data.size))


class RunEnds:
    """Runs in bytes that arrive a few at a time, to detect when one may be proven.

    Args:
        here: offset after the last frame.
        last: that frame, None without one.
    """

    _KNOWN = 1 << 30

    def __init__(self, here: int, last: bytes | None) -> None:
        self.looked = here  # candidates before this offset were added
        self._sizes = {here - FRAME_BYTES: self._KNOWN} if last is not None else {}
        self.places: list[int] = []  # the candidates
        self._linked: set[int] = set()
        self.is_blind = False  # too many bytes arrived at once to follow
        self.is_alone = False  # the candidates are one run that just got its fifth

    def add(self, place: int, stream: StreamBuffer) -> bool:
        """Add the next candidate; True if it proves a run (its first frame may be missing) or follows the last frame.

        What `link` does.
        """
        size = 0
        for gap in (0, *SLOT_GAPS):
            before = place - FRAME_BYTES - gap
            if before not in self._sizes or before in self._linked:
                continue
            if gap:
                end = before + FRAME_BYTES
                if stream.byte(end - 1) not in END_SLOTS or stream.byte(end) == HEADER:
                    continue
            size = size or self._sizes[before]
            self._linked.add(before)
        self._sizes[place] = size + 1
        self.places.append(place)
        self.is_alone = size + 1 == len(self.places) == SOLID
        return size >= self._KNOWN or size + 1 in (SOLID, SOLID + 1)


@dataclass(frozen=True, slots=True)
class KnownFrame:
    """What is known of the last frame."""

    streak: int  # frames since the last damage, including this one
    is_wild: bool  # True if it jumped from the one before


@dataclass(frozen=True, slots=True)
class ProvenRuns:
    """Proven runs, in order."""

    first: I64  # the first frame of each, int64 (R,); of the run that goes on from the last frame that frame
    last: I64  # the last frame of each that may be taken, int64 (R,)
    frames: I64  # all frames in them, int64 (N,)
    is_contested: bool = False  # True if a rival run or too many candidates stopped the proof


def prove_runs(data: U8, at: I64, here: int, known: KnownFrame | None, *, final: bool) -> ProvenRuns:
    """The runs that are certain without a chain search, up to the first that is not.

    A run is proven by its fifth frame, where no other has four by then. What is decided of it rests on the
    bytes up to there alone. The run of the last frame needs no proof.

    Args:
        at: indices of the candidates, rising; with a known frame that one first.
        here: index after the last frame.
        known: the last frame, None without one.
        final: True if no more bytes will come.
    """
    runs = find_runs(data, at)
    has_known = known is not None
    number = np.flatnonzero(runs.size >= SOLID)
    if has_known and 0 not in number:
        number = np.append(0, number)
    low, high = runs.first[number], runs.first[number] + runs.size[number] - 1
    fields = FrameFields.of(
        data, runs.at[np.concatenate([low, np.minimum(low + 1, high), np.maximum(high - 1, low), high])]
    )
    head, second, before, tail = (fields[part * low.size : (part + 1) * low.size] for part in range(4))
    begin = runs.at[low]
    is_odd = (similarity(head, second)[0] <= 0) | begin_late(data, begin, runs.at[np.minimum(low + 1, high)])
    is_odd[:1] &= not has_known
    low = low + is_odd
    proof = runs.at[np.minimum(low + SOLID - 1, high)] + FRAME_BYTES
    is_proven = high - low + 1 >= SOLID
    is_proven[:1] |= has_known
    waits = ~similarity(before, tail)[1] & (high > low)
    if waits.any():
        waits &= ~_is_trusted(data, runs.at, low, high, before, tail, known, final=final)
    waiting, high = runs.at[high[waits]], high - waits
    low, high, begin, proof = low[is_proven], high[is_proven], begin[is_proven], proof[is_proven]
    start, end = runs.at[low], runs.at[high] + FRAME_BYTES
    is_blocked = _has_rival(runs, start, proof)
    is_blocked |= np.searchsorted(at, proof - FRAME_BYTES, "right") - np.searchsorted(at, start) > SOLID + _CROWDED
    order = np.argsort(proof, kind="stable")
    if has_known:
        is_blocked[0] = False
        order = np.append(0, order[order != 0])
    low, high, begin, start, end, proof = (some[order] for some in (low, high, begin, start, end, proof))
    is_blocked = is_blocked[order]
    # Bytes of an earlier run are taken; the first run that is blocked, overlaps, is too far away or comes after
    # one that goes on ends the list.
    reach = np.maximum.accumulate(np.where(is_blocked, 0, end))
    is_gone = is_blocked & (end <= reach)
    lead = np.append(here, reach[:-1])
    ends = is_blocked | (begin < lead) | _is_far(at, lead, proof)
    ends[1:] |= _goes_on(data, at[~np.isin(at, waiting)], lead[1:])
    ends &= ~is_gone
    ends[:1] &= not has_known
    is_used = ~is_gone
    is_used[int(np.argmax(ends)) if ends.any() else ends.size :] = False
    low, high = low[is_used], high[is_used]
    is_contested = bool((proof[is_blocked] <= here + SOON_BYTES).any()) or bool(_count(at, here)[0] > _CROWD)
    steps = np.zeros(at.size + 1, np.int64)
    np.add.at(steps, low, 1)
    np.add.at(steps, high + 1, -1)
    return ProvenRuns(runs.at[low], runs.at[high], runs.at[np.cumsum(steps)[:-1] > 0], is_contested)


def begin_late(data: U8, at: I64, after: I64) -> Bools:
    """True for candidates that agree better with the frame after them if they begin one byte earlier.

    There a header is too: it is the first byte of held sticks, and a foreign byte follows it in the frame.

    Args:
        at: indices of the candidates, int64 (N,).
        after: index of the frame after each.
    """
    late: Bools = (at > 0) & (after + FRAME_BYTES <= data.size)
    late &= data[np.maximum(at - 1, 0)] == HEADER
    if late.any():
        step = np.arange(FRAME_BYTES)
        behind = data[after[late, None] + step]
        earlier, here = (_same_first(data[at[late, None] - back + step], behind) for back in (1, 0))
        late[late] = (earlier > here) & are_candidates(behind)
    return late


def _same_first(some: U8, other: U8) -> I64:
    """How many bytes rows have in common from the left, int64 (N,)."""
    first: I64 = np.argmin(np.append(some == other, np.zeros((len(some), 1), np.bool_), axis=1), axis=1)
    return first


def _is_trusted(
    data: U8,
    at: I64,
    low: I64,
    high: I64,
    before: FrameFields,
    tail: FrameFields,
    known: KnownFrame | None,
    *,
    final: bool,
) -> Bools:
    """True for each run whose last candidate may be taken although it looks odd."""
    streak = high - low
    is_wild = are_wild(FrameFields.of(data, at[np.maximum(high - 2, low)]), before)
    if known is not None:
        is_wild[0] = known.is_wild if streak[0] == 1 else is_wild[0]
        streak[0] += known.streak - 1
    flags, ends = framed_alike(before, tail)
    found, sure = are_followed(data, at[high])
    trusted: Bools = found & (sure | final) | (streak >= STREAK_ODD)
    return trusted | (flags & ends & is_wild & (streak >= STREAK_WILD))


def _has_rival(runs: Runs, start: I64, proof: I64) -> Bools:
    """True for each run beside which another has nearly as many frames when it is proven."""
    four = np.flatnonzero(runs.size >= SOLID - 1)
    ready = runs.at[runs.first[four] + SOLID - 2] + FRAME_BYTES
    end = runs.at[runs.first[four] + runs.size[four] - 1] + FRAME_BYTES
    order = np.argsort(ready, kind="stable")
    ready, reach = ready[order], np.append(np.maximum.accumulate(end[order]), 0)
    earlier = np.searchsorted(ready, start + 2 * FRAME_BYTES, "right")
    others = np.searchsorted(ready, proof, "right") - earlier
    rival: Bools = (others > 1) | (earlier > 0) & (reach[earlier - 1] > start)
    return rival


def _is_far(at: I64, lead: I64, proof: I64) -> Bools:
    """True if the bytes between the frame before and a proof are decided otherwise first."""
    nearest = at[np.minimum(np.searchsorted(at, lead), at.size - 1)]
    far: Bools = (proof - lead > CHECK_BYTES) | (nearest - lead > SOON_BYTES - FRAME_BYTES)
    return far | (proof - lead > SOON_BYTES) & (_count(at, lead) > _CROWD)


def _goes_on(data: U8, at: I64, end: I64) -> Bools:
    """True for each end of frames after which another may come after replies, although it was linked to a rival."""
    gap = at[np.minimum(np.searchsorted(at, end), at.size - 1)] - end
    found: Bools = are_slot_gaps(data[end - 1], gap) & (data[np.minimum(end, data.size - 1)] != HEADER)
    return found


def _count(at: I64, start: I64 | int) -> I64:
    """Number of candidates in the SOON_BYTES from each offset."""
    first = np.atleast_1d(start)
    return np.searchsorted(at, first + SOON_BYTES - FRAME_BYTES, "right") - np.searchsorted(at, first)


def is_plainly_proven(frames: U8) -> bool:
    """True if the five frames of a run look alike and there are no other candidates beside them.

    `prove_runs` gives the same, but is slower. uint8 (5, 25).
    """
    ends = FrameFields.of(frames.ravel(), FRAME_BYTES * np.array([0, 3, 1, 4]))
    score, fine = similarity(ends[:2], ends[2:])
    return bool(score[0] > 0 and fine[1])
