"""Pulse outputs beside the bus: their widths, the channel that each follows, the receiver's scale, and latencies.

The bus carries counts, a pulse output microseconds: where both were recorded, the straight line between them
is measured instead of assumed, and how long a frame takes to the output.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from busbench.analysis.latency import EVEN_MOVE, EVEN_RAMP, NO_MOVE, Latency, find_latency, first_pulses, output_skew
from busbench.analysis.pulse_fit import PULSES_LEAST, Fit, Rows, follow
from busbench.analysis.skew import ContentChanges, Skew, find_skew
from busbench.line import BUS_LINE, LineSettings
from busbench.model import F64, I64, ByteLog, Clock, ClockKind
from busbench.wire.edges import Edges
from busbench.wire.framing import find_frames
from busbench.wire.table import FrameTable
from busbench.wire.uart import LineBytes, decode_line

WIDTHS_US = (300.0, 3000.0)  # what counts as a servo pulse; common practice, no source: 900-2100
PERIODS_S = (0.002, 0.060)
_RECEIVER = 0.25  # of the frames of the bus: a signal with as many is another receiver's


@dataclass(frozen=True, slots=True)
class WidthStats:
    """A measured quantity over all pulses."""

    mean: float
    sd: float
    min: float
    max: float


@dataclass(frozen=True, slots=True)
class PulseLine:
    """One pulse output."""

    name: str
    pulses: int
    width_us: WidthStats
    period_s: WidthStats
    is_inverted: bool  # True if a pulse is low
    fit: Fit | None  # the line, None if no channel was found
    latency: Latency | None  # from frames to the pulses that first show them, None if the recording does not show it
    note: str  # for people, what is not known and why; or ""

    def to_json(self) -> dict[str, Any]:
        """Plain values with units in the keys."""
        return {
            "name": self.name,
            "pulses": self.pulses,
            "width_us": asdict(self.width_us),
            "period_s": asdict(self.period_s),
            "is_inverted": self.is_inverted,
            "fit": None if self.fit is None else asdict(self.fit) | {"centre_us": self.fit.known_centre_us},
            "latency_s": None if self.latency is None else self.latency.to_json(),
            "latency_frames": 0 if self.latency is None else self.latency.late_ns.size,
            "note": self.note,
        }


@dataclass(frozen=True, slots=True)
class Pulses:
    """All pulse outputs of a record."""

    bus: str  # name of the signal with the bus
    frames: int
    resolution_us: float  # step of the times; widths and latencies are not known better
    lines: tuple[PulseLine, ...]  # pulse outputs, in the record's order
    # how much later each output shows a frame than the first one, and each further bus than the first
    skews: tuple[Skew[str], ...]
    idle: tuple[str, ...]  # signals that are neither

    def to_json(self) -> dict[str, Any]:
        """Plain values with units in the keys."""
        return {
            "bus": self.bus,
            "frames": self.frames,
            "resolution_us": self.resolution_us,
            "lines": [line.to_json() for line in self.lines],
            "skew_s": [
                {"sources": list(one.sources), "median": one.median_s, "low": one.low_s, "high": one.high_s,
                 "matches": one.matches}
                for one in self.skews
            ],
            "idle": list(self.idle),
        }  # fmt: skip


def find_pulses(
    signals: Mapping[str, Edges], *, line: LineSettings = BUS_LINE, bus: str | None = None
) -> Pulses | None:
    """Measure the pulse outputs among some signals.

    Args:
        signals: all of one record, by name.
        bus: the signal with the bus that the outputs obey; None takes the one with most frames.

    Returns:
        The outputs; None if no signal, or not the bus, carries frames.
    """
    read = {name: _frames(edges, line) for name, edges in signals.items() if len(edges)}
    bus = bus or max(read, key=lambda name: len(read[name]), default=None)
    if bus is None or not len(read.get(bus, ())):
        return None
    frames, step_us = read[bus], _step_ns(signals.values()) / 1e3
    others = [name for name, one in read.items() if name != bus and len(one) >= max(2, _RECEIVER * len(frames))]
    lines, idle = [], []
    firsts: dict[str, tuple[Rows, I64]] = {}
    for name, edges in signals.items():
        if name == bus or name in others:
            continue
        found = _output(edges)
        if found is None:
            idle.append(name)
            continue
        begin_ns, width_us, is_inverted = found
        obeyed, note = follow(begin_ns, width_us, frames, step_us=step_us)
        latency = None
        if obeyed is not None:
            latency = find_latency(begin_ns, width_us, frames, obeyed)
            even = EVEN_MOVE if obeyed.fit.is_centre_known else EVEN_RAMP
            unknown = even if obeyed.is_even else NO_MOVE
            note = "; ".join(words for words in (note, unknown if latency is None else "") if words)
            if not obeyed.is_even:
                firsts[name] = first_pulses(begin_ns, frames, obeyed)
        stats = _stats(width_us), _stats(np.diff(begin_ns) / 1e9)
        fit = None if obeyed is None else obeyed.fit
        lines.append(PulseLine(name, width_us.size, *stats, is_inverted, fit, latency, note))
    first, *later = firsts or [""]
    skews = [output_skew(firsts[first], firsts[name], names=(first, name)) for name in later]
    skews += [_receiver_skew(frames, read[name], names=(bus, name)) for name in others]
    return Pulses(bus, len(frames), step_us, tuple(lines), tuple(skews), tuple(idle))


def _receiver_skew(first: FrameTable, second: FrameTable, *, names: tuple[str, str]) -> Skew[str]:
    changes = ContentChanges(), ContentChanges()
    for one, frames in zip(changes, (first, second), strict=True):
        one.feed(frames)
    return find_skew(*changes, sources=names)


def _frames(edges: Edges, line: LineSettings) -> FrameTable:
    """Frames with the end of their last stop bit as their time."""
    found: LineBytes = decode_line(edges, line=line)
    ends = np.arange(1, len(found) + 1)
    end_ns = found.t_ns + round(line.character_bits * found.bit_ns)
    log = ByteLog(0, found.data, ends, end_ns, found.bad if found.bad.any() else None)
    return find_frames(log, clock=Clock(ClockKind.PER_BYTE, 1), line=line).frames


def _step_ns(signals: Iterable[Edges]) -> int:
    """The largest step of which all times are multiples."""
    times = [edges.t_ns for edges in signals if len(edges)]
    step = int(np.gcd.reduce(np.concatenate(times))) if times else 1
    return max(1, step)


def _output(edges: Edges) -> tuple[I64, F64, bool] | None:
    """Begin and width of each whole pulse, and whether they are low; None if they are no servo pulses."""
    t_ns = edges.t_ns
    for is_inverted in (False, True):
        first = int(edges.initial != is_inverted)  # a pulse that had begun before the record is left out
        starts = t_ns[first::2]
        ends = t_ns[first + 1 :: 2]
        starts = starts[: ends.size]
        if starts.size < PULSES_LEAST:
            continue
        width_us = (ends - starts) / 1e3
        period_s = float(np.median(np.diff(starts))) / 1e9
        usual = (width_us >= WIDTHS_US[0]) & (width_us <= WIDTHS_US[1])
        if usual.mean() > 0.9 and PERIODS_S[0] <= period_s <= PERIODS_S[1]:
            return starts, np.asarray(width_us, np.float64), is_inverted
    return None


def _stats(values: F64) -> WidthStats:
    return WidthStats(float(values.mean()), float(values.std()), float(values.min()), float(values.max()))
