"""The rest of each device's channel while its control is left alone."""

from __future__ import annotations

from busbench.rig.model import Device
from busbench.rig.motors import motor_rest_pct, travel_of
from busbench.rig.travel import endpoints_of, level_sent
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import FULL_COUNTS, Scale


def rest_counts(device: Device, scale: Scale) -> float:
    """The rest of a device's channel while its control is left alone, as sent, not rounded.

    If the plan does not state it: a motor off, an engine at idle, an on/off channel at its low
    end, all else at neutral.
    """
    return endpoints_of(device, scale).neutral_counts + rest_pct(device) / 100 * FULL_COUNTS


def rest_sent(device: Device, scale: Scale) -> int:
    """The same as whole counts; 0 or 1 on channels 17 and 18."""
    return level_sent(device, rest_pct(device), scale)


def rest_pct(device: Device) -> float:
    """The same in percent from neutral; for a contradictory motor the stated value."""
    if device.rest_pct is not None:
        return device.rest_pct
    if device.motor_kind:
        known = motor_rest_pct(device)
        return -travel_of(device) if known is None else known
    return -100.0 if (device.channel or 0) > CHANNELS else 0.0
