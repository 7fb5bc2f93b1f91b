"""What a driver says of itself: another rate than asked for, and totals of damage."""

from __future__ import annotations

from typing import Any

import pytest

from busbench.line import BUS_LINE
from busbench.port.io_loop import IoLoop, Item
from busbench.port.ipc import EventKind, MessageReader, PortEvent
from busbench.port.port_process import PortProcess, ProcessSettings
from busbench.port.serial_port import BusPort, ErrorTotals


@pytest.mark.parametrize(
    ("rate", "warning"),
    [
        (None, ""),
        (100_000, ""),
        (99_800, ""),
        (115_200, "the adapter took 115200 baud instead of 100000; use another adapter"),
        (57_600, "the adapter took 57600 baud instead of 100000; use another adapter"),
    ],
)
def test_another_rate_is_warned_of(rate: int | None, warning: str) -> None:
    port = BusPort("/dev/ttyHERON", line=BUS_LINE)
    port.rate = rate
    assert port.warning() == warning


def test_a_parity_bit_not_taken_is_warned_of() -> None:
    port = BusPort("/dev/ttyHERON", line=BUS_LINE)
    port.parity_is_kept = False
    assert port.warning() == (
        "the adapter took no parity bit: servos may not hear it, damage is not marked; use another adapter"
    )
    port.port = "/dev/pts/7"
    assert port.warning() == ""


class TellingPort(BusPort):
    """A port whose driver counts."""

    def __init__(self, *, has_marks: bool) -> None:
        super().__init__("/dev/ttyHERON", line=BUS_LINE)
        self._has_marks = has_marks
        self.rate = 115_200
        self.now = ErrorTotals(parity=5)

    @property
    def marks_bad(self) -> bool:
        return self._has_marks

    def error_totals(self) -> ErrorTotals:
        return self.now


class Ears(IoLoop):
    """Keeps what is said to the parent."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[PortEvent] = []
        self._reader = MessageReader()

    def wait(self, timeout_s: float, *, holds_back: bool) -> list[Item]:
        return []

    def attach(self, port: Any) -> None:
        self.port = port

    def detach(self) -> Any:
        return self.port

    def send(self, message: bytes) -> None:
        self.said += [what for _, what in self._reader.feed(message) if isinstance(what, PortEvent)]

    def transmit(self, data: bytes) -> None: ...

    @property
    def unfetched(self) -> int:
        return 0

    @property
    def is_free(self) -> bool:
        return True

    @property
    def unsent(self) -> int:
        return 0

    def discard(self) -> bool:
        return False


@pytest.mark.parametrize("has_marks", [False, True], ids=["totals only", "marks too"])
def test_totals_are_told_where_bytes_are_not_marked(has_marks: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PortProcess, "_choose_priority", lambda _: None)  # it would be that of all tests after this
    ears, port = Ears(), TellingPort(has_marks=has_marks)
    child = PortProcess(ProcessSettings("/dev/ttyHERON", BUS_LINE), hub=ears)
    child._attach(port, EventKind.OPENED)
    child._compare_totals(1)
    port.now = ErrorTotals(parity=7, framing=1, overrun=3)
    child._compare_totals(2)
    child._compare_totals(3)
    told = [(event.kind, event.text, event.count) for event in ears.said]
    assert told[:2] == [
        (EventKind.OPENED, "the port is open", 0),
        (EventKind.WARNING, "the adapter took 115200 baud instead of 100000; use another adapter", 0),
    ]
    damage = (EventKind.ERRORS, "damaged characters: 2 parity, 1 framing, 0 breaks", 3)
    assert told[2:] == ([] if has_marks else [damage]) + [(EventKind.OVERRUN, "the system lost 3 characters", 3)]
