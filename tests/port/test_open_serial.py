"""Every way a port can fail to open says what to do."""

from __future__ import annotations

import errno
import os
import re
import socket
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.errors import PortError
from busbench.line import BUS_LINE
from busbench.port.open_serial import close_port, open_port

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
