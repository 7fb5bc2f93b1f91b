"""The best chain of frames through bytes with several candidates (a Viterbi search over sparse candidates).

A chain earns for each frame and each pair of like neighbours, and pays for each run of bytes that
it leaves in no frame. All stretches of a block are searched at once.

Scores are log-odds in nats against "just bytes".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busbench.model import F64, I64, U8, Bools
from busbench.wire.codec import IS_END, IS_SLOTS_END, are_slot_gaps
from busbench.wire.frame_runs import GAPS, are_candidates, are_followed
from busbench.wire.frame_spec import FLAGS_MAX, FRAME_BYTES, HEADER
from busbench.wire.similarity import FrameFields, same_ahead, similarity

PLACE = 12.0  # header, four zero bits and an end byte: by chance once in 2**18
FOLLOWED = 5.0  # the byte after is a header too: by chance once in 256
BREAK = 7.0  # one run of damage: about once in a thousand
REPEATED = 24.0  # damaged bytes as long as a whole frame, or longer
SHIFTED = 30.0  # an odd frame, where one foreign or lost byte explains it and what is after it
FULL = PLACE + FOLLOWED + 10.0  # what a frame in a steady chain earns
MARGIN = 60.0  # rivals within this score are close
WORTH = 6.0  # min score of a chain without neighbours
QUIET_BYTES, QUIET = 1024, 20.0  # after so many bytes the last frame predicts nothing
_LOOK_BACK = 6  # candidates
_RECENT = 64  # chain ends that are compared


@dataclass(frozen=True, slots=True)
class RunGaps:
    """Candidates between proven runs, by indices into some bytes."""

    data: U8
    at: I64  # the candidates, rising
    extra: F64  # evidence of the clock and the line for each, log-odds
    run_first: I64  # the first frame of each proven run
    run_last: I64  # the last frame of each
    has_log_start: bool  # True if the log begins with these bytes


class Chains:
    """The best chain to each candidate of several stretches."""

    def __init__(self, some: RunGaps) -> None:
        self._some = some
        at, count = some.at, some.at.size
        behind = np.searchsorted(some.run_first, at)  # the number of the run after each
        self._first = np.flatnonzero(np.append(True, np.diff(behind) > 0))
        self._size = np.diff(np.append(self._first, count))
        key, number = behind[self._first], self._first.size
        self._has_run_before, self._has_run_after = key > 0, key < some.run_first.size
        # Nodes: the candidates, then for each stretch the run before it, then the run after it.
        self._before, self._after = count + np.arange(number), count + number + np.arange(number)
        nowhere, none = np.zeros(number, np.int64), np.zeros(1, np.int64)
        first, last = (some.run_first, some.run_last) if some.run_first.size else (none, none)
        self._start = np.concatenate([at, nowhere, first[np.minimum(key, first.size - 1)]])
        self._stop = np.concatenate([at, last[np.maximum(key - 1, 0)], nowhere])
        self._score()
        self._search()

    def _score(self) -> None:
        """The score of each node and of each step between two nodes."""
        some, count, number = self._some, self._some.at.size, self._first.size
        data, start, stop = some.data, self._start, self._stop
        head, tail = FrameFields.of(data, start), FrameFields.of(data, stop)
        is_followed = are_followed(data, stop)[0]
        padded = np.concatenate([np.zeros(FRAME_BYTES, np.uint8), data, np.zeros(4 * FRAME_BYTES, np.uint8)])
        rows = np.lib.stride_tricks.sliding_window_view(padded, FRAME_BYTES)
        ahead, behind = rows[stop + 2 * FRAME_BYTES], rows[start]
        # Damaged bytes that begin and end as the frames beside them do cost less: else held sticks inside which
        # a frame seems to begin would let damage in the one alignment speak for the other.
        prefix = np.where(are_candidates(ahead), 0, same_ahead(ahead, tail.raw))
        suffix = np.where(are_candidates(behind), 0, same_ahead(behind[:, ::-1], head.raw[:, ::-1]))
        self._own = np.concatenate([PLACE + FOLLOWED * is_followed[:count] + some.extra, np.zeros(2 * number)])

        node = np.concatenate([np.arange(count), self._after])
        home = np.concatenate([np.repeat(np.arange(number), self._size), np.arange(number)])
        index = np.concatenate([np.arange(count) - np.repeat(self._first, self._size), self._size])
        lag = np.arange(1, _LOOK_BACK + 1)
        self._from = np.concatenate(
            [self._first[home][:, None] + index[:, None] - lag, self._before[home][:, None]], axis=1
        )
        allowed = np.concatenate([index[:, None] >= lag, self._has_run_before[home][:, None]], axis=1)
        allowed[count:] &= self._has_run_after[:, None]
        self._from[~allowed] = 0
        allowed &= stop[self._from] + FRAME_BYTES <= start[node][:, None]
        row, column = np.nonzero(allowed)
        source, target = self._from[row, column], node[row]
        gap = start[target] - stop[source] - FRAME_BYTES
        like, fine = similarity(tail[source], head[target], (gap + FRAME_BYTES // 2) // FRAME_BYTES)
        like = np.where(gap > QUIET_BYTES, np.minimum(like, 0.0) - QUIET, like)
        hole = REPEATED * np.minimum(prefix[source] + suffix[target], gap) / FRAME_BYTES - BREAK
        is_joined = (gap == 0) | are_slot_gaps(tail.end[source], gap, ahead[source, 0])
        like += np.where(is_joined, 0.0, hole)
        odd = np.where(self._are_shifted(padded, tail), SHIFTED, 0.0) * ~is_followed
        like -= np.where((target < count) & ~fine, odd[target], 0.0)
        self._step = np.full((node.size, _LOOK_BACK + 2), -np.inf)
        self._step[row, column] = like
        self._step[:, -1] = self._begin(padded, is_followed, home)

    def _are_shifted(self, padded: U8, tail: FrameFields) -> Bools:
        """True for nodes that no header follows and that one foreign or lost byte explains.

        A foreign byte moves the flags to the end byte's place; the end byte and the next header follow. A byte
        lost before sensor replies makes the end byte the flags, and the first reply's byte the end byte.
        """
        end = self._stop + 2 * FRAME_BYTES  # in the padded bytes
        first = padded[end]
        later = padded[end[:, None] + 1 + GAPS] == HEADER
        is_late = IS_END[first] & (tail.end <= FLAGS_MAX) & (later[:, 0] | IS_SLOTS_END[first] & later.any(axis=1))
        early = (padded[end[:, None] - 1 + GAPS[1:]] == HEADER).any(axis=1)
        shifted: Bools = is_late | IS_SLOTS_END[tail.flags] & IS_SLOTS_END[tail.end] & early
        return shifted

    def _begin(self, padded: U8, is_followed: Bools, home: I64) -> F64:
        """The score of each node as the first of a chain."""
        some, count = self._some, self._some.at.size
        start = np.concatenate([some.at, self._start[self._after]])
        earned = np.full(start.size, -BREAK)
        if some.has_log_start:
            # The rest of a frame that began before the log earns its share, so that the start of the log
            # favours no alignment. Before the log are zeros, which do for flags and end byte.
            fits = IS_END[padded[start + FRAME_BYTES - 1]] & (padded[start + FRAME_BYTES - 2] <= FLAGS_MAX)
            earned = np.where(fits & (start < FRAME_BYTES), FULL * start / FRAME_BYTES, -BREAK)
        earned[:count] -= SHIFTED / 4 * ~is_followed[:count]
        earned[self._has_run_before[home]] = -np.inf
        earned[count:][~self._has_run_after] = -np.inf
        return earned

    def _search(self) -> None:
        """Search candidate by candidate, all stretches in parallel."""
        count, number = self._some.at.size, self._first.size
        self._best = np.full(count + 2 * number, -np.inf)
        self._best[self._before] = 0.0
        self._back = np.full(count + 2 * number, -1)
        if number == 1:
            self._search_one(count)
        else:
            by_size = np.argsort(-self._size, kind="stable")
            live = np.searchsorted(-self._size[by_size], -np.arange(int(self._size.max())), "left")
            for step, some in enumerate(live.tolist()):
                rows = self._first[by_size[:some]] + step
                self._extend(rows, rows)
        self._extend(count + np.arange(number), self._after)

    def _extend(self, rows: I64, nodes: I64) -> None:
        earned = np.concatenate([self._best[self._from[rows]], np.zeros((rows.size, 1))], axis=1) + self._step[rows]
        pick = np.argmax(earned, axis=1)
        top = earned[np.arange(rows.size), pick]
        self._best[nodes] = top + self._own[nodes]
        is_begun = (pick > _LOOK_BACK) | ~np.isfinite(top)
        self._back[nodes] = np.where(is_begun, -1, self._from[rows, np.minimum(pick, _LOOK_BACK)])

    def _search_one(self, count: int) -> None:
        """The same for one stretch: plain numbers are faster than arrays of length 1."""
        best: list[float] = self._best.tolist()
        back = [-1] * count
        rows = zip(self._step[:count].tolist(), self._from[:count].tolist(), self._own[:count].tolist(), strict=True)
        for node, (steps, sources, own) in enumerate(rows):
            top, to = steps[-1], -1
            for step, source in zip(steps, sources, strict=False):
                if best[source] + step > top:
                    top, to = best[source] + step, source
            best[node], back[node] = top + own, to
        self._best[:count], self._back[:count] = best[:count], back

    def between(self) -> I64:
        """The candidates on the best chains between runs; none after the last run."""
        node = self._after[self._has_run_after]
        chosen = []
        while node.size:
            node = self._back[node]
            node = node[(node >= 0) & (node < self._some.at.size)]
            chosen.append(self._some.at[node])
        return np.concatenate(chosen) if chosen else np.empty(0, np.int64)

    def settled(self, *, is_last_look: bool) -> tuple[I64, bool]:
        """The common part of all close chains of one stretch, and whether any chain scores enough.

        Args:
            is_last_look: True to take the best chain as it is.
        """
        some, count = self._some, self._some.at.size
        recent = np.arange(max(0, count - _RECENT), count)
        end = some.at[recent] + FRAME_BYTES
        under_way = some.data.size - end  # a following frame has begun
        is_begun = (under_way > 0) & (under_way < FRAME_BYTES)
        is_begun &= some.data[np.minimum(end, some.data.size - 1)] == HEADER
        value = self._best[recent] + np.where(is_begun, FULL * under_way / FRAME_BYTES, 0.0)
        top = int(np.argmax(value))
        if value[top] < WORTH:
            return np.empty(0, np.int64), False
        path = self._path(int(recent[top]))
        if not is_last_look:
            for rival in recent[value > value[top] - MARGIN].tolist():
                other = self._path(rival)
                shared = 0
                for mine, theirs in zip(path, other, strict=False):
                    if mine != theirs:
                        break
                    shared += 1
                path = path[:shared]
        return some.at[path], True

    def _path(self, node: int) -> list[int]:
        path = []
        while 0 <= node < self._some.at.size:
            path.append(node)
            node = int(self._back[node])
        return path[::-1]
