"""What the system still holds of what was written, as each kind of port reports it."""

from __future__ import annotations

import os
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.port.backlog import PtyBacklog, QueueBacklog, SocketBacklog, TtyBacklog, backlog_of

FRAME = bytes(25)
linux = pytest.mark.skipif(sys.platform != "linux", reason="on Linux alone")


def comes_true(is_so: Callable[[], bool]) -> bool:
    """What another part of the system does meanwhile may take a moment."""
    for _ in range(5000):
        if is_so():
            return True
        time.sleep(0.001)
    return False


@linux
def test_a_pseudo_terminal_is_clear_once_its_far_end_has_read() -> None:
    import fcntl
    import termios
    import tty

    far, near = os.openpty()
    tty.setraw(near)
    backlog = PtyBacklog(near)
    for _ in range(3):
        assert (backlog.unsent, backlog.is_clear) == (0, True)
        os.write(near, FRAME)
        backlog.note_write(time.perf_counter_ns())
        assert (backlog.unsent, backlog.is_clear) == (25, False)
        assert fcntl.ioctl(near, termios.TIOCOUTQ, bytes(4)) == bytes(4)  # the reason why it is not asked
        assert os.read(far, 100) == FRAME
        assert comes_true(lambda: backlog.is_clear)
    os.write(near, FRAME)
    backlog.note_write(time.perf_counter_ns() - 1_000_000)  # too late to recognize its own wake: it counts as read
    assert backlog.is_clear
    backlog.close()
    os.close(near)
    os.close(far)


def test_a_device_is_clear_while_no_more_than_one_frame_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    if sys.platform == "win32":
        pytest.skip("POSIX")
    import fcntl

    waiting = [0, 0, 25, 25, 26, 26, 4000, 4000]
    monkeypatch.setattr(fcntl, "ioctl", lambda fd, request, buffer: waiting.pop(0).to_bytes(4, sys.byteorder))
    backlog = TtyBacklog(0)
    seen = [(backlog.unsent, backlog.is_clear) for _ in range(4)]
    assert seen == [(0, True), (25, True), (26, False), (4000, False)]


@linux
@pytest.mark.parametrize("host", ["127.0.0.1", "::1"])
def test_a_socket_is_clear_once_the_program_at_its_far_end_has_read(host: str) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        server = socket.create_server((host, 0), family=family)
    except OSError:
        pytest.skip("no such addresses here")
    near = socket.create_connection(server.getsockname()[:2])
    far, _ = server.accept()
    backlog = SocketBacklog(near)
    assert backlog.is_clear
    near.send(FRAME)
    assert comes_true(lambda: (backlog.unsent, backlog.is_clear) == (25, False))
    assert far.recv(100) == FRAME
    assert (backlog.unsent, backlog.is_clear) == (0, True)
    near.send(FRAME)
    assert backlog.discard()
    far.recv(25)
    with pytest.raises(ConnectionResetError):
        far.recv(25)
    backlog.close()
    far.close()
    server.close()


@linux
def test_of_a_far_computer_what_it_has_not_acknowledged_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    import fcntl

    server = socket.create_server(("127.0.0.1", 0))
    near = socket.create_connection(server.getsockname())
    backlog = SocketBacklog(near)
    backlog._far = None
    waiting = [0, 0, 25, 25, 26, 26]
    monkeypatch.setattr(fcntl, "ioctl", lambda fd, request, buffer: waiting.pop(0).to_bytes(4, sys.byteorder))
    assert [(backlog.unsent, backlog.is_clear) for _ in range(3)] == [(0, True), (25, True), (26, False)]
    near.close()
    server.close()


def test_elsewhere_what_the_port_says_counts() -> None:
    port = SimpleNamespace(out_waiting=26, reset_output_buffer=lambda: None)
    backlog = backlog_of(port)
    assert isinstance(backlog, QueueBacklog)
    assert (backlog.unsent, backlog.is_clear, backlog.discard()) == (26, False, False)
    assert QueueBacklog(object()).is_clear  # it cannot say


class NearSocket:
    """A socket of macOS, which says how much it holds."""

    def __init__(self, held: int | None) -> None:
        self.held = held

    def getsockopt(self, level: int, option: int) -> int:
        assert (level, option) == (socket.SOL_SOCKET, 0x1024)  # SO_NWRITE: sys/socket.h
        if self.held is None:
            raise OSError("closed")
        return self.held


@pytest.mark.parametrize(
    ("platform", "held", "unsent", "is_clear"),
    [("darwin", 0, 0, True), ("darwin", 25, 25, True), ("darwin", 26, 26, False), ("darwin", None, 0, True),
     ("win32", 26, 0, True)],
)  # fmt: skip
def test_a_socket_elsewhere_says_what_it_holds_if_it_can(
    monkeypatch: pytest.MonkeyPatch, platform: str, held: int | None, unsent: int, is_clear: bool
) -> None:
    backlog = SocketBacklog.__new__(SocketBacklog)
    backlog._socket, backlog._far = NearSocket(held), None  # type: ignore[assignment]
    monkeypatch.setattr(sys, "platform", platform)
    assert (backlog.unsent, backlog.is_clear) == (unsent, is_clear)
    backlog.close()


@linux
def test_a_far_end_on_another_computer_or_of_another_kind_is_not_asked() -> None:
    near, far = socket.socketpair()
    assert SocketBacklog(near)._far is None
    near.close()
    far.close()
    server = socket.create_server(("127.0.0.1", 0))
    connection = socket.create_connection(server.getsockname())
    connection.close()
    backlog = SocketBacklog(connection)  # it has no far end any more
    assert (backlog._far, backlog.unsent, backlog.is_clear) == (None, 0, True)
    server.close()


@linux
def test_each_kind_of_port_has_its_own(tmp_path: Path) -> None:
    far, near = os.openpty()
    server = socket.create_server(("127.0.0.1", 0))
    connection = socket.create_connection(server.getsockname())
    with (tmp_path / "file").open("wb") as file:
        made = [
            backlog_of(one)
            for one in (
                SimpleNamespace(fileno=lambda: near), SimpleNamespace(_socket=connection), SimpleNamespace(_socket=1),
                SimpleNamespace(fileno=file.fileno), SimpleNamespace(fileno=lambda: None),
            )
        ]  # fmt: skip
    assert [type(one) for one in made] == [PtyBacklog, SocketBacklog, QueueBacklog, QueueBacklog, QueueBacklog]
    for one in made:
        one.close()
    connection.close()
    server.close()
    os.close(near)
    os.close(far)
