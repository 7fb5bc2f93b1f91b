"""Every way a port can fail to open says what to do."""

from __future__ import annotations

import array
import errno
import os
import re
import socket
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.errors import PortBusy, PortError, PortLost, PortMissing
from busbench.line import BUS_LINE
from busbench.port.open_serial import (
    _how_to_get_rights,
    _ports_there,
    check_node,
    close_port,
    descriptor,
    open_port,
    translated,
)
from busbench.port.serial_port import BusPort, ErrorTotals

posix = pytest.mark.skipif(sys.platform == "win32", reason="nodes and groups are POSIX")


def failure(source: str) -> str:
    with pytest.raises(PortError) as caught:
        open_port(source, line=BUS_LINE)
    return str(caught.value)


@pytest.fixture(autouse=True)
def _two_ports_there(monkeypatch: pytest.MonkeyPatch) -> None:
    entries = [SimpleNamespace(device="/dev/ttyUSB1"), SimpleNamespace(device="/dev/ttyUSB0")]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: entries)
    monkeypatch.setattr("serial.tools.list_ports.grep", lambda pattern: iter(()) if pattern != "(" else re.compile("("))


@posix
def test_missing_lists_what_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    assert failure("/dev/ttyHERON") == (
        "/dev/ttyHERON: port not found: plug it in;"
        " `busbench ports` lists what is there, now /dev/ttyUSB0, /dev/ttyUSB1"
    )
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    assert failure("a\0b").endswith(
        "port not found: plug it in; `busbench ports` lists what is there, now none; or try virtual:"
    )


@posix
def test_what_is_no_port(tmp_path: Path) -> None:
    file = tmp_path / "f.pcapng"
    file.touch()
    assert failure(str(file)) == f"{file}: is a file, not a port: give it to a command that reads recordings"
    assert failure(str(tmp_path)).startswith(f"{tmp_path}: this is a folder, not a port: this machine has ")
    assert failure("/dev/null").startswith("/dev/null: is not a serial port: this machine has ")


@posix
def test_no_rights_names_the_group_and_how_to_join(monkeypatch: pytest.MonkeyPatch) -> None:
    import grp

    real_open, real_stat = os.open, os.stat

    def refuse(path: str, *args: int) -> int:
        if path == "/dev/tty":
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return real_open(path, *args)

    def node(path: str, **kwargs: bool) -> object:
        if path != "/dev/tty":
            return real_stat(path, **kwargs)
        return SimpleNamespace(st_mode=0o020660, st_gid=4711, st_rdev=os.makedev(5, 0))

    monkeypatch.setattr(os, "open", refuse)
    monkeypatch.setattr(os, "stat", node)
    monkeypatch.setenv("USER", "nora")
    group = SimpleNamespace(gr_name="dialout", gr_mem=[])
    monkeypatch.setattr(grp, "getgrgid", lambda gid: group if gid == 4711 else None)
    assert failure("/dev/tty") == (
        "/dev/tty: cannot be opened (no permission): join its group with `sudo usermod -aG dialout nora`,"
        " then log out and in again"
    )
    group.gr_mem.append("nora")
    assert failure("/dev/tty").endswith(
        "you are in its group dialout only from the next log-in on: log out and in again"
    )


def test_addresses() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"socket://127.0.0.1:{server.getsockname()[1]}"
    assert failure(address) == (
        f'"{address}": cannot be opened ({os.strerror(errno.ECONNREFUSED)}): check the address, and that it is served'
    )
    assert failure("nix://x") == '"nix://x": is not an address that busbench knows: give socket://HOST:PORT'
    assert (
        failure("hwgrep://ttyHERON")
        == '"hwgrep://ttyHERON": no port matches: this machine has /dev/ttyUSB0, /dev/ttyUSB1'
    )
    assert "cannot be understood" in failure("hwgrep://(")


def test_loop_gives_back_what_it_gets() -> None:
    port = open_port("loop://", line=BUS_LINE)
    port.write(b"\x0f\x00")
    assert port.read(2) == b"\x0f\x00"
    assert (port.baudrate, port.parity, port.stopbits) == (100_000, "E", 2)
    close_port(port)


@pytest.mark.parametrize(
    ("error", "cause", "words"),
    [
        (OSError(errno.EBUSY, "x"), PortBusy, "is in use by another program: close that program, then try again"),
        (OSError(errno.EAGAIN, "x"), PortBusy, "is in use by another program: close that program, then try again"),
        (OSError(errno.ENOTTY, "x"), PortError, "is not a serial port: this machine has /dev/ttyUSB0, /dev/ttyUSB1"),
        (OSError(errno.ENODEV, "x"), PortLost, "is not there any more: plug the adapter in again"),
        (OSError(errno.EIO, "x"), PortLost, "is not there any more: plug the adapter in again"),
        (
            OSError(errno.EINVAL, "x"),
            PortError,
            "cannot be opened (Invalid argument): unplug the adapter, plug it in and try again",
        ),
        (ValueError("odd"), PortError, "cannot be opened (odd): unplug the adapter, plug it in and try again"),
        (ValueError(), PortError, "cannot be opened (ValueError): unplug the adapter, plug it in and try again"),
    ],
)
@posix
def test_what_fails_has_its_line(error: Exception, cause: type[PortError], words: str) -> None:
    with pytest.raises(PortError) as caught, translated("SOURCE", "/dev/ttyHERON"):
        raise error
    assert type(caught.value) is cause
    assert str(caught.value) == f"SOURCE: {words}"


def test_a_number_is_found_below_the_error_that_hid_it() -> None:
    hiding = ValueError("could not be set up: [Errno 5]")
    hiding.__context__ = OSError(errno.EIO, "x")
    with pytest.raises(PortLost), translated("a", "a"):
        raise hiding


@pytest.mark.parametrize(
    ("text", "cause", "words"),
    [
        ("could not open port: PermissionError(13)", PortBusy, "is in use by another program: close that program"),
        ("could not open port: FileNotFoundError(2)", PortMissing, "port not found: plug it in;"),
    ],
)
def test_what_windows_says_has_its_line(
    monkeypatch: pytest.MonkeyPatch, text: str, cause: type[PortError], words: str
) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    with pytest.raises(cause, match=f"COM3: {words}"), translated("COM3", "COM3"):
        raise ValueError(text)


@posix
def test_elsewhere_its_words_mean_nothing() -> None:
    with pytest.raises(PortError, match="cannot be opened") as caught, translated("a", "a"):
        raise ValueError("could not open port: PermissionError(13)")
    assert type(caught.value) is PortError


def test_on_windows_a_file_is_no_port(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "f.raw").touch()
    monkeypatch.setattr(sys, "platform", "win32")
    with pytest.raises(PortError, match="is a file, not a port: read it"):
        check_node(str(tmp_path / "f.raw"), then="read it")
    check_node(str(tmp_path / "gone"))  # a port is no file there
    assert _how_to_get_rights("COM3") == "close the program that has it"


@posix
@pytest.mark.parametrize(
    ("mode", "name", "members", "words"),
    [
        (
            0o020660,
            "dialout",
            [],
            "join its group with `sudo usermod -aG dialout YOUR-NAME`, then log out and in again",
        ),
        (0o020640, "dialout", [], "its group has no rights either; ask who runs this machine for a rule"),
        (0o020660, "root", [], "its group has no rights either; ask who runs this machine for a rule"),
        (0o020660, "dialout", ["YOUR-NAME"], "you are in its group dialout only from the next log-in on"),
    ],
)
def test_rights_depend_on_the_group_of_the_node(
    monkeypatch: pytest.MonkeyPatch, mode: int, name: str, members: list[str], words: str
) -> None:
    import grp

    monkeypatch.delenv("USER", raising=False)
    monkeypatch.setattr(os, "stat", lambda _: SimpleNamespace(st_mode=mode, st_gid=4711))
    monkeypatch.setattr(grp, "getgrgid", lambda _: SimpleNamespace(gr_name=name, gr_mem=members))
    assert _how_to_get_rights("/dev/tty").startswith(words)
    monkeypatch.setattr(os, "getgroups", lambda: [4711])
    assert "only from the next log-in" not in _how_to_get_rights("/dev/tty")


@posix
def test_an_unknown_group_is_no_traceback() -> None:
    assert _how_to_get_rights("/dev/ttyGONE") == "ask who runs this machine for the right to use serial ports"


def test_adapters_on_usb_are_named_before_ports_on_the_board(monkeypatch: pytest.MonkeyPatch) -> None:
    entries = [SimpleNamespace(device="/dev/ttyS0", vid=None), SimpleNamespace(device="/dev/ttyUSB9", vid=1)]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: entries)
    assert _ports_there() == "this machine has /dev/ttyUSB9"
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: entries[:1])
    assert _ports_there() == "this machine has /dev/ttyS0"
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    assert _ports_there() == "this machine has no serial port; plug the adapter in, or try virtual:"


@posix
@pytest.mark.parametrize(("number", "found"), [(0, 0), (7, 7), (-1, None), (None, None), ("7", None)])
def test_a_descriptor_is_a_number_from_zero_on(number: object, found: int | None) -> None:
    assert descriptor(SimpleNamespace(fileno=lambda: number)) == found
    assert descriptor(SimpleNamespace()) is None


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel counts damage on Linux alone")
def test_damage_is_counted_by_its_kind(monkeypatch: pytest.MonkeyPatch) -> None:
    import fcntl

    def count(_: int, request: int, buffer: array.array[int]) -> None:
        assert request == 0x545D  # TIOCGICOUNT: asm-generic/ioctls.h
        buffer[6:11] = array.array("i", [1, 20, 300, 4000, 50000])  # frame, overrun, parity, break, buffer

    monkeypatch.setattr(fcntl, "ioctl", count)
    port = SimpleNamespace(fd=0)
    assert BusPort.error_totals(port) == ErrorTotals(parity=300, framing=1, breaks=4000, overrun=50020)  # type: ignore[arg-type]
