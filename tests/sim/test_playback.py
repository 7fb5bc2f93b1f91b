"""A virtual receiver where any program can listen to it."""

from __future__ import annotations

import errno
import os
import socket
import struct
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

from busbench.bench.sources import open_live
from busbench.errors import OutputError, PortError
from busbench.sim import playback
from busbench.sim.playback import Outlet, PtyOutlet, Reads, TcpOutlet, play
from busbench.sim.receiver import ReceiverSettings
from tests.port.ends import Seen, read_until

SETTINGS = ReceiverSettings(has_slots=True, duration_s=20.0)
ALL = b"".join(chunk.data for chunk in Reads(SETTINGS).take(1 << 62, most=1 << 30))


@contextmanager
def playing(outlet: Outlet, settings: ReceiverSettings, *, is_fast: bool) -> Iterator[None]:
    wanted = threading.Event()
    wanted.set()
    thread = threading.Thread(
        target=play, args=(settings, outlet), kwargs={"is_fast": is_fast, "is_wanted": wanted.is_set}
    )
    thread.start()
    try:
        yield
    finally:
        wanted.clear()
        thread.join()
        outlet.close()


@pytest.mark.parametrize("make", [PtyOutlet, TcpOutlet])
def test_all_is_given_as_fast_as_it_is_taken(make: type[PtyOutlet | TcpOutlet]) -> None:
    outlet = make()
    # The port first: what comes while it is being opened is discarded, as old.
    with open_live(outlet.name) as live, playing(outlet, SETTINGS, is_fast=True):
        seen = read_until(live, Seen(), lambda seen: len(seen.data) >= len(ALL))
    assert seen.data == ALL


def test_it_begins_when_somebody_listens_and_goes_on_when_they_leave(tmp_path: Path) -> None:
    link = tmp_path / "receiver"
    outlet = PtyOutlet(link=str(link))
    assert outlet.name == str(link)
    with playing(outlet, ReceiverSettings(), is_fast=False):
        for _ in range(2):
            with open_live(str(link)) as live:
                seen = read_until(live, Seen(), lambda seen: len(seen.data) >= 100)
            assert b"\x0f" in seen.data
    assert not link.is_symlink()


def listen_to(outlet: TcpOutlet) -> socket.socket:
    """A listener that the outlet has let in."""
    listener = socket.create_connection(("127.0.0.1", int(outlet.name.rpartition(":")[2])))
    outlet.is_heard()
    return listener


@pytest.fixture
def served() -> Iterator[TcpOutlet]:
    outlet = TcpOutlet()
    yield outlet
    outlet.close()


MUCH = bytes(50_000_000)  # more than any system holds for a listener


def test_writing_ends_when_wanted_though_no_listener_takes_anything(served: TcpOutlet) -> None:
    asked = iter([True, True, False])
    with listen_to(served):
        served.write(MUCH, waits_while=lambda: next(asked))
    assert next(asked, "all asked") == "all asked"
    pty = PtyOutlet()
    asked = iter([True, False])
    descriptor = os.open(pty.name, os.O_RDWR | os.O_NOCTTY)
    pty.write(MUCH, waits_while=lambda: next(asked))
    assert next(asked, "all asked") == "all asked"
    os.close(descriptor)
    pty.close()


def test_a_listener_that_takes_nothing_is_dropped_where_others_listen(
    served: TcpOutlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(playback, "STALL_S", 0.5)
    with listen_to(served) as stalled, listen_to(served) as live:
        reader = threading.Thread(target=lambda: [None for _ in iter(lambda: live.recv(1 << 20), b"")])
        reader.start()
        served.write(MUCH, waits_while=lambda: True)
        assert len(served._listeners) == 1
        served.write(b"more", waits_while=lambda: True)
        served.close()
        reader.join()
        stalled.close()


def test_listeners_that_reset_or_left_keep_no_descriptor(served: TcpOutlet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(playback, "LISTENERS_MAX", 3)
    for _ in range(20):  # on a line without frames nothing is written to them
        listen_to(served).close()
    assert len(served._listeners) <= 3
    with listen_to(served) as one, listen_to(served), listen_to(served), listen_to(served) as fourth:
        assert len(served._listeners) == 3
        served.write(b"frame")
        assert one.recv(5) == b"frame"
        assert fourth.recv(5) == b""
        one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        one.close()
        served.write(b"frame")
        assert len(served._listeners) == 2


def test_a_listener_that_only_closed_its_own_direction_goes_on_hearing(served: TcpOutlet) -> None:
    with listen_to(served) as half:
        half.shutdown(socket.SHUT_WR)
        served.write(b"frame")
        assert half.recv(5) == b"frame"


def test_a_process_without_descriptors_goes_on(served: TcpOutlet) -> None:
    class Full:
        def accept(self) -> object:
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

        def close(self) -> None:
            server.close()

    server, served._server = served._server, Full()  # type: ignore[assignment]
    assert not served.is_heard()


@pytest.mark.parametrize(
    ("host", "name", "warning"),
    [
        ("127.0.0.1", "socket://127.0.0.1:", ""),
        ("localhost", "socket://localhost:", ""),
        ("0.0.0.0", "socket://127.0.0.1:", "anyone who can reach this computer over a network can listen at port "),
        ("", "socket://127.0.0.1:", "anyone who can reach this computer over a network can listen at port "),
        ("::", "socket://[::1]:", "anyone who can reach this computer over a network can listen at port "),
    ],
)
def test_who_can_reach_it(host: str, name: str, warning: str) -> None:
    if ":" in host and not socket.has_dualstack_ipv6():
        pytest.skip("outside tool missing: IPv6")
    outlet = TcpOutlet(host=host)
    number = outlet.name.rpartition(":")[2]
    outlet.close()
    assert outlet.name == name + number
    hint = f"{number}; leave HOST out to keep it to this computer"
    assert outlet.warning == (warning and warning + hint)


def test_a_path_or_address_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="folder not found: make it first"):
        PtyOutlet(link=str(tmp_path / "no" / "folder"))
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="file exists already: choose another path, or remove it first"):
        PtyOutlet(link=str(tmp_path / "file"))
    taken = TcpOutlet()
    with pytest.raises(PortError, match=r"cannot be served \(Address already in use\): choose another port"):
        TcpOutlet(port=int(taken.name.rpartition(":")[2]))
    taken.close()
    with pytest.raises(PortError, match="cannot be served"):
        TcpOutlet(port=70_000)


def test_a_terminal_is_heard_while_a_program_has_it_open(tmp_path: Path) -> None:
    """Elsewhere than on Linux the system does not say it."""
    knows = sys.platform == "linux"
    outlet = PtyOutlet(link=str(tmp_path / "receiver"))
    assert outlet.warning == ""
    assert outlet.is_heard() is not knows
    for _ in range(2):
        listener = os.open(outlet.name, os.O_RDWR | os.O_NOCTTY)
        assert outlet.is_heard() is True
        outlet.write(b"\n\r\x03\x04raw", waits_while=lambda: True)
        assert os.read(listener, 99) == b"\n\r\x03\x04raw"  # no byte is changed on its way
        os.close(listener)
        assert outlet.is_heard() is not knows
    outlet.close()
    assert list(tmp_path.iterdir()) == []


def test_a_closed_terminal_keeps_no_descriptor() -> None:
    outlet = PtyOutlet()
    descriptors = [one for one in (outlet._master, outlet._slave) if one is not None]
    assert len(descriptors) == (1 if sys.platform == "linux" else 2)
    outlet.close()
    for one in descriptors:
        with pytest.raises(OSError, match=os.strerror(errno.EBADF)):
            os.fstat(one)
    outlet.close()  # once more does no harm


def test_a_link_that_cannot_be_made_leaves_no_terminal_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    closed = []
    monkeypatch.setattr(PtyOutlet, "close", lambda self: closed.append((self._master, self._link)))
    with pytest.raises(OutputError):
        PtyOutlet(link=str(tmp_path / "no" / "folder"))
    ((master, link),) = closed
    assert link is None
    os.close(master)


def test_every_listener_hears_the_same_and_what_one_does_not_take_is_dropped(served: TcpOutlet) -> None:
    assert served.is_heard() is False
    served.write(b"nobody hears this")
    with listen_to(served) as one, listen_to(served) as two:
        assert served.is_heard() is True
        for data in (b"first ", b"second"):
            served.write(data)
        for listener in (one, two):
            assert listener.recv(12, socket.MSG_WAITALL) == b"first second"
        served.write(MUCH)  # at once, whatever fits
        served.write(MUCH)
        assert len(served._listeners) == 2
    served.close()
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", int(served.name.rpartition(":")[2])))


def test_bytes_for_a_listener_that_waits_are_all_given(served: TcpOutlet) -> None:
    with listen_to(served) as one:
        taken: list[bytes] = []
        reader = threading.Thread(target=lambda: taken.extend(iter(lambda: one.recv(1 << 20), b"")))
        reader.start()
        served.write(MUCH, waits_while=lambda: True)
        served.close()
        reader.join()
    assert sum(map(len, taken)) == len(MUCH)


@pytest.mark.parametrize("listeners", [1, 2])
def test_the_only_listener_is_never_dropped_for_taking_nothing(
    served: TcpOutlet, monkeypatch: pytest.MonkeyPatch, listeners: int
) -> None:
    """Where none takes anything no other waits for the next bytes."""
    monkeypatch.setattr(playback, "STALL_S", 0.0)
    monkeypatch.setattr(playback, "_NAP_S", 0.001)
    asked = iter([True] * 40 + [False])
    held = [listen_to(served) for _ in range(listeners)]
    served.write(MUCH, waits_while=lambda: next(asked))
    assert next(asked, "all asked") == "all asked"
    assert len(served._listeners) == listeners
    for one in held:
        one.close()
