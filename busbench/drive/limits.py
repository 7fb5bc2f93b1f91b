"""The last step before packing: targets of a program become counts that may be sent.

Only a Limiter makes LimitedCounts, and packing accepts nothing else. Whatever is
requested, the output stays within each channel's travel limits, moves no faster
than its rate, and holds locked channels at their rest value.

Rates on whole counts: between two frames a channel moves at most rate x period,
rounded down. A rate of less than one count per frame moves one count every few
frames, rounded up. So the real speed never exceeds the rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from busbench.errors import DriveError
from busbench.model import F64, I64, U16, Bools, set_readonly
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX, ON_OFF_CHANNELS

SWITCH_ON = 0.5  # on/off channels are on from this level
_AT_ONCE = 4096  # frames that are followed before the next look at the whole
_KEY = object()


@dataclass(frozen=True, slots=True)
class ChannelLimit:
    """Travel limits, rate and rest of a channel."""

    low: int  # low, high: travel limits in counts
    high: int
    rest: int  # counts at rest, and while the channel is locked
    rate: float  # max rate in counts per second
    is_locked: bool = False  # True for a channel that must not move, such as a motor's

    def check(self, place: str) -> None:
        """Refuse invalid limits: DriveError names the place (for example "heron.toml, channel 3"), key and value."""
        if not 0 <= self.low <= COUNTS_MAX:
            raise DriveError(f"{place}, low: {self.low} counts does not fit a frame", hint=f"give 0 to {COUNTS_MAX}")
        if not self.low <= self.high <= COUNTS_MAX:
            raise DriveError(
                f"{place}, high: {self.high} counts is out of range", hint=f"give {self.low} to {COUNTS_MAX}"
            )
        ends = (0, COUNTS_MAX) if self.is_locked else (self.low, self.high)
        if not ends[0] <= self.rest <= ends[1]:
            raise DriveError(
                f"{place}, rest: {self.rest} counts lies outside the channel's travel",
                hint=f"give {ends[0]} to {ends[1]} counts, or widen low and high",
            )
        if not (math.isfinite(self.rate) and self.rate > 0):
            raise DriveError(f"{place}, rate: {self.rate:g} counts/s moves nothing", hint="give more than 0")


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of all channels.

    Raises:
        DriveError: an invalid limit; names channel, key and value.
    """

    channels: tuple[ChannelLimit, ...]  # one for each of channels 1-16
    switches_rest: tuple[bool, ...] = (False,) * ON_OFF_CHANNELS  # channels 17 and 18 at rest
    switches_locked: tuple[bool, ...] = (False,) * ON_OFF_CHANNELS  # True for an on/off channel that must not switch

    def __post_init__(self) -> None:
        if len(self.channels) != CHANNELS:
            raise DriveError(f"limits for {len(self.channels)} channels", hint=f"give all {CHANNELS}")
        if (len(self.switches_rest), len(self.switches_locked)) != (ON_OFF_CHANNELS, ON_OFF_CHANNELS):
            raise DriveError("limits of the on/off channels are not two", hint="give channels 17 and 18")
        for number, limit in enumerate(self.channels, 1):
            limit.check(f"limits, channel {number}")

    def is_locked(self, channel: int) -> bool:
        """True for a channel (0-17) that must not move."""
        if channel < CHANNELS:
            return self.channels[channel].is_locked
        return self.switches_locked[channel - CHANNELS]


class LimitedCounts:
    """Counts that may be sent; only a Limiter makes them.

    Attributes:
        channels: uint16 (N, 16), read-only.
        switches: bool (N, 2), read-only.
    """

    __slots__ = ("channels", "switches")
    channels: U16
    switches: Bools

    def __init__(self, channels: U16, switches: Bools, *, key: object) -> None:
        if key is not _KEY:
            raise TypeError("LimitedCounts come from a Limiter only")
        set_readonly(channels, switches)
        object.__setattr__(self, "channels", channels)
        object.__setattr__(self, "switches", switches)

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError("LimitedCounts are read-only")

    def __reduce__(self) -> Any:
        raise TypeError("LimitedCounts are not to be pickled: their Limiter goes instead")

    def __len__(self) -> int:
        return int(self.channels.shape[0])


@dataclass(frozen=True, slots=True)
class _Pace:
    """A rate on whole counts: `budget` counts per move, one move every `wait` frames."""

    budget: int
    wait: int

    @staticmethod
    def of(rate: float, period_s: float) -> _Pace:
        step = rate * period_s
        # Products such as 1000 * 0.007 are slightly off the intended whole number.
        whole = min(math.floor(step * (1.0 + 1e-12)), COUNTS_MAX)
        return _Pace(whole, 1) if whole else _Pace(1, math.ceil((1.0 - 1e-12) / step))


@dataclass(frozen=True, slots=True)
class _State:
    position: I64
    switches: Bools
    cool: list[int]  # frames that each channel still has to wait
    is_fresh: bool  # nothing sent yet: the first frame is the position itself


@dataclass(slots=True)
class Limiter:
    """Follows the targets as far as the limits allow, frame by frame."""

    limits: Limits  # the limits
    # time between two frames; after a skipped or dropped frame the next one still moves by one period's worth
    period_s: float
    # counts last sent, (16,), if known; the first frame repeats them within the limits. Else the first
    # frame has the rest values
    last: Sequence[int] | None = None
    _low: I64 = field(init=False)
    _high: I64 = field(init=False)
    _rest: I64 = field(init=False)
    _pace: list[_Pace] = field(init=False)
    _state: _State = field(init=False)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.period_s) and self.period_s > 0):
            raise DriveError(f"frame period: {self.period_s} s is not a period", hint="give more than 0")
        channels = self.limits.channels
        locked = np.array([c.is_locked for c in channels])
        self._rest = np.array([c.rest for c in channels], np.int64)
        self._low = np.where(locked, self._rest, [c.low for c in channels])
        self._high = np.where(locked, self._rest, [c.high for c in channels])
        self._pace = [_Pace.of(c.rate, self.period_s) for c in channels]
        start = self._rest if self.last is None else np.clip(np.asarray(self.last, np.int64), self._low, self._high)
        self._state = _State(start.copy(), np.array(self.limits.switches_rest), [0] * CHANNELS, is_fresh=True)

    @property
    def position(self) -> tuple[int, ...]:
        """Counts of the last frame, or of the first one if none was made yet."""
        return tuple(int(counts) for counts in self._state.position)

    @property
    def switches(self) -> tuple[bool, ...]:
        """States of channels 17 and 18 in the last frame, or at rest if none was made yet."""
        return tuple(bool(is_on) for is_on in self._state.switches)

    def mark(self) -> object:
        """The state, to be given to `rewind`."""
        state = self._state
        return replace(state, position=state.position.copy(), cool=list(state.cool))

    def rewind(self, mark: object) -> None:
        """Go back to a marked state: the frames since were never sent (raises TypeError: `mark` gave no such mark)."""
        if not isinstance(mark, _State):
            raise TypeError("rewind takes what mark gave")
        self._state = replace(mark, position=mark.position.copy(), cool=list(mark.cool))

    def limit(self, wanted: ArrayLike, *, is_heard: Bools | None = None) -> LimitedCounts:
        """Bring targets within the limits.

        A frame that no device receives moves nothing: it repeats the last received one, and the next continues
        from there.

        Args:
            wanted: target counts of channels 1-16 and levels of 17 and 18, float64 (N, 18),
                one row per frame; NaN for no target: the channel goes to its rest.
            is_heard: False if a frame is dropped or damaged, bool (N,); None if all are heard.

        Returns:
            The limited counts, a row per frame.

        Raises:
            ValueError: wrong shape.
        """
        rows = np.asarray(wanted, np.float64)
        if rows.ndim != 2 or rows.shape[1] != ALL_CHANNELS:
            raise ValueError(f"wishes must have the shape (N, 18), not {rows.shape}")
        if is_heard is not None and not is_heard.all():
            before = self._state
            heard = self.limit(rows[is_heard])
            last_heard = np.cumsum(is_heard)
            return LimitedCounts(
                np.concatenate([before.position[None].astype(np.uint16), heard.channels])[last_heard],
                np.concatenate([before.switches[None], heard.switches])[last_heard],
                key=_KEY,
            )
        levels = rows[:, :CHANNELS]
        clipped = np.clip(np.where(np.isnan(levels), self._rest, levels), self._low, self._high)
        out = np.rint(clipped).astype(np.int64)
        switches = self._switch(rows[:, CHANNELS:])
        if len(out):
            if self._state.is_fresh:
                out[0] = self._state.position
            for channel, pace in enumerate(self._pace):
                self._state.cool[channel] = _follow(
                    out[:, channel], int(self._state.position[channel]), pace, self._state.cool[channel]
                )
            self._state = _State(out[-1].copy(), switches[-1], self._state.cool, is_fresh=False)
        return LimitedCounts(out.astype(np.uint16), switches, key=_KEY)

    def _switch(self, levels: F64) -> Bools:
        rest = np.array(self.limits.switches_rest)
        return np.where(np.isnan(levels) | np.array(self.limits.switches_locked), rest, levels >= SWITCH_ON)

    def frames_to(self, wanted: ArrayLike) -> int:
        """Number of frames until every channel reaches its target, (18,) like one row of `limit`."""
        target = np.asarray(wanted, np.float64)[:CHANNELS]
        aim = np.rint(np.clip(np.where(np.isnan(target), self._rest, target), self._low, self._high)).astype(np.int64)
        moves = [
            (math.ceil(way / pace.budget) - 1) * pace.wait + 1 + cool if way else 0
            for way, pace, cool in zip(
                np.abs(aim - self._state.position).tolist(), self._pace, self._state.cool, strict=True
            )
        ]
        most = max(moves)
        return most + 1 if most and self._state.is_fresh else most


def _follow(wish: I64, position: int, pace: _Pace, cool: int) -> int:
    """Limit one channel's targets to its rate, in place; returns the frames still to wait.

    Stretches within the rate are left unchanged; only where the channel must
    catch up, frames are calculated one by one.
    """
    if pace.wait > 1:
        return _creep(wish, position, pace.wait, cool)
    budget = pace.budget
    steps = np.abs(np.diff(wish, prepend=position))
    total = wish.size
    place = 0
    for start in np.nonzero(steps > budget)[0].tolist():
        if start < place:
            continue
        here = position if start == 0 else int(wish[start - 1])
        place = start
        for block in range(start, total, _AT_ONCE):
            aims = wish[block : block + _AT_ONCE].tolist()
            for i, aim in enumerate(aims):
                gap = aim - here
                if -budget <= gap <= budget:
                    break
                here += budget if gap > 0 else -budget
                aims[i] = here
            else:
                wish[block : block + _AT_ONCE] = aims
                place = block + len(aims)
                continue
            wish[block : block + i] = aims[:i]
            place = block + i
            break
    return 0


def _creep(wish: I64, position: int, wait: int, cool: int) -> int:
    """Like _follow with one count per move, and `wait` frames between moves."""
    aims = wish.tolist()
    for i, aim in enumerate(aims):
        if cool:
            cool -= 1
        elif aim != position:
            position += 1 if aim > position else -1
            cool = wait - 1
        aims[i] = position
    wish[:] = aims
    return cool
