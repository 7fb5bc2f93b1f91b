"""The form of the loop with one select: what comes from both sides, what waits to leave, and an end that has gone."""

from __future__ import annotations

import os
import select
import socket
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("pipes cannot be selected there", allow_module_level=True)

from busbench.port import io_loop
from busbench.port.io_loop import LoopEvent, SelectIoLoop, make_io_loop

FRAME = bytes(range(25))


@dataclass
class Held:
    """What the system says it holds of what was written."""

    unsent: int = 0
    is_clear: bool = True
    is_closed: bool = False
    resets: bool = False
    writes: list[int] = field(default_factory=list)
    discards: int = 0

    def note_write(self, written_ns: int) -> None:
        self.writes.append(written_ns)

    def discard(self) -> bool:
        self.discards += 1
        return self.resets

    def close(self) -> None:
        self.is_closed = True


class Port:
    """A port over a socket, whose far end is the test's."""

    def __init__(self) -> None:
        self.near, self.far = socket.socketpair()
        for one in (self.near, self.far):
            one.setblocking(False)

    def fileno(self) -> int:
        return self.near.fileno()

    def fill(self) -> int:
        """Write until nothing more fits; gives the number of bytes."""
        size = 0
        try:
            while True:
                size += self.near.send(bytes(4096))
        except BlockingIOError:
            return size

    def take(self) -> bytes:
        """All that has come to the far end."""
        data = b""
        try:
            while part := self.far.recv(1 << 16):
                data += part
        except BlockingIOError:
            pass
        return data


class Ends:
    """A loop, its port and its parent."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        commands, self.commands = os.pipe()
        self.messages, messages = os.pipe()
        self.held = Held()
        monkeypatch.setattr(io_loop, "backlog_of", lambda port: self.held)
        self.loop = SelectIoLoop(commands, messages)
        self.port = Port()
        self.own = [commands, messages]
        os.set_blocking(self.messages, False)

    def attach(self) -> SelectIoLoop:
        self.loop.attach(self.port)
        return self.loop

    def fetched(self) -> bytes:
        """What the parent can fetch now."""
        data = b""
        try:
            while part := os.read(self.messages, 1 << 16):
                data += part
        except BlockingIOError:
            pass
        return data

    def close(self, *ends: int) -> None:
        for fd in ends or (self.commands, self.messages, *self.own):
            if fd >= 0:
                os.close(fd)
        self.commands = -1 if self.commands in ends else self.commands
        self.messages = -1 if self.messages in ends else self.messages


@pytest.fixture
def ends(monkeypatch: pytest.MonkeyPatch) -> Iterator[Ends]:
    made = Ends(monkeypatch)
    yield made
    made.close()
    made.port.near.close()
    made.port.far.close()


def come(loop: SelectIoLoop, *, timeout_s: float = 0, holds_back: bool = False) -> list[tuple[LoopEvent, bytes]]:
    return [(kind, data) for kind, _, data in loop.wait(timeout_s, holds_back=holds_back)]


def test_what_comes_has_its_source_and_one_time(ends: Ends, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(io_loop, "perf_counter_ns", lambda: 77)
    loop = ends.attach()
    assert loop.wait(-1, holds_back=False) == []
    ends.port.far.send(b"ab")
    os.write(ends.commands, b"order")
    assert loop.wait(5, holds_back=False) == [(LoopEvent.PORT, 77, b"ab"), (LoopEvent.PARENT, 77, b"order")]


def test_a_port_that_is_held_back_keeps_its_bytes_for_later(ends: Ends) -> None:
    loop = ends.attach()
    ends.port.far.send(b"ab")
    assert come(loop, holds_back=True) == []
    assert come(loop) == [(LoopEvent.PORT, b"ab")]


def test_a_parent_that_has_gone_is_said_once(ends: Ends) -> None:
    loop = ends.attach()
    ends.close(ends.commands)
    assert come(loop) == [(LoopEvent.PARENT_GONE, b"")]
    assert come(loop) == []


def test_without_a_port_the_parent_is_heard(ends: Ends) -> None:
    os.write(ends.commands, b"order")
    assert come(ends.loop) == [(LoopEvent.PARENT, b"order")]
    assert (ends.loop.is_free, ends.loop.unsent, ends.loop.discard()) == (True, 0, False)


def test_a_far_end_that_closes_is_a_port_that_is_gone(ends: Ends) -> None:
    loop = ends.attach()
    ends.port.far.close()
    assert come(loop) == [(LoopEvent.PORT_GONE, b"")]


@pytest.mark.parametrize(
    ("error", "event"), [(BlockingIOError(), LoopEvent.PORT), (OSError(5, "unplugged"), LoopEvent.PORT_GONE)]
)
def test_a_read_that_finds_nothing_is_no_end_and_one_that_fails_is(
    ends: Ends, monkeypatch: pytest.MonkeyPatch, error: OSError, event: LoopEvent
) -> None:
    loop = ends.attach()
    ends.port.far.send(b"ab")

    def fail(*_: int) -> bytes:
        raise error

    monkeypatch.setattr(os, "read", fail)
    assert come(loop) == [(event, b"")]


class Terminal(Port):
    """A serial device, of which another program may take the bytes."""

    is_lost = False

    @property
    def in_waiting(self) -> int:
        if self.is_lost:
            raise OSError(5, "unplugged")
        return 0


@pytest.mark.parametrize(("is_lost", "event"), [(False, LoopEvent.PORT), (True, LoopEvent.PORT_GONE)])
def test_a_device_whose_bytes_another_program_took_is_not_gone(
    ends: Ends, monkeypatch: pytest.MonkeyPatch, is_lost: bool, event: LoopEvent
) -> None:
    monkeypatch.setattr(io_loop, "BusPort", Terminal)
    ends.port = port = Terminal()
    port.is_lost = is_lost
    loop = ends.attach()
    port.far.close()
    assert come(loop) == [(event, b"")]


def test_a_frame_is_written_at_once_and_the_write_is_noted(ends: Ends, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(io_loop, "perf_counter_ns", lambda: 77)
    loop = ends.attach()
    loop.transmit(FRAME)
    assert (ends.port.take(), ends.held.writes, loop.unsent, loop.is_free) == (FRAME, [77], 0, True)
    ends.held.unsent = 25
    assert (loop.unsent, loop.is_free) == (25, True)
    ends.held.is_clear = False
    assert not loop.is_free


def test_a_rest_that_does_not_fit_follows_whole_and_in_order(ends: Ends) -> None:
    loop, port = ends.attach(), ends.port
    size = port.fill()
    loop.transmit(FRAME)
    ends.held.unsent = 3
    assert (loop.unsent, loop.is_free, ends.held.writes) == (28, False, [])
    assert come(loop) == []
    assert port.take() == bytes(size)
    assert come(loop) == []
    assert (port.take(), loop.unsent, loop.is_free) == (FRAME, 3, True)
    assert come(loop) == []
    assert port.take() == b""


def test_a_rest_that_cannot_be_written_is_a_port_that_is_gone(ends: Ends) -> None:
    loop, port = ends.attach(), ends.port
    port.fill()
    loop.transmit(FRAME)
    port.far.close()
    assert come(loop, holds_back=True) == [(LoopEvent.PORT_GONE, b"")]


@pytest.mark.parametrize("resets", [False, True])
def test_what_is_discarded_is_not_written_later(ends: Ends, resets: bool) -> None:
    loop, port = ends.attach(), ends.port
    ends.held.resets = resets
    size = port.fill()
    loop.transmit(FRAME)
    assert loop.discard() is resets
    assert (ends.held.discards, loop.unsent) == (1, 0)
    assert port.take() == bytes(size)
    assert come(loop) == []
    assert port.take() == b""


def test_a_port_that_is_detached_is_neither_read_nor_written(ends: Ends) -> None:
    loop, port = ends.attach(), ends.port
    size = port.fill()
    loop.transmit(FRAME)
    port.far.send(b"ab")
    assert loop.detach() is port
    assert (ends.held.is_closed, loop.unsent) == (True, 0)
    assert port.take() == bytes(size)
    assert come(loop) == []
    assert port.take() == b""


def test_messages_that_do_not_fit_follow_whole_and_in_order(ends: Ends) -> None:
    loop = ends.loop
    loop.send(b"first")
    assert (ends.fetched(), loop.unfetched) == (b"first", 0)
    large = bytes(range(250)) * 2000
    loop.send(large)
    assert 0 < loop.unfetched < len(large)
    loop.send(b"last")
    got = b""
    while loop.unfetched:
        got += ends.fetched()
        assert come(loop) == []
    assert got + ends.fetched() == large + b"last"


def test_a_parent_that_fetches_nothing_more_is_sent_nothing_more(ends: Ends) -> None:
    loop = ends.loop
    ends.close(ends.messages)
    loop.send(b"first")
    loop.send(b"second")
    assert loop.unfetched == 0


def test_an_address_that_lists_all_traffic_is_given_it(ends: Ends) -> None:
    listed: list[tuple[str, bytes]] = []

    class Spy:
        def rx(self, data: bytes) -> None:
            listed.append(("rx", data))

        def tx(self, data: bytes) -> None:
            listed.append(("tx", data))

    ends.port.formatter = Spy()  # type: ignore[attr-defined]
    loop = ends.attach()
    size = ends.port.fill()
    loop.transmit(FRAME)
    ends.port.far.send(b"ab")
    assert come(loop) == [(LoopEvent.PORT, b"ab")]
    assert ends.port.take() == bytes(size)
    assert come(loop) == []  # the rest is written; it is listed already
    ends.port.far.close()
    assert come(loop) == [(LoopEvent.PORT_GONE, b"")]
    assert listed == [("tx", FRAME), ("rx", b"ab")]


def test_a_port_without_a_descriptor_is_refused(ends: Ends) -> None:
    with pytest.raises(ValueError, match="the port has no descriptor"):
        ends.loop.attach(object())


@pytest.mark.parametrize("source", ["/dev/ttyHERON", "SOCKET://127.0.0.1:7000", "hwgrep://x", "spy://x", "alt://x"])
def test_what_has_a_descriptor_is_selected(source: str) -> None:
    reader, writer = os.pipe()
    made: Any = make_io_loop(source, parent_in=reader, parent_out=writer)
    assert isinstance(made, SelectIoLoop)
    assert not os.get_blocking(writer)
    assert os.get_blocking(reader)
    os.close(reader)
    os.close(writer)


def test_it_wakes_for_what_can_come_or_leave_alone(ends: Ends, monkeypatch: pytest.MonkeyPatch) -> None:
    """A descriptor that is always ready would let it spin."""
    looks: list[tuple[list[int], list[int], float]] = []

    def look(readers: list[int], writers: list[int], _: list[int], timeout_s: float) -> tuple[list[int], ...]:
        looks.append((readers, writers, timeout_s))
        return [], [], []

    loop = ends.attach()
    parent_in, parent_out = ends.own
    near = ends.port.fileno()
    monkeypatch.setattr(select, "select", look)
    loop.wait(0.5, holds_back=False)
    ends.port.fill()
    loop.transmit(FRAME)
    loop.send(bytes(500_000))
    loop.wait(-0.5, holds_back=True)
    loop.detach()
    loop.wait(0.5, holds_back=False)
    assert looks == [
        ([parent_in, near], [], 0.5), ([parent_in], [parent_out, near], 0.0), ([parent_in], [parent_out], 0.5),
    ]  # fmt: skip
