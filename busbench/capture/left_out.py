"""Comments in a recording that keeps only the surroundings of outages: left-out parts, and totals per minute."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

KINDS = ("gap", "lost", "failsafe", "damaged")
_LEFT_OUT, _MINUTE = "left-out=", "minute="


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A run of frames on time, neither flagged nor marked, that was received and not kept.

    Args:
        first_t_ns, last_t_ns: times of the first and the last frame.
        frames: number of frames.
        bytes: bytes of these frames and of replies between them.
    """

    first_t_ns: int
    last_t_ns: int
    frames: int
    bytes: int

    @property
    def t_ns(self) -> int:
        """Its last time."""
        return self.last_t_ns

    def comment(self) -> str:
        """The comment at its last time; of fixed length, so that it can be overwritten in place."""
        return f"{_LEFT_OUT}{self.frames:012d},{self.bytes:015d},{self.last_t_ns - self.first_t_ns:019d}"


@dataclass(frozen=True, slots=True)
class MinuteTotals:
    """What was received in one minute of a recording, kept or not.

    Args:
        t_ns: its end.
        minute: its number, from 0.
        frames: frames received.
        events: outages that ended in it, by kind: their number, and the frames missed.
    """

    t_ns: int
    minute: int
    frames: int
    events: dict[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def missed(self) -> int:
        """Frames missed in the outages that ended in it."""
        return sum(frames for _, frames in self.events.values())

    def comment(self) -> str:
        """The comment at its end; of fixed length."""
        counts = (self.events.get(kind, (0, 0)) for kind in KINDS)
        parts = [f"{kind} {count:06d} {frames:09d}" for kind, (count, frames) in zip(KINDS, counts, strict=True)]
        return f"{_MINUTE}{self.minute:09d}: frames {self.frames:09d}, {', '.join(parts)}"

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        events = {kind: {"count": count, "frames": frames} for kind, (count, frames) in self.events.items()}
        return {"start_s": 60.0 * self.minute, "frames": self.frames, "missed": self.missed, "summary": events}


def parse_left_out(comment: str, t_ns: int) -> LeftOut | None:
    """Parse such a comment; None if it is another."""
    if not (found := re.fullmatch(_LEFT_OUT + r"(\d{1,12}),(\d{1,15}),(\d{1,19})", comment)):
        return None
    frames, size, lasted = (int(word) for word in found.groups())
    return LeftOut(t_ns - min(lasted, 1 << 60), t_ns, frames, size)


def parse_minute(comment: str, t_ns: int) -> MinuteTotals | None:
    """Parse such a comment; None if it is another."""
    counts = ", ".join(rf"{kind} (\d{{1,6}}) (\d{{1,9}})" for kind in KINDS)
    if not (found := re.fullmatch(_MINUTE + rf"(\d{{1,9}}): frames (\d{{1,9}}), {counts}", comment)):
        return None
    minute, frames, *pairs = (int(word) for word in found.groups())
    return MinuteTotals(t_ns, minute, frames, dict(zip(KINDS, zip(pairs[::2], pairs[1::2], strict=True), strict=True)))
