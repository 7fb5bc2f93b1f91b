"""A guided check in plain text: what to do, step by step, on standard error; answers on standard input."""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Iterator

import click

from busbench.cli.live import stop_signals
from busbench.cli.output import say
from busbench.errors import BusbenchError, plain
from busbench.model import Chunk, LineSettings
from busbench.port.live import EventKind, LivePort, open_live
from busbench.rig.model import Rig
from busbench.verify.check import Check, Verdict
from busbench.verify.session import Session
from busbench.verify.steps import Step
from busbench.verify.verify import Verification

LOOK_S = 0.1
HELP = "Enter goes on, s skips, r repeats the step before, q ends the round."


def guide(source: str, rig: Rig, *, keep: str | None, line: LineSettings, more: tuple[Check, ...] = ()) -> Verification:
    """Lead a person through the round on a port.

    Args:
        source: the port.
        rig: the plan.
        keep: file for what is received, or None.
        line: how to set the line.
        more: checks made elsewhere.

    Returns:
        All checks; steps that were skipped are not tested.

    Raises:
        PortError: the port cannot be opened or kept.
        BusbenchError: it was interrupted.
    """
    with open_live(source, line=line) as live, stop_signals() as stop:
        keys = _Lines()
        session = Session(rig, source=source, clock=live.clock, start_utc_ns=live.start_utc_ns, line=line)
        recorder = _Recorder(keep, live, line)
        try:
            say("Propellers off. Make sure that nothing can be hurt when a surface moves.")
            say(HELP)
            _lead(session, _Bench(live, session, recorder, keys, stop))
        finally:
            recorder.close()
        if stop.is_set():
            raise click.Abort
        return session.finish(t_ns=_now(session), more=more)


def _lead(session: Session, bench: _Bench) -> None:
    at = 0
    steps = session.steps
    while at < len(steps):
        step = steps[at]
        answer = bench.ask(f"\n{at + 1}/{len(steps)}  {plain(step.instruction)}\n      Enter to begin: ")
        if answer is None or answer == "q":
            return
        if answer == "r":
            at = max(0, at - 1)
            continue
        if answer == "s":
            at += 1
            continue
        bench.begin(step)
        if not bench.listen(step.least_s):
            return
        if step.channels and bench.ask("      Enter when it is back at rest: ") is None:
            return
        for line in bench.end(step):
            say(line)
        at += 1


class _Bench:
    """The port, the person and the recording of one round."""

    def __init__(
        self, live: LivePort, session: Session, recorder: _Recorder, keys: _Lines, stop: threading.Event
    ) -> None:
        self._live, self._session, self._recorder, self._keys, self._stop = live, session, recorder, keys, stop

    def ask(self, words: str) -> str | None:
        """Wait for a line while the port is read; None where there will be none."""
        click.echo(words, nl=False, err=True)
        while not self._stop.is_set():
            self._take()
            answer, is_over = self._keys.get()
            if is_over:
                return None
            if answer is not None:
                return answer.strip().lower()
        return None

    def listen(self, seconds: float) -> bool:
        """Read the port for so long; False where it has ended."""
        until = time.monotonic() + seconds
        while not self._stop.is_set() and time.monotonic() < until:
            if self._live.has_ended:
                return False
            self._take()
        return not self._stop.is_set()

    def begin(self, step: Step) -> None:
        t_ns = _now(self._session)
        self._session.begin(step, t_ns=t_ns)
        self._recorder.mark(t_ns, step.mark)

    def end(self, step: Step) -> Iterator[str]:
        """End a step; its findings in lines."""
        for check in self._session.end(step, t_ns=_now(self._session)):
            if check.verdict is not Verdict.PASS:
                said = f"{plain(check.subject)}: {check.name}: {plain(check.sentence)}"
                yield f"      {check.verdict.value.upper()}: {said}"

    def _take(self) -> None:
        chunks = self._live.read(LOOK_S)
        self._session.feed(chunks)
        for chunk in chunks:
            self._recorder.write(chunk)
        for event in self._live.events():
            if event.kind is not EventKind.OPENED:
                self._recorder.mark(event.t_ns, event.text)
                say(f"busbench: {self._live.source}: {event.text}")
        self._recorder.tick()


def _now(session: Session) -> int:
    # A virtual receiver may run ahead of the clock.
    return max(time.perf_counter_ns(), session.last_t_ns)


class _Lines:
    """Lines of standard input, read beside the port."""

    def __init__(self) -> None:
        self._lines: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        try:
            for line in sys.stdin:
                self._lines.put(line)
        except (OSError, ValueError):
            pass  # closed under us: no more lines
        self._lines.put(None)

    def get(self) -> tuple[str | None, bool]:
        """A line if there is one, and whether there will be none any more."""
        try:
            line = self._lines.get_nowait()
        except queue.Empty:
            return None, False
        if line is None:
            self._lines.put(None)
        return line, line is None


class _Recorder:
    """Writes what is received to a file, or nothing."""

    def __init__(self, path: str | None, live: LivePort, line: LineSettings) -> None:
        self._writer = None
        if path is not None:
            from busbench.capture.pcapng_write import PcapngWriter

            if not path.lower().endswith(".pcapng"):
                raise BusbenchError(f"{path}: recordings are pcapng", hint="name it so, and convert it afterwards")
            self._writer = PcapngWriter(
                path, port=live.source, line=line, clock=live.clock, start_utc_ns=live.start_utc_ns, force=True
            )

    def write(self, chunk: Chunk) -> None:
        if self._writer is not None:
            self._writer.write(chunk)

    def mark(self, t_ns: int, text: str) -> None:
        if self._writer is not None:
            self._writer.mark(t_ns, text)

    def tick(self) -> None:
        if self._writer is not None:
            self._writer.tick()

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()
