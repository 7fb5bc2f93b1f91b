"""What each channel does now: value, range, trace and state."""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.analysis.channel_sums import STILL_COUNTS, STILL_FRAMES
from busbench.analysis.channels import summarise_channels
from busbench.model import I64, U16
from busbench.tui.store import FrameStore
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, FLAG_FAILSAFE, FLAG_LOST

TRACE_S = 4.0
LOW_END, HIGH_END = 172, 1811  # the customary ends of a channel
NEAR_END = 8


class ChannelState(enum.StrEnum):
    """What a channel does, in a word."""

    GLITCH = "glitch"
    MOVING = "moving"
    AT_END = "at end"
    PAST_END = "past end"
    STILL = "still"
    ON = "on"
    OFF = "off"
    FAILSAFE = "failsafe"  # failsafe, lost: the value is the receiver's, not the stick's
    LOST = "lost"
    DAMAGED = "damaged"  # the value repeats the frame before
    NONE = "no frame"

    @property
    def is_held(self) -> bool:
        """True without a current frame."""
        return self in (ChannelState.DAMAGED, ChannelState.NONE)


@dataclass(frozen=True, slots=True, eq=False)
class ChannelRows:
    """All 18 channels at one place of a session."""

    row: int  # the frame shown, -1 without one
    values: U16  # counts, 0 or 1 on channels 17 and 18, uint16 (18,)
    low: U16  # low, high: min and max since the reset, uint16 (18,)
    high: U16
    # values in equal time steps up to the place, -1 without a frame, int16 (18, points)
    trace: NDArray[np.int16]
    states: tuple[ChannelState, ...]  # of each channel


def look(
    store: FrameStore,
    place: int,
    *,
    since: int,
    points: int,
    glitches: frozenset[int],
    stale_ns: int = 0,
    is_gone: bool = False,
) -> ChannelRows:
    """Evaluate all channels.

    Args:
        place: position on the axis.
        since: first row of the ranges.
        glitches: indices of channels with a recent glitch.
        stale_ns: max age of a current frame.
        is_gone: True if the link is dead; the values are those of the last frame.
    """
    row = store.row_at(place)
    if row < 0:
        nothing = np.zeros(ALL_CHANNELS, np.uint16)
        return ChannelRows(
            -1,
            nothing,
            nothing,
            nothing,
            np.full((ALL_CHANNELS, points), -1, np.int16),
            (ChannelState.NONE,) * ALL_CHANNELS,
        )
    width = round(TRACE_S * store.ticks_per_s)
    first = max(0, store.row_at(place - width), row + 1 - STILL_FRAMES)
    first = min(first, max(0, store.row_at(place - width)), row)
    recent = store.values(first, row + 1)
    low, high = store.span(min(since, row), row + 1)
    # Steps are on a fixed grid, so that the trace moves by whole steps without flicker.
    step = max(1, width // points)
    edges = (place // step + 1 + np.arange(-points, 1, dtype=np.int64)) * step
    trace = _sample(store, first, row + 1, edges, recent, stale_ns)
    flags = int(store.flags[row])
    if is_gone:
        states = (ChannelState.NONE,) * ALL_CHANNELS
    elif store.is_damaged(row, row + 1)[0]:
        states = (ChannelState.DAMAGED,) * ALL_CHANNELS
    elif flags & (FLAG_FAILSAFE | FLAG_LOST):
        states = (ChannelState.FAILSAFE if flags & FLAG_FAILSAFE else ChannelState.LOST,) * ALL_CHANNELS
    else:
        states = _states(recent, glitches)
    return ChannelRows(row, recent[:, -1], low, high, trace, states)


def between(store: FrameStore, lo: int, hi: int, *, points: int, stale_ns: int = 0) -> NDArray[np.int16]:
    """Values of all channels in equal steps between two positions, -1 without a frame.

    Args:
        stale_ns: max age of a valid frame.

    Returns:
        int16 (18, points).
    """
    first, last = max(0, store.row_at(lo)), store.row_at(hi) + 1
    if last <= first:
        return np.full((ALL_CHANNELS, points), -1, np.int16)
    edges = lo + np.arange(points + 1, dtype=np.int64) * (hi - lo) // points
    return _sample(store, first, last, edges, store.values(first, last), stale_ns)


def find_glitches(store: FrameStore, place: int) -> frozenset[int]:
    """Indices of channels with a glitch within the trace, by the rule of analysis/channels.py."""
    hi = store.row_at(place) + 1
    lo = max(0, store.row_at(place - round(TRACE_S * store.ticks_per_s)))
    if hi - lo < 3:
        return frozenset()
    found = summarise_channels(store.table(lo, hi), store.damage(lo, hi), clock=store.clock)
    return frozenset(one.channel - 1 for one in found.channels if one.glitches)


def _sample(store: FrameStore, first: int, last: int, edges: I64, values: U16, stale_ns: int) -> NDArray[np.int16]:
    """The last value of each time step; -1 without a whole frame if the one before is stale."""
    axis = store.axis_of(first, last)
    rows = np.searchsorted(axis, edges[1:]) - 1
    at = np.maximum(rows, 0)
    came = (rows >= 0) & (edges[1:] - axis[at] <= np.maximum(np.diff(edges), stale_ns if store.clock.is_known else 1))
    came &= ~store.is_damaged(first, last)[at]
    out: NDArray[np.int16] = values[:, at].astype(np.int16)
    out[:, ~came] = -1
    return out


def _states(recent: U16, glitches: frozenset[int]) -> tuple[ChannelState, ...]:
    last = recent[:, -STILL_FRAMES:].astype(np.int16)
    now = last[:, -1]
    spread = last.max(axis=1) - last.min(axis=1)
    words = []
    for channel in range(ALL_CHANNELS):
        value = int(now[channel])
        if channel in glitches:
            words.append(ChannelState.GLITCH)
        elif channel >= CHANNELS:
            words.append(ChannelState.ON if value else ChannelState.OFF)
        elif int(spread[channel]) > STILL_COUNTS:
            words.append(ChannelState.MOVING)
        elif value < LOW_END - NEAR_END or value > HIGH_END + NEAR_END:
            words.append(ChannelState.PAST_END)
        elif value <= LOW_END + NEAR_END or value >= HIGH_END - NEAR_END:
            words.append(ChannelState.AT_END)
        else:
            words.append(ChannelState.STILL)
    return tuple(words)
