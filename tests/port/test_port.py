"""A live port on a pseudo-terminal: received as it came, unplugged and plugged in again, never lost."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import array
import fcntl
import termios

from busbench.errors import PortError
from busbench.line import BUS_LINE, LineSettings
from busbench.port import port_client
from busbench.port.port import EventKind, LivePort, open_client
from busbench.port.port_client import PortClient
from busbench.sim.playback import TcpOutlet
from tests.port.ends import Far, Seen, read_until, wait_for

linux = pytest.mark.skipif(sys.platform != "linux", reason="rates and marks are set so on Linux alone")
EVERY_BYTE = bytes(range(256))


@pytest.fixture
def live(far: Far) -> Iterator[LivePort]:
    with open_client(far.name) as port:
        yield port


def test_all_bytes_come_as_they_were_sent(far: Far, live: LivePort) -> None:
    far.write(EVERY_BYTE * 3)
    seen = read_until(live, Seen(), lambda seen: len(seen.data) >= 768)
    assert seen.data == EVERY_BYTE * 3
    assert not any(chunk.bad for chunk in seen.chunks)
    times = [chunk.t_ns for chunk in seen.chunks]
    assert times == sorted(times)
    assert seen.kinds == ["opened"]


@linux
def test_the_line_is_set_as_the_bus(far: Far, live: LivePort) -> None:
    near = os.open(far.name, os.O_RDWR | os.O_NOCTTY)
    state = array.array("I", [0] * 16)
    fcntl.ioctl(near, 0x802C542A, state)  # TCGETS2
    os.close(near)
    input_flags, control = state[0], state[2]
    assert (state[9], state[10]) == (100_000, 100_000)
    assert control & termios.CSTOPB
    assert control & termios.CSIZE == termios.CS8
    assert input_flags & termios.INPCK
    assert input_flags & termios.PARMRK
    assert not input_flags & (termios.IGNPAR | termios.BRKINT | termios.IGNBRK | termios.ISTRIP)


@linux
@pytest.mark.parametrize(("parity", "is_odd"), [("O", True), ("E", False), ("N", False)])
def test_parity_is_odd_where_that_is_asked_for(far: Far, parity: str, is_odd: bool) -> None:
    with open_client(far.name, line=LineSettings(100_000, parity, 2, True)):
        near = os.open(far.name, os.O_RDWR | os.O_NOCTTY)
        control = termios.tcgetattr(near)[2]
        os.close(near)
    assert bool(control & termios.PARODD) is is_odd


def test_two_programs_on_one_port(far: Far, live: LivePort) -> None:
    with pytest.raises(PortError) as caught:
        open_client(far.name)
    text = str(caught.value)
    assert text.startswith(f"{far.name}: is in use by another program")
    if sys.platform == "linux" and isinstance(live, PortClient):
        assert f"process {live.pid}" in text
    # The first goes on undisturbed.
    far.write(b"still here")
    read_until(live, Seen(), lambda seen: seen.data == b"still here")


def test_unplugged_and_plugged_in_again(far: Far, live: LivePort) -> None:
    far.write(b"before")
    seen = read_until(live, Seen(), lambda seen: seen.data == b"before")
    far.unplug()
    read_until(live, seen, lambda seen: seen.kinds == ["opened", "unplugged"])
    again = Far(far.path)
    read_until(live, seen, lambda seen: seen.kinds == ["opened", "unplugged", "reconnected"])
    again.write(b"after")
    read_until(live, seen, lambda seen: seen.data == b"beforeafter")
    again.unplug()
    assert [event.text for event in seen.events[:2]] == [
        "the port is open",
        "the port is gone: unplugged, or its other end has closed",
    ]
    assert seen.events[2].text.startswith("the port is back after ")
    assert seen.chunks[0].t_ns <= seen.events[1].t_ns <= seen.events[2].t_ns <= seen.chunks[-1].t_ns


def test_a_slow_reader_holds_the_port_back_and_loses_nothing(far: Far) -> None:
    frames = b"".join(bytes([0x0F]) + number.to_bytes(3, "big") + bytes(21) for number in range(80_000))
    port = PortClient(far.name, line=BUS_LINE, hold_back_bytes=10_000)
    os.set_blocking(far.master, False)
    rest, refused = memoryview(frames), 0

    def is_stuck() -> bool:
        nonlocal rest, refused
        try:
            while rest:
                rest = rest[os.write(far.master, rest) :]
                refused = 0
        except BlockingIOError:
            refused += 1
        return refused > 40 or not rest

    with port:
        port.wait_open()
        wait_for(is_stuck)  # no one reads: pipe and child fill up, then the port itself takes no more
        assert rest
        seen = read_until(port, Seen(), lambda seen: is_stuck() and len(seen.data) >= len(frames))
    assert seen.data == frames
    assert EventKind.HELD_BACK in [event.kind for event in seen.events]


def test_the_pipe_may_be_read_by_a_thread_as_on_windows(far: Far) -> None:
    with PortClient(far.name, line=BUS_LINE, has_threads=True) as port:
        port.wait_open()
        far.write(EVERY_BYTE)
        assert read_until(port, Seen(), lambda seen: len(seen.data) >= 256).data == EVERY_BYTE


def test_an_interrupt_from_the_keyboard_does_not_reach_the_port(far: Far, live: LivePort) -> None:
    assert isinstance(live, PortClient)
    assert os.getpgid(live.pid) != os.getpgid(0)
    os.kill(live.pid, signal.SIGINT)
    far.write(b"alive")
    read_until(live, Seen(), lambda seen: seen.data == b"alive")


def test_a_dead_child_is_told_after_all_it_had_received(far: Far) -> None:
    port = PortClient(far.name, line=BUS_LINE)
    port.wait_open()
    far.write(b"last")
    seen = read_until(port, Seen(), lambda seen: seen.data == b"last")
    os.kill(port.pid, signal.SIGKILL)
    with pytest.raises(PortError, match=r"the part of busbench that keeps the port has stopped: start again"):
        read_until(port, seen, lambda seen: False)
    port.close()


def test_opening_may_be_waited_for_later(far: Far, tmp_path: Path) -> None:
    with open_client(far.name, waits=False) as port:
        far.write(b"x")
        read_until(port, Seen(), lambda seen: seen.kinds == ["opened"])
    missing = open_client(str(tmp_path / "none"), waits=False)
    with pytest.raises(PortError, match="port not found"):
        read_until(missing, Seen(), lambda seen: False)
    missing.close()


def test_a_process_that_hangs_in_opening_is_given_up_and_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_client, "_START", "import time; time.sleep(600)")
    monkeypatch.setattr(port_client, "_OPEN_S", 0.0)
    monkeypatch.setattr(port_client, "_CLOSE_S", 600.0)  # not waited for
    port = PortClient("/dev/ttyHeron", line=BUS_LINE)
    with pytest.raises(PortError, match="does not answer: unplug the adapter, plug it in and try again"):
        port.wait_open()
    with pytest.raises(ProcessLookupError):
        os.kill(port.pid, 0)


def test_no_process_is_left(far: Far) -> None:
    port = PortClient(far.name, line=BUS_LINE)
    port.wait_open()
    port.close()
    port.close()  # once more does no harm
    with pytest.raises(ProcessLookupError):
        os.kill(port.pid, 0)
    with pytest.raises(PortError, match="the port is closed"):
        port.read(0)


def test_over_a_socket_and_back_after_it_was_cut() -> None:
    outlet = TcpOutlet()
    number = int(outlet.name.rpartition(":")[2])
    with open_client(outlet.name) as port:
        wait_for(outlet.is_heard)
        outlet.write(EVERY_BYTE)
        seen = read_until(port, Seen(), lambda seen: len(seen.data) >= 256)
        outlet.close()
        read_until(port, seen, lambda seen: "unplugged" in seen.kinds)
        outlet = TcpOutlet(port=number)
        read_until(port, seen, lambda seen: "reconnected" in seen.kinds)
        wait_for(outlet.is_heard)
        outlet.write(b"again")
        read_until(port, seen, lambda seen: seen.data == EVERY_BYTE + b"again")
        outlet.close()
