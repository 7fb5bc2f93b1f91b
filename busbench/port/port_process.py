"""The process that owns the port: receives, sends on time, waits for an unplugged adapter."""

from __future__ import annotations

import contextlib
import gc
import os
import pickle
import signal
import sys
from dataclasses import dataclass
from time import perf_counter_ns, sleep
from typing import Any

from busbench.errors import PortError, pluralize
from busbench.line import LineSettings
from busbench.port import ipc
from busbench.port.clocks import SECOND_NS, WakeLog, real_ns
from busbench.port.device_lock import DeviceLock
from busbench.port.identity import Identity, find_again, identify
from busbench.port.io_loop import IoLoop, LoopEvent, make_io_loop
from busbench.port.ipc import EventKind, PortEvent
from busbench.port.open_serial import claim_socket, close_port, open_port
from busbench.port.pacer import STALL_NS, STOPPED, Pacer, Transmission
from busbench.port.parmrk import Unmarker
from busbench.port.serial_port import BusPort, ErrorTotals

HEARTBEAT_NS = SECOND_NS  # a parent silent for this long counts as dead
HOLD_BACK_BYTES = 64 << 20  # unfetched bytes at which reading pauses: two hours of a full bus
SPIN_NS = 300_000  # busy waiting before a deadline
ALONE_MAX_NS = 60 * SECOND_NS  # max duration of an end state after the parent has gone
_RETRY_NS = SECOND_NS // 4
_TOTALS_NS = SECOND_NS
_STATUS_NS = SECOND_NS // 20
_IDLE_S = 1.0
_DRAIN_NS = STALL_NS


@dataclass(frozen=True, slots=True)
class ProcessSettings:
    """The settings of the child process."""

    source: str  # a device name or a URL
    line: LineSettings
    hold_back_bytes: int = HOLD_BACK_BYTES  # unfetched bytes at which reading the port pauses
    is_sender: bool = False  # True to refuse a port to which another process sends


class PortProcess:
    """The main loop of the process."""

    def __init__(self, settings: ProcessSettings, *, hub: IoLoop) -> None:
        self._settings = settings
        self._hub = hub
        self._orders = ipc.CommandReader()
        self._unmarker: Unmarker | None = None
        self._identity = Identity(settings.source)
        self._retry_ns = self._gone_ns = 0
        self._returns = 0  # number of reconnections
        self._is_complaint_told = False
        self._totals: ErrorTotals | None = None
        self._totals_ns = self._status_ns = self._heard_ns = 0
        self._pacer: Pacer | None = None
        self._is_alone = self._is_given_up = self._is_done = self._holds_back = False
        self._alone_ns = 0
        self._wakes: WakeLog | None = None  # only for serial ports: a network has its own delays
        self._claimed: DeviceLock | None = None

    def run(self) -> None:
        """Open the port and serve it until the parent stops or has gone."""
        source = self._settings.source
        try:
            if self._settings.is_sender:
                self._claim()
            port = open_port(source, line=self._settings.line)
            with contextlib.suppress(PortError):
                self._identity = identify(source)
            self._attach(port, EventKind.OPENED)
        except PortError as error:
            self._hub.send(ipc.failed(error))
            self._drain_parent()
            return
        gc.collect()
        gc.freeze()
        gc.disable()
        while not self._is_done:
            self._turn()
        self._shut()

    def _turn(self) -> None:
        pacer = self._pacer
        items = self._hub.wait(self._wait_s(), holds_back=self._must_hold_back())
        if self._wakes is not None and (wakes := self._wakes.woken(perf_counter_ns())) is not None:
            self._hub.send(ipc.woke(wakes))
        for origin, t_ns, data in items:
            match origin:
                case LoopEvent.PORT:
                    self._receive(t_ns, data)
                case LoopEvent.PORT_GONE:
                    self._unplugged(t_ns)
                case LoopEvent.PARENT:
                    self._heard_ns = t_ns
                    for word, value in self._orders.feed(data):
                        self._obey(word, value)
                case LoopEvent.PARENT_GONE:
                    self._left_alone(t_ns)
        now = perf_counter_ns()
        if pacer is not None and self._pacer is pacer:
            self._transmit(pacer, now)
        if self._hub.port is None and now >= self._retry_ns:
            self._try_again()
        if self._totals is not None and now >= self._totals_ns:
            self._compare_totals(now)

    def _wait_s(self) -> float:
        """Seconds until the next deadline."""
        now = perf_counter_ns()
        if self._pacer is not None:
            due = self._pacer.deadline_ns - SPIN_NS
        elif self._hub.port is None:
            due = self._retry_ns
        else:
            due = now + round(_IDLE_S * 1e9)
        due = due if self._wakes is None else min(due, self._wakes.due_ns)
        return min(_IDLE_S, max(0, due - now) / 1e9)

    def _must_hold_back(self) -> bool:
        holds = self._hub.unfetched > self._settings.hold_back_bytes
        if holds and not self._holds_back:
            self._tell(EventKind.HELD_BACK, "what was received is not fetched fast enough, so the port has to wait")
        self._holds_back = holds
        return holds

    def _receive(self, t_ns: int, data: bytes) -> None:
        bad = b""
        if self._unmarker is not None:
            data, bad = self._unmarker.feed(data)
        if data:
            self._hub.send(ipc.received(t_ns, data, bad))

    def _attach(self, port: Any, kind: EventKind) -> None:
        has_marks = isinstance(port, BusPort) and port.marks_bad
        self._unmarker = Unmarker() if has_marks else None
        self._hub.attach(port)
        self._wakes = WakeLog(perf_counter_ns()) if isinstance(port, BusPort) else None
        self._returns += kind is EventKind.RECONNECTED
        self._choose_priority()
        self._tell(kind, "the port is open" if kind is EventKind.OPENED else self._is_back(str(port.port)))
        self._totals = port.error_totals() if isinstance(port, BusPort) else None
        self._totals_ns = perf_counter_ns() + _TOTALS_NS
        if isinstance(port, BusPort) and port.warning():
            self._tell(EventKind.WARNING, port.warning())

    def _is_back(self, name: str) -> str:
        gap_s = (perf_counter_ns() - self._gone_ns) / 1e9
        renamed = "" if name == self._settings.source else f" as {name}"
        return f"the port is back{renamed} after {gap_s:.1f} s"

    def _unplugged(self, t_ns: int, text: str = "the port is gone: unplugged, or its other end has closed") -> None:
        if self._hub.port is None:
            return
        if self._unmarker is not None:
            rest, bad = self._unmarker.flush()
            if rest:
                self._hub.send(ipc.received(t_ns, rest, bad))
        close_port(self._hub.detach())
        self._totals = self._wakes = None
        self._gone_ns, self._retry_ns, self._is_complaint_told = t_ns, t_ns, False
        self._tell(EventKind.UNPLUGGED, text, t_ns=t_ns)
        if self._pacer is not None:
            # Never continued by itself: the positions of the surfaces are unknown.
            self._pacer.cut("the port was unplugged")
            self._end_transmission()

    def _try_again(self) -> None:
        self._retry_ns = perf_counter_ns() + _RETRY_NS
        gc.collect()
        try:
            device = find_again(self._identity)
            if device is not None:
                self._attach(open_port(device, line=self._settings.line), EventKind.RECONNECTED)
        except PortError as error:
            # A new node may lack permissions for a moment.
            if perf_counter_ns() - self._gone_ns > 5 * SECOND_NS and not self._is_complaint_told:
                self._is_complaint_told = True
                self._tell(EventKind.WARNING, str(error))

    def _compare_totals(self, now: int) -> None:
        self._totals_ns = now + _TOTALS_NS
        port = self._hub.port
        totals = port.error_totals() if port is not None else None
        if totals is None or self._totals is None:
            return
        more = totals.since(self._totals)
        self._totals = totals
        damaged = more.parity + more.framing + more.breaks
        if damaged and not port.marks_bad:
            what = f"damaged characters: {more.parity} parity, {more.framing} framing, {more.breaks} breaks"
            self._tell(EventKind.ERRORS, what, count=damaged)
        if more.overrun:
            self._tell(EventKind.OVERRUN, f"the system lost {pluralize(more.overrun, 'character')}", count=more.overrun)

    def _obey(self, word: str, value: Any) -> None:
        match word:
            case "transmit":
                self._start(*value)
            case "stop":
                if self._pacer is not None:
                    self._pacer.stop(STOPPED)
            case "close":
                self._left_alone(perf_counter_ns())
            case _:  # a sign of life
                pass

    def _start(self, returns: int, pickled: bytes) -> None:
        # The port was lost and is back, and it was not checked whether anything may move now.
        if self._hub.port is None or self._pacer is not None or returns != self._returns:
            reason = "a transmission is running already" if self._pacer else "the port was unplugged"
            self._hub.send(ipc.status(Transmission(is_over=True, reason=reason)))
            return
        try:
            self._claim()
        except PortError as error:
            self._hub.send(ipc.status(Transmission(is_over=True, reason=error.what)))
            return
        try:
            source = pickle.loads(pickled)
            start_ns = perf_counter_ns() + round(source.period_s * 1e9)
            self._pacer = Pacer(
                source, start_ns=start_ns, character_ns=self._settings.line.character_ns, real_ns=real_ns()
            )
        except Exception:  # a fault in our own code: its text would not help people
            reason = "the part of busbench that keeps the port does not take the program"
            self._hub.send(ipc.status(Transmission(is_over=True, reason=reason)))
            return
        self._is_given_up = False
        self._choose_priority()

    def _transmit(self, pacer: Pacer, now: int) -> None:
        if now < pacer.deadline_ns - SPIN_NS:
            self._look_for_life(pacer, now)
            return
        while now < pacer.deadline_ns:
            now = perf_counter_ns()
        frame = None
        if not pacer.is_over:
            frame = pacer.step(now, real_ns=real_ns(), is_free=self._hub.is_free)
            if pacer.is_over:
                self._discard(now)
        if frame is not None:
            try:
                if frame:
                    self._hub.transmit(frame)
                    self._hub.send(ipc.sent(now, frame))
            except Exception:  # an unplugged port raises what it likes
                self._unplugged(now)
                return
            pacer.sent(now)
        if pacer.is_over:
            self._end_transmission()
        elif now >= self._status_ns:
            self._status_ns = now + _STATUS_NS
            self._hub.send(ipc.status(pacer.state))
        self._look_for_life(pacer, now)

    def _look_for_life(self, pacer: Pacer, now: int) -> None:
        if not self._is_alone and now - self._heard_ns > HEARTBEAT_NS and not self._is_given_up:
            self._is_given_up = True
            pacer.stop("no sign of life for one second", is_abandoned=True)
        if not self._is_alone:
            return
        if now - self._alone_ns > ALONE_MAX_NS:
            pacer.cut("the end state took too long")
        if pacer.is_over:
            self._end_transmission()

    def _discard(self, now: int) -> None:
        """Discard frames from before a stall or pause, so that none is sent later."""
        if self._hub.discard():
            self._unplugged(now, "the connection was reset: its far end took nothing")

    def _claim(self) -> None:
        """Lock a socket for sending until this process ends; a device has one user anyway.

        Raises:
            PortError: another process sends to it.
        """
        if self._claimed is None:
            self._claimed = claim_socket(self._settings.source)

    def _end_transmission(self) -> None:
        if self._pacer is None:
            return
        self._hub.send(ipc.status(self._pacer.state))
        self._pacer = None
        self._choose_priority()
        self._is_done = self._is_alone

    def _choose_priority(self) -> None:
        """Raise the priority if times matter and it is allowed; for a stream address only while sending."""
        if sys.platform != "linux":
            return
        is_urgent = self._pacer is not None or isinstance(self._hub.port, BusPort)
        policy, priority = (os.SCHED_FIFO, 10) if is_urgent else (os.SCHED_OTHER, 0)
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, policy, os.sched_param(priority))

    def _left_alone(self, t_ns: int) -> None:
        if self._is_alone:
            return
        self._is_alone, self._alone_ns = True, t_ns
        if self._pacer is None:
            self._is_done = True
        else:
            self._pacer.stop("the program that drives it has ended", is_abandoned=True)

    def _shut(self) -> None:
        until = perf_counter_ns() + _DRAIN_NS
        # The last frame is sent whole; a stalled port is not drained, and its bytes are discarded.
        with contextlib.suppress(Exception):
            while self._hub.unsent and perf_counter_ns() < until:
                self._hub.wait(0.001, holds_back=True)
                sleep(0.001)
            if self._hub.unsent:
                self._hub.discard()
        if self._hub.port is not None:
            close_port(self._hub.detach())
        self._drain_parent()

    def _drain_parent(self) -> None:
        """Send the parent what it still fetches."""
        until = perf_counter_ns() + 2 * SECOND_NS
        while self._hub.unfetched and perf_counter_ns() < until:
            self._hub.wait(0.05, holds_back=True)

    def _tell(self, kind: EventKind, text: str, *, count: int = 0, t_ns: int | None = None) -> None:
        now = perf_counter_ns() if t_ns is None else t_ns
        self._hub.send(ipc.event(PortEvent(now, kind, text, count)))


def _read_settings(fd: int) -> ProcessSettings | None:
    """Read exactly the first command; None if the parent has gone already."""
    reader, wanted = ipc.CommandReader(), 4
    while data := os.read(fd, wanted):
        for _, value in reader.feed(data):
            assert isinstance(value, ProcessSettings)
            return value
        wanted = reader.missing
    return None


def main() -> None:
    """Entry of the process: commands on standard input, messages on standard output."""
    # A key that interrupts the parent must not end the port process.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent_in, parent_out = os.dup(0), os.dup(1)
    null = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1):
        os.dup2(null, number)  # prints must not get between the messages
    settings = _read_settings(parent_in)
    if settings is None:
        return
    hub = make_io_loop(settings.source, parent_in=parent_in, parent_out=parent_out)
    PortProcess(settings, hub=hub).run()
    os._exit(0)  # reader threads may still be waiting
