"""What each channel did: range, noise at rest, moves and glitches.

Frames flagged lost or failsafe hold values that the receiver made up. They count in
min, max, range and mean, which describe what the receiver sent; they do not count
in noise, moves and glitches, which describe the sticks and the link. Frames with
a byte that the line marked as damaged hold no values: they count in none of these figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busbench.analysis.channel_sums import MOVE_COUNTS, STILL_COUNTS, STILL_FRAMES, ChannelSums, FrameRun
from busbench.analysis.notebook import html_of
from busbench.model import Clock, Reason, Rejects
from busbench.wire.codec import are_slot_gaps
from busbench.wire.frame_spec import ALL_CHANNELS, FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES
from busbench.wire.table import FrameTable

GLITCH_COUNTS = 40  # about 2.5 % of the usual travel of 1639 counts
PERIOD_MAX_NS = 20_000_000  # the longest period known to be in use; used if none was measured
_CHUNK = 128 * STILL_FRAMES  # sums of 8192 counts are exact in float32


@dataclass(frozen=True, slots=True)
class Glitch:
    """A jump away and back within one frame on one channel.

    Args:
        frame: index of the frame, from 0.
        time_s: seconds from the start, None without a clock.
        offset: stream offset of the frame's header.
        channel: 1-18.
        value_counts: the value of that frame.
        size_counts: signed distance from the nearer of its neighbours.
    """

    frame: int
    time_s: float | None
    offset: int
    channel: int
    value_counts: int
    size_counts: int


@dataclass(frozen=True, slots=True)
class ChannelSummary:
    """What one channel did.

    Args:
        channel: 1-18; 17 and 18 are on or off: 1 or 0.
        min_counts, max_counts, mean_counts, first_counts, last_counts: over all frames except damaged ones.
        changes: frames whose value differs from the frame before.
        still_noise_counts: noise at rest, rms: root mean square of the steps from frame to frame over sqrt(2), so that
            slow drift does not count; taken over runs of STILL_FRAMES frames that stay within STILL_COUNTS. None
            without such a run, and for on/off channels.
        still_frames: frames in these runs.
        moves: travels in one direction of more than MOVE_COUNTS (any change of on/off channels).
        glitches: number of glitches; see Glitch.
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
        """Range: max minus min."""
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
        frames: number of frames.
        damaged: frames with a byte that the line marked; they count nowhere else.
        flagged: of the others, frames flagged lost or failsafe.
        channels: channels 1-18 in order; empty if all frames were damaged.
        glitch_frames: frames with a glitch on one or more channels.
        glitches: the first GLITCHES_KEPT glitches, by frame, then channel.
        glitch_counts: the threshold.
    """

    frames: int
    damaged: int
    flagged: int
    channels: tuple[ChannelSummary, ...]
    glitch_frames: int
    glitches: tuple[Glitch, ...]
    glitch_counts: int

    def _repr_html_(self) -> str:
        return html_of(self.to_json())

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys, with the thresholds used."""
        return {
            "frames": self.frames,
            "damaged": self.damaged,
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
    """Collects channel statistics block by block; the result does not depend on the blocks.

    A glitch is one frame that jumps by more than a threshold and back: both steps
    are larger than it and opposite, and the frames before and after agree within
    half of it or a quarter of the jump. All three must be neighbours in time (no
    frame missing, no damaged bytes between) and neither flagged nor damaged. A flick
    that two frames saw is a move.

    Args:
        clock: the clock of the frames.
        period_ns: frame period if known; frames certainly more than 1.5
            periods apart are not neighbours.
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
        self._totals = ChannelSums(glitch_counts)
        self._waiting: list[FrameTable] = []  # at most a chunk and the frame after it
        self._rows = 0
        self._seen = 0
        self._left_out = np.empty(0, np.int64)  # indices of damaged frames among all
        self._damage = Rejects.empty().offset  # offsets of damaged bytes from the waiting frames

    def feed(self, table: FrameTable, rejects: Rejects | None = None) -> None:
        """Take the next frames of the stream.

        Args:
            table: the frames.
            rejects: the bytes before and among them that are in no frame; damaged ones separate
                neighbours. Without rejects, gaps as long as sensor replies do not.
        """
        if rejects is not None:
            self._damage = np.concatenate([self._damage, rejects.of(Reason.DAMAGED).offset])
        if not len(table):
            return
        if self._start_ns is None:
            self._start_ns = int(table.t_ns[0])
        is_damaged, seen = table.suspect, self._seen
        self._seen += len(table)
        if is_damaged.any():
            self._left_out = np.concatenate([self._left_out, np.flatnonzero(is_damaged) + seen])
            table = table[~is_damaged]
        start = 0
        while self._rows + len(table) - start > _CHUNK:
            stop = start + _CHUNK + 1 - self._rows
            part = FrameTable.concat([*self._waiting, table[start:stop]])
            self._totals.take(self._view(part), has_next=True)
            # The last row was used as a neighbour only.
            self._waiting, self._rows = [part[_CHUNK:]], 1
            start = stop
        if start < len(table):
            self._waiting.append(table[start:])
            self._rows += len(table) - start

    def result(self) -> Channels:
        """The statistics so far; more can be fed."""
        totals = self._totals
        if self._rows:
            totals = totals.copy()
            totals.take(self._view(FrameTable.concat(self._waiting)), has_next=False)
        summaries = tuple(_summaries(totals)) if totals.frames else ()
        return Channels(
            totals.frames + self._left_out.size,
            self._left_out.size,
            totals.flagged,
            summaries,
            totals.glitch_frames,
            tuple(self._glitches(totals)),
            self._glitch_counts,
        )

    def _glitches(self, totals: ChannelSums) -> Iterator[Glitch]:
        start_ns = self._start_ns if self._has_clock else None
        before = self._left_out - np.arange(self._left_out.size)  # frames taken before each left-out frame
        for frame, t_ns, offset, channel, value, size in totals.kept:
            yield Glitch(
                frame + int(np.searchsorted(before, frame, "right")),
                None if start_ns is None else (t_ns - start_ns) / 1e9,
                offset,
                channel + 1,
                value,
                size,
            )

    def _view(self, part: FrameTable) -> FrameRun:
        values = part.all_channels().view(np.int16)
        space = np.diff(part.offset)
        joined = space == FRAME_BYTES
        if not joined.all():
            joined |= are_slot_gaps(part.end[:-1], space - FRAME_BYTES)
        self._damage = self._damage[np.searchsorted(self._damage, part.offset[0]) :]
        behind = np.searchsorted(part.offset, self._damage)
        joined[behind[(behind > 0) & (behind < len(part))] - 1] = False
        if self._has_clock:
            joined &= part.t_ns[1:] - part.slack_ns[1:] - part.t_ns[:-1] <= self._apart_ns
        clean = (part.flags & (FLAG_LOST | FLAG_FAILSAFE)) == 0
        return FrameRun(values, joined, clean, part)


def summarise_channels(
    table: FrameTable, rejects: Rejects | None = None, *, clock: Clock, glitch_counts: int = GLITCH_COUNTS
) -> Channels:
    """Statistics of all channels over a whole table.

    Args:
        table: the frames.
        rejects: the bytes between them, see ChannelStats.feed.
        clock: their clock.
        glitch_counts: the threshold of glitches, see ChannelStats.

    Returns:
        Range, noise at rest, moves and glitches of each channel.
    """
    stats = ChannelStats(clock=clock, glitch_counts=glitch_counts)
    stats.feed(table, rejects)
    return stats.result()


def _summaries(totals: ChannelSums) -> Iterator[ChannelSummary]:
    assert totals.edge is not None
    steps = totals.still_runs * (STILL_FRAMES - 1)
    for channel in range(ALL_CHANNELS):
        runs = int(totals.still_runs[channel])
        yield ChannelSummary(
            channel=channel + 1,
            min_counts=int(totals.low[channel]),
            max_counts=int(totals.high[channel]),
            mean_counts=int(totals.sum[channel]) / totals.frames,
            first_counts=int(totals.first[channel]),
            last_counts=int(totals.edge.raw[channel]),
            changes=int(totals.changes[channel]),
            still_noise_counts=(float(totals.noise_squares[channel]) / float(steps[channel]) / 2) ** 0.5
            if runs
            else None,
            still_frames=runs * STILL_FRAMES,
            moves=int(totals.travels.count[channel]),
            glitches=int(totals.glitches[channel]),
        )
