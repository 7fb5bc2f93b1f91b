"""Endpoints, centres, noise and failsafe of two recordings, channel by channel.

An endpoint is judged by the excursions that came near it, a centre by the times at which the control came to rest
there: how far they lie apart is the floor. What a recording shows only once has no floor, and is not judged by chance.
Flagged and damaged frames hold no positions of a control; they count in the failsafe alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from busbench.analysis.change import Figure, Sample, change_of, parts, sample_of, student, trimmed_sample_of
from busbench.analysis.channel_sums import STILL_COUNTS
from busbench.model import F64, I64
from busbench.wire.frame_spec import CHANNELS, FLAG_FAILSAFE
from busbench.wire.scale import FULL_COUNTS
from busbench.wire.table import FrameTable

POSITION_MATTERS = FULL_COUNTS / 200  # counts: half a percent of full command
FAILSAFE_MATTERS = FULL_COUNTS / 100
NOISE_MATTERS, NOISE_LEAST = 0.5, 1.0  # of the old noise; counts: 0.6 µs, less than a dead band
DELAY_MATTERS = 0.2  # of the old delay
_MOVED_COUNTS = 100
_NEAR, _LEFT = 0.1, 0.5  # of the range: an excursion comes so near its end, and is over so far from it
_HELD_FRAMES = 16
_APART_COUNTS = 10.0
_CENTRE_COUNTS = 40.0  # rests within so many counts are of one centre
_MAIN = 0.6  # of the rests between the endpoints: that many make a centre
_TIMES_LEAST = 3
_ROUNDED_COUNTS = 0.5  # of a mean of whole counts that are all the same
_STEP_COUNTS = 1 / math.sqrt(12)  # noise that whole counts hide,
_HIDDEN_COUNTS = 0.5  # where there is less than this
_BEFORE_NS = 100_000_000  # values this near before a failsafe may be those that are held


@dataclass(frozen=True, slots=True)
class MeasuredChannel:
    """One channel of a recording; None if the recording does not show it."""

    low: Sample | None  # low, high: endpoints, counts
    high: Sample | None
    centre: Sample | None  # where its control comes to rest, counts
    noise: Sample | None  # rms at rest, counts


@dataclass(frozen=True, slots=True)
class MeasuredFailsafe:
    """Failsafe of a recording."""

    delay_s: F64  # from the last good frame to the first flagged failsafe, float64 (E,), NaN without a clock
    low: I64  # low, high: range of each channel in all of its frames, int64 (16,)
    high: I64
    # True for channels whose value may be the last one before, bool (16,)
    is_held: np.ndarray[tuple[int], np.dtype[np.bool_]]


def measure_channels(frames: FrameTable) -> list[MeasuredChannel]:
    """All 16 channels."""
    values = frames.channels[frames.is_sound].T.astype(np.int32)
    return [_measure(np.ascontiguousarray(values[channel])) for channel in range(CHANNELS)]


def _measure(raw: np.ndarray[tuple[int], np.dtype[np.int32]]) -> MeasuredChannel:
    if raw.size < 3:
        return MeasuredChannel(None, None, None, None)
    a, b, c = raw[:-2], raw[1:-1], raw[2:]
    smooth = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))  # median of three: no glitches
    low, high = int(smooth.min()), int(smooth.max())
    levels, noise = _held(raw)
    if high - low < _MOVED_COUNTS:
        return MeasuredChannel(None, None, None, noise)
    ends = _times(-_excursions(-smooth)), _times(_excursions(smooth))
    margin = _NEAR * (high - low)
    centre = _centre(levels[(levels > low + margin) & (levels < high - margin)])
    return MeasuredChannel(*ends, centre, noise)


def _times(values: F64) -> Sample | None:
    """Trimmed mean of what was seen several times: a flagged frame may hide the end of an excursion."""
    if values.size < _TIMES_LEAST:
        return Sample(float(values.mean()), 0.0, 0) if values.size else None
    return trimmed_sample_of(values)


def _excursions(values: np.ndarray[tuple[int], np.dtype[np.int32]]) -> F64:
    """The highest value of each excursion that came near the highest of all."""
    low, high = int(values.min()), int(values.max())
    is_near, is_left = values >= high - _NEAR * (high - low), values <= high - _LEFT * (high - low)
    rows = np.flatnonzero(is_near | is_left)
    begins = np.flatnonzero(is_near[rows] & np.append(True, is_left[rows][:-1]))
    if not begins.size:
        return np.empty(0)
    return np.maximum.reduceat(values, rows[begins]).astype(np.float64)


def _held(raw: np.ndarray[tuple[int], np.dtype[np.int32]]) -> tuple[F64, Sample | None]:
    """Level of each rest, and the noise at rest."""
    runs = raw.size // _HELD_FRAMES
    if not runs:
        return np.empty(0), None
    blocks = raw[: runs * _HELD_FRAMES].reshape(runs, _HELD_FRAMES)
    is_still = blocks.max(axis=1) - blocks.min(axis=1) <= STILL_COUNTS
    still, row = blocks[is_still], np.flatnonzero(is_still)
    if not row.size:
        return np.empty(0), None
    mean = still.mean(axis=1)
    first = np.append(True, (np.diff(row) > 1) | (np.abs(np.diff(mean)) > _APART_COUNTS))
    begins = np.flatnonzero(first)
    levels = np.add.reduceat(mean, begins) / np.diff(np.append(begins, mean.size))
    squares = (np.diff(still, axis=1) ** 2).mean(axis=1) / 2
    found = sample_of(np.array([squares[part].mean() for part in parts(squares.size, least=4)]))
    if found is None:
        return levels, None
    rms = math.sqrt(found.mean)
    return levels, Sample(rms, found.error / 2 / rms if rms else 0.0, found.freedom)


def _centre(levels: F64) -> Sample | None:
    """The place to which a control comes back, if it comes back to one."""
    if levels.size < _TIMES_LEAST:
        return None
    ordered = np.sort(levels)
    inside = np.searchsorted(ordered, ordered + _CENTRE_COUNTS, "right") - np.arange(ordered.size)
    first = int(np.argmax(inside))
    count = int(inside[first])
    return _times(ordered[first : first + count]) if count >= _MAIN * levels.size else None


def measure_failsafe(frames: FrameTable, *, has_clock: bool) -> MeasuredFailsafe | None:
    """What the receiver did when its link was gone; None if that was not seen from its begin."""
    is_out = (frames.flags & FLAG_FAILSAFE) != 0
    good = np.flatnonzero(frames.is_sound)
    begins = np.flatnonzero(is_out & ~np.append(False, is_out[:-1])) if len(frames) else np.empty(0, np.int64)
    before = np.searchsorted(good, begins) - 1
    begins, before = begins[before >= 0], before[before >= 0]
    if not begins.size:
        return None
    last = good[before]
    new = np.append(True, np.diff(last) > 0)  # a flag that flickers is one failsafe
    begins, last = begins[new], last[new]
    delay_s = (frames.t_ns[begins] - frames.t_ns[last]) / 1e9 if has_clock else np.full(begins.size, np.nan)
    out = frames.channels[is_out & ~frames.suspect].astype(np.int64)
    if not len(out):
        return None
    is_held = np.ones(CHANNELS, np.bool_)
    for row, begin in zip(last.tolist(), begins.tolist(), strict=True):
        start = int(np.searchsorted(frames.t_ns, frames.t_ns[row] - _BEFORE_NS)) if has_clock else max(0, row - 10)
        near = frames.channels[start:begin].astype(np.int64)  # frames flagged lost hold a value that went missing
        is_held &= (out.max(axis=0) >= near.min(axis=0) - FAILSAFE_MATTERS) & (
            out.min(axis=0) <= near.max(axis=0) + FAILSAFE_MATTERS
        )
    return MeasuredFailsafe(delay_s, out.min(axis=0), out.max(axis=0), is_held)


def compare_channel(old: MeasuredChannel, new: MeasuredChannel, *, chance: float) -> list[Figure]:
    """Endpoints, centre and noise, where both recordings show them."""
    made = []
    positions = (
        ("endpoint low", old.low, new.low),
        ("endpoint high", old.high, new.high),
        ("centre", old.centre, new.centre),
    )
    for what, one, other in positions:
        if one is not None and other is not None:
            made.append(
                change_of(
                    what, "counts", one, other,
                    chance=chance, tolerance=POSITION_MATTERS, beside=_ROUNDED_COUNTS,
                )
            )  # fmt: skip
    if old.noise is not None and new.noise is not None:
        hidden = _STEP_COUNTS if min(old.noise.mean, new.noise.mean) < _HIDDEN_COUNTS else 0.0
        matters = max(NOISE_LEAST, NOISE_MATTERS * old.noise.mean)
        made.append(
            change_of(
                "noise at rest", "counts", old.noise, new.noise,
                chance=chance, tolerance=matters, beside=hidden,
            )
        )  # fmt: skip
    return made


def compare_delay(old: MeasuredFailsafe | None, new: MeasuredFailsafe | None, *, chance: float) -> Figure:
    """How long the receiver waits before it flags failsafe; both are taken to scatter alike, as failsafes are few."""
    name = "failsafe delay"
    before, after = (None if one is None else float(one.delay_s.mean()) for one in (old, new))
    if old is None or new is None or before is None or after is None:
        return Figure(name, "s", before, after, None, None, None, (0.0, 0.0))
    limits = (-DELAY_MATTERS * before, DELAY_MATTERS * before)
    counts = [one.delay_s.size for one in (old, new)]
    freedom = sum(counts) - 2
    if freedom < 1:
        return Figure(name, "s", before, after, None, None, None, limits)
    squares = sum(float(((one.delay_s - one.delay_s.mean()) ** 2).sum()) for one in (old, new))
    floor = student(chance, freedom) * math.sqrt(squares / freedom * sum(1 / count for count in counts))
    return Figure(name, "s", before, after, floor, after - before - floor, after - before + floor, limits)


def compare_failsafe(old: MeasuredFailsafe, new: MeasuredFailsafe, channel: int) -> Figure | None:
    """The value of a channel in failsafe, by every frame; None if it may be held, so that the stick decides it."""
    at = channel - 1
    if old.is_held[at] or new.is_held[at]:
        return None
    before, after = (float(one.low[at] + one.high[at]) / 2 for one in (old, new))
    low, high = float(new.low[at] - old.high[at]), float(new.high[at] - old.low[at])
    limits = (-FAILSAFE_MATTERS, FAILSAFE_MATTERS)
    return Figure("failsafe value", "counts", before, after, (high - low) / 2, low, high, limits)
