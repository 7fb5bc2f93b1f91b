"""The port process by a hand-held clock: a far side that is busy or slow, a parent that has gone, closing."""

from __future__ import annotations

import pickle
from types import SimpleNamespace

import numpy as np
import pytest

from busbench.errors import PortBusy, PortMissing
from busbench.line import BUS_LINE, Chunk
from busbench.port import port_process
from busbench.port.io_loop import LoopEvent
from busbench.port.ipc import PortEvent
from busbench.port.pacer import STALLED, Transmission
from busbench.port.port_process import ALONE_MAX_NS, HEARTBEAT_NS, PortProcess, ProcessSettings
from busbench.port.serial_port import ErrorTotals
from tests.port.loops import SECOND_NS, START_NS, Bus, Endless, Loop, alive, gone, on_bus, order, run, transmits
from tests.port.sources import Counting, Failing, Holding


def test_the_last_bytes_leave_before_the_port_is_closed(loop: Loop) -> None:
    loop.unsent_bytes, loop.leave = 50, 10
    loop.later = [(SECOND_NS, LoopEvent.PARENT, order("close"))]
    run(loop)
    at = loop.done.index("hold")
    assert loop.done[at:] == ["hold"] * 4 + ["detach", "close"]  # the first ten left while it waited for the order
    assert loop.passed_s < 1.1


def test_a_port_that_takes_nothing_is_closed_after_half_a_second_and_its_bytes_are_discarded(loop: Loop) -> None:
    loop.unsent_bytes = 50
    loop.later = [gone(1)]
    run(loop)
    assert loop.done[-3:] == ["discard", "detach", "close"]
    assert loop.done.count("discard") == 1
    assert loop.passed_s == pytest.approx(1.5, abs=0.01)


def test_a_port_that_breaks_while_it_is_drained_is_closed_too(loop: Loop) -> None:
    loop.unsent_bytes = 50
    loop.later = [gone(1)]

    def breaks() -> None:
        if not loop.later:
            raise OSError("unplugged")

    loop.on_wait = breaks
    run(loop)
    assert loop.done[-2:] == ["detach", "close"]


@pytest.mark.parametrize(("fetched", "waits", "passed_s"), [(40, 3, 1.1), (0, 40, 3.0)])
def test_a_parent_that_still_fetches_gets_all_within_two_seconds(
    loop: Loop, fetched: int, waits: int, passed_s: float
) -> None:
    loop.later = [(SECOND_NS, LoopEvent.PARENT, order("close"))]
    loop.waiting_bytes, loop.fetched = 100 + fetched, fetched
    run(loop)
    assert loop.done[loop.done.index("close") + 1 :] == ["hold"] * waits
    assert loop.passed_s == pytest.approx(passed_s, abs=0.06)


def test_a_port_that_does_not_open_is_said_to_the_parent_and_nothing_else_happens(
    loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(source: str, line: object) -> None:
        raise PortMissing("far", "is not there", hint="plug it in")

    monkeypatch.setattr(port_process, "open_port", missing)
    loop.waiting_bytes, loop.fetched = 100, 60
    run(loop)
    assert [str(one) for one in loop.messages] == ["far: is not there: plug it in"]
    assert loop.done == ["hold", "hold"]


def test_a_slow_parent_holds_the_port_back_and_is_told_once_each_time(loop: Loop) -> None:
    loop.later = [gone(9)]
    sizes = iter([1000, 1001, 5000, 1000, 1001, 0])
    loop.on_wait = lambda: setattr(loop, "waiting_bytes", next(sizes, 0))
    loop.waiting_bytes = 1000
    run(loop)
    # As many bytes as may wait hold nothing back; each wait is decided by what the one before left.
    assert loop.done[:7] == ["wait", "wait", "hold", "hold", "wait", "hold", "wait"]
    assert loop.texts[1:] == ["what was received is not fetched fast enough, so the port has to wait"] * 2


def test_frames_go_out_in_their_slots_and_what_was_sent_is_said(loop: Loop) -> None:
    loop.later = [transmits(Counting(3, period_s=0.01)), *alive(0.5), gone(1)]
    run(loop)
    assert loop.written == [bytes([number]) * 25 for number in range(3)]
    sent = [one for one in loop.messages if isinstance(one, Chunk)]
    assert [(one.t_ns - sent[0].t_ns) // 1_000_000 for one in sent] == [0, 10, 20]
    assert (loop.result.frames, loop.result.is_over, loop.result.reason) == (3, True, "")


def test_a_parent_that_has_gone_lets_the_program_end(loop: Loop) -> None:
    loop.later = [transmits(Holding()), *alive(0.3), gone(0.3)]
    run(loop)
    assert loop.result.reason == "the program that drives it has ended"
    assert loop.result.is_over
    assert loop.passed_s == pytest.approx(0.3, abs=0.02)  # two stops in a row end it
    assert loop.done[-2:] == ["detach", "close"]


def test_an_end_state_that_never_ends_is_cut_after_a_minute(loop: Loop) -> None:
    loop.later = [transmits(Endless(1 << 40, period_s=0.2)), gone(0.3)]
    run(loop)
    assert loop.passed_s == pytest.approx(0.3 + ALONE_MAX_NS / 1e9, abs=0.2)  # a period
    assert loop.result.reason == "the program that drives it has ended"  # the first reason stays
    assert ALONE_MAX_NS == 60 * SECOND_NS


def test_a_busy_port_and_a_parent_that_has_gone_end_with_the_stall(loop: Loop) -> None:
    loop.later = [transmits(Counting(1000)), gone(0.3)]

    def fills() -> None:
        loop.is_ready, loop.unsent_bytes = False, 25

    loop.on_transmit = fills
    run(loop)
    assert loop.written == [bytes(25)]
    assert loop.result.reason == "the program that drives it has ended"
    assert 0.3 < loop.passed_s < 1.2
    assert loop.done.count("discard") == 1  # at the stall; then nothing is left to be drained
    assert loop.done[-2:] == ["detach", "close"]


def test_a_stall_discards_what_was_not_sent_and_the_port_stays(loop: Loop) -> None:
    loop.later = [transmits(Counting(1000)), *alive(3), gone(3)]
    loop.on_transmit = lambda: setattr(loop, "is_ready", False)
    run(loop)
    assert loop.written == [bytes(25)]
    assert loop.result.reason == STALLED
    assert loop.done.count("discard") == 1
    assert loop.texts == ["the port is open"]
    assert loop.passed_s == pytest.approx(3, abs=0.01)


def test_a_stall_that_closes_a_connection_counts_as_unplugged(loop: Loop) -> None:
    loop.later = [transmits(Counting(1000)), *alive(2), gone(2)]
    loop.on_transmit = lambda: setattr(loop, "is_ready", False)
    loop.closes_at_discard = True
    run(loop)
    assert loop.texts == ["the port is open", "the connection was reset: its far end took nothing"]
    assert loop.result.reason == STALLED
    assert [one for one in loop.done if one not in ("wait", "hold")] == ["discard", "detach", "close"]


def test_no_sign_of_life_for_a_second_stops_it_once(loop: Loop) -> None:
    loop.later = [transmits(Holding()), *alive(0.5), (4 * SECOND_NS, LoopEvent.PARENT, order("close"))]
    run(loop)
    assert loop.result.reason == "no sign of life for one second"
    over_ns = next(one.t_ns for one in reversed(loop.messages) if isinstance(one, Chunk)) - START_NS
    assert over_ns / 1e9 == pytest.approx(0.4 + HEARTBEAT_NS / 1e9, abs=0.02)


def test_a_user_stops_it_and_the_source_comes_to_its_end(loop: Loop) -> None:
    stop = (SECOND_NS // 10, LoopEvent.PARENT, order("stop"))
    loop.later = [transmits(Counting(1000)), *alive(1), stop, gone(2)]
    run(loop)
    assert loop.result.reason == "stopped"
    assert loop.written[-1] == b"\xee" * 25
    assert len(loop.written) < 20


def test_a_write_that_fails_is_an_unplugged_port_that_is_sought_again(
    loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[float] = []
    monkeypatch.setattr(port_process, "find_again", lambda identity: looks.append(loop.passed_s))
    loop.later = [transmits(Counting(1000)), *alive(2), gone(2)]

    def breaks() -> None:
        if len(loop.written) == 2:
            raise OSError("gone")

    loop.on_transmit = breaks
    run(loop)
    assert len(loop.written) == 2
    assert loop.texts == ["the port is open", "the port is gone: unplugged, or its other end has closed"]
    assert loop.result.reason == "the port was unplugged"
    assert loop.result.is_over
    assert len(looks) == 8  # in 2 s
    assert np.diff(looks).round(2).tolist() == [0.25] * 7


@pytest.mark.parametrize("returns", [0, 1])
def test_after_a_return_only_those_who_know_of_it_may_send(
    loop: Loop, monkeypatch: pytest.MonkeyPatch, returns: int
) -> None:
    monkeypatch.setattr(port_process, "find_again", lambda identity: "far again" if loop.passed_s > 1 else None)
    start = (2 * SECOND_NS, LoopEvent.PARENT, order("transmit", (returns, pickle.dumps(Counting(2)))))
    loop.later = [(SECOND_NS // 2, LoopEvent.PORT_GONE, b""), start, gone(3)]
    run(loop)
    assert loop.texts[2] == "the port is back after 0.5 s"
    assert (loop.result.frames, loop.result.reason) == ((2, "") if returns else (0, "the port was unplugged"))


def test_a_second_transmission_is_refused_while_one_runs(loop: Loop) -> None:
    loop.later = [transmits(Counting(50)), *alive(1), transmits(Counting(3), at_ns=SECOND_NS // 10), gone(2)]
    run(loop)
    states = [one for one in loop.messages if isinstance(one, Transmission)]
    assert "a transmission is running already" in [one.reason for one in states]
    assert len(loop.written) == 50


def test_a_source_that_fails_ends_it(loop: Loop) -> None:
    loop.later = [transmits(Failing(2)), *alive(1), gone(1)]
    run(loop)
    assert loop.result.reason == "the frame source failed (RuntimeError: no more)"
    assert len(loop.written) == 2


@pytest.mark.parametrize("marks_bad", [False, True])
def test_what_the_line_garbled_is_reported_once_a_second_unless_the_bytes_are_marked(
    loop: Loop, monkeypatch: pytest.MonkeyPatch, marks_bad: bool
) -> None:
    totals = [
        ErrorTotals(parity=5, framing=5, overrun=5, breaks=5),
        ErrorTotals(parity=6, framing=7, overrun=5, breaks=8),
        ErrorTotals(parity=6, framing=7, overrun=5, breaks=8),
        ErrorTotals(parity=6, framing=7, overrun=9, breaks=8),
    ]
    on_bus(monkeypatch, Bus(*totals, marks_bad=marks_bad))
    loop.later = [gone(3.5)]
    run(loop)
    found = [
        (one.kind.value, one.text, one.count, round((one.t_ns - START_NS) / 1e9))
        for one in loop.messages
        if isinstance(one, PortEvent)
    ]
    damaged = ("errors", "damaged characters: 1 parity, 2 framing, 3 breaks", 6, 1)
    lost = ("overrun", "the system lost 4 characters", 4, 3)
    assert found[1:] == ([lost] if marks_bad else [damaged, lost])


def test_a_warning_of_the_port_is_said_as_it_opens(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    on_bus(monkeypatch, Bus(warning="parity is not checked"))
    loop.later = [gone(0.1)]
    run(loop)
    assert loop.texts == ["the port is open", "parity is not checked"]


def test_a_byte_that_was_half_there_comes_as_the_port_goes(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    on_bus(monkeypatch, Bus(marks_bad=True))
    # 0xFF begins a mark; alone at the end it is a byte.
    loop.later = [(1000, LoopEvent.PORT, b"\x0f\xff"), (2000, LoopEvent.PORT_GONE, b""), gone(0.1)]
    run(loop)
    assert b"".join(one.data for one in loop.messages if isinstance(one, Chunk)) == b"\x0f\xff"


def test_who_only_sends_claims_the_far_end_before_it_is_opened(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    def taken(source: str) -> None:
        raise PortBusy(source, "another program sends to it", hint="end that one")

    monkeypatch.setattr(port_process, "claim_socket", taken)
    PortProcess(ProcessSettings("far", BUS_LINE, is_sender=True), hub=loop).run()
    assert [str(one) for one in loop.messages] == ["far: another program sends to it: end that one"]
    loop.said = b""
    loop.later = [transmits(Counting(3)), gone(1)]
    run(loop)  # one who listens first finds out as it begins to send
    assert (loop.result.is_over, loop.result.reason, loop.written) == (True, "far: another program sends to it", [])


def test_a_port_that_is_back_and_does_not_open_is_reported_once_after_five_seconds(
    loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    loop.later = [(SECOND_NS, LoopEvent.PORT_GONE, b""), gone(9)]

    def denied(source: str, line: object) -> object:
        if loop.passed_s < 1:
            return SimpleNamespace(port="far")
        raise PortMissing("far", "may not be opened", hint="ask for the right")

    monkeypatch.setattr(port_process, "open_port", denied)
    monkeypatch.setattr(port_process, "find_again", lambda identity: "far")
    run(loop)
    warnings = [one for one in loop.messages if isinstance(one, PortEvent) and one.kind.value == "warning"]
    assert [one.text for one in warnings] == ["far: may not be opened: ask for the right"]
    assert (warnings[0].t_ns - START_NS) / 1e9 == pytest.approx(6, abs=0.01)  # the first look after 5 s
