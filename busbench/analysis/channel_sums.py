"""Sums over the frames of a stream, chunk by chunk: range, noise, changes, moves and glitches of each channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.reversals import Travels
from busbench.model import I16, Bools
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, ON_OFF_CHANNELS
from busbench.wire.table import FrameTable

MOVE_COUNTS = 20
STILL_COUNTS = 20
STILL_FRAMES = 64
GLITCHES_KEPT = 1000


@dataclass(frozen=True, slots=True)
class FrameRun:
    """Frames in the form that the sums need."""

    values: I16  # counts, 0 and 1 on channels 17 and 18, int16 (18, N)
    joined: Bools  # True if a frame and the next one are neighbours in time, bool (N-1,)
    clean: Bools  # True for frames that are not flagged, bool (N,)
    table: FrameTable


@dataclass(frozen=True, slots=True)
class _Edge:
    """The last row taken, with which the next is compared."""

    values: I16  # (C,), without glitches
    raw: I16  # (C,)
    is_clean: bool
    is_joined: bool


class ChannelSums:
    """The sums over the chunks taken; all chunks but the last are full."""

    def __init__(self, glitch_counts: int) -> None:
        count = ALL_CHANNELS
        self.frames = self.flagged = self.glitch_frames = 0
        self.low = np.full(count, 1 << 14, np.int16)
        self.high = np.full(count, -1, np.int16)
        self.first = np.zeros(count, np.int16)
        self.sum = np.zeros(count, np.int64)
        self.changes = np.zeros(count, np.int64)
        self.noise_squares = np.zeros(count, np.int64)  # of steps
        self.still_runs = np.zeros(count, np.int64)
        self.glitches = np.zeros(count, np.int64)
        self.kept: list[tuple[int, int, int, int, int, int]] = []
        self.edge: _Edge | None = None
        self.jump = np.array([glitch_counts] * CHANNELS + [0] * ON_OFF_CHANNELS)
        self.travels = Travels(np.array([MOVE_COUNTS] * CHANNELS + [0] * ON_OFF_CHANNELS, np.int16))

    def copy(self) -> ChannelSums:
        """An independent copy."""
        other = ChannelSums(0)
        for name, value in vars(self).items():
            setattr(other, name, value.copy() if hasattr(value, "copy") else value)
        return other

    def take(self, view: FrameRun, *, has_next: bool) -> None:
        """Take a chunk; with has_next its last row is only compared, not counted."""
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
        # At least one of the two steps of a glitch lies inside the chunk.
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

    def _find_glitches(self, view: FrameRun, before: I16, channels: NDArray[np.intp]) -> list[tuple[int, int]]:
        """Count the glitches on channels with enough range; (row, channel) of each."""
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
                if row == last + 1:  # the return step of the glitch before
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
                self.kept.append((self.frames + row, *place, channel, value, size_counts))
        return [(row, channel) for row, channel, _ in found]

    def _usable(self, view: FrameRun) -> Bools:
        """Rows that can hold a glitch: row and neighbours not flagged, both neighbours joined."""
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
        # May overflow in runs that are not still, but not in still ones: 63 steps of 20.
        squares = np.multiply(steps, steps, out=steps).sum(axis=2, dtype=np.int16)
        rows = np.flatnonzero(active)
        self.still_runs[rows] += still.sum(axis=1)
        self.noise_squares[rows] += np.where(still, squares, 0).sum(axis=1, dtype=np.int64)
