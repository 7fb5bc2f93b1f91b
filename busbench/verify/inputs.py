"""The input of the checks: a recording and its plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import msgspec
import numpy as np

from busbench.analysis.channels import Channels, ChannelStats
from busbench.analysis.continuity import clock_back
from busbench.analysis.outages import Outages
from busbench.analysis.period import find_period
from busbench.analysis.recording import Recording
from busbench.analysis.timing import Timing
from busbench.model import F64, I16, NO_CLOCK, Annotation, Bools, Clock
from busbench.rig.model import Device, Rig
from busbench.rig.motors import MotorKind, failsafe_most_pct, motor_rests
from busbench.rig.rest import rest_counts, rest_sent
from busbench.rig.travel import Endpoints, endpoints_of
from busbench.wire.frame_spec import CHANNELS, FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.scale import FULL_COUNTS, Scale

ON_OFF_COUNTS = (173, 1811)  # off and on of channels 17 and 18 on the scale of the others: -100 and 100 %


@dataclass(frozen=True, eq=False)
class VerifyInputs:
    """A whole recording and the plan it is checked against."""

    recording: Recording  # frames and everything else that was read
    rig: Rig
    known_period_ns: float | None = None  # frame period, if found in an earlier part of the recording

    @cached_property
    def counts(self) -> I16:
        """Counts of channels 1-18, int16 (18, N); on/off channels as ON_OFF_COUNTS."""
        counts = self.recording.frames.all_channels().view(np.int16)
        counts[CHANNELS:] = np.array(ON_OFF_COUNTS)[counts[CHANNELS:]]
        return counts

    @cached_property
    def is_down(self) -> Bools:
        """True for frames flagged lost or failsafe, bool (N,)."""
        down: Bools = (self.recording.frames.flags & (FLAG_LOST | FLAG_FAILSAFE)) != 0
        return down

    @cached_property
    def is_sound(self) -> Bools:
        """True for frames that show the positions of the controls, bool (N,)."""
        return self.recording.frames.is_sound

    @cached_property
    def no_times(self) -> str:
        """Why times cannot be judged, "" if they can."""
        if not self.recording.clock.is_known:
            return "the recording has no times"
        return f"{back}, so its times cannot be trusted" if (back := clock_back(self.recording.times)) else ""

    @property
    def clock(self) -> Clock:
        """The clock: none if times cannot be trusted."""
        return NO_CLOCK if self.no_times else self.recording.clock

    @cached_property
    def found_period_ns(self) -> float | None:
        """The measured frame period, None without a clock or with too few frames."""
        if self.known_period_ns is not None and self.clock.is_known:
            return self.known_period_ns
        return find_period(self.recording.times) if self.clock.is_known else None

    @property
    def period_ns(self) -> float:
        """The measured frame period, else the plan's."""
        return self.found_period_ns or self.rig.plan.period_ms * 1e6

    @property
    def start_ns(self) -> int:
        """Time of the first byte."""
        return self.recording.span.first_t_ns or 0

    @cached_property
    def t_s(self) -> F64:
        """Seconds from the first byte, float64 (N,); by the plan's period without a clock."""
        if self.clock.is_known:
            return np.asarray((self.recording.frames.t_ns - self.start_ns) / 1e9, np.float64)
        return np.arange(len(self.recording.frames), dtype=np.float64) * (self.period_ns / 1e9)

    @cached_property
    def end_s(self) -> float:
        """The time up to which the recording is known to have run."""
        last = self.recording.span.last_t_ns if self.clock.is_known else None
        latest = float(self.t_s[-1]) if self.t_s.size else 0.0
        return latest if last is None else max(latest, (last - self.start_ns) / 1e9)

    @cached_property
    def timing(self) -> Timing:
        """The frame timing."""
        return self.recording.timing()

    @cached_property
    def outages(self) -> Outages:
        """All outages, intended ones included."""
        return self.recording.outages(clock=self.clock)

    @cached_property
    def channels(self) -> Channels:
        """Statistics of the channels."""
        stats = ChannelStats(clock=self.clock, period_ns=self.period_ns, start_ns=self.start_ns)
        stats.feed(self.recording.frames, self.recording.rejects)
        return stats.result()

    def is_glitch(self, index: int) -> Bools:
        """True for frames counted as glitches on a channel (from 0), bool (N,)."""
        found: Bools = np.zeros(len(self.recording.frames), np.bool_)
        found[[one.frame for one in self.channels.glitches if one.channel == index + 1]] = True
        return found

    def marks_s(self) -> list[tuple[float, str]]:
        """Annotations ordered by time, each with seconds from the first byte."""
        if not self.clock.is_known:
            return []
        marks: Sequence[Annotation] = sorted(self.recording.info.marks, key=lambda mark: mark.t_ns)
        return [((mark.t_ns - self.start_ns) / 1e9, mark.text.strip()) for mark in marks]

    def row_at(self, time_s: float) -> int:
        """The first row at or after a time."""
        return int(np.searchsorted(self.t_s, time_s))


@dataclass(frozen=True, slots=True)
class ChannelPlan:
    """A channel of the plan with its devices.

    Args:
        channel: 1-18.
        devices: its devices, at least one.
        control: what moves it.
        ends: its endpoints.
        rest_counts: its rest, counts.
        gimbal: gimbal of its control, None if not stated.
        motor_kind: kind of motor on it, "kill" for an ignition kill, else None.
        idle_counts: idle of an engine on it, counts; None without one, or if the plan contradicts itself.
    """

    channel: int
    devices: tuple[Device, ...]
    control: str
    ends: Endpoints
    rest_counts: float
    gimbal: str | None = None
    motor_kind: MotorKind | None = None
    idle_counts: float | None = None

    @property
    def subject(self) -> str:
        """Channel and devices, for people."""
        return f"channel {self.channel} ({', '.join(device.name for device in self.devices)})"

    @property
    def must_rest(self) -> bool:
        """True for a channel of a motor, engine or ignition kill: only its own move may take it from rest."""
        return self.motor_kind is not None

    @property
    def is_on_off(self) -> bool:
        """True for channels 17 and 18."""
        return self.channel > CHANNELS

    def level(self, counts: float, *, has_unit: bool = True) -> str:
        """A level, for people: counts, or the state."""
        if self.is_on_off:
            return "on" if counts > self.ends.neutral_counts else "off"
        return f"{counts:.0f} counts" if has_unit else f"{counts:.0f}"

    @property
    def rest_side(self) -> int:
        """-1 or 1 if it rests nearer to an end than to neutral, else 0."""
        away, reach = self.rest_counts - self.ends.neutral_counts, self.ends.high_counts - self.ends.neutral_counts
        return 0 if abs(away) < 0.5 * reach else 1 if away > 0 else -1


def control_of(device: Device) -> str:
    """The control of a device: its control, else its group, else itself."""
    return device.control or device.group or device.name


def channel_plans(rig: Rig) -> tuple[ChannelPlan, ...]:
    """The channels of a plan, in the order of the file, without channels outside the frame.

    Devices that share a channel share its endpoints: those of the first device.
    """
    by_channel: dict[int, list[Device]] = {}
    for device in rig.driven:
        if device.channel is not None and 1 <= device.channel <= CHANNELS + 2:
            by_channel.setdefault(device.channel, []).append(device)
    gimbals = {control_of(device): device.gimbal for device in rig.driven if device.gimbal is not None}
    kinds = {rest.channel + 1: rest.kind for rest in reversed(motor_rests(rig))}
    return tuple(_map(channel, some, rig.scale, gimbals, kinds.get(channel)) for channel, some in by_channel.items())


def _map(
    channel: int, devices: Sequence[Device], scale: Scale, gimbals: Mapping[str, str], kind: MotorKind | None
) -> ChannelPlan:
    first = devices[0]
    if channel > CHANNELS:  # a flag in the frame is on or off, independent of scale and travel
        ends = endpoints_of(msgspec.structs.replace(first, travel_pct=100.0, neutral_us=None), Scale())
        rest = float(ON_OFF_COUNTS[rest_sent(first, scale)])
    else:
        ends, rest = endpoints_of(first, scale), rest_counts(first, scale)
    control = control_of(first)
    idles = (failsafe_most_pct(device) for device in devices if device.motor_kind == "engine")
    pct = next((one for one in idles if one is not None), None)
    idle = None if pct is None or channel > CHANNELS else ends.neutral_counts + pct / 100 * FULL_COUNTS
    return ChannelPlan(channel, tuple(devices), control, ends, rest, gimbals.get(control), kind, idle)
