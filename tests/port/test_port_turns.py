"""The port process, turn by turn: when frames leave, what is said of the port, and what a return or an end changes."""

from __future__ import annotations

import os
import pickle
import sys
from types import SimpleNamespace

import pytest

from busbench.line import BUS_LINE, Chunk, WakeUps
from busbench.port import port_process
from busbench.port.io_loop import LoopEvent
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.pacer import Transmission
from busbench.port.port_process import ALONE_MAX_NS, PortProcess, ProcessSettings
from busbench.port.serial_port import ErrorTotals
from tests.port.loops import SECOND_NS, START_NS, Bus, Endless, Loop, alive, gone, on_bus, order, run, transmits
from tests.port.sources import Counting, Unpicklable

MS = 1_000_000


def after_ms(loop: Loop, kind: type[Chunk | PortEvent | WakeUps]) -> list[float]:
    """When messages of a kind were made, in ms after the start."""
    return [round((one.t_ns - START_NS) / MS, 1) for one in loop.messages if isinstance(one, kind)]


def comes(at_ns: int, data: bytes) -> tuple[int, LoopEvent, bytes]:
    return at_ns, LoopEvent.PORT, data


def test_a_frame_leaves_at_its_deadline_the_first_one_a_period_after_the_order(loop: Loop) -> None:
    loop.later = [transmits(Counting(4, period_s=0.01)), *alive(0.5), gone(0.5)]
    run(loop)
    assert after_ms(loop, Chunk) == [10, 20, 30, 40]
    assert loop.result.worst_late_ns < 20_000  # some looks at the clock


def test_how_far_a_transmission_is_is_said_twenty_times_a_second(loop: Loop) -> None:
    loop.later = [transmits(Counting(200, period_s=0.01)), *alive(2.5), gone(2.5)]
    run(loop)
    said = [one.frames for one in loop.messages if isinstance(one, Transmission)]
    assert said == sorted(said)
    assert said[-1] == 200
    assert 2 / 0.06 < len(said) <= 2 / 0.05 + 2


def test_a_slot_left_empty_sends_no_message_and_no_byte(loop: Loop) -> None:
    loop.later = [transmits(Counting(4, period_s=0.01, empty=(1, 2))), *alive(0.5), gone(0.5)]
    run(loop)
    assert loop.written == [one.data for one in loop.chunks] == [bytes(25), bytes([3]) * 25]
    assert after_ms(loop, Chunk) == [10, 40]
    assert loop.result.frames == 2


def test_slots_without_room_lose_no_frame_of_the_program(loop: Loop) -> None:
    loop.later = [transmits(Counting(9, period_s=0.01)), *alive(0.5), gone(0.5)]

    def look() -> None:
        loop.is_ready = len(loop.written) != 3 or loop.passed_s > 0.1

    loop.on_wait = look
    run(loop)
    assert loop.written == [bytes([number]) * 25 for number in range(9)]
    assert loop.result.skipped >= 6
    assert "discard" not in loop.done


def test_a_source_that_cannot_be_stopped_ends_and_what_is_sent_stays_sent(loop: Loop) -> None:
    loop.later = [transmits(Stubborn(1000)), *alive(0.5), (50 * MS, LoopEvent.PARENT, order("stop")), gone(0.5)]
    run(loop)
    assert loop.result.reason == "the frame source failed (RuntimeError: no)"
    assert loop.result.is_over
    assert "discard" not in loop.done


class Stubborn(Counting):
    """Fails when it is asked to stop."""

    def request_stop(self) -> None:
        raise RuntimeError("no")


def test_an_order_to_stop_what_does_not_run_is_nothing(loop: Loop) -> None:
    loop.later = [(MS, LoopEvent.PARENT, order("stop")), transmits(Counting(2), at_ns=2 * MS), *alive(0.5), gone(0.5)]
    run(loop)
    assert (loop.result.frames, loop.result.reason) == (2, "")


@pytest.mark.parametrize("source", [Unpicklable(3), Counting(3, period_s=-1)])
def test_a_program_that_cannot_be_taken_over_is_over_and_the_next_one_runs(loop: Loop, source: Counting) -> None:
    loop.later = [transmits(source), *alive(0.5), transmits(Counting(2), at_ns=SECOND_NS // 10), gone(0.5)]
    run(loop)
    first, *_, last = (one for one in loop.messages if isinstance(one, Transmission))
    assert (first.is_over, first.frames) == (True, 0)
    assert first.reason == "the part of busbench that keeps the port does not take the program"
    assert (last.is_over, last.frames, last.reason) == (True, 2, "")


def test_while_the_port_is_away_nothing_begins(loop: Loop) -> None:
    loop.later = [(MS, LoopEvent.PORT_GONE, b""), transmits(Counting(2), at_ns=2 * MS), *alive(0.5), gone(0.5)]
    run(loop)
    assert (loop.result.is_over, loop.result.reason, loop.written) == (True, "the port was unplugged", [])
    assert loop.done.count("close") == 1


def test_a_port_is_gone_once_and_at_the_time_of_the_read_that_showed_it(loop: Loop) -> None:
    lost = [(at_ns, LoopEvent.PORT_GONE, b"") for at_ns in (7 * MS, 7 * MS, 8 * MS)]
    loop.later = [*lost, gone(0.5)]
    run(loop)
    gone_ns = [one.t_ns for one in loop.messages if isinstance(one, PortEvent)][1:]
    assert gone_ns == [START_NS + 7 * MS]
    assert loop.chunks == []


def test_a_port_that_is_back_by_another_name_is_named(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_process, "find_again", lambda identity: "near" if loop.passed_s > 1 else None)
    monkeypatch.setattr(port_process, "open_port", lambda source, line: SimpleNamespace(port=source))
    loop.later = [(SECOND_NS // 2, LoopEvent.PORT_GONE, b""), comes(2 * SECOND_NS, b"a"), gone(3)]
    run(loop)
    assert loop.texts[2] == "the port is back as near after 0.5 s"
    assert [one.data for one in loop.chunks] == [b"a"]


def test_a_program_ends_when_its_port_is_gone_and_the_next_may_begin_within_the_same_slot(
    loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(port_process, "find_again", lambda identity: "far")
    monkeypatch.setattr(port_process, "open_port", lambda source, line: SimpleNamespace(port=source))
    again = order("transmit", (1, pickle.dumps(Counting(2, period_s=0.01))))
    loop.later = [transmits(Counting(9, period_s=0.4)), *alive(1), gone(1)]
    loop.later += [(50 * MS, LoopEvent.PORT_GONE, b""), (60 * MS, LoopEvent.PARENT, again)]
    run(loop)
    _, unplugged, over, back, *_ = loop.messages
    assert [unplugged.kind, back.kind] == [EventKind.UNPLUGGED, EventKind.RECONNECTED]
    assert over == Transmission(is_over=True, reason="the port was unplugged")
    assert after_ms(loop, Chunk) == [70, 80]
    assert (loop.result.frames, loop.result.reason) == (2, "")


@pytest.mark.parametrize(
    ("bus", "data", "bad"),
    [
        (Bus(marks_bad=True), b"aA\xff", b"\0\1\0"),
        (Bus(marks_bad=False), b"a\xff\0A\xff\xff", bytes(6)),
        (None, b"a\xff\0A\xff\xff", bytes(6)),
    ],
    ids=["marks", "no marks", "address"],
)
def test_marks_are_undone_on_a_port_that_has_them_and_no_read_is_empty(
    loop: Loop, monkeypatch: pytest.MonkeyPatch, bus: Bus | None, data: bytes, bad: bytes
) -> None:
    if bus is not None:
        on_bus(monkeypatch, bus)
    loop.later = [comes(MS, b"a\xff"), comes(2 * MS, b"\0"), comes(3 * MS, b"A\xff\xff"), gone(0.1)]
    run(loop)
    assert all(one.data for one in loop.chunks)
    assert b"".join(one.data for one in loop.chunks) == data
    assert b"".join(one.bad or bytes(len(one.data)) for one in loop.chunks) == bad


def test_a_serial_port_says_each_second_how_late_it_was_read(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    on_bus(monkeypatch, Bus())
    loop.later = [gone(3.5)]
    run(loop)
    wakes = [one for one in loop.messages if isinstance(one, WakeUps)]
    assert [round(at_ms, -2) for at_ms in after_ms(loop, WakeUps)] == [1000, 2000, 3000]
    assert all(50 <= one.counts[0] <= 51 and not any(one.counts[1:]) for one in wakes)


def test_of_an_address_no_lateness_is_said(loop: Loop) -> None:
    loop.later = [gone(3.5)]
    run(loop)
    assert after_ms(loop, WakeUps) == []
    assert loop.done.count("wait") < 10  # it sleeps


def test_a_driver_that_stops_counting_is_no_error(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    on_bus(monkeypatch, Bus(ErrorTotals(parity=1), ErrorTotals(parity=3)))
    loop.later = [gone(4.5)]
    run(loop)
    assert loop.texts == ["the port is open", "damaged characters: 2 parity, 0 framing, 0 breaks"]
    assert loop.passed_s == pytest.approx(4.5, abs=0.01)


def test_the_far_end_is_claimed_once_for_all_transmissions(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    claims: list[str] = []

    def claim(source: str) -> object:
        claims.append(source)
        return object()

    monkeypatch.setattr(port_process, "claim_socket", claim)
    second = (SECOND_NS // 5, LoopEvent.PARENT, order("transmit", (0, pickle.dumps(Counting(2)))))
    loop.later = [transmits(Counting(2)), *alive(0.5), second, gone(0.5)]
    PortProcess(ProcessSettings("far", BUS_LINE, is_sender=True), hub=loop).run()
    assert len(loop.written) == 4
    assert claims == ["far"]
    loop.later, loop.port, claims[:] = [gone(1)], None, []
    run(loop)  # one that only listens claims nothing
    assert claims == []


def test_the_minute_of_an_end_state_counts_from_the_first_word_that_the_parent_goes(loop: Loop) -> None:
    close = (SECOND_NS // 2, LoopEvent.PARENT, order("close"))
    loop.later = [transmits(Endless(1 << 40, period_s=0.2)), close, gone(30)]
    run(loop)
    assert loop.passed_s == pytest.approx(0.5 + ALONE_MAX_NS / 1e9, abs=0.2)


@pytest.mark.skipif(sys.platform != "linux", reason="priorities are set on Linux alone")
@pytest.mark.parametrize(("is_bus", "urgent"), [(True, [True, True, True]), (False, [False, True, False])])
def test_times_matter_on_a_serial_port_and_while_sending(
    loop: Loop, monkeypatch: pytest.MonkeyPatch, is_bus: bool, urgent: list[bool]
) -> None:
    if is_bus:
        on_bus(monkeypatch, Bus())
    loop.later = [transmits(Counting(2)), *alive(0.5), gone(0.5)]
    run(loop)
    assert loop.priorities == [(os.SCHED_FIFO, 10) if one else (os.SCHED_OTHER, 0) for one in urgent]
