"""Made-up recordings of a check of the Heron: a good aircraft, a faulty one, and pulse outputs beside the bus.

All of it follows from the rig file in closed form: the same bytes each time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from busbench.capture.base import CaptureInfo
from busbench.capture.level_write import level_csv_text, vcd_text
from busbench.capture.write import open_writer
from busbench.drive.outputs import receiver_lines
from busbench.line import BUS_LINE
from busbench.model import F64, I64, U8, U16, Bools, ByteLog, Clock, ClockKind
from busbench.rig.model import Rig
from busbench.sim.stick_motion import Hand, Pilot
from busbench.verify.inputs import ChannelPlan, channel_plans
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.frame_spec import CHANNELS, END_PLAIN, END_SLOTS, FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES
from busbench.wire.scale import FULL_COUNTS, Scale

RIG = Path(__file__).resolve().parent.parent / "captures" / "heron.toml"
BEGUN_UTC_NS = 1_780_000_000_000_000_000
PER_READ = Clock(ClockKind.PER_READ, 1)
REST_S, MOVE_S, HOLD_S, FIRST_S = 1.3, 0.4, 0.6, 3.0
AWAY_S = 1.5  # controls held away from their failsafe values before switching off
LOST_S, FAILSAFE_S, BACK_S = 0.6, 3.0, 2.0  # after switching off; then with the link back and controls still held
LET_GO_S = 1.5
_REPLY_AFTER_NS = 2_100_000
OFF, FULL = 173, 1811  # counts of -100 % and 100 % on the scale of the plan

Fault = Literal[
    "reversed aileron", "rudder moves with elevator", "short elevator", "no failsafe flag", "silent failsafe",
    "wrong failsafe value", "rudder off centre", "noisy flap", "glitches", "lost frames", "no switching off",
    "release stuck",
]  # fmt: skip
FAULTY: tuple[Fault, ...] = (
    "reversed aileron", "rudder moves with elevator", "short elevator", "no failsafe flag", "glitches",
)  # fmt: skip


class FlightPilot(Pilot):
    """A flight of 80 s: climb with the sustainer, glide, flaps for circling, then gear and flaps to land.

    Args:
        seed: the same seed, the same flight.
        dither: share of the values that are one count off.
    """

    def __init__(self, *, seed: int, dither: float) -> None:
        super().__init__(Hand.MIXED, seed=seed, dither=dither)
        self.failsafe_counts = np.full(CHANNELS, 992, np.uint16)
        self.failsafe_counts[[2, 3, 6, 7]] = OFF  # flaps up, gear held retracted, motor off
        self.failsafe_counts[5] = 1024

    def levels(self, t_s: F64) -> F64:
        """See Pilot."""
        sticks = super().levels(t_s) - 992.0
        levels = np.full_like(sticks, 992.0)
        levels[:, CHANNELS:] = 0
        aileron = 0.35 * sticks[:, 0]
        levels[:, :2] = 992 + aileron[:, None]
        levels[:, 2:4] = np.interp(t_s, (24, 26, 34, 36, 70, 72), (OFF, 500, 500, OFF, OFF, 1500))[:, None]
        levels[:, 4] = 992 + 0.3 * sticks[:, 1]
        levels[:, 5] = 1024 + 0.5 * aileron + 0.25 * sticks[:, 5]
        levels[:, 6] = np.where(t_s < 62, OFF, FULL)
        levels[:, 7] = np.interp(t_s, (9, 10.5), (FULL, OFF))
        return levels


@dataclass(frozen=True, slots=True, eq=False)
class Round:
    """All frames of one round of the controls, and of the transmitter switched off and on.

    Args:
        t_ns: begin of each frame, int64 (N,).
        counts: of channels 1-16, (N, 16).
        flags: byte 23, (N,).
        is_sent: False for frames that are missing, (N,).
        marks: words at times: each control, transmitter off and on.
    """

    t_ns: I64
    counts: U16
    flags: U8
    is_sent: Bools
    marks: tuple[tuple[int, str], ...]


def fly_round(rig: Rig, *, faults: tuple[Fault, ...] = (), seed: int = 1) -> Round:
    """One round of all controls of a plan.

    Args:
        rig: the plan.
        faults: what is wrong with this aircraft; those that name a device need the Heron's.
        seed: seed of jitter and noise.
    """
    channels = channel_plans(rig)
    controls = list(dict.fromkeys(mapped.control for mapped in channels))
    turn_s = 4 * MOVE_S + 2 * HOLD_S + REST_S
    away_s = FIRST_S + turn_s * len(controls)
    off_s = away_s + AWAY_S
    on_s = off_s + LOST_S + FAILSAFE_S
    period_s = rig.plan.period_ms / 1e3
    let_go_s = on_s + BACK_S
    count = round((let_go_s + LET_GO_S) / period_s)
    t_s = np.arange(count, dtype=np.float64) * period_s
    rng = np.random.default_rng(seed)

    levels = np.full((CHANNELS + 2, count), 992.0)
    levels[CHANNELS:] = 0
    for mapped in channels:
        begin = FIRST_S + turn_s * controls.index(mapped.control)
        levels[mapped.channel - 1] = _track(mapped, t_s - begin, is_reversed=_is_reversed(mapped, faults))
        if (failsafe := mapped.devices[0].failsafe) not in (None, "silence"):
            part = 1.0 if failsafe == "hold" else 0.5
            away = mapped.ends.neutral_counts + part * (mapped.ends.high_counts - mapped.ends.neutral_counts)
            share = np.clip((t_s - away_s) / MOVE_S, 0, 1)
            rest = levels[mapped.channel - 1].copy()
            # A motor is put to rest before the link is back, all else is let go after that.
            share *= 1 - np.clip((t_s - (on_s - MOVE_S if mapped.must_rest else let_go_s)) / MOVE_S, 0, 1)
            levels[mapped.channel - 1] = rest + (away - rest) * share
    _spoil(levels, faults, rng)
    is_off = (t_s >= off_s) & (t_s < on_s)
    is_failsafe = is_off & (t_s >= off_s + LOST_S)
    if "no switching off" not in faults:
        held = levels[:, max(0, int(np.argmax(is_off)) - 1)].copy()
        levels[:, is_off] = held[:, None]
        for mapped in channels:
            levels[mapped.channel - 1, is_failsafe] = _failsafe(mapped, held[mapped.channel - 1], faults)
    flags = (levels[CHANNELS] > 992).astype(np.uint8) | ((levels[CHANNELS + 1] > 992) << 1).astype(np.uint8)
    is_sent = np.ones(count, np.bool_)
    if "no switching off" not in faults:
        flags[is_off] |= FLAG_LOST
        if "silent failsafe" in faults:
            is_sent &= ~is_failsafe
        elif "no failsafe flag" not in faults:
            flags[is_failsafe] |= FLAG_FAILSAFE
    if "lost frames" in faults:
        lost = np.arange(100, 400, 4)
        flags[lost] |= FLAG_LOST
        levels[:, lost] = levels[:, lost - 1]  # they hold the last good values
        is_sent[500:560:3] = False
    counts = np.clip(np.rint(levels[:CHANNELS].T), 0, 2047).astype(np.uint16)
    jitter = np.rint((rng.random(count) - 0.5) * 60_000).astype(np.int64)
    t_ns = np.rint(t_s * 1e9).astype(np.int64) + 100_000 + jitter
    marks = [(round((FIRST_S + turn_s * i - 0.2) * 1e9), control) for i, control in enumerate(controls)]
    marks += [(round(away_s * 1e9), "controls held away")]
    marks += [(round(off_s * 1e9), "transmitter off"), (round(on_s * 1e9), "transmitter on")]
    marks += [(round(let_go_s * 1e9), "controls let go")]
    return Round(t_ns, counts, flags, is_sent, tuple(marks))


def _is_reversed(mapped: ChannelPlan, faults: tuple[Fault, ...]) -> bool:
    return "reversed aileron" in faults and mapped.devices[0].name == "left aileron"


def _track(mapped: ChannelPlan, t_s: F64, *, is_reversed: bool) -> F64:
    """A channel while its control goes to the high end, the low end and back to rest, from 0 s on."""
    low, high = mapped.ends.low_counts, mapped.ends.high_counts
    if is_reversed:
        low, high = high, low
    rest = mapped.rest_counts
    at = np.cumsum([0, MOVE_S, HOLD_S, 2 * MOVE_S, HOLD_S, MOVE_S])
    level = np.full(t_s.size, rest)
    for begin, end, start, goal in ((at[0], at[1], rest, high), (at[2], at[3], high, low), (at[4], at[5], low, rest)):
        share = np.clip((t_s - begin) / (end - begin), 0, 1)
        eased = share * share * (3 - 2 * share)
        level = np.where(t_s >= begin, start + (goal - start) * eased, level)
    return np.where(level > mapped.ends.neutral_counts, high, low) if mapped.is_on_off else level


def _spoil(levels: F64, faults: tuple[Fault, ...], rng: np.random.Generator) -> None:
    """Faults of the Heron: elevator on channel 5, rudder on 6, a flap on 3, the release on 17."""
    if "rudder moves with elevator" in faults:
        levels[5] += 0.2 * (levels[4] - 992)
    if "short elevator" in faults:
        levels[4] = 992 + 0.6 * (levels[4] - 992)
    if "rudder off centre" in faults:
        levels[5] += 40
    if "noisy flap" in faults:
        levels[2] += rng.normal(0, 4, levels.shape[1])
    if "glitches" in faults:
        levels[0, [60, 1500, 1900]] += 300
    if "release stuck" in faults:
        levels[16] = levels[16, 0]


def _failsafe(mapped: ChannelPlan, held: float, faults: tuple[Fault, ...]) -> float:
    plan = mapped.devices[0].failsafe
    if "wrong failsafe value" in faults and mapped.devices[0].motor_kind:
        return mapped.ends.high_counts
    if not isinstance(plan, int | float):
        return held
    if mapped.is_on_off:
        return mapped.ends.high_counts if plan > 0 else mapped.ends.low_counts
    return mapped.ends.neutral_counts + float(plan) / 100 * FULL_COUNTS


def read_by_adapter(rig: Rig, flown: Round) -> ByteLog:
    """The reads of an adapter during a test sequence: one per frame, and one per sensor reply."""
    ends = np.array(END_SLOTS if rig.plan.sensor_slots else (END_PLAIN,), np.uint8)
    number = np.arange(flown.t_ns.size)
    raw = pack_frames(flown.counts, flown.flags, ends[number % ends.size])[flown.is_sent]
    done_ns = flown.t_ns[flown.is_sent] + FRAME_BYTES * BUS_LINE.character_ns
    pieces, times = [bytes(row) for row in raw], done_ns.tolist()
    if rig.plan.sensor_slots:
        replies = [bytes((3, 0xE4, 0x02))] * len(pieces)
        pieces = [piece for pair in zip(pieces, replies, strict=True) for piece in pair]
        times = [t for done in times for t in (done, done + _REPLY_AFTER_NS + 3 * BUS_LINE.character_ns)]
    sizes = np.array([len(piece) for piece in pieces], np.int64)
    return ByteLog(0, np.frombuffer(b"".join(pieces), np.uint8), np.cumsum(sizes), np.array(times, np.int64))


def write_round(path: Path, rig: Rig, *, faults: tuple[Fault, ...] = ()) -> None:
    """Write the recording of one round; the suffix of the name says in which format."""
    info = CaptureInfo(
        str(path), "virtual", PER_READ, start_utc_ns=BEGUN_UTC_NS, source="virtual receiver on the Heron"
    )
    path.unlink(missing_ok=True)  # an input is never overwritten
    writer = open_writer(str(path), info)
    writer.write_log(read_by_adapter(rig, fly_round(rig, faults=faults)))
    writer.close()


def pulse_lines(
    flown: Round,
    *,
    channels: Mapping[str, int],
    scale: Scale,
    period_ns: int | None = None,
    latency_ns: int = 1_000_000,
) -> dict[str, Edges]:
    """The bus and pulse outputs of a receiver that follow channels at a scale, as levels.

    Args:
        flown: the frames.
        channels: channel (1-16) of each pulse line, by name.
        scale: of the receiver.
        period_ns: of the pulses, None for one per frame.
        latency_ns: from a frame's last bit to the first pulse that can obey it.

    Returns:
        The signals by name; the bus is "bus".
    """
    sent = flown.is_sent
    counts = flown.counts[sent]
    raw = pack_frames(counts, flown.flags[sent])
    return receiver_lines(
        raw, t_ns=flown.t_ns[sent], counts=counts, outputs=channels, scale=scale, period_ns=period_ns,
        latency_ns=latency_ns,
    )  # fmt: skip


def write_vcd(path: Path, lines: Mapping[str, Edges]) -> None:
    """Write several signals as one value change dump in ns."""
    path.write_text(vcd_text(lines), encoding="ascii")


def write_level_csv(path: Path, lines: Mapping[str, Edges]) -> None:
    """Write several signals as CSV of levels, a row per change."""
    path.write_text(level_csv_text(lines), encoding="ascii")
