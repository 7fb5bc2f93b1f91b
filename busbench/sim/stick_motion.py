"""Random motion of sticks, switches and sliders for a virtual receiver."""

from __future__ import annotations

import enum

import numpy as np

from busbench.model import F64, U8, U16
from busbench.wire.frame_spec import CHANNELS, COUNTS_MAX, FLAG_CH17, FLAG_CH18

NEUTRAL, LOW, HIGH = 992, 172, 1811
_TWO_STATE = 2


class Hand(enum.StrEnum):
    """How much the pilot moves."""

    STILL = "still"
    MOVING = "moving"  # all 18 channels
    MIXED = "mixed"  # sticks always, switches now and then, the rest still


class Stick(enum.Enum):
    """The control of a channel: seconds of a move, seconds of rest, levels (none: anywhere)."""

    STICK = ((0.15, 0.9), (0.0, 1.2), ())
    SLIDER = ((0.8, 3.0), (1.0, 6.0), ())
    SWITCH = ((0.0, 0.0), (2.0, 9.0), (LOW, NEUTRAL, HIGH))
    TWO_STATE = ((0.0, 0.0), (3.0, 12.0), (0, 1))


_MIXED: dict[int, Stick] = {
    **dict.fromkeys((0, 1, 2, 3), Stick.STICK),
    4: Stick.SWITCH,
    5: Stick.STICK,
    6: Stick.SLIDER,
    7: Stick.SWITCH,
    16: Stick.TWO_STATE,
}
_MOVING: dict[int, Stick] = {
    **dict.fromkeys(range(12), Stick.STICK),
    **dict.fromkeys((12, 13), Stick.SLIDER),
    **dict.fromkeys((14, 15), Stick.SWITCH),
    **dict.fromkeys((16, 17), Stick.TWO_STATE),
}
_ROLES: dict[Hand, dict[int, Stick]] = {Hand.STILL: {}, Hand.MIXED: _MIXED, Hand.MOVING: _MOVING}


def seeded_rng(seed: int, *, stream: int) -> np.random.Generator:
    """Random numbers for one part of a virtual receiver, independent of the others."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, stream])))


class Pilot:
    """Moves the channels; query with rising times.

    Args:
        hand: how much.
        seed: equal seeds give equal moves.
        dither: share of values one count off.

    Attributes:
        failsafe_counts: values sent in failsafe, uint16 (16,).
    """

    failsafe_counts: U16 = np.full(CHANNELS, NEUTRAL, np.uint16)

    def __init__(self, hand: Hand, *, seed: int, dither: float = 0.0) -> None:
        self._tracks = {
            channel: _Track(stick, seeded_rng(seed, stream=100 + channel)) for channel, stick in _ROLES[hand].items()
        }
        self._dither = dither
        self._dice = seeded_rng(seed, stream=99)

    def positions(self, t_s: F64) -> tuple[U16, U8]:
        """Values of all channels.

        Args:
            t_s: times in seconds, float64 (N,), rising, after all earlier ones.

        Returns:
            Counts of channels 1-16, uint16 (N, 16), and the flag bits of channels
            17 and 18, uint8 (N,).
        """
        levels = self.levels(t_s)
        counts = np.rint(levels[:, :CHANNELS])
        if self._dither:
            throw = self._dice.random(counts.shape)
            counts += (throw < self._dither / 2).astype(float) - (throw > 1 - self._dither / 2)
        flags = np.where(levels[:, CHANNELS] > 0.5, FLAG_CH17, 0) | np.where(
            levels[:, CHANNELS + 1] > 0.5, FLAG_CH18, 0
        )
        return np.clip(counts, 0, COUNTS_MAX).astype(np.uint16), flags.astype(np.uint8)

    def levels(self, t_s: F64) -> F64:
        """Values before rounding and dither: counts, and 0 or 1 for channels 17 and 18, float64 (N, 18)."""
        levels = np.full((t_s.size, CHANNELS + _TWO_STATE), float(NEUTRAL))
        levels[:, CHANNELS:] = 0
        for channel, track in self._tracks.items():
            levels[:, channel] = track.at(t_s)
        return levels


class _Track:
    """Alternating smooth moves and rests, without jerk at the ends."""

    def __init__(self, stick: Stick, random: np.random.Generator) -> None:
        self._move_s, self._rest_s, self._levels = stick.value
        self._random = random
        first = float(self._levels[0] if self._levels else NEUTRAL)
        self._moves: list[tuple[float, float, float, float]] = [(0.0, 1e-9, first, first)]  # start, length, from, to
        self._next_s = self._between(self._rest_s)

    def at(self, t_s: F64) -> F64:
        while t_s.size and self._next_s <= t_s[-1]:
            before = self._moves[-1][3]
            length = max(1e-9, self._between(self._move_s))
            self._moves.append((self._next_s, length, before, self._level()))
            self._next_s += length + self._between(self._rest_s)
        starts, lengths, begins, ends = np.array(self._moves).T
        which = np.searchsorted(starts, t_s, "right") - 1
        if which.size:
            self._moves = self._moves[int(which[-1]) :]
        x = np.clip((t_s - starts[which]) / lengths[which], 0, 1)
        eased = x * x * x * (10 - x * (15 - 6 * x))
        position: F64 = begins[which] + (ends[which] - begins[which]) * eased
        return position

    def _between(self, bounds: tuple[float, float]) -> float:
        low, high = bounds
        return float(low + (high - low) * self._random.random())

    def _level(self) -> float:
        if self._levels:
            return float(self._levels[int(self._random.random() * len(self._levels))])
        return float(LOW + (HIGH - LOW) * self._random.random())
