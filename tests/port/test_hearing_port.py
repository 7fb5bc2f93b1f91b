"""A port that can only receive, by a hand-held clock; and what every live port knows of its clock."""

from __future__ import annotations

import time
from types import SimpleNamespace

import pytest

from busbench.errors import PortError
from busbench.line import BUS_LINE, WAKE_EDGES_US, Chunk, WakeUps
from busbench.model import Clock, ClockKind
from busbench.port import port as port_module
from busbench.port.port import EventKind, HearingPort, PortEvent, open_client
from tests.port.sources import Counting

MS = 1_000_000
SECOND_NS = 1_000 * MS
BEGIN_NS = 70 * SECOND_NS


class Scripted(HearingPort):
    """Gives a byte at each of some times of its own, and knows of a break of 30 ms at most."""

    cannot_send = "send to the other one"

    def __init__(self, *at_ns: int) -> None:
        super().__init__("far", line=BUS_LINE)
        self.now_ns, self.naps_s, self._at_ns = BEGIN_NS, list[float](), list(at_ns)
        self._clock_ns, self._begin_ns = lambda: self.now_ns, BEGIN_NS

    def _take(self, until_ns: int) -> list[Chunk]:
        due = [at_ns for at_ns in self._at_ns if at_ns <= until_ns]
        self._at_ns = self._at_ns[len(due) :]
        return [Chunk(at_ns, b"a", b"\1") for at_ns in due]

    def _nap_s(self, now_ns: int) -> float:
        assert now_ns == self.now_ns - BEGIN_NS
        return 0.03

    def sleep(self, seconds: float) -> None:
        self.naps_s.append(round(seconds, 6))
        self.now_ns += round(seconds * 1e9)

    def happens(self, text: str) -> None:
        self._events.append(PortEvent(self.now_ns, EventKind.PILOT, text))


def scripted(monkeypatch: pytest.MonkeyPatch, *at_ns: int) -> Scripted:
    made = Scripted(*at_ns)
    monkeypatch.setattr(time, "sleep", made.sleep)
    return made


def test_a_read_returns_with_the_first_bytes_on_the_clock_of_the_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    port = scripted(monkeypatch, 100 * MS, 110 * MS, 121 * MS)
    assert port.read(1) == [Chunk(BEGIN_NS + 100 * MS, b"a", b"\1"), Chunk(BEGIN_NS + 110 * MS, b"a", b"\1")]
    assert port.naps_s == [0.03] * 4
    assert port.read(0) == []


def test_a_read_lasts_as_long_as_it_may_and_no_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    port = scripted(monkeypatch, 50 * MS)
    assert port.read(0.04) == []
    assert port.naps_s == [0.03, 0.01]
    assert port.read(0.01) == [Chunk(BEGIN_NS + 50 * MS, b"a", b"\1")]
    port.naps_s.clear()
    assert port.read(0) == []
    assert port.naps_s == []


def test_it_was_read_on_time_each_second(monkeypatch: pytest.MonkeyPatch) -> None:
    port = scripted(monkeypatch, 0, SECOND_NS - 1, 2500 * MS, 3000 * MS)
    counts = (50, *[0] * len(WAKE_EDGES_US))
    assert port.wakes() == []
    port.read(0)
    port.now_ns += SECOND_NS - 1
    port.read(0)
    assert port.wakes() == []  # not yet a second
    port.now_ns = BEGIN_NS + 2500 * MS
    port.read(0)
    assert port.wakes() == [WakeUps(BEGIN_NS + SECOND_NS, counts), WakeUps(BEGIN_NS + 2 * SECOND_NS, counts)]
    assert port.wakes() == []
    port.now_ns = BEGIN_NS + 3 * SECOND_NS
    port.read(0)
    assert port.wakes() == [WakeUps(BEGIN_NS + 3 * SECOND_NS, counts)]


def test_events_are_given_once_and_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    with scripted(monkeypatch) as port:
        port.happens("begins")
        assert [event.text for event in port.events()] == ["begins"]
        assert (port.events(), port.sent(), port.transmission) == ([], [], None)
        assert (port.adapter_serial, port.has_ended) == ("", False)
        port.stop_transmission()
        with pytest.raises(PortError, match=r"^far: a virtual receiver does not listen: send to the other one$"):
            port.transmit(Counting(1))
    assert port.is_closed
    with pytest.raises(PortError, match=r"^far: the port is closed$"):
        port.read(0)


@pytest.mark.parametrize(("resolution_s", "step_ns"), [(1e-9, 1), (1e-7, 100), (1e-12, 1)])
def test_times_of_reads_are_laid_on_the_clock_of_the_world(
    monkeypatch: pytest.MonkeyPatch, resolution_s: float, step_ns: int
) -> None:
    clocks = SimpleNamespace(
        get_clock_info=lambda name: SimpleNamespace(resolution={"perf_counter": resolution_s}[name]),
        time_ns=lambda: 1_000, perf_counter_ns=lambda: 300,
    )  # fmt: skip
    monkeypatch.setattr(port_module, "time", clocks)
    port = HearingPort("far", line=BUS_LINE)
    assert (port.clock, port.start_utc_ns) == (Clock(ClockKind.PER_READ, step_ns), 700)
    assert not port.is_closed


def test_no_name_is_no_port() -> None:
    with pytest.raises(PortError, match=r'^"": is not the name of a port: see `busbench ports`$'):
        open_client("")
