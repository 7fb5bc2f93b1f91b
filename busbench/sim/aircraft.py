"""A simulated aircraft from the pilot's hands to the bus: sticks, link, receiver, supply, devices.

Time is given from outside; equal seeds and steps at equal times give equal bytes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busbench.line import BUS_LINE, Chunk
from busbench.model import F64, U16
from busbench.port.ipc import EventKind, PortEvent
from busbench.rig.model import Rig
from busbench.sim.aircraft_faults import AircraftFault, check_fault
from busbench.sim.devices import VirtualRig
from busbench.sim.receiver import REPLY_AFTER_NS
from busbench.sim.scripted_pilot import REST_S, RoundPilot
from busbench.sim.stick_motion import NEUTRAL, seeded_rng
from busbench.verify.failsafe_checks import expects_silence
from busbench.verify.procedure import TestStep
from busbench.verify.windows import LINK_MARK, ON_MARK, POWER_MARK, REST_MARK
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import (
    CHANNELS,
    COUNTS_MAX,
    END_PLAIN,
    END_SLOTS,
    FLAG_CH17,
    FLAG_CH18,
    FLAG_FAILSAFE,
    FLAG_LOST,
    FRAME_BYTES,
)
from busbench.wire.scale import FULL_COUNTS

LINK_S = 0.5  # time from switching on to the first good frame
FAILSAFE_S = 0.6  # time from switching off to failsafe
_FIRST_NS = 2_000_000  # time of the first frame, so that jitter cannot reach before the start
_STEADY_S = 17e-6  # jitter of a good receiver, rms
_REPLY = bytes((3, 0xE4, 0x02))
_BUSY_NS = (FRAME_BYTES + len(_REPLY) + 1) * BUS_LINE.character_ns + REPLY_AFTER_NS
_SHORT_PCT, _LATE_S, _SHARE_PCT, _JITTER_MS, _OFF_PCT = 60.0, 3.0, 3.0, 1.0, 60.0
_DROPS_S, _PULSE_S = 1.0, 0.3
POWERED_S = 1.0  # time from the start of the step until the receiver is on
_OWN = ("failsafe-stays", "power-up-wild", "pulse-at-rest", "pulse-between", "pulse-lost", "pulse-failsafe",
        "pulse-return")  # fmt: skip
_BESIDE = 0.3  # share of a move by which another channel moves along


class VirtualAircraft:
    """The aircraft with its pilot; run it to rising times.

    Args:
        rig: its plan.
        pilot: moves the controls, None for one without human error.

    Raises:
        RigError: a fault cannot be built in, or the leads form no tree.
    """

    def __init__(
        self, rig: Rig, *, faults: Sequence[AircraftFault] = (), seed: int = 1, pilot: RoundPilot | None = None
    ) -> None:
        for fault in faults:
            check_fault(fault, rig)
        self.rig, self.faults = rig, tuple(faults)
        self.pilot = RoundPilot(rig) if pilot is None else pilot
        self.devices = VirtualRig(rig, faults=faults)
        self.t_ns = 0  # it has run up to here
        self._by_kind: dict[str, AircraftFault] = {fault.kind: fault for fault in faults}
        self._channel = {device.name: (device.channel or 1) - 1 for device in rig.driven}
        wrong = self._by_kind.get("wrong-period")
        period_ms = rig.plan.period_ms * (1 if wrong is None else 1.5)
        self.period_ns = round((wrong.value if wrong is not None and wrong.value else period_ms) * 1e6)
        self._dice = seeded_rng(seed, stream=1)
        self._slot = 0
        self._rows: list[tuple[int, U16, int, int]] = []
        self._queue: list[Chunk] = []
        self._happened: list[PortEvent] = []
        self._held = self.pilot.rests.copy()
        counts, flags = _frame_of(self._held)
        self.devices.settle(counts[:CHANNELS], flags=flags)
        self._off_ns = self._on_ns = -(1 << 60)
        self._was_up = self._was_on = True
        self._up_ns = 0  # the receiver is on from this time
        self._in_failsafe_ns: int | None = None  # when the link last came back
        self._step: TestStep | None = None
        self._step_ns = 0
        self._stays = False  # in failsafe before, and the link is back
        self._failsafe_held = self._held

    def begin(self, step: TestStep, *, t_ns: int = 0) -> None:
        """Let the pilot begin a step at a time, at the earliest now; what is sent until then is read later."""
        self._advance(t_ns)
        self.pilot.begin(step, t_s=self.t_ns / 1e9)
        self._step, self._step_ns = step, self.t_ns
        if step.mark == POWER_MARK:
            self._up_ns = self.t_ns + round(POWERED_S * 1e9)
            self._held = self.pilot.rests.copy()

    def run(self, until_ns: int) -> list[Chunk]:
        """Let time pass; returns what an adapter on the bus has read by then."""
        self._advance(until_ns)
        due = [chunk for chunk in self._queue if chunk.t_ns <= until_ns]
        self._queue = self._queue[len(due) :]
        return due

    def _advance(self, until_ns: int) -> None:
        while self._slot * self.period_ns + _FIRST_NS <= until_ns:
            self._frame(self._slot * self.period_ns + _FIRST_NS)
            self._slot += 1
        self._pack()
        self.t_ns = max(self.t_ns, until_ns)

    def events(self) -> list[PortEvent]:
        """Events of the receiver since the last call."""
        happened, self._happened = self._happened, []
        return happened

    def _value(self, kind: str, usual: float) -> float | None:
        """The VALUE of a fault, None if it is not built in."""
        fault = self._by_kind.get(kind)
        return None if fault is None else usual if fault.value is None else fault.value

    def _frame(self, t_ns: int) -> None:
        throws = self._dice.random(5)  # always the same number, so that a fault does not change other random values
        sent = self._sent(t_ns, bool(throws[0] * 100 < (self._value("lost-frames", _SHARE_PCT) or 0)))
        if throws[1] * 100 < (self._value("missing-frames", _SHARE_PCT) or 0):
            sent = None
        if not self.devices.receiver_lives:
            sent = None
        if sent is None:
            self.devices.wait(t_ns)
        else:
            counts, flags = sent
            self.devices.frame(t_ns, counts[:CHANNELS], flags=flags)
            sd_s = (self._value("jitter", _JITTER_MS) or 0) / 1e3 or _STEADY_S
            # Sum of three random numbers: bounded at three standard deviations. A period has it twice.
            late_ns = round((throws[2:].sum() - 1.5) * 2 * sd_s / np.sqrt(2) * 1e9)
            most_ns = min(_FIRST_NS, (self.period_ns - _BUSY_NS) // 2)  # frames must not overlap
            self._write(t_ns + max(-most_ns, min(late_ns, most_ns)), counts, flags)
        self._tell(t_ns)

    def _tell(self, t_ns: int) -> None:
        is_up = self.devices.receiver_lives
        if is_up is not self._was_up:
            down = f"the receiver has too little voltage ({self.devices.lowest_v:.1f} V) and restarts"
            text = "the receiver is up again" if is_up else down
            self._happened.append(PortEvent(t_ns, EventKind.WARNING, text))
        self._was_up = is_up

    def _write(self, begin_ns: int, counts: U16, flags: int) -> None:
        has_slots = self.rig.plan.sensor_slots
        end = END_SLOTS[self._slot % len(END_SLOTS)] if has_slots else END_PLAIN
        done_ns = begin_ns + FRAME_BYTES * BUS_LINE.character_ns
        self._rows.append((done_ns, counts[:CHANNELS], flags, end))

    def _pack(self) -> None:
        """Make chunks of the frames written since."""
        if not self._rows:
            return
        times, counts, flags, ends = zip(*self._rows, strict=True)
        self._rows.clear()
        raw = pack_frames(np.array(counts), np.array(flags), np.array(ends))
        replies = self.rig.plan.sensor_slots and any(device.kind == "sensor" for device in self.rig.devices)
        for done_ns, row in zip(times, raw, strict=True):
            self._queue.append(Chunk(done_ns, row.tobytes()))
            if replies:
                reply_ns = done_ns + REPLY_AFTER_NS + len(_REPLY) * BUS_LINE.character_ns
                self._queue.append(Chunk(reply_ns, _REPLY))

    def _sent(self, t_ns: int, is_lost: bool) -> tuple[U16, int] | None:
        """Counts of the 18 channels and flags of one frame, None if the receiver sends none."""
        is_on = self.pilot.is_on_at(t_ns / 1e9)
        if is_on is not self._was_on:
            self._off_ns, self._on_ns = (self._off_ns, t_ns) if is_on else (t_ns, self._on_ns)
            self._was_on = is_on
        if self._is_powered_up and not is_on:
            self._off_ns = -(1 << 60)  # the transmitter was on before the receiver
        if t_ns < self._up_ns:
            return None
        is_linked = is_on and t_ns >= self._on_ns + LINK_S * 1e9
        flags = 0
        levels = self._held
        if is_linked and not is_lost:
            levels = self._held = self._as_sent(self.pilot.levels(t_ns / 1e9))
        elif is_linked or "no-failsafe" not in self._by_kind:
            flags = FLAG_LOST
        after_s = self._value("failsafe-late", _LATE_S) or FAILSAFE_S
        if not is_linked and t_ns >= self._off_ns + after_s * 1e9 and "no-failsafe" not in self._by_kind:
            if "failsafe-silent" in self._by_kind or expects_silence(self.rig):
                return None
            flags |= FLAG_FAILSAFE
            levels = self._in_failsafe(levels)
            if self._in_failsafe_ns is None:
                self._in_failsafe_ns, self._failsafe_held = t_ns, self._held.copy()
            drops_s = self._value("failsafe-drops", _DROPS_S)
            if drops_s is not None and not self._is_powered_up and t_ns >= self._in_failsafe_ns + drops_s * 1e9:
                flags = 0
        elif is_linked:
            self._in_failsafe_ns, was_ns = None, self._in_failsafe_ns
            self._stays |= was_ns is not None
        counts, switches = _frame_of(self._pulsed(levels, t_ns, flags))
        return counts, flags | switches

    @property
    def _is_powered_up(self) -> bool:
        return self._step is not None and self._step.mark in (POWER_MARK, LINK_MARK)

    def _pulsed(self, levels: F64, t_ns: int, flags: int) -> F64:
        """Levels with the additions of a faulty receiver."""
        step = "" if self._step is None else self._step.mark
        since_s = (t_ns - self._step_ns) / 1e9
        levels = levels.copy()
        for fault in self.faults:
            if fault.kind not in _OWN or fault.device not in self._channel:
                continue
            at = self._channel[fault.device]
            mapped = next(one for one in self.pilot.channels if one.channel == at + 1)
            length_s = _PULSE_S if fault.value is None else fault.value
            match fault.kind:
                case "pulse-at-rest":
                    begun_s = since_s - 1.0 if step == REST_MARK else -1.0
                case "pulse-between":
                    others = [one.control for one in self.pilot.channels if one.control != mapped.control]
                    moved_s = 0.0 if self._step is None else self.pilot.step_s(self._step) - REST_S
                    begun_s = since_s - moved_s - 0.2 if others and step == others[0] else -1.0
                case "pulse-lost":
                    begun_s = (t_ns - self._off_ns) / 1e9 if flags == FLAG_LOST and not self._was_on else -1.0
                case "pulse-failsafe":
                    begun_s = -1.0
                    if flags & FLAG_FAILSAFE and not self._is_powered_up and self._in_failsafe_ns is not None:
                        begun_s = (t_ns - self._in_failsafe_ns) / 1e9 - 0.5
                case "pulse-return":
                    begun_s = (t_ns - self._on_ns) / 1e9 - LINK_S if not flags and step == ON_MARK else -1.0
                case "power-up-wild":
                    begun_s, length_s = (0.0 if self._is_powered_up and flags else -1.0), 1.0
                case _:  # failsafe-stays
                    if self._stays and step != POWER_MARK:
                        levels[at] = self._in_failsafe(self._failsafe_held)[at]
                    continue
            if 0 <= begun_s < length_s:
                is_low = levels[at] <= mapped.ends.neutral_counts  # to the farther end
                levels[at] = mapped.ends.high_counts if is_low else mapped.ends.low_counts
        return levels

    def _as_sent(self, levels: F64) -> F64:
        """Levels as a wrongly set transmitter sends them."""
        rests = self.pilot.rests
        for fault in self.faults:
            at = self._channel.get(fault.device, 0)
            way = levels[at] - rests[at]
            match fault.kind:
                case "sent-on":
                    levels[at] = rests[at]
                    levels[self._other(fault)] += way
                case "sent-with":
                    levels[self._other(fault)] += _BESIDE * way
                case "sent-reversed":
                    neutral = next(m.ends.neutral_counts for m in self.pilot.channels if m.channel == at + 1)
                    levels[at] = 2 * neutral - levels[at]
                case "sent-short":
                    levels[at] = rests[at] + (fault.value or _SHORT_PCT) / 100 * way
        return levels

    def _other(self, fault: AircraftFault) -> int:
        """The other channel that a fault moves."""
        if fault.value is not None:
            return int(fault.value) - 1
        used = set(self._channel.values())
        return next((index for index in range(CHANNELS) if index not in used), (self._channel[fault.device] + 1) % 16)

    def _in_failsafe(self, held: F64) -> F64:
        """Levels in failsafe: as planned; the last ones for "hold" or without a plan."""
        if "failsafe-held" in self._by_kind:
            return held
        levels = held.copy()
        for mapped in self.pilot.channels:
            plan, at = mapped.devices[0].failsafe, mapped.channel - 1
            wrong = self._by_kind.get("failsafe-value")
            if wrong is not None and self._channel[wrong.device] == at:
                before = plan if isinstance(plan, int | float) else 0.0
                off = before - _OFF_PCT if before > 0 else before + _OFF_PCT
                plan = off if wrong.value is None else wrong.value
            if not isinstance(plan, int | float):
                continue
            levels[at] = mapped.ends.neutral_counts + plan / 100 * FULL_COUNTS
            if mapped.is_on_off:
                levels[at] = mapped.ends.high_counts if plan > 0 else mapped.ends.low_counts
        return levels


def _frame_of(levels: F64) -> tuple[U16, int]:
    """Counts of the 18 channels, and the flag bits of the two on/off channels."""
    on = (FLAG_CH17 if levels[CHANNELS] > NEUTRAL else 0) | (FLAG_CH18 if levels[CHANNELS + 1] > NEUTRAL else 0)
    return np.clip(np.rint(levels), 0, COUNTS_MAX).astype(np.uint16), on
