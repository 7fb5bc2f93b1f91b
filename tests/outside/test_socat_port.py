"""Ports against a general-purpose relay: what it sends is what is received, and it hears what is sent.

Source: socat 1.7 (Debian), a relay between any two byte streams.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

from busbench.port.port import open_client
from busbench.sim.playback import PtyOutlet, Reads, play
from busbench.sim.receiver import ReceiverSettings
from tests.port.ends import Seen, read_until, wait_for
from tests.port.sources import Counting

SOCAT = shutil.which("socat")
pytestmark = pytest.mark.skipif(SOCAT is None, reason="outside tool missing: socat")


@contextmanager
def socat(*args: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen([str(SOCAT), *args], stdin=subprocess.PIPE)
    try:
        yield process
    finally:
        process.terminate()
        if process.stdin is not None:
            process.stdin.close()
        process.wait()


def test_it_sends_every_byte_to_a_port(tmp_path: Path) -> None:
    data = bytes(range(256)) * 40
    port = tmp_path / "port"
    with socat("-u", "STDIN", f"PTY,rawer,link={port}") as relay:
        wait_for(port.exists)
        assert relay.stdin is not None
        with open_client(str(port)) as live:
            relay.stdin.write(data)
            relay.stdin.flush()
            seen = read_until(live, Seen(), lambda seen: len(seen.data) >= len(data))
    assert seen.data == data


def test_it_hears_every_frame_from_a_port(tmp_path: Path) -> None:
    port, heard = tmp_path / "port", tmp_path / "heard"
    with socat("-u", f"PTY,rawer,link={port}", f"CREATE:{heard}"):
        wait_for(port.exists)
        with open_client(str(port)) as live:
            live.transmit(Counting(30))
            read_until(live, Seen(), lambda _: live.transmission is not None and live.transmission.is_over)
            wait_for(lambda: heard.exists() and heard.stat().st_size >= 750)
    assert heard.read_bytes() == b"".join(bytes([number]) * 25 for number in range(30))


def test_it_listens_to_a_virtual_receiver(tmp_path: Path) -> None:
    settings = ReceiverSettings(has_slots=True, period_s=0.015, duration_s=30.0)
    wanted = b"".join(chunk.data for chunk in Reads(settings).take(1 << 62, most=1 << 30))
    outlet, heard = PtyOutlet(), tmp_path / "heard"
    with socat("-u", f"OPEN:{outlet.name},rawer", f"CREATE:{heard}"):
        assert play(settings, outlet, is_fast=True) == len(wanted)
        wait_for(lambda: heard.exists() and heard.stat().st_size >= len(wanted))
    outlet.close()
    assert heard.read_bytes() == wanted
