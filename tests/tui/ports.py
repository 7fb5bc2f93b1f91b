"""A live port whose time is the test's, and sessions on it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from busbench.errors import PortError
from busbench.line import BUS_LINE, Chunk
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.port import HearingPort
from busbench.sim.address import parse_virtual
from busbench.sim.playback import Reads
from busbench.tui.app import TICK_S
from busbench.tui.live import LAG_NS, LiveSession
from busbench.wire.codec import pack_frames

START_NS = 5_000_000_000
COARSE_S, FINE_S = 0.2, 0.2


@dataclass
class Hands:
    """The clock that a test holds."""

    t_ns: int = START_NS

    def __call__(self) -> int:
        return self.t_ns


class ScriptedPort(HearingPort):
    """Gives a virtual receiver's bytes by the test's clock, and whatever else a test puts in."""

    def __init__(self, hands: Hands, source: str) -> None:
        super().__init__(source, line=BUS_LINE)
        self._hands = hands
        self._reads = Reads(parse_virtual(source)[0])
        self.queue: list[Chunk] = []
        self.fails = ""
        self.is_mute = False

    @property
    def has_ended(self) -> bool:
        return self._reads.is_over

    def read(self, timeout_s: float) -> list[Chunk]:
        if self.fails:
            raise PortError(self.source, self.fails, hint="plug it in again")
        chunks = [Chunk(START_NS + c.t_ns, c.data, c.bad) for c in self._reads.take(self._hands.t_ns - START_NS)]
        extra, self.queue = self.queue, []
        return [] if self.is_mute else chunks + extra

    def happens(self, kind: EventKind, text: str) -> None:
        self._events.append(PortEvent(self._hands.t_ns, kind, text))


def ticks(seconds: float) -> list[float]:
    """Ticks in s of a time that passes: coarse ones, since each costs, and at the end some as the screen has them."""
    coarse = max(0, int((seconds - FINE_S) / COARSE_S))
    return [COARSE_S] * coarse + [TICK_S] * round((seconds - coarse * COARSE_S) / TICK_S)


class Timed:
    """A session whose time is the test's."""

    hands: Hands
    session: LiveSession

    def pass_s(self, seconds: float) -> LiveSession:
        """Let time pass, and look at the end."""
        for tick_s in ticks(seconds):
            self.hands.t_ns += round(tick_s * 1e9)
            self.session.tick(tick_s)
        self.session.refresh()
        return self.session


@dataclass
class Live(Timed):
    """A live session in the hands of a test."""

    source: str = "virtual:?period=7ms&pilot=moving"
    names: dict[int, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.hands = Hands()
        self.port = ScriptedPort(self.hands, self.source)
        self.session = LiveSession(self.port, names=self.names, now=self.hands)


def frames(values: list[int], *, flags: list[int] | None = None) -> bytes:
    """Frames with one value on all 16 channels each."""
    counts = np.repeat(np.array(values, np.int64)[:, None], 16, axis=1)
    return pack_frames(counts, np.array(flags or [0] * len(values))).tobytes()


__all__ = ["LAG_NS", "START_NS", "Hands", "Live", "ScriptedPort", "frames", "ticks"]
