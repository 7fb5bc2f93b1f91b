"""Neutral and endpoints of a device, in counts and microseconds."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.rig.model import Device
from busbench.wire.frame_spec import CHANNELS, COUNTS_MAX
from busbench.wire.scale import FULL_COUNTS, Scale, whole

ON_PCT = 50.0  # on/off channels are on from this level


@dataclass(frozen=True, slots=True)
class Endpoints:
    """Neutral and endpoints of a device's channel."""

    neutral_counts: float  # neutral_counts, low_counts, high_counts: as sent, not rounded; may exceed the frame's range
    low_counts: float
    high_counts: float
    neutral_us: float  # neutral_us, low_us, high_us: the same as pulses at the rig's scale
    low_us: float
    high_us: float

    @property
    def fits_frame(self) -> bool:
        """True if both endpoints can be sent."""
        return self.low_counts >= 0 and self.high_counts <= COUNTS_MAX


def full_us(scale: Scale) -> float:
    """Microseconds from neutral to 100 %."""
    return FULL_COUNTS * scale.us_per_count


def endpoints_of(device: Device, scale: Scale) -> Endpoints:
    """Neutral of a device, and its endpoints, travel_pct on either side."""
    neutral = scale.centre_us if device.neutral_us is None else device.neutral_us
    reach = device.travel_pct / 100 * full_us(scale)

    low, high = neutral - reach, neutral + reach
    to_counts = scale.to_counts
    return Endpoints(to_counts(neutral), to_counts(low), to_counts(high), neutral, low, high)


def level_sent(device: Device, pct: float, scale: Scale) -> int:
    """Whole counts (0 or 1 on channels 17 and 18) of a device's position in percent from its neutral."""
    if (device.channel or 0) > CHANNELS:
        return int(pct >= ON_PCT)
    return whole(endpoints_of(device, scale).neutral_counts + pct / 100 * FULL_COUNTS, clip=True)
