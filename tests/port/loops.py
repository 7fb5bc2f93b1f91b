"""A port process whose port, parent and clock are the test's."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from busbench.line import BUS_LINE, Chunk
from busbench.port import ipc, port_process
from busbench.port.io_loop import IoLoop, Item, LoopEvent
from busbench.port.ipc import PortEvent
from busbench.port.pacer import Transmission
from busbench.port.port_process import PortProcess, ProcessSettings
from busbench.port.serial_port import ErrorTotals
from tests.port.sources import Counting

SECOND_NS = 1_000_000_000
START_NS = 1_000 * SECOND_NS


@dataclass
class Loop(IoLoop):
    """A port and a parent that do as scripted; waiting is what lets time pass.

    Args:
        unsent_bytes, leave: what the port holds, and how much of it leaves in each wait.
        waiting_bytes, fetched: what the parent has not fetched, and how much it fetches in each wait.
        later: what happens, each at a time after the start.
    """

    now_ns: int = START_NS
    unsent_bytes: int = 0
    leave: int = 0
    waiting_bytes: int = 0
    fetched: int = 0
    is_ready: bool = True
    closes_at_discard: bool = False
    later: list[tuple[int, LoopEvent, bytes]] = field(default_factory=list)
    said: bytes = b""
    written: list[bytes] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
    priorities: list[tuple[int, int]] = field(default_factory=list)
    port: Any = None
    on_wait: Callable[[], None] = lambda: None
    on_transmit: Callable[[], None] = lambda: None

    def clock(self) -> int:
        self.now_ns += 1_000
        return self.now_ns

    def wait(self, timeout_s: float, *, holds_back: bool) -> list[Item]:
        self.on_wait()
        self.done.append("hold" if holds_back else "wait")
        due_ns = min((START_NS + at_ns for at_ns, *_ in self.later), default=1 << 62)
        self.now_ns = max(self.now_ns, min(self.now_ns + round(timeout_s * 1e9), due_ns))
        self.unsent_bytes = max(0, self.unsent_bytes - self.leave)
        self.waiting_bytes = max(0, self.waiting_bytes - self.fetched)
        items = [(kind, self.now_ns, data) for at_ns, kind, data in self.later if START_NS + at_ns <= self.now_ns]
        self.later = [one for one in self.later if START_NS + one[0] > self.now_ns]
        return items

    def attach(self, port: Any) -> None:
        self.port = port

    def detach(self) -> Any:
        self.done.append("detach")
        port, self.port = self.port, None
        return port

    def send(self, message: bytes) -> None:
        self.said += message

    def transmit(self, data: bytes) -> None:
        self.on_transmit()
        self.written.append(data)

    @property
    def unfetched(self) -> int:
        return self.waiting_bytes

    @property
    def is_free(self) -> bool:
        return self.is_ready

    @property
    def unsent(self) -> int:
        return self.unsent_bytes

    def discard(self) -> bool:
        self.done.append("discard")
        self.unsent_bytes = 0
        return self.closes_at_discard

    def look(self, identity: object) -> None:
        """Search for a port, which is not found; only one that is away is searched for."""
        del identity
        assert self.port is None

    @property
    def passed_s(self) -> float:
        return (self.now_ns - START_NS) / 1e9

    @property
    def messages(self) -> list[Any]:
        return [what for _, what in ipc.MessageReader().feed(self.said)]

    @property
    def chunks(self) -> list[Chunk]:
        return [one for one in self.messages if isinstance(one, Chunk)]

    @property
    def texts(self) -> list[str]:
        return [one.text for one in self.messages if isinstance(one, PortEvent)]

    @property
    def result(self) -> Transmission:
        return [one for one in self.messages if isinstance(one, Transmission)][-1]


def order(word: str, value: object = None) -> bytes:
    return ipc.command(word, value=value)


def transmits(source: object, *, at_ns: int = 0) -> tuple[int, LoopEvent, bytes]:
    return at_ns, LoopEvent.PARENT, order("transmit", (0, pickle.dumps(source)))


def gone(at_s: float) -> tuple[int, LoopEvent, bytes]:
    return round(at_s * 1e9), LoopEvent.PARENT_GONE, b""


def alive(until_s: float) -> list[tuple[int, LoopEvent, bytes]]:
    return [(tenth * SECOND_NS // 10, LoopEvent.PARENT, order("alive")) for tenth in range(1, round(until_s * 10))]


def run(loop: Loop) -> Loop:
    PortProcess(ProcessSettings("far", BUS_LINE, hold_back_bytes=1000), hub=loop).run()
    return loop


class Endless(Counting):
    """Takes no notice of being stopped."""

    def request_stop(self) -> None:
        pass


class Bus:
    """A serial port that counts what it did not understand.

    Args:
        totals: of each look, one a second.
    """

    def __init__(self, *totals: ErrorTotals, marks_bad: bool = False, warning: str = "") -> None:
        self.port, self.marks_bad = "far", marks_bad
        self._totals, self._warning = iter(totals), warning

    def error_totals(self) -> ErrorTotals | None:
        return next(self._totals, None)

    def warning(self) -> str:
        return self._warning


def on_bus(monkeypatch: pytest.MonkeyPatch, bus: Bus) -> None:
    monkeypatch.setattr(port_process, "BusPort", Bus)
    monkeypatch.setattr(port_process, "open_port", lambda source, line: bus)
