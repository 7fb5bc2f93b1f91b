"""A virtual receiver: the bytes on its line, and the reads of an adapter. Equal seeds give equal bytes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from busbench.errors import PortError
from busbench.line import BUS_LINE, LineSettings
from busbench.model import I64, U8, ByteLog
from busbench.sim.line_faults import Episodes, Noise, OutageSpan, add_noise, decode_fixed_bytes
from busbench.sim.stick_motion import NEUTRAL, Hand, Pilot, seeded_rng
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_PLAIN, END_SLOTS, FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES

CHARACTER_NS = BUS_LINE.character_ns
FRAME_NS = FRAME_BYTES * CHARACTER_NS
ADAPTER_BYTES = 62  # max bytes of one read: a 64-byte packet minus two status bytes
_LONGEST_S = 1.0  # larger values are milliseconds without their unit
REPLY_AFTER_NS = 2_100_000  # as on one real receiver
_REPLY_BYTES = 3
BLOCK = 256  # frames; fixed, so that random numbers are always drawn in the same order
_LOST_S, _FAILSAFE_S, _GAP_S = (0.03, 0.3), (0.5, 2.5), (0.05, 0.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverSettings:
    """A virtual receiver, its faults, its wiring and the adapter on it."""

    seed: int = 1  # equal seeds give equal bytes
    period_s: float = 0.014  # frame period
    jitter_s: float = 0.0  # standard deviation of a frame's start, bounded at three times this
    hand: Hand = Hand.MIXED  # how much the pilot moves
    dither: float = 0.0  # share of values one count off
    has_frames: bool = True  # False for a line without frames
    has_slots: bool = False  # True for end bytes in turn and sensor replies
    # lost, failsafe, gaps: episodes at given times: frames flagged lost, failsafe, no frames
    lost: tuple[OutageSpan, ...] = ()
    failsafe: tuple[OutageSpan, ...] = ()
    gaps: tuple[OutageSpan, ...] = ()
    lost_rate: float = 0.0  # lost_rate, failsafe_rate, gap_rate: additional random ones per minute
    failsafe_rate: float = 0.0
    gap_rate: float = 0.0
    noise: Noise = field(default_factory=Noise)
    chatter: float = 0.0  # noise bytes per second on the idle line
    is_inverted: bool = False  # True if the adapter reads the line with inverted polarity
    baud: int = BUS_LINE.baud  # rate at which the adapter reads the line
    batch_s: float = 0.0  # interval at which the adapter passes on its bytes; 0: at the end of each run of bytes
    has_marks: bool = True  # True if the adapter marks damaged bytes
    join_s: float = 0.0  # start of listening after the first frame
    duration_s: float | None = None  # duration of listening, None for no end

    @property
    def adapter_line(self) -> LineSettings:
        """The line settings assumed by the adapter."""
        return LineSettings(baud=self.baud, inverted=BUS_LINE.inverted is not self.is_inverted)

    def check(self, source: str) -> None:
        """Refuse impossible settings (raises PortError: says which and why)."""
        busy_ns = FRAME_NS + (REPLY_AFTER_NS + (_REPLY_BYTES + 1) * CHARACTER_NS if self.has_slots else 0)
        least_s = (busy_ns + 2 * CHARACTER_NS) / 1e9 + 6 * self.jitter_s
        if self.period_s < least_s:
            what = f"period {self.period_s * 1e3:g} ms is too short"
            raise PortError(source, what, hint=f"with these settings a frame needs {least_s * 1e3:.1f} ms")
        for name, value_s, like in (("period", self.period_s, "14ms"), ("batch", self.batch_s, "16ms")):
            if value_s > _LONGEST_S:
                raise PortError(source, f"{name} {value_s:g} s is too long", hint=f"give up to 1s, as in {like}")
        for name in ("dither", "noise.flips", "noise.drops", "noise.extras", "noise.bursts"):
            part, _, inner = name.partition(".")
            value = getattr(self, part)
            share = float(getattr(value, inner) if inner else value)
            if not 0 <= share <= 1:
                raise PortError(source, f"{inner or part} {share:g} is not a share", hint="give 0 to 1, or as in 0.1%")


def line_blocks(settings: ReceiverSettings, *, pilot: Pilot | None = None) -> Iterator[ByteLog]:
    """The bytes on the line, each with the end time of its character.

    Args:
        settings: the receiver; its wiring and adapter do not matter here.
        pilot: moves the channels, by default as the settings say.

    Returns:
        Logs with one mark per byte, one log per BLOCK slots, some of them empty,
        without end (or up to `duration_s`); times count from the start of listening.
    """
    stream = _LineStream(settings, pilot)
    join_ns = round(settings.join_s * 1e9)
    end_ns = None if settings.duration_s is None else round(settings.duration_s * 1e9)
    offset = 0
    while True:
        t_ns, data, bad = stream.block()
        keep = t_ns - CHARACTER_NS >= join_ns
        t_ns, data, bad = t_ns[keep] - join_ns, data[keep], bad[keep]
        is_last = end_ns is not None and stream.begun_ns - join_ns > end_ns
        if end_ns is not None:
            keep = t_ns <= end_ns
            t_ns, data, bad = t_ns[keep], data[keep], bad[keep]
        marks = offset + 1 + np.arange(data.size, dtype=np.int64)
        yield ByteLog(offset, data, marks, t_ns, bad if settings.has_marks and bad.any() else None)
        offset += data.size
        if is_last:
            return


def adapter_blocks(settings: ReceiverSettings, *, pilot: Pilot | None = None) -> Iterator[ByteLog]:
    """The reads of an adapter on the line.

    Returns:
        Logs with one mark per read, one log per BLOCK slots (one more at the end),
        some of them empty.
    """
    blocks = line_blocks(settings, pilot=pilot)
    if settings.is_inverted or settings.baud != BUS_LINE.baud:
        blocks = decode_fixed_bytes(blocks, line=settings.adapter_line, has_marks=settings.has_marks)
    if settings.batch_s > 0:
        yield from _in_batches(blocks, round(settings.batch_s * 1e9))
        return
    for log in blocks:
        # A pause of half a character or more ends a read.
        last = np.append(np.diff(log.mark_t_ns) > CHARACTER_NS * 3 // 2, True)[: len(log)]
        yield ByteLog(log.offset, log.data, log.mark_end[last], log.mark_t_ns[last], log.bad)


def _in_batches(blocks: Iterator[ByteLog], batch_ns: int) -> Iterator[ByteLog]:
    """Reads at the ticks of an adapter's timer, or when its packet is full."""
    held = ByteLog.from_bytes(b"")
    for log in blocks:
        log = held.joined(log)
        if not len(log):
            yield log
            continue
        tick = -(-log.mark_t_ns // batch_ns)
        start = int(np.searchsorted(tick, tick[-1]))  # the last tick may have more
        held, log, tick = _cut(log, start, None), _cut(log, 0, start), tick[:start]
        yield _batched(log, tick, batch_ns)
    if len(held):
        yield _batched(held, -(-held.mark_t_ns // batch_ns), batch_ns)


def _batched(log: ByteLog, tick: I64, batch_ns: int) -> ByteLog:
    first = np.searchsorted(tick, tick)  # where each byte's tick begins
    place = np.arange(tick.size) - first
    is_full = place % ADAPTER_BYTES == ADAPTER_BYTES - 1
    last = is_full | np.append(np.diff(tick) > 0, True)[: tick.size]
    times = np.where(is_full, log.mark_t_ns, tick * batch_ns)
    return ByteLog(log.offset, log.data, log.mark_end[last], times[last], log.bad)


def _cut(log: ByteLog, start: int, stop: int | None) -> ByteLog:
    part = slice(start, stop)
    bad = None if log.bad is None else log.bad[part]
    return ByteLog(log.offset + start, log.data[part], log.mark_end[part], log.mark_t_ns[part], bad)


class _LineStream:
    """The line in blocks of a fixed number of frame slots."""

    def __init__(self, settings: ReceiverSettings, pilot: Pilot | None) -> None:
        self._s = settings
        seed = settings.seed
        self._pilot = Pilot(settings.hand, seed=seed, dither=settings.dither) if pilot is None else pilot
        self._lost, self._failsafe, self._gaps = (
            Episodes(spans, rate_per_min=rate, length_s=length, random=seeded_rng(seed, stream=stream))
            for spans, rate, length, stream in (
                (settings.lost, settings.lost_rate, _LOST_S, 1),
                (settings.failsafe, settings.failsafe_rate, _FAILSAFE_S, 2),
                (settings.gaps, settings.gap_rate, _GAP_S, 3),
            )
        )
        names = ("jitter", "reply", "chatter", "noise")
        self._dice = {name: seeded_rng(seed, stream=10 + i) for i, name in enumerate(names)}
        self._slot = 0
        self._held = np.full(16, NEUTRAL, np.uint16)  # values sent before the loss

    @property
    def begun_ns(self) -> int:
        """Start of the next block."""
        return round(self._slot * self._s.period_s * 1e9)

    def block(self) -> tuple[I64, U8, U8]:
        """The next slots: times, bytes, marks."""
        slots = np.arange(self._slot, self._slot + BLOCK)
        begin_ns = self.begun_ns
        self._slot += BLOCK
        throws = self._dice["jitter"].random((3, BLOCK))
        jitter_ns = (throws.sum(axis=0) - 1.5) * 2 * self._s.jitter_s * 1e9  # sum of three: bounded at 3 sd
        start_ns = np.rint(slots * (self._s.period_s * 1e9) + np.maximum(jitter_ns, -begin_ns)).astype(np.int64)
        times, pieces = [np.empty(0, np.int64)], [np.empty(0, np.uint8)]
        if self._s.has_frames:
            raw, is_sent = self._frames(slots, start_ns)
            self._place(times, pieces, start_ns[is_sent], raw[is_sent])
            if self._s.has_slots:
                self._place(times, pieces, *self._replies(slots, start_ns, is_sent))
        t_ns, data = np.concatenate(times), np.concatenate(pieces)
        if self._s.chatter:
            t_ns, data = self._line_noise(t_ns, data, begin_ns)
        order = np.argsort(t_ns, kind="stable")
        return add_noise(t_ns[order], data[order], self._s.noise, self._dice["noise"])

    @staticmethod
    def _place(times: list[I64], pieces: list[U8], start_ns: I64, raw: U8) -> None:
        ends = start_ns[:, None] + (np.arange(raw.shape[1], dtype=np.int64) + 1) * CHARACTER_NS
        times.append(ends.reshape(-1))
        pieces.append(raw.reshape(-1))

    def _frames(self, slots: I64, start_ns: I64) -> tuple[U8, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
        t_s = start_ns / 1e9
        counts, flags = self._pilot.positions(t_s)
        failsafe, lost = self._failsafe.during(t_s), self._lost.during(t_s)
        lost |= failsafe
        # A lost frame repeats the earlier values; failsafe has its own values.
        source = np.maximum.accumulate(np.where(lost, 0, np.arange(1, slots.size + 1)))
        counts = np.concatenate([self._held[None], counts])[source]
        self._held = counts[-1].copy()
        counts[failsafe] = self._pilot.failsafe_counts
        flags |= np.where(lost, FLAG_LOST, 0).astype(np.uint8) | np.where(failsafe, FLAG_FAILSAFE, 0).astype(np.uint8)
        ends = np.array(END_SLOTS if self._s.has_slots else (END_PLAIN,), np.uint8)
        return pack_frames(counts, flags, ends[slots % ends.size]), ~self._gaps.during(t_s)

    def _replies(
        self, slots: I64, start_ns: I64, is_sent: np.ndarray[tuple[int], np.dtype[np.bool_]]
    ) -> tuple[I64, U8]:
        throws = self._dice["reply"].random((3, slots.size))
        answers = is_sent & (throws[0] < 0.5)
        wait_ns = REPLY_AFTER_NS + np.rint((throws[1] - 0.5) * CHARACTER_NS).astype(np.int64)
        volts = (740 + np.rint(throws[2] * 4)).astype(np.int64)  # hundredths, low byte first
        replies = np.stack([np.full(slots.size, 3), volts & 0xFF, volts >> 8], axis=1).astype(np.uint8)
        return (start_ns + FRAME_NS + wait_ns)[answers], replies[answers]

    def _line_noise(self, t_ns: I64, data: U8, begin_ns: int) -> tuple[I64, U8]:
        """Garbage on the idle line."""
        span_ns = self.begun_ns - begin_ns
        slots_of = max(1, span_ns // (2 * CHARACTER_NS))
        share = min(1.0, self._s.chatter * span_ns / 1e9 / slots_of)
        throws = self._dice["chatter"].random((2, int(slots_of)))
        at = begin_ns + (np.flatnonzero(throws[0] < share) + 1) * 2 * CHARACTER_NS
        busy = np.sort(t_ns)
        if busy.size:
            after = busy[np.minimum(np.searchsorted(busy, at), busy.size - 1)]
            before = busy[np.maximum(np.searchsorted(busy, at) - 1, 0)]
            at = at[(np.abs(after - at) >= CHARACTER_NS) & (np.abs(at - before) >= CHARACTER_NS)]
        garbage = (throws[1, : at.size] * 256).astype(np.uint8)
        return np.concatenate([t_ns, at]), np.concatenate([data, garbage])
