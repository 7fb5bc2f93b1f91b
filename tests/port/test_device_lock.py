"""One user per device and one sender per socket, whatever the address."""

from __future__ import annotations

import os
import re
import socket
import stat
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial

from busbench.errors import PortBusy, PortError
from busbench.line import LineSettings
from busbench.port.device_lock import DeviceLock, _lock_file, device_in, device_keys, socket_keys
from busbench.port.open_serial import claim_socket, close_port, open_port
from busbench.port.port import open_client
from tests.port.sources import Holding

LINE = LineSettings(115_200, "N", 1, inverted=True)  # what pyserial can set on a pseudo-terminal
posix = pytest.mark.skipif(sys.platform == "win32", reason="POSIX")


@pytest.fixture
def tty_name() -> Iterator[str]:
    far, near = os.openpty()
    yield os.ttyname(near)
    os.close(near)
    os.close(far)


def addresses(name: str, folder: Path) -> list[str]:
    link = folder / "port"
    link.symlink_to(name)
    again = folder / "again"
    again.symlink_to(link)
    return [name, str(link), str(again), f"spy://{name}", f"spy://{link}?file={os.devnull}", f"alt://{name}",
            f"ALT://{again}?class=PosixPollSerial"]  # fmt: skip


@posix
def test_all_names_of_a_device_are_one(tty_name: str, tmp_path: Path) -> None:
    number = Path(tty_name).stat().st_rdev
    key = (f"device {os.major(number)} {os.minor(number)}",)
    assert {device_keys(one) for one in addresses(tty_name, tmp_path)} == {key}
    assert device_keys(str(tmp_path)) == device_keys("\0") == device_keys("socket://127.0.0.1:7000") == ()
    assert device_in("loop://") == "loop://"


@posix
def test_another_node_of_the_same_device_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    made = {
        "/dev/ttyHERON": os.makedev(188, 0),
        "/dev/serial/heron": os.makedev(188, 0),
        "/dev/ttyOTHER": os.makedev(188, 1),
    }
    real = os.stat

    def node(path: str, **kwargs: bool) -> object:
        if path not in made:
            return real(path, **kwargs)
        return os.stat_result((stat.S_IFCHR | 0o660, *[0] * 9), {"st_rdev": made[path]})

    monkeypatch.setattr(os, "stat", node)
    assert [device_keys(one) for one in made] == [("device 188 0",), ("device 188 0",), ("device 188 1",)]


@posix
def test_a_device_is_opened_once_by_whatever_name(tty_name: str, tmp_path: Path) -> None:
    names = addresses(tty_name, tmp_path)
    for held in names:
        port = open_port(held, line=LINE)
        for other in names:
            with pytest.raises(PortError, match="is in use by"):
                open_port(other, line=LINE)
        with pytest.raises(serial.SerialException, match="exclusively lock"):  # nor by another program that asks
            serial.Serial(tty_name, exclusive=True)
        close_port(port)


@pytest.mark.parametrize(
    ("source", "keys"),
    [
        ("socket://127.0.0.1:7000", ("tcp 127.0.0.1 7000",)),
        ("SOCKET://127.0.0.1:7000/", ("tcp 127.0.0.1 7000",)),
        ("rfc2217://127.0.0.1:7000?ign_set_control", ("tcp 127.0.0.1 7000",)),
        ("socket://[::1]:7000", ("tcp ::1 7000",)),
        ("socket://:7000x", ()),
        ("loop://", ()),
    ],
)
def test_a_socket_is_named_by_address_and_port(source: str, keys: tuple[str, ...]) -> None:
    assert socket_keys(source) == keys


def test_a_name_of_a_host_is_its_addresses() -> None:
    assert "tcp 127.0.0.1 7000" in socket_keys("socket://localhost:7000")


def test_what_is_locked_is_free_again_when_released() -> None:
    first = DeviceLock(("heron test a", "heron test b"))
    with pytest.raises(BlockingIOError):
        DeviceLock(("heron test c", "heron test b"))
    DeviceLock(("heron test c",)).release()  # nothing is kept of one that failed
    first.release()
    DeviceLock(("heron test b",)).release()


@posix
def test_many_may_listen_to_a_socket_and_one_may_send() -> None:
    server = socket.create_server(("127.0.0.1", 0))
    number = server.getsockname()[1]
    sender = open_client(f"socket://127.0.0.1:{number}", is_sender=True)
    listener = open_client(f"socket://localhost:{number}")
    with pytest.raises(PortError, match="another busbench sends to it: stop that one, then try again"):
        open_client(f"socket://localhost:{number}", is_sender=True)
    listener.transmit(Holding())
    while not (listener.transmission and listener.transmission.is_over):
        listener.read(0.05)
    assert listener.transmission.reason.endswith("another busbench sends to it")
    sender.close()
    listener.transmit(Holding())
    while not (listener.transmission and (listener.transmission.is_over or listener.transmission.frames)):
        listener.read(0.05)
    assert not listener.transmission.is_over
    server.close()
    listener.close()


@posix
def test_a_lock_in_a_file_is_held_by_one() -> None:
    key = f"heron-{os.getpid()}"
    path = Path("/tmp") / f"busbench-{key}.lock"
    try:
        with _lock_file(key):
            assert path.exists()
            with pytest.raises(BlockingIOError), _lock_file(key):
                pytest.fail("it was locked twice")
        with _lock_file(key):
            pass
    finally:
        path.unlink(missing_ok=True)


@posix
def test_without_names_in_the_kernel_a_file_is_locked(monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"heron {os.getpid()} 1.5/x"
    path = Path("/tmp") / f"busbench-heron-{os.getpid()}-1.5-x.lock"
    monkeypatch.setattr(sys, "platform", "darwin")
    try:
        held = DeviceLock((name,))
        assert path.exists()
        with pytest.raises(BlockingIOError, match=re.escape(f"{name} is locked")):
            DeviceLock((name,))
        held.release()
        DeviceLock((name,)).release()
    finally:
        path.unlink(missing_ok=True)


@posix
def test_where_no_lock_can_be_made_the_port_is_used_without(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "open", full)
    with _lock_file("heron"), _lock_file("heron"):
        pass


def test_on_windows_the_first_byte_of_a_file_is_locked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int]] = []

    def locking(fd: int, mode: int, size: int) -> None:
        asked.append((mode, size))
        if len(asked) == 2:
            raise OSError(36, "Resource deadlock avoided")

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(locking=locking, LK_NBLCK=2))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with _lock_file("device 3 4"):
        assert [path.name for path in tmp_path.iterdir()] == ["busbench-device-3-4.lock"]
        with pytest.raises(BlockingIOError, match="device 3 4 is locked"), _lock_file("device 3 4"):
            pass
    assert asked == [(2, 1), (2, 1)]
    assert device_keys(os.devnull) == ()  # no node has a number there


def test_a_socket_is_claimed_by_one_sender_until_it_lets_go() -> None:
    first = claim_socket("socket://127.0.0.1:7001")
    with pytest.raises(PortBusy) as caught:
        claim_socket("rfc2217://127.0.0.1:7001")
    assert str(caught.value) == (
        '"rfc2217://127.0.0.1:7001": another busbench sends to it: stop that one, then try again'
    )
    first.release()
    claim_socket("socket://127.0.0.1:7001").release()
