"""Motion of devices from frames: all devices of a rig, a step per frame.

A device obeys only its own channel. Its command is the pulse's
distance from its neutral, clipped to its endpoints; it follows at its speed, in a
straight line in time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from busbench.model import F64
from busbench.rig.linkage import surface_deg
from busbench.rig.model import Device
from busbench.rig.travel import endpoints_of, full_us
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, FLAG_CH17, FLAG_CH18
from busbench.wire.scale import Scale

SILENCE_S = 0.1  # after this time without frames a device reacts; common practice, no source


class Servo:
    """One device: its command and its position. Its numbers are plain, which is faster than arrays of ten.

    Args:
        scale: counts to microseconds.
    """

    __slots__ = (
        "_awake_s", "_dead_pct", "_eases_s", "_holding_a", "_idle_a", "_index", "_lets_go", "_moving_a", "_neutral_us",
        "_parked_pct", "_pct_per_us", "_rate", "_rest_s", "_scale", "_sign", "_silent_s", "_soft_s", "_target_pct",
        "_travel_pct", "is_moving", "is_powered", "position_pct",
    )  # fmt: skip

    def __init__(self, device: Device, *, scale: Scale) -> None:
        self._scale = scale
        self._index = (device.channel or 0) - 1
        self._sign = -1.0 if device.reversed else 1.0
        self._neutral_us = endpoints_of(device, scale).neutral_us
        self._pct_per_us = 100 / full_us(scale)
        self._travel_pct = device.travel_pct
        self._dead_pct = 100 * device.dead_band_us / full_us(scale)
        speed_s = device.speed_s_per_60deg
        self._rate = 6000 / speed_s / device.geometry.arm_deg if speed_s is not None else math.inf  # percent per second
        self._soft_s = device.start_ramp_s
        parked = device.when_silent
        self._parked_pct = parked * self._sign if isinstance(parked, float) else None
        self._lets_go = parked == "release"
        draws = device.current_a
        self._eases_s = draws.hold_lowered_after_s or math.inf
        self._idle_a = draws.idle or 0.0
        self._moving_a = self._idle_a if draws.moving is None else draws.moving
        self._holding_a = self._idle_a if draws.holding is None else draws.holding
        self.position_pct = self._target_pct = 0.0
        self._awake_s = self._rest_s = 0.0
        self._silent_s = math.inf
        self.is_moving, self.is_powered = False, True

    def command_pct(self, counts: Sequence[float], flags: int) -> float | None:
        """The command of counts (16) and byte 23, in percent, clipped to the endpoints; None for no channel of 1-18."""
        if not 0 <= self._index < ALL_CHANNELS:
            return None
        if self._index < CHANNELS:
            asked = (self._scale.to_us(counts[self._index]) - self._neutral_us) * self._pct_per_us
        else:
            asked = 100.0 if flags & (FLAG_CH17, FLAG_CH18)[self._index - CHANNELS] else -100.0
        return min(max(asked, -self._travel_pct), self._travel_pct) * self._sign

    def settle(self, asked_pct: float) -> None:
        """Be at rest at a command."""
        self.position_pct = self._target_pct = asked_pct
        self._silent_s, self._awake_s = 0.0, self._soft_s

    def hear(self, asked_pct: float) -> None:
        """Take in the command of a frame."""
        if not self.is_powered:
            return
        woken = self._silent_s > SILENCE_S
        if woken:
            self._awake_s = 0.0
        self._silent_s = 0.0
        if woken or abs(asked_pct - self._target_pct) > self._dead_pct:
            self._target_pct = asked_pct

    def move(self, dt_s: float, *, is_powered: bool) -> None:
        """Let time pass, with or without enough voltage."""
        self.is_powered = is_powered
        # A device that lost power needs a new frame.
        self._silent_s = silent_s = self._silent_s + dt_s if is_powered else math.inf
        if self._parked_pct is not None and SILENCE_S < silent_s < math.inf:
            self._target_pct = self._parked_pct
        before_s = self._awake_s
        self._awake_s = awake_s = before_s + dt_s
        shift = 0.0
        if self.position_pct != self._target_pct and silent_s < math.inf and not self.is_released:
            # Speed rises linearly during the soft start: the distance is its integral.
            soft_s = self._soft_s
            moved_s = max(awake_s, soft_s) - max(before_s, soft_s)
            if soft_s > 0:
                ramp_s, ramp_before_s = min(awake_s, soft_s), min(before_s, soft_s)
                moved_s += (ramp_s * ramp_s - ramp_before_s * ramp_before_s) / (2 * soft_s)
            reach = self._rate * moved_s if moved_s else 0.0
            shift = min(max(self._target_pct - self.position_pct, -reach), reach)
        self.is_moving = shift != 0
        self.position_pct += shift
        self._rest_s = 0.0 if self.is_moving else self._rest_s + dt_s

    @property
    def is_released(self) -> bool:
        """True without holding force: no power, or set to release without frames."""
        return not self.is_powered or (self._lets_go and self._silent_s > SILENCE_S)

    @property
    def current_a(self) -> float:
        """Its current now; unstated currents count as zero."""
        if not self.is_powered:
            return 0.0
        if self.is_moving:
            return self._moving_a
        return self._holding_a if self._rest_s < self._eases_s and not self.is_released else self._idle_a


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
        self.servos = tuple(Servo(device, scale=scale) for device in devices)
        self._frame: tuple[list[float], int] = ([], 0)  # the last one
        self._asked: list[float | None] = []  # commands of that frame

    def command_pct(self, counts: ArrayLike, flags: int) -> list[float | None]:
        """The command of counts (16,) and byte 23 for each device, in percent; None for channels outside 1-18."""
        frame = np.asarray(counts).tolist(), flags
        if frame != self._frame:  # most frames repeat the one before
            self._frame = frame
            self._asked = [servo.command_pct(*frame) for servo in self.servos]
        return self._asked

    def settle(self, counts: ArrayLike, *, flags: int = 0) -> None:
        """Stand at rest where counts (16,) and byte 23 ask."""
        for servo, asked in zip(self.servos, self.command_pct(counts, flags), strict=True):
            if asked is not None:
                servo.settle(asked)

    def step(
        self, dt_s: float, counts: ArrayLike | None = None, *, flags: int = 0, powered: Sequence[bool] | None = None
    ) -> None:
        """Let time pass, then receive a frame.

        Args:
            counts: of channels 1-16, (16,), of the frame that has just come, or None.
            flags: byte 23 of that frame.
            powered: devices that had enough voltage meanwhile; all by default.
        """
        powered = [True] * len(self.servos) if powered is None else powered
        for servo, is_powered in zip(self.servos, powered, strict=True):
            servo.move(dt_s, is_powered=is_powered)
        if counts is None:
            return
        for servo, asked in zip(self.servos, self.command_pct(counts, flags), strict=True):
            if asked is not None:
                servo.hear(asked)

    @property
    def position_pct(self) -> F64:
        """Position of each device, (devices,)."""
        return np.array([servo.position_pct for servo in self.servos], np.float64)

    def current_a(self) -> list[float]:
        """The current of each device now."""
        return [servo.current_a for servo in self.servos]

    def arm_deg(self) -> F64:
        """Angle of each arm from neutral, degrees (devices,)."""
        return np.array([d.geometry.arm_deg for d in self.devices], np.float64) * (self.position_pct / 100)

    def surface_deg(self) -> F64:
        """Angle of each surface as seen on the aircraft, degrees (devices,)."""
        arm = self.arm_deg()
        return np.array([float(surface_deg(d, a)) for d, a in zip(self.devices, arm, strict=True)])
