"""What each channel did: its range, its noise at rest, its moves and its glitches.

Frames flagged lost or failsafe hold what the receiver made up. They count in
min, max, span and mean, which describe the line as it was; they do not count in
noise, moves and glitches, which describe the sticks and the link.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.reversals import I16, Travels
from busbench.model import Bools, Clock
from busbench.wire.codec import CHANNELS, FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES
from busbench.wire.frame_search import SLOTS_MAX
from busbench.wire.table import FrameTable

TWO_STATE = 2  # channels 17 and 18 are bits of the flags
GLITCH_COUNTS = 40  # about 2.5 % of the usual travel of 1639 counts
MOVE_COUNTS = 20
STILL_COUNTS = 20
STILL_FRAMES = 64
GLITCHES_KEPT = 1000
PERIOD_MAX_NS = 20_000_000  # the longest in use, as far as known: stands in where none was measured
_CHUNK = 128 * STILL_FRAMES  # sums of 8192 counts are exact in float32


@dataclass(frozen=True, slots=True)
class Glitch:
    """One frame that jumped away and back on one channel.

    Args:
        frame: index of the frame, from 0.
        time_s: seconds from the start, None without a clock.
        offset: stream offset of the frame's header.
        channel: 1-18.
        value_counts: what the frame held.
        size_counts: how far that is from the nearer of its neighbours, with its sign.
        suspect: True where the line marked a byte of the frame as damaged.
    """

    frame: int
    time_s: float | None
    offset: int
    channel: int
    value_counts: int
    size_counts: int
    suspect: bool


@dataclass(frozen=True, slots=True)
class ChannelSummary:
    """What one channel did.

    Args:
        channel: 1-18; 17 and 18 are two-state and hold 0 or 1.
        min_counts, max_counts, mean_counts, first_counts, last_counts: over all frames.
        changes: frames whose value is not that of the frame before.
        still_noise_counts: rms spread while the stick was still: root mean square of
            the steps from frame to frame over sqrt(2), so that slow drift does not
            count; taken over runs of STILL_FRAMES frames that stay within
            STILL_COUNTS. None where there was no such run, and on two-state channels.
        still_frames: frames in those runs.
        moves: travels one way of more than MOVE_COUNTS (any change on two-state channels).
        glitches: see Glitch.
    """

    channel: int
    min_counts: int
    max_counts: int
    mean_counts: float
    first_counts: int
    last_counts: int
    changes: int
    still_noise_counts: float | None
    still_frames: int
    moves: int
    glitches: int

    @property
    def span_counts(self) -> int:
        """From least to greatest."""
        return self.max_counts - self.min_counts

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        keys = ("channel", "min_counts", "max_counts", "span_counts", "mean_counts", "still_noise_counts",
                "still_frames", "moves", "glitches", "first_counts", "last_counts", "changes")  # fmt: skip
        return {key: getattr(self, key) for key in keys}


@dataclass(frozen=True, slots=True)
class Channels:
    """What all channels did.

    Args:
        frames: frames seen.
        flagged: frames flagged lost or failsafe among them.
        channels: channels 1-18 in order; empty where no frame was seen.
        glitch_frames: frames with a glitch on one or more channels.
        glitches: the first GLITCHES_KEPT glitches, by frame, then channel.
        glitch_counts: the threshold.
    """

    frames: int
    flagged: int
    channels: tuple[ChannelSummary, ...]
    glitch_frames: int
    glitches: tuple[Glitch, ...]
    glitch_counts: int

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys, thresholds beside what depends on them."""
        return {
            "frames": self.frames,
            "flagged": self.flagged,
            "glitch_threshold_counts": self.glitch_counts,
            "move_threshold_counts": MOVE_COUNTS,
            "still_threshold_counts": STILL_COUNTS,
            "channels": [one.to_json() for one in self.channels],
            "glitch_frames": self.glitch_frames,
            "glitches_total": sum(one.glitches for one in self.channels),
            "glitches": [{name: getattr(one, name) for name in Glitch.__slots__} for one in self.glitches],
        }


class ChannelStats:
    """Collects what the channels did, block by block; how the blocks are cut does not matter.

    A glitch is one frame that jumps by more than a threshold and back: both steps
    are larger than it and opposite, and the frames before and after agree within
    half of it or a quarter of the jump. All three must be neighbours in time (no
    frame missing, no damaged bytes between) and not be flagged. A flick that two
    frames saw is a move.

    Args:
        clock: how well the frames' times are known.
        period_ns: frame period where it is known; frames certainly more than 1.5
            periods apart are no neighbours.
        start_ns: time of the capture's first byte; else times count from the first frame.
        glitch_counts: the threshold.
    """

    def __init__(
        self,
        *,
        clock: Clock,
        period_ns: float | None = None,
        start_ns: int | None = None,
        glitch_counts: int = GLITCH_COUNTS,
    ) -> None:
        self._has_clock = clock.is_known
        self._apart_ns = 1.5 * (period_ns or PERIOD_MAX_NS)
        self._start_ns = start_ns
        self._glitch_counts = glitch_counts
        self._totals = _Totals(glitch_counts)
        self._waiting: list[FrameTable] = []  # at most a chunk and the frame that follows it
        self._rows = 0

    def feed(self, table: FrameTable) -> None:
        """Take the next frames of the stream."""
        if not len(table):
            return
        if self._start_ns is None:
            self._start_ns = int(table.t_ns[0])
        start = 0
        while self._rows + len(table) - start > _CHUNK:
            stop = start + _CHUNK + 1 - self._rows
            part = FrameTable.concat([*self._waiting, table[start:stop]])
            self._totals.take(self._view(part), has_next=True)
            # The last row was looked at as a neighbour only.
            self._waiting, self._rows = [part[_CHUNK:]], 1
            start = stop
        if start < len(table):
            self._waiting.append(table[start:])
            self._rows += len(table) - start

    def result(self) -> Channels:
        """What the channels did up to now; feeding may go on."""
        totals = self._totals
        if self._rows:
            totals = totals.copy()
            totals.take(self._view(FrameTable.concat(self._waiting)), has_next=False)
        return totals.result(self._start_ns if self._has_clock else None, self._glitch_counts)

    def _view(self, part: FrameTable) -> _View:
        values = np.empty((CHANNELS + TWO_STATE, len(part)), np.int16)
        values[:CHANNELS] = part.channels.T
        for bit in range(TWO_STATE):
            values[CHANNELS + bit] = (part.flags >> bit) & 1
        space = np.diff(part.offset)
        joined = space == FRAME_BYTES
        if not joined.all():
            slots = space - FRAME_BYTES
            joined = (slots % 3 == 0) & (slots >= 0) & (slots <= 3 * SLOTS_MAX)
        if self._has_clock:
            joined &= part.t_ns[1:] - part.slack_ns[1:] - part.t_ns[:-1] <= self._apart_ns
        clean = (part.flags & (FLAG_LOST | FLAG_FAILSAFE)) == 0
        return _View(values, joined, clean, part)


def summarise_channels(table: FrameTable, *, clock: Clock, glitch_counts: int = GLITCH_COUNTS) -> Channels:
    """What all channels did over a whole table.

    Args:
        table: the frames.
        clock: how well their times are known.
        glitch_counts: the threshold of glitches, see ChannelStats.

    Returns:
        Range, noise at rest, moves and glitches of each channel.
    """
    stats = ChannelStats(clock=clock, glitch_counts=glitch_counts)
    stats.feed(table)
    return stats.result()


@dataclass(frozen=True, slots=True)
class _View:
    """Some frames as the sums want them: values (C, N), joined (N-1,) to the next, clean (N,)."""

    values: I16
    joined: Bools
    clean: Bools
    table: FrameTable


@dataclass(frozen=True, slots=True)
class _Edge:
    """The last row taken: what the next is compared with."""

    values: I16  # (C,), without glitches
    raw: I16  # (C,)
    is_clean: bool
    is_joined: bool


class _Totals:
    """The sums over the chunks taken, each of which but the last is full."""

    def __init__(self, glitch_counts: int) -> None:
        count = CHANNELS + TWO_STATE
        self.frames = self.flagged = self.glitch_frames = 0
        self.low = np.full(count, 1 << 14, np.int16)
        self.high = np.full(count, -1, np.int16)
        self.first = np.zeros(count, np.int16)
        self.sum = np.zeros(count, np.int64)
        self.changes = np.zeros(count, np.int64)
        self.noise_squares = np.zeros(count, np.int64)  # of steps
        self.still_runs = np.zeros(count, np.int64)
        self.glitches = np.zeros(count, np.int64)
        self.kept: list[tuple[int, int, int, int, int, int, bool]] = []
        self.edge: _Edge | None = None
        self.jump = np.array([glitch_counts] * CHANNELS + [0] * TWO_STATE)
        self.travels = Travels(np.array([MOVE_COUNTS] * CHANNELS + [0] * TWO_STATE, np.int16))

    def copy(self) -> _Totals:
        other = _Totals(0)
        for name, value in vars(self).items():
            setattr(other, name, value.copy() if hasattr(value, "copy") else value)
        return other

    def take(self, view: _View, *, has_next: bool) -> None:
        """Take a chunk; with has_next its last row is only looked at."""
        count = view.values.shape[1] - has_next
        raw = view.values[:, :count]
        low, high = raw.min(axis=1), raw.max(axis=1)
        self.low, self.high = np.minimum(self.low, low), np.maximum(self.high, high)
        self.sum += raw.astype(np.float32).sum(axis=1).astype(np.int64)
        if self.edge is None:
            self.first = raw[:, 0].copy()
            before, before_raw = raw[:, 0], raw[:, 0]
        else:
            before, before_raw = self.edge.values, self.edge.raw
        active = low != high
        self.changes += raw[:, 0] != before_raw
        for channel in np.flatnonzero(active).tolist():
            self.changes[channel] += np.count_nonzero(raw[channel, 1:] != raw[channel, :-1])
        # Of the two steps of a glitch one at least lies inside the chunk.
        found = self._find_glitches(view, before, np.flatnonzero(high - low > self.jump))
        values = raw
        if found:
            values = raw.copy()
            for at, channel in found:
                values[channel, at] = values[channel, at - 1] if at else before[channel]
        clean = view.clean[:count]
        is_all_clean = bool(clean.all())
        self._add_noise(values, clean, view.joined, active)
        steady = values if is_all_clean else values[:, clean]
        if steady.shape[1]:
            if steady is not raw:
                low, high = steady.min(axis=1), steady.max(axis=1)
            self.travels.feed(steady, low, high)
        self.frames += count
        self.flagged += count - int(np.count_nonzero(clean))
        self.edge = _Edge(values[:, -1].copy(), raw[:, -1].copy(), bool(clean[-1]), has_next and bool(view.joined[-1]))

    def _find_glitches(self, view: _View, before: I16, channels: NDArray[np.intp]) -> list[tuple[int, int]]:
        """Count the glitches on the channels that reach far enough; (row, channel) of each."""
        found: list[tuple[int, int, int]] = []
        usable: Bools | None = None
        for channel in channels.tolist():
            # steps[i] leads to row i
            steps = np.diff(view.values[channel], prepend=before[channel])
            jump = int(self.jump[channel])
            big = np.flatnonzero(np.abs(steps) > jump)
            at = big[:-1][np.diff(big) == 1]
            if not at.size:
                continue
            out, back = steps[at].astype(np.int64), steps[at + 1].astype(np.int64)
            size = np.minimum(np.abs(out), np.abs(back))
            good = (out > 0) != (back > 0)
            good &= np.abs(out + back) <= np.maximum(jump // 2, size // 4)
            if usable is None:
                usable = self._usable(view)
            good &= usable[at]
            last = -2
            for row, reach, sign in zip(
                at[good].tolist(), size[good].tolist(), np.sign(out[good]).tolist(), strict=True
            ):
                if row == last + 1:  # the way back of the one before
                    continue
                last = row
                found.append((row, channel, sign * reach))
        found.sort()
        self.glitch_frames += len({row for row, _, _ in found})
        for row, channel, size_counts in found:
            self.glitches[channel] += 1
            if len(self.kept) < GLITCHES_KEPT:
                table, value = view.table, int(view.values[channel, row])
                place = int(table.t_ns[row]), int(table.offset[row])
                self.kept.append((self.frames + row, *place, channel, value, size_counts, bool(table.suspect[row])))
        return [(row, channel) for row, channel, _ in found]

    def _usable(self, view: _View) -> Bools:
        """Rows that could hold a glitch: not flagged, nor either neighbour, and both joined to them."""
        edge = self.edge
        linked = view.clean[1:] & view.clean[:-1] & view.joined
        first = edge is not None and edge.is_clean and edge.is_joined and bool(view.clean[0])
        usable: Bools = np.append(linked, False) & np.concatenate([[first], linked])
        return usable

    def _add_noise(self, values: I16, clean: Bools, joined: Bools, active: Bools) -> None:
        """Add the still runs of a chunk; a run with a flagged frame or a gap is left out."""
        runs = values.shape[1] // STILL_FRAMES
        end = runs * STILL_FRAMES
        if not runs:
            return
        sound = clean[:end].reshape(runs, STILL_FRAMES).all(axis=1)
        links = np.append(joined, True)[:end].reshape(runs, STILL_FRAMES)
        sound &= links[:, :-1].all(axis=1)
        active = active[:CHANNELS]
        self.still_runs[:CHANNELS][~active] += np.count_nonzero(sound)
        if not active.any():
            return
        blocks = values[:CHANNELS][active, :end].reshape(-1, runs, STILL_FRAMES)
        still = (blocks.max(axis=2) - blocks.min(axis=2) <= STILL_COUNTS) & sound
        steps = blocks[:, :, 1:] - blocks[:, :, :-1]
        # Wraps round in runs that are not still, and cannot in those that are: 63 steps of 20.
        squares = np.multiply(steps, steps, out=steps).sum(axis=2, dtype=np.int16)
        rows = np.flatnonzero(active)
        self.still_runs[rows] += still.sum(axis=1)
        self.noise_squares[rows] += np.where(still, squares, 0).sum(axis=1, dtype=np.int64)

    def result(self, start_ns: int | None, glitch_counts: int) -> Channels:
        kept = tuple(
            Glitch(
                frame, None if start_ns is None else (t_ns - start_ns) / 1e9, offset, channel + 1, value, size, suspect
            )
            for frame, t_ns, offset, channel, value, size, suspect in self.kept
        )
        summaries = tuple(self._summaries()) if self.frames else ()
        return Channels(self.frames, self.flagged, summaries, self.glitch_frames, kept, glitch_counts)

    def _summaries(self) -> Iterator[ChannelSummary]:
        assert self.edge is not None
        steps = self.still_runs * (STILL_FRAMES - 1)
        for channel in range(CHANNELS + TWO_STATE):
            runs = int(self.still_runs[channel])
            yield ChannelSummary(
                channel=channel + 1,
                min_counts=int(self.low[channel]),
                max_counts=int(self.high[channel]),
                mean_counts=int(self.sum[channel]) / self.frames,
                first_counts=int(self.first[channel]),
                last_counts=int(self.edge.raw[channel]),
                changes=int(self.changes[channel]),
                still_noise_counts=(float(self.noise_squares[channel]) / float(steps[channel]) / 2) ** 0.5
                if runs
                else None,
                still_frames=runs * STILL_FRAMES,
                moves=int(self.travels.count[channel]),
                glitches=int(self.glitches[channel]),
            )
