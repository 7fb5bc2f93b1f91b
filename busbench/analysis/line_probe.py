"""Find out what is on the line, and what to do, from a few seconds of bytes."""

from __future__ import annotations

import enum
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busbench.errors import pluralize
from busbench.line import BUS_LINE, Chunk, LineSettings
from busbench.model import ByteLog, Clock, Reason
from busbench.wire.framing import find_frames
from busbench.wire.table import AlignmentResult

PAUSE_NS = 1_000_000  # bursts are split by pauses longer than this
SAMPLE_BYTES = 32
HEARD_MAX = 1_000_000  # two minutes of a line without a pause
_FEW_FRAMES = 3
_MOSTLY = 0.5
_RARE = 0.02  # end bytes seen less often belong to false frames
_INVERTER = (
    "put an inverter gate or a transistor stage between receiver and adapter (mind 3.3 V levels), or use an adapter"
    " whose own setting inverts RX and TX"
)
_OTHER_RATE = "the adapter reads at about 115200 baud although 100000 was asked for: use another adapter"


class LineState(enum.StrEnum):
    """Kinds of result."""

    FRAMES = "frames"
    SILENT = "silent"
    INVERTED = "inverted polarity"
    WRONG_RATE = "wrong rate"
    INVERTED_WRONG_RATE = "inverted polarity and wrong rate"
    NO_FRAMES = "bytes but no frames"


@dataclass(frozen=True, slots=True)
class ProbeResult:
    """What is on the line."""

    line: LineState
    says: str
    advice: str = ""  # what to do; may be empty
    bytes_total: int = 0
    marked: int = 0  # of these, bytes marked as damaged
    frames: int = 0
    period_s: float | None = None  # median time between frames, None if unknown
    end_bytes: tuple[tuple[int, int], ...] = ()  # end bytes, and how often each was seen
    replies: int = 0  # sensor replies between frames
    damaged_bytes: int = 0
    sample: bytes = b""  # the first bytes
    judged: int = 0  # bytes that the figures are about: all, or the first HEARD_MAX

    @property
    def is_good(self) -> bool:
        """True if frames were found."""
        return self.line is LineState.FRAMES


class Heard:
    """The first HEARD_MAX bytes of a port, so that judging them takes bounded time."""

    def __init__(self) -> None:
        self.chunks: list[Chunk] = []
        self.kept = self.bytes_total = 0

    def add(self, chunks: Sequence[Chunk]) -> None:
        """Take what one read gave."""
        for chunk in chunks:
            self.bytes_total += len(chunk.data)
            if room := HEARD_MAX - self.kept:
                kept = chunk if len(chunk.data) <= room else Chunk(chunk.t_ns, chunk.data[:room], chunk.bad[:room])
                self.chunks.append(kept)
                self.kept += len(kept.data)

    def judge(self, *, clock: Clock, line: LineSettings = BUS_LINE) -> ProbeResult:
        """Classify the bytes; see classify."""
        result = classify(self.chunks, clock=clock, line=line)
        return replace(result, bytes_total=self.bytes_total, judged=self.kept)


def classify(chunks: Sequence[Chunk], *, clock: Clock, line: LineSettings = BUS_LINE) -> ProbeResult:
    """Classify bytes from a line.

    Source of the signatures: derived by reading the
    bus's own waveform with each wrong setting, frames of any content begin so.
    """
    log = ByteLog.from_chunks(chunks)
    found = find_frames(log, clock=clock, line=line)
    marked = int(np.count_nonzero(log.bad)) if log.bad is not None else 0
    data = log.data.tobytes()
    if not data:
        says = "silent: not one byte came"
        advice = (
            "check that ground is connected, that the signal goes to the adapter's RX, and that the receiver has power"
        )
        return ProbeResult(LineState.SILENT, says, f"{advice} and is bound to a transmitter that is on")
    enough = min(_FEW_FRAMES, max(1, len(data) // 40))
    covered = len(found.frames) * 25 / len(data)
    if len(found.frames) >= enough and covered > 0.2:
        return _frames(found, data, marked)
    kind = _signature(chunks, data)
    says, advice = _WORDS[kind]
    if line != BUS_LINE:
        advice = f"the line was not set as the bus: leave --baud, --parity and --stop-bits away first; then {advice}"
    return ProbeResult(kind, says, advice, len(data), marked, len(found.frames), sample=data[:SAMPLE_BYTES])


_WORDS = {
    LineState.INVERTED: ("inverted polarity: the bus idles low, and nothing inverts it for the adapter", _INVERTER),
    LineState.WRONG_RATE: ("wrong rate: frames read too fast", _OTHER_RATE),
    LineState.INVERTED_WRONG_RATE: (
        "inverted polarity, since nothing inverts the bus for the adapter, and the wrong rate",
        f"{_INVERTER}; and {_OTHER_RATE}",
    ),
    LineState.NO_FRAMES: (
        "bytes, but no frames",
        "check that this is the bus output of the receiver and that its setting is the 16-channel serial bus;"
        " check ground and lead, and that nothing else drives the line",
    ),
}


def _frames(found: AlignmentResult, data: bytes, marked: int) -> ProbeResult:
    table, replies = found.frames, len(found.rejects.of(Reason.SLOT))
    period_s = _period_s(found)
    by_end = Counter(table.end.tolist())
    ends = tuple(sorted((end, count) for end, count in by_end.items() if count >= _RARE * len(table)))
    damaged = found.rejects.of(Reason.DAMAGED).bytes_total
    beat = f", one every {period_s * 1e3:.1f} ms" if period_s else ""
    says = f"frames: {len(table)}{beat}, end bytes {' '.join(f'{end:02X}' for end, _ in ends)}"
    if any(end for end, _ in ends):
        says += f"; slots for sensors, {replies} replies"
    advice = ""
    if damaged + marked > len(data) / 100:
        says += f"; {pluralize(damaged, 'byte')} form no frame, {marked} were marked as damaged"
        advice = "check ground, lead and levels: more than one byte in a hundred is damaged"
    return ProbeResult(
        LineState.FRAMES,
        says,
        advice,
        len(data),
        marked,
        len(table),
        period_s,
        ends,
        replies,
        damaged,
        data[:SAMPLE_BYTES],
    )


def _period_s(found: AlignmentResult) -> float | None:
    steps = np.diff(found.frames.t_ns)
    if not steps.any():
        return None
    median, mean = float(np.median(steps)), float(steps.mean())
    if median < 0.5 * mean or median > 1.05 * mean:
        # An adapter that hands over several frames at once has no typical step: the mean without the gaps.
        typical = max(mean, float(np.median(steps[steps > 0])))
        median = float(steps[steps < 3 * typical].mean())
    return median / 1e9


def _signature(chunks: Sequence[Chunk], data: bytes) -> LineState:
    """Recognize a wrong setting by the start and length of bursts."""
    bursts = _bursts(chunks)
    if len(bursts) >= _FEW_FRAMES:
        starts = Counter(burst[0] for burst in bursts)
        sizes = sorted(len(burst) for burst in bursts)
        size = sizes[len(sizes) // 2]
        first, count = starts.most_common(1)[0]
        if count >= _MOSTLY * len(bursts) and 18 <= size <= 40:
            match first:
                case 0xF8:
                    return LineState.INVERTED
                case 0xF0:
                    return LineState.INVERTED_WRONG_RATE
                case 0x1F:
                    return LineState.WRONG_RATE
    return LineState.INVERTED if _has_period(data, b"\x00\xf8") else LineState.NO_FRAMES


def _bursts(chunks: Sequence[Chunk]) -> list[bytes]:
    """Bytes between pauses, without the first and last burst, which may be cut."""
    bursts: list[bytearray] = []
    last_ns: int | None = None
    for chunk in chunks:
        if not chunk.data:
            continue
        if last_ns is None or chunk.t_ns - last_ns - len(chunk.data) * BUS_LINE.character_ns > PAUSE_NS:
            bursts.append(bytearray())
        bursts[-1] += chunk.data
        last_ns = chunk.t_ns
    return [bytes(burst) for burst in bursts[1:-1]]


def _has_period(data: bytes, pair: bytes) -> bool:
    """True if a pair of bytes repeats at about a frame's length, without pauses."""
    places = np.array([i for i in range(len(data) - 1) if data[i : i + 2] == pair])
    if places.size < 2 * _FEW_FRAMES:
        return False
    steps = np.diff(places)
    return bool(np.mean((steps >= 22) & (steps <= 29)) > _MOSTLY)
