"""The parent's side of the port process: the test is the other end of the pipes, and holds the clock."""

from __future__ import annotations

import logging
import os
import pickle
import subprocess
import sys
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("pipes are not selected there", allow_module_level=True)

from busbench.errors import PortBusy, PortError, PortLost, PortMissing
from busbench.line import BUS_LINE, Chunk, WakeUps
from busbench.port import ipc, port_client
from busbench.port.identity import Identity
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.pacer import Transmission
from busbench.port.port_client import PortClient
from busbench.port.port_process import HOLD_BACK_BYTES, ProcessSettings
from tests.port.sources import Counting

OPENED = ipc.event(PortEvent(1, EventKind.OPENED, "the port is open"))
BACK = ipc.event(PortEvent(2, EventKind.RECONNECTED, "the port is back"))
STOPPED = "the part of busbench that keeps the port has stopped"
SILENT = "the part of busbench that keeps the port did not answer for 2 s and was ended"


class Child:
    """A process of which only the pipes are there.

    Attributes:
        step_s: what each look at the clock lets pass.
        is_stuck: True if it does not end.
        chatters: True if it says how far it is whenever the clock is looked at.
    """

    def __init__(self) -> None:
        self._orders, stdin = os.pipe()
        stdout, self._out = os.pipe()
        os.set_blocking(self._orders, False)
        self.stdin, self.stdout = os.fdopen(stdin, "wb", 0), os.fdopen(stdout, "rb", 0)
        self.pid, self.is_stuck, self.chatters = 4711, False, False
        self.done: list[object] = []
        self.options: dict[str, Any] = {}
        self.now_s, self.step_s = 100.0, 0.0
        self._reader = ipc.CommandReader()

    def start(self, arguments: list[str], **options: Any) -> Child:
        assert arguments[:2] == [sys.executable, "-c"]
        self.options = options
        return self

    def kill(self) -> None:
        self.done.append("kill")
        self.end()

    def poll(self) -> int:
        return -9

    def wait(self, timeout: float | None = None) -> None:
        self.done.append(timeout if timeout is None else round(timeout, 3))
        if self.is_stuck and timeout is not None:
            raise subprocess.TimeoutExpired("child", timeout)

    def monotonic(self) -> float:
        self.now_s += self.step_s
        if self.chatters and not self.stdout.closed:
            self.say(ipc.status(Transmission(1)))
        return self.now_s

    def perf_counter_ns(self) -> int:
        return round(self.now_s * 1e9)

    def say(self, *messages: bytes) -> None:
        os.write(self._out, b"".join(messages))

    def end(self) -> None:
        if self._out >= 0:
            os.close(self._out)
            self._out = -1

    def orders(self) -> list[tuple[str, Any]]:
        """The commands since the last look."""
        try:
            return list(self._reader.feed(os.read(self._orders, 1 << 20)))
        except BlockingIOError:
            return []

    def close(self) -> None:
        self.end()
        os.close(self._orders)
        self.stdin.close()
        self.stdout.close()


@pytest.fixture
def child(monkeypatch: pytest.MonkeyPatch) -> Iterator[Child]:
    made = Child()
    monkeypatch.setattr(subprocess, "Popen", made.start)
    monkeypatch.setattr(port_client, "perf_counter_ns", made.perf_counter_ns)
    monkeypatch.setattr(port_client, "time", SimpleNamespace(monotonic=made.monotonic))
    monkeypatch.setattr(port_client, "_SLICE_S", 0.0)
    yield made
    made.close()


def opened(child: Child) -> PortClient:
    client = PortClient("far", line=BUS_LINE)
    child.say(OPENED)
    client.wait_open()
    child.orders()
    return client


def sending(child: Child) -> PortClient:
    client = opened(child)
    client.transmit(Counting(9))
    child.orders()
    return client


def test_the_child_is_apart_from_the_keyboard_and_knows_what_to_open(child: Child) -> None:
    PortClient("far", line=BUS_LINE)
    assert child.orders() == [("settings", ProcessSettings("far", BUS_LINE, HOLD_BACK_BYTES, is_sender=False))]
    assert child.options["start_new_session"] is True
    assert (child.options["stdin"], child.options["stdout"], child.options["bufsize"]) == (
        subprocess.PIPE, subprocess.PIPE, 0,
    )  # fmt: skip
    PortClient("far", line=BUS_LINE, hold_back_bytes=7, is_sender=True)
    assert child.orders() == [("settings", ProcessSettings("far", BUS_LINE, 7, is_sender=True))]


def test_a_child_that_cannot_be_started_is_said(child: Child, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(subprocess, "Popen", refuse)
    with pytest.raises(PortError) as caught:
        PortClient("far", line=BUS_LINE)
    assert str(caught.value) == (
        "far: the part of busbench that keeps the port cannot be started (Cannot allocate memory):"
        " close other programs, then try again"
    )


def test_what_came_while_it_was_opened_is_read_first(child: Child) -> None:
    client = PortClient("far", line=BUS_LINE)
    child.say(ipc.received(5, b"a", b""), OPENED, ipc.received(6, b"b", b"\1"))
    client.wait_open()
    child.say(ipc.received(7, b"c", b""))
    assert client.read(0) == [Chunk(5, b"a"), Chunk(6, b"b", b"\1")]
    assert client.read(0) == [Chunk(7, b"c")]
    assert client.read(0) == []


def test_a_port_that_does_not_open_says_why_and_leaves_no_process(child: Child) -> None:
    client = PortClient("far", line=BUS_LINE)
    child.say(ipc.failed(PortBusy("far", "is in use", hint="close that program")))
    child.end()
    with pytest.raises(PortBusy, match=r"^far: is in use: close that program$"):
        client.wait_open()
    assert child.done[0] == "kill"  # opening may block
    assert child.stdin.closed
    assert child.stdout.closed


def test_a_child_that_does_not_answer_is_given_up_after_ten_seconds(child: Child) -> None:
    client = PortClient("far", line=BUS_LINE)
    child.step_s = 0.1
    began_s = child.now_s
    with pytest.raises(PortError, match=r"^far: does not answer: unplug the adapter, plug it in and try again$"):
        client.wait_open()
    assert 10 < child.now_s - began_s < 12
    assert "kill" in child.done


def test_who_sends_shows_a_sign_of_life_ten_times_a_second_and_no_one_else(child: Child) -> None:
    client = opened(child)
    child.now_s += 5
    client.read(0)
    assert child.orders() == []
    client.transmit(Counting(9))
    ((word, (returns, pickled)),) = child.orders()
    assert (word, returns, type(pickle.loads(pickled))) == ("transmit", 0, Counting)
    signs, child.chatters = [], True
    for _ in range(100):
        child.now_s += 0.021
        client.read(0)
        signs += child.orders()
    assert signs == [("alive", None)] * 20  # each fifth look: 0.105 s
    child.chatters = False
    child.say(ipc.status(Transmission(9, is_over=True)))
    client.read(0)
    child.now_s += 5
    client.read(0)
    assert child.orders() == []


def test_a_child_that_sends_and_is_silent_for_two_seconds_is_killed(child: Child) -> None:
    client = sending(child)
    child.now_s += 1.9
    assert client.read(0) == []
    child.say(ipc.status(Transmission(3)))
    client.read(0)
    child.now_s += 2.0
    assert client.read(0) == []
    assert child.done == []
    child.now_s += 0.01
    with pytest.raises(PortLost) as caught:
        client.read(0)
    assert (caught.value.problem, caught.value.hint) == (
        SILENT, "the positions of the surfaces are not known; start again",
    )  # fmt: skip
    assert child.done == ["kill"]
    assert client.transmission == Transmission(3, is_over=True, reason=SILENT)


def test_a_child_that_only_receives_may_be_silent(child: Child) -> None:
    client = opened(child)
    child.now_s += 3600
    assert client.read(0) == []
    assert child.done == []


@pytest.mark.parametrize("is_sending", [False, True])
def test_an_end_without_a_word_is_said_after_all_that_was_received(child: Child, is_sending: bool) -> None:
    client = sending(child) if is_sending else opened(child)
    child.say(ipc.received(5, b"a", b""))
    child.end()
    assert client.read(0) == [Chunk(5, b"a")]
    with pytest.raises(PortLost) as caught:
        client.read(0)
    unknown = "the positions of the surfaces are not known; " if is_sending else ""
    assert (caught.value.problem, caught.value.hint) == (STOPPED, f"{unknown}start again")
    over = Transmission(is_over=True, reason=STOPPED) if is_sending else None
    assert client.transmission == over


def test_one_transmission_at_a_time(child: Child) -> None:
    client = sending(child)
    with pytest.raises(PortError, match=r"^far: a transmission is running already: stop that one first$"):
        client.transmit(Counting(9))
    client.stop_transmission()
    assert child.orders() == [("stop", None)]
    child.say(ipc.status(Transmission(9, is_over=True)))
    client.read(0)
    client.transmit(Counting(9))
    assert client.transmission == Transmission()
    assert [word for word, _ in child.orders()] == ["transmit"]


def test_only_a_return_that_was_read_counts(child: Child) -> None:
    client = opened(child)
    child.say(BACK, BACK)
    client.read(0)
    for returns in (0, 2):
        client.transmit(Counting(9))
        ((_, (known, _)),) = child.orders()
        assert known == returns
        child.say(ipc.status(Transmission(is_over=True)))
        client.read(0)
        client.events()
    assert client.events() == []


def test_each_kind_of_message_is_given_once(child: Child) -> None:
    client = opened(child)
    assert [event.kind for event in client.events()] == [EventKind.OPENED]
    wakes = WakeUps(9, (1, *[0] * 14))
    child.say(ipc.sent(5, b"a"), ipc.woke(wakes), BACK)
    assert client.read(0) == []
    assert (client.sent(), client.wakes(), [event.kind for event in client.events()]) == (
        [Chunk(5, b"a")], [wakes], [EventKind.RECONNECTED],
    )  # fmt: skip
    assert (client.sent(), client.wakes(), client.events()) == ([], [], [])


def test_a_closed_port_has_waited_for_the_end_of_its_process(child: Child) -> None:
    client = opened(child)
    child.end()
    client.close()
    assert child.orders() == [("close", None)]
    assert child.done == [5.0]
    assert (child.stdin.closed, child.stdout.closed) == (True, True)
    client.close()
    assert child.done == [5.0]
    with pytest.raises(PortError, match=r"^far: the port is closed$"):
        client.read(0)


@pytest.mark.parametrize(("is_sending", "limit_s"), [(False, 5), (True, 65)])
def test_a_process_that_does_not_end_is_killed(child: Child, is_sending: bool, limit_s: float) -> None:
    """After five seconds, and a minute more while an end state is sent; meanwhile it gets no sign of life."""
    client = sending(child) if is_sending else opened(child)
    child.is_stuck, child.chatters, child.step_s, began_s = True, is_sending, 0.5, child.now_s
    client.close()
    assert limit_s <= child.now_s - began_s <= limit_s + 2
    assert child.done == [1.0, "kill", None]
    assert child.orders() == [("close", None)]


def test_the_log_has_what_happened_and_what_the_process_printed(child: Child, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "busbench"):
        client = opened(child)
        child.options["stderr"].write(b"  odd \xff\n")
        child.end()
        for _ in range(2):
            with pytest.raises(PortLost):
                client.read(0)
        client.close()
    assert [(record.levelname, record.getMessage()) for record in caplog.records[:2]] == [
        ("INFO", "far: opened: the port is open"),
        ("ERROR", "far: the port's process ended (exit code -9): odd \ufffd"),
    ]


def test_a_process_that_printed_nothing_is_logged_so(child: Child, caplog: pytest.LogCaptureFixture) -> None:
    client = opened(child)
    child.end()
    with caplog.at_level(logging.INFO, "busbench"), pytest.raises(PortLost):
        client.read(0)
    assert caplog.records[-1].getMessage() == "far: the port's process ended (exit code -9): it printed nothing"


def test_the_serial_number_of_the_adapter_is_known_if_it_has_one(child: Child, monkeypatch: pytest.MonkeyPatch) -> None:
    client = opened(child)
    monkeypatch.setattr("busbench.port.identity.identify", lambda source: Identity(source, 1, 2, "HERON1"))
    assert (client.adapter_serial, client.pid) == ("HERON1", 4711)

    def missing(source: str) -> None:
        raise PortMissing(source, "no port matches")

    monkeypatch.setattr("busbench.port.identity.identify", missing)
    assert client.adapter_serial == ""


def test_an_hour_of_a_full_bus_is_held_before_the_port_waits() -> None:
    """A frame each 4 ms, with the head of its message."""
    assert len(ipc.received(0, bytes(25), b"")) * 3600 / 0.004 < HOLD_BACK_BYTES < 1 << 30


def test_a_script_that_asks_for_no_log_gets_none() -> None:
    """Without a handler of its own, errors would be printed."""
    assert any(isinstance(one, logging.NullHandler) for one in logging.getLogger("busbench").handlers)
