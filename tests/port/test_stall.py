"""A far end that stops reading: what it reads afterwards is fresh, and no faster than the line."""

from __future__ import annotations

import os
import select
import socket
import sys
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest

if sys.platform != "linux":
    pytest.skip("what the far end has not read is known on Linux alone", allow_module_level=True)

import tty

from busbench.bench.sources import open_live
from busbench.drive.frame_source import DriveSource
from busbench.port.port import LivePort, Transmission
from tests.drive.helpers import counts_of, locked, make
from tests.port.ends import LIMIT_S

RATE = 2000  # counts/s: 14 a frame
STEP = 14


class Reader:
    """Reads a descriptor in a thread of its own, and does not move when asked to."""

    def __init__(self, fd: int) -> None:
        os.set_blocking(fd, False)
        self._fd = fd
        self.reads: list[bytes] = []
        self._may_read = threading.Lock()
        self._is_stalled = False
        self.has_ended = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self.has_ended:
            if not select.select([self._fd], [], [], 0.05)[0]:
                continue
            with self._may_read:
                try:
                    data = os.read(self._fd, 65_536)
                except BlockingIOError:  # who opens a port flushes what is there
                    continue
                except OSError:
                    data = b""
                if data:
                    self.reads.append(data)
                else:
                    self.has_ended = True

    @property
    def frames(self) -> int:
        return sum(map(len, self.reads)) // 25

    def stall(self) -> int:
        """Stop reading; gives how many reads there were, none of which is still under way."""
        self._may_read.acquire()
        self._is_stalled = True
        return len(self.reads)

    def resume(self) -> None:
        if self._is_stalled:
            self._is_stalled = False
            self._may_read.release()

    def close(self) -> None:
        self.has_ended = True
        self.resume()
        self._thread.join()


class Ends:
    """A near end's address and the reader at the far one."""

    def __init__(self, kind: str) -> None:
        if kind in ("pty", "spy"):
            self.fd, slave = os.openpty()
            tty.setraw(slave)
            self.source = ("spy://" if kind == "spy" else "") + os.ttyname(slave)
            self.keep = slave
            self.reader = Reader(self.fd)
        else:
            self.server = socket.create_server(("127.0.0.1", 0))
            self.source = f"{kind}://127.0.0.1:{self.server.getsockname()[1]}"

    def accept(self) -> None:
        if hasattr(self, "server"):
            self.connection, _ = self.server.accept()
            self.reader = Reader(self.connection.fileno())


@pytest.fixture
def ends(request: pytest.FixtureRequest) -> Iterator[Ends]:
    ends = Ends(request.param)
    yield ends
    ends.reader.close()


def look(port: LivePort, seconds: float) -> Transmission:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        port.read(0.02)
    assert port.transmission is not None
    return port.transmission


def look_until_over(port: LivePort) -> Transmission:
    until = time.monotonic() + LIMIT_S
    while port.transmission is None or not port.transmission.is_over:
        assert time.monotonic() < until
        port.read(0.02)
    return port.transmission


@pytest.mark.parametrize("is_stopped", [False, True], ids=["alone", "key"])
@pytest.mark.parametrize(
    ("ends", "stall_s"),
    [("pty", 0.2), ("pty", 1.0), ("pty", 5.0), ("socket", 0.2), ("socket", 1.0), ("socket", 5.0), ("spy", 0.2)],
    indirect=["ends"],
)
def test_nothing_stale_and_nothing_faster_after_a_stall(ends: Ends, stall_s: float, is_stopped: bool) -> None:
    program = make({"channel": 1, "shape": "triangle", "low": 200, "high": 1800, "period": 4, "cycles": 9},
                   limits={"rate": RATE})  # fmt: skip
    with open_live(ends.source) as port:
        ends.accept()
        port.transmit(DriveSource(locked(program)))
        until = time.monotonic() + LIMIT_S
        while ends.reader.frames < 60:
            assert time.monotonic() < until, port.transmission
            port.read(0.02)
        before = ends.reader.stall()
        look(port, stall_s / 2)
        if is_stopped:
            port.stop_transmission()
        how = look(port, stall_s / 2)
        ends.reader.resume()
        if stall_s > 0.5:
            how = look_until_over(port)
            assert how.reason == "the port took nothing for 0.5 s"
            look(port, 0.3)
        else:
            assert not how.is_over
            look(port, 0.3)
            port.stop_transmission()
            how = look_until_over(port)
            assert how.reason == "stopped"
            look(port, 0.1)
    after = ends.reader.reads[before:]
    assert all(len(data) == 25 for data in after), [len(data) for data in after][:9]
    if stall_s > 0.5:
        assert len(after) <= 1  # the one that lay at the far end when it stopped reading
    else:
        assert how.skipped >= 10
    level = counts_of(b"".join(ends.reader.reads))[:, 0].astype(np.int64)
    assert np.abs(np.diff(level)).max() <= STEP
