"""The parent's side of the port process."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import pickle
import queue
import select
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from time import perf_counter_ns

from busbench.errors import PortError, PortLost
from busbench.line import Chunk, LineSettings, WakeUps
from busbench.port import ipc
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.pacer import FrameSource, Transmission
from busbench.port.port import LivePort
from busbench.port.port_process import ALONE_MAX_NS, HOLD_BACK_BYTES, ProcessSettings

_START = "import sys, json; sys.path[:] = json.loads(sys.argv[1]); from busbench.port.port_process import main; main()"
_FETCH_BYTES = 1 << 20
_BEAT_NS = 100_000_000
_SLICE_S = 0.25
_OPEN_S = 10.0
_CLOSE_S = 5.0
ANSWER_NS = 2_000_000_000  # a sending process that is silent for longer is killed

_STOPPED = "the part of busbench that keeps the port has stopped"
_SILENT = "the part of busbench that keeps the port did not answer for 2 s and was ended"

LOG = logging.getLogger("busbench")
LOG.addHandler(logging.NullHandler())  # silent unless enabled by a script or --log


class PortClient(LivePort):
    """A port owned by its own process, started here.

    It is a plain program at the other end of two pipes, so it can be started
    beside a terminal UI, and from scripts without a main guard.

    Args:
        source: a device's name or a URL.
        hold_back_bytes: unfetched bytes at which reading the port pauses.
        is_sender: True to refuse a port to which another process sends.
        has_threads: True to read the pipe in a thread, as on Windows.
    """

    def __init__(
        self,
        source: str,
        *,
        line: LineSettings,
        hold_back_bytes: int = HOLD_BACK_BYTES,
        is_sender: bool = False,
        has_threads: bool = sys.platform == "win32",
    ) -> None:
        super().__init__(source, line=line)
        self._messages = ipc.MessageReader()
        self._events: list[PortEvent] = []
        self._returns = 0  # number of reconnections reported by events()
        self._sent: list[Chunk] = []
        self._wakes: list[WakeUps] = []
        self._transmission: Transmission | None = None
        self._failure: PortError | None = None
        self._is_open = self._is_closed = self._has_ended = False
        self._beat_ns = self._heard_ns = 0
        self._is_silent = False
        self._early: list[Chunk] = []
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the port
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _START, json.dumps(sys.path)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._said,
                bufsize=0,
                # Interrupt and suspend keys must not reach the port process.
                start_new_session=sys.platform != "win32",
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        except OSError as error:
            raise PortError(
                source,
                f"the part of busbench that keeps the port cannot be started ({error.strerror})",
                hint="close other programs, then try again",
            ) from None
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._in, self._out = self._process.stdin.fileno(), self._process.stdout.fileno()
        self._pipe: _Pipe = _ThreadPipe(self._out) if has_threads else _SelectPipe(self._out)
        self._say(ipc.command("settings", value=ProcessSettings(source, line, hold_back_bytes, is_sender)))

    def wait_open(self) -> None:
        """Wait until the port is open (raises PortError: it cannot be opened)."""
        until = time.monotonic() + _OPEN_S
        try:
            while not self._is_open:
                self._early += self._fetch(_SLICE_S)
                if time.monotonic() > until:
                    raise PortError(self.source, "does not answer", hint="unplug the adapter, plug it in and try again")
        except BaseException:
            self.close()
            raise

    def read(self, timeout_s: float) -> list[Chunk]:
        """See LivePort."""
        if self._is_closed:
            raise PortError(self.source, "the port is closed")
        chunks, self._early = self._early, []
        until = time.monotonic() + timeout_s
        while not chunks:
            left = until - time.monotonic()
            chunks = self._fetch(max(0.0, min(left, _SLICE_S)))
            if left <= 0:
                break
        return chunks

    def events(self) -> list[PortEvent]:
        """See LivePort."""
        happened, self._events = self._events, []
        self._returns += sum(event.kind is EventKind.RECONNECTED for event in happened)
        return happened

    def sent(self) -> list[Chunk]:
        """See LivePort."""
        chunks, self._sent = self._sent, []
        return chunks

    def wakes(self) -> list[WakeUps]:
        """See LivePort."""
        wakes, self._wakes = self._wakes, []
        return wakes

    @property
    def transmission(self) -> Transmission | None:
        """See LivePort."""
        return self._transmission

    @property
    def adapter_serial(self) -> str:
        """See LivePort; asked for when the port is open."""
        from busbench.port.identity import identify

        with contextlib.suppress(PortError):
            return identify(self.source).serial_number
        return ""

    @property
    def pid(self) -> int:
        """Process id of the port process."""
        return self._process.pid

    def transmit(self, source: FrameSource) -> None:
        """See LivePort."""
        if self._is_transmitting:
            raise PortError(self.source, "a transmission is running already", hint="stop that one first")
        self._transmission = Transmission()
        self._heard_ns = perf_counter_ns()
        self._say(ipc.command("transmit", value=(self._returns, pickle.dumps(source))))

    def stop_transmission(self) -> None:
        """See LivePort."""
        self._say(ipc.command("stop"))

    def close(self) -> None:
        """See LivePort."""
        if self._is_closed:
            return
        self._is_closed = True
        if not self._is_open:  # opening may block, and nothing moves yet
            self._process.kill()
        self._say(ipc.command("close"))
        limit_s = _CLOSE_S + (ALONE_MAX_NS / 1e9 if self._is_transmitting else 0)
        until = time.monotonic() + limit_s
        with contextlib.suppress(PortError):
            while not self._has_ended and time.monotonic() < until:
                self._fetch(_SLICE_S)
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        try:
            self._process.wait(max(1.0, until - time.monotonic()))
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._said.close()

    @property
    def _is_transmitting(self) -> bool:
        return self._transmission is not None and not self._transmission.is_over

    def _say(self, order: bytes) -> None:
        self._beat_ns = perf_counter_ns()
        with contextlib.suppress(OSError):  # the end of its messages shows that it has ended
            rest = memoryview(order)
            while rest:
                rest = rest[os.write(self._in, rest) :]

    def _fetch(self, timeout_s: float) -> list[Chunk]:
        """Take the child's messages, waiting if there are none."""
        if self._is_transmitting and not self._is_closed and perf_counter_ns() - self._beat_ns > _BEAT_NS:
            self._say(ipc.command("alive"))
        data = self._pipe.read(timeout_s)
        chunks: list[Chunk] = []
        if data is None:
            if self._is_transmitting and perf_counter_ns() - self._heard_ns > ANSWER_NS:
                self._kill()
            return chunks
        self._heard_ns = perf_counter_ns()
        for kind, what in self._messages.feed(data):
            if kind is ipc.Kind.RECEIVED:
                assert isinstance(what, Chunk)
                chunks.append(what)
            else:
                self._note(what)
        if not data:
            self._has_ended = True
        if self._has_ended and not chunks:
            raise self._why_ended()
        return chunks

    def _kill(self) -> None:
        """Kill a process that might continue sending (always raises PortError, which says so)."""
        self._process.kill()
        self._is_silent = self._has_ended = True
        raise self._why_ended()

    def _log_end(self) -> None:
        """Log the cause: what the process printed, and its exit code if any."""
        if self._said.closed:
            return
        self._said.seek(0)
        cause = self._said.read().decode(errors="replace").strip() or "it printed nothing"
        LOG.error("%s: the port's process ended (exit code %s): %s", self.source, self._process.poll(), cause)

    def _note(self, what: Chunk | PortEvent | Transmission | PortError | WakeUps) -> None:
        match what:
            case PortEvent():
                self._is_open = self._is_open or what.kind is EventKind.OPENED
                self._events.append(what)
                LOG.info("%s: %s: %s", self.source, what.kind, what.text)
            case Transmission():
                self._transmission = what
            case PortError():
                self._failure = what
            case WakeUps():
                self._wakes.append(what)
            case Chunk():
                self._sent.append(what)

    def _why_ended(self) -> PortError:
        if self._failure is not None:
            return self._failure
        self._log_end()
        reason = _SILENT if self._is_silent else _STOPPED
        if self._is_transmitting and self._transmission is not None:
            self._transmission = replace(self._transmission, is_over=True, reason=reason)
            return PortLost(self.source, reason, hint="the positions of the surfaces are not known; start again")
        return PortLost(self.source, reason, hint="start again")


class _Pipe:
    """The bytes from the child."""

    def read(self, timeout_s: float) -> bytes | None:
        """Its bytes; empty at its end; None if nothing arrived in time."""
        raise NotImplementedError


class _SelectPipe(_Pipe):
    def __init__(self, fd: int) -> None:
        self._fd = fd
        if sys.platform == "linux":
            import fcntl

            with contextlib.suppress(OSError):
                fcntl.fcntl(fd, fcntl.F_SETPIPE_SZ, _FETCH_BYTES)

    def read(self, timeout_s: float) -> bytes | None:
        """See LivePort."""
        ready, _, _ = select.select([self._fd], [], [], timeout_s)
        return os.read(self._fd, _FETCH_BYTES) if ready else None


class _ThreadPipe(_Pipe):
    def __init__(self, fd: int) -> None:
        # Short, so that a slow reader slows the other end and memory stays flat.
        self._pieces: queue.Queue[bytes] = queue.Queue(maxsize=16)
        threading.Thread(target=self._pump, args=(fd,), daemon=True).start()

    def _pump(self, fd: int) -> None:
        data = b"-"
        while data:
            try:
                data = os.read(fd, _FETCH_BYTES)
            except OSError:
                data = b""
            self._pieces.put(data)

    def read(self, timeout_s: float) -> bytes | None:
        """See LivePort."""
        try:
            return self._pieces.get(timeout=timeout_s)
        except queue.Empty:
            return None
