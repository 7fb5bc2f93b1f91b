"""A virtual receiver where any program can listen to it."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

from busbench.bench.sources import open_live
from busbench.errors import PortError
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
    with playing(outlet, SETTINGS, is_fast=True), open_live(outlet.name) as live:
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


def test_a_path_or_address_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(PortError, match=r"cannot be made \(No such file or directory\): choose another path"):
        PtyOutlet(link=str(tmp_path / "no" / "folder"))
    (tmp_path / "file").touch()
    with pytest.raises(PortError, match=r"cannot be made \(File exists\)"):
        PtyOutlet(link=str(tmp_path / "file"))
    taken = TcpOutlet()
    with pytest.raises(PortError, match=r"cannot be served \(Address already in use\): choose another port"):
        TcpOutlet(port=int(taken.name.rpartition(":")[2]))
    taken.close()
    with pytest.raises(PortError, match="cannot be served"):
        TcpOutlet(port=70_000)
