"""The form of the loop with threads: a write that waits holds up nothing and lets no second frame pass."""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace

import pytest

from busbench.port.io_loop import LoopEvent, ThreadIoLoop, make_io_loop
from busbench.port.open_serial import descriptor

FRAME = bytes(25)


class SlowPort:
    """A port of pyserial whose write waits until the test lets it go on."""

    def __init__(self) -> None:
        self.may_write = threading.Event()
        self.written: list[bytes] = []
        self.out_waiting = self.in_waiting = 0
        self.is_gone = False

    def read(self, size: int) -> bytes:
        time.sleep(0.01)
        return b""

    def write(self, data: bytes) -> None:
        self.may_write.wait()
        if self.is_gone:
            raise OSError("gone")
        self.written.append(data)

    def reset_output_buffer(self) -> None:
        self.out_waiting = 0


@pytest.fixture
def loop() -> Iterator[ThreadIoLoop]:
    reader, writer = os.pipe()
    made = ThreadIoLoop(reader, writer)
    yield made
    os.close(writer)


def comes_true(is_so: Callable[[], bool]) -> bool:
    for _ in range(5000):
        if is_so():
            return True
        time.sleep(0.001)
    return False


def test_a_write_that_waits_takes_no_second_frame(loop: ThreadIoLoop) -> None:
    port = SlowPort()
    loop.attach(port)
    assert (loop.is_free, loop.unsent, loop.unfetched) == (True, 0, 0)
    loop.transmit(FRAME)  # comes back at once
    assert (loop.is_free, loop.unsent, port.written) == (False, 25, [])
    port.may_write.set()
    assert comes_true(lambda: loop.is_free)
    assert (loop.unsent, port.written) == (0, [FRAME])
    loop.detach()


def test_what_the_port_still_holds_counts_too(loop: ThreadIoLoop) -> None:
    port = SlowPort()
    port.may_write.set()
    loop.attach(port)
    port.out_waiting = 26
    assert (loop.is_free, loop.unsent) == (False, 26)
    assert not loop.discard()  # the port stays open
    assert (loop.is_free, loop.unsent) == (True, 0)
    loop.detach()


def test_a_write_that_fails_is_a_port_that_is_gone(loop: ThreadIoLoop) -> None:
    port = SlowPort()
    loop.attach(port)
    loop.transmit(FRAME)
    port.is_gone = True
    port.may_write.set()
    assert [origin for origin, _, _ in loop.wait(5.0, holds_back=False)] == [LoopEvent.PORT_GONE]
    loop.detach()


class Heard(SlowPort):
    """A port from which bytes come as the test says, and whose calls that wait can be broken off."""

    def __init__(self) -> None:
        super().__init__()
        self.may_write.set()
        self.came: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self.rest = b""
        self.calls: list[str] = []

    def read(self, size: int) -> bytes:
        if size == 1:
            try:
                self.rest = self.came.get(timeout=0.002)
            except queue.Empty:
                return b""
            if self.rest == b"gone":
                raise OSError("gone")
            self.in_waiting = len(self.rest) - 1
        data, self.rest = self.rest[:size], self.rest[size:]
        return data

    def cancel_read(self) -> None:
        self.calls.append("cancel_read")

    def cancel_write(self) -> None:
        self.calls.append("cancel_write")


def come(loop: ThreadIoLoop, *, holds_back: bool = False) -> list[tuple[LoopEvent, bytes]]:
    return [(kind, data) for kind, _, data in loop.wait(5.0, holds_back=holds_back)]


def test_what_waits_at_the_port_comes_as_one_read(loop: ThreadIoLoop) -> None:
    port = Heard()
    loop.attach(port)
    assert loop.wait(0, holds_back=False) == []
    for data in (b"a", b"bcd"):
        port.came.put(data)
        assert come(loop) == [(LoopEvent.PORT, data)]
    port.came.put(b"gone")
    assert come(loop) == [(LoopEvent.PORT_GONE, b"")]
    assert loop.detach() is port
    assert port.calls == ["cancel_read", "cancel_write"]


def test_a_port_that_is_held_back_is_read_later(loop: ThreadIoLoop) -> None:
    loop.wait(0, holds_back=True)
    port = Heard()
    port.came.put(b"a")
    loop.attach(port)
    assert loop.wait(0.05, holds_back=True) == []
    assert come(loop) == [(LoopEvent.PORT, b"a")]
    loop.wait(0, holds_back=True)
    loop.detach()
    assert loop._reader is not None
    assert not loop._reader.is_alive()  # it does not wait for the parent any more


def test_a_parent_speaks_hears_and_goes() -> None:
    (commands, order), (messages, said) = os.pipe(), os.pipe()
    loop = ThreadIoLoop(commands, said)
    assert (loop.is_free, loop.unsent, loop.discard()) == (True, 0, False)
    loop.transmit(FRAME)  # there is no port
    os.write(order, b"stop")
    assert come(loop) == [(LoopEvent.PARENT, b"stop")]
    for message in (b"one", bytes(100_000), b"two"):  # more than a pipe holds
        loop.send(message)
    assert loop.unfetched > 0
    got = b""
    while len(got) < 100_006:
        got += os.read(messages, 1 << 16)
    assert got == b"one" + bytes(100_000) + b"two"
    assert comes_true(lambda: loop.unfetched == 0)
    os.close(messages)
    for message in (b"one", b"two"):
        loop.send(message)
    assert comes_true(lambda: loop.unfetched == 0)  # no one fetches it any more
    os.close(order)
    assert come(loop) == [(LoopEvent.PARENT_GONE, b"")]
    for fd in (commands, said):
        os.close(fd)


@pytest.mark.parametrize("source", ["rfc2217://127.0.0.1:7000", "loop://"])
def test_addresses_without_a_descriptor_have_threads(source: str) -> None:
    reader, writer = os.pipe()
    assert isinstance(make_io_loop(source, parent_in=reader, parent_out=writer), ThreadIoLoop)
    os.close(writer)


@pytest.mark.parametrize("source", ["COM3", "socket://127.0.0.1:7000"])
def test_on_windows_every_port_has_threads(source: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    reader, writer = os.pipe()
    assert isinstance(make_io_loop(source, parent_in=reader, parent_out=writer), ThreadIoLoop)
    assert descriptor(SimpleNamespace(fileno=lambda: 7)) is None
    os.close(writer)
