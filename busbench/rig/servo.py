"""Motion of devices from frames: all devices of a rig at once, a step per frame.

A device obeys only its own channel. Its command is the pulse's
distance from its neutral, clipped to its endpoints; it follows at its speed, in a
straight line in time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64, Bools
from busbench.rig.linkage import straight_throw_mm, surface_deg
from busbench.rig.model import Device
from busbench.rig.travel import endpoints_of, full_us
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, FLAG_CH17, FLAG_CH18
from busbench.wire.scale import Scale

SILENCE_S = 0.1  # after this time without frames a device reacts; common practice, no source


class ServoMotion:
    """Devices that move with the frames.

    Positions are in percent of full command, positive in the direction in which a channel above
    neutral would take a device that is not reversed.

    Args:
        devices: the moving devices, in order; no sensors.
        scale: counts to microseconds.
    """

    def __init__(self, devices: Sequence[Device], *, scale: Scale) -> None:
        self.devices = tuple(devices)
        self._scale = scale
        count = len(self.devices)
        full = full_us(scale)
        self._index = np.array([(d.channel or 0) - 1 for d in self.devices], np.int64)
        self._sign = np.array([-1.0 if d.reversed else 1.0 for d in self.devices])
        self._neutral_us = np.array([endpoints_of(d, scale).neutral_us for d in self.devices])
        self._travel = np.array([d.travel_pct for d in self.devices])
        self._dead = np.array([100 * d.dead_band_us / full for d in self.devices])
        self._rate = np.array(
            [
                6000 / d.speed_s_per_60deg / d.geometry.arm_deg if d.speed_s_per_60deg is not None else np.inf
                for d in self.devices
            ]
        )  # percent per second
        self._soft = np.array([d.start_ramp_s for d in self.devices])
        parked = [d.when_silent if isinstance(d.when_silent, float) else np.nan for d in self.devices]
        self._parked = np.array(parked) * self._sign
        self._lets_go = np.array([d.when_silent == "release" for d in self.devices], np.bool_)
        self._eases_s = np.array([d.current_a.hold_lowered_after_s or np.inf for d in self.devices])
        draws = [d.current_a for d in self.devices]
        self._idle_a = np.array([c.idle or 0.0 for c in draws])
        self._moving_a = np.array([c.moving if c.moving is not None else c.idle or 0.0 for c in draws])
        self._holding_a = np.array([c.holding if c.holding is not None else c.idle or 0.0 for c in draws])
        self.position_pct = np.zeros(count)
        self._target = np.zeros(count)
        self._awake_s = np.zeros(count)
        self.rest_s = np.zeros(count)
        self.silent_s = np.full(count, np.inf)
        self.moving: Bools = np.zeros(count, np.bool_)
        self.powered: Bools = np.ones(count, np.bool_)

    def command_pct(self, counts: ArrayLike, flags: int) -> F64:
        """The command of a frame for each device.

        Args:
            counts: of channels 1-16, (16,).
            flags: byte 23, for channels 17 and 18.

        Returns:
            Percent of full command (devices,), clipped to the endpoints, NaN for channels outside 1-18.
        """
        two_state = [100.0 if flags & bit else -100.0 for bit in (FLAG_CH17, FLAG_CH18)]
        us = self._scale.to_us(np.asarray(counts))
        known = (self._index >= 0) & (self._index < ALL_CHANNELS)
        slot = np.where(known, self._index, 0)
        pulse = us[np.minimum(slot, CHANNELS - 1)]
        asked = (pulse - self._neutral_us) * (100 / full_us(self._scale))
        asked = np.where(slot >= CHANNELS, np.array(two_state)[np.maximum(slot - CHANNELS, 0)], asked)
        asked = np.clip(asked, -self._travel, self._travel) * self._sign
        return np.where(known, asked, np.nan)

    def settle(self, counts: ArrayLike, *, flags: int = 0) -> None:
        """Stand at rest where counts (16,) and byte 23 ask."""
        asked = self.command_pct(counts, flags)
        known = ~np.isnan(asked)
        self.position_pct[known] = self._target[known] = asked[known]
        self.silent_s[known] = 0
        self._awake_s[known] = self._soft[known]

    def step(
        self, dt_s: float, counts: ArrayLike | None = None, *, flags: int = 0, powered: Bools | None = None
    ) -> None:
        """Let time pass, then receive a frame.

        Args:
            counts: of channels 1-16, (16,), of the frame that has just come, or None.
            flags: byte 23 of that frame.
            powered: devices that had enough voltage meanwhile, (devices,); all by default.
        """
        self._move(dt_s, np.ones_like(self.powered) if powered is None else powered)
        if counts is None:
            return
        asked = self.command_pct(counts, flags)
        heard = self.powered & ~np.isnan(asked)
        woken = heard & (self.silent_s > SILENCE_S)
        self._awake_s[woken] = 0
        self.silent_s[heard] = 0
        follow = heard & (woken | (np.abs(asked - self._target) > self._dead))
        self._target[follow] = asked[follow]

    def _move(self, dt_s: float, powered: Bools) -> None:
        self.powered = powered
        self.silent_s[powered] += dt_s
        self.silent_s[~powered] = np.inf  # a device that lost power needs a new frame
        heard_once = np.isfinite(self.silent_s)
        parked = heard_once & (self.silent_s > SILENCE_S) & ~np.isnan(self._parked)
        self._target[parked] = self._parked[parked]
        before = self._awake_s.copy()
        self._awake_s += dt_s
        with np.errstate(invalid="ignore", divide="ignore"):
            # Speed rises linearly during the soft start: the distance is its integral.
            ramp = np.minimum(self._awake_s, self._soft) ** 2 - np.minimum(before, self._soft) ** 2
            soft_s = np.where(self._soft > 0, ramp / (2 * self._soft), 0.0)
        full_s = np.maximum(self._awake_s, self._soft) - np.maximum(before, self._soft)
        with np.errstate(invalid="ignore"):
            reach = self._rate * (soft_s + full_s)
        reach = np.where(np.isnan(reach), 0.0, reach)
        way = np.where(heard_once & ~self.released, self._target - self.position_pct, 0.0)
        shift = np.clip(way, -reach, reach)
        self.moving = shift != 0
        self.position_pct = self.position_pct + shift
        self.rest_s = np.where(self.moving, 0.0, self.rest_s + dt_s)

    @property
    def released(self) -> Bools:
        """Devices without holding force: no power, or set to release without frames."""
        return ~self.powered | (self._lets_go & (self.silent_s > SILENCE_S))

    def current_a(self) -> F64:
        """The current of each device now, (devices,); unstated currents count as zero."""
        rest = np.where((self.rest_s < self._eases_s) & ~self.released, self._holding_a, self._idle_a)
        drawn: F64 = np.where(self.powered, np.where(self.moving, self._moving_a, rest), 0.0)
        return drawn

    def arm_deg(self) -> F64:
        """Angle of each arm from neutral, degrees (devices,)."""
        return np.array([d.geometry.arm_deg for d in self.devices]) * (self.position_pct / 100)

    def surface_deg(self) -> F64:
        """Angle of each surface as seen on the aircraft, degrees (devices,)."""
        arm = self.arm_deg()
        return np.array([float(surface_deg(d, a)) for d, a in zip(self.devices, arm, strict=True)])

    def throw_mm(self) -> F64:
        """Throw of each surface straight across from neutral, (devices,); NaN without a chord."""
        return np.array(
            [
                float(straight_throw_mm(d.geometry.chord_mm, a)) if d.geometry.chord_mm is not None else np.nan
                for d, a in zip(self.devices, self.surface_deg(), strict=True)
            ]
        )
