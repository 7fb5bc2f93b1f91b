"""A guided check in plain text: what to do, step by step, on standard error; answers by single keys."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import nullcontext

import click

from busbench.bench.check_session import CheckSession
from busbench.bench.sources import VIRTUAL, open_aircraft, open_live, rig_in
from busbench.cli.choices import shown, word_of
from busbench.cli.keys import ReadKey, read_answers
from busbench.cli.live import stop_signals
from busbench.cli.output import say, wrote
from busbench.drive.surface_check import KEYS, Word
from busbench.errors import SAFETY, BusbenchError, PortError, pluralize, sanitize
from busbench.model import Chunk, LineSettings, WakeUps
from busbench.port.port import EventKind, LivePort
from busbench.rig.check import check_rig
from busbench.rig.model import Rig
from busbench.sim.aircraft_faults import FAULTS, AircraftFault
from busbench.sim.aircraft_port import REHEARSAL, AircraftPort
from busbench.verify.marks import DONE_MARK
from busbench.verify.procedure import TestStep
from busbench.verify.result import Verdict
from busbench.verify.verify import Verification, faults_words

LOOK_S = 0.1
_NAP_S = 0.02
_ASIDE = (Word.SKIP, Word.BACK, Word.END)


def is_rehearsal(source: str) -> bool:
    """True where a virtual pilot answers: on virtual:RIG, and on virtual: by itself."""
    return source == VIRTUAL or rig_in(source) is not None


def guide(
    source: str,
    rig: Rig,
    *,
    rig_path: str,
    keep: str | None,
    line: LineSettings,
    faults: Sequence[AircraftFault] = (),
    asks: bool = True,
) -> Verification:
    """Lead a person through the round on a port; on a virtual aircraft a virtual pilot does what is asked.

    Args:
        source: the port.
        rig: the plan.
        rig_path: its file, named where it has faults.
        keep: file for what is received, or None.
        line: how to set the line.
        faults: of a virtual aircraft.
        asks: False goes through a rehearsal without a word from anybody.

    Returns:
        All checks; steps that were skipped are not tested.

    Raises:
        PortError: the port cannot be opened or kept.
        BusbenchError: it was interrupted.
    """
    is_alone = is_rehearsal(source) and not asks
    with (
        _open(source, rig, faults, line) as live,
        nullcontext() if is_alone else read_answers() as read_key,
        stop_signals() as stop,
    ):
        is_virtual = isinstance(live, AircraftPort)
        session = CheckSession(rig, source=source, clock=live.clock, start_utc_ns=live.start_utc_ns, line=line)
        recorder = _Recorder(keep, live, line)
        try:
            if is_virtual:
                say(REHEARSAL)
                for fault in faults:
                    if not fault.shows_on_bus:
                        say(f"{fault} is not seen on the bus; {FAULTS[fault.kind].shows}")
            else:
                say(SAFETY)
            if amiss := faults_words(check_rig(rig), rig_path=rig_path):
                say(f"{amiss}; no round on it passes")
            _lead(session, _Bench(live, session, recorder, read_key, stop))
        finally:
            recorder.close()
            if keep is not None:
                wrote(keep, "recording of the round")
        if stop.is_set():
            raise click.Abort
        return session.finish(t_ns=_now(live, session))


def _open(source: str, rig: Rig, faults: Sequence[AircraftFault], line: LineSettings) -> LivePort:
    if is_rehearsal(source):
        return open_aircraft(source, rig=rig, faults=faults, line=line, is_fast=True)
    if faults:
        raise PortError("--fault", "goes with virtual:RIG only", hint="leave it out, or name a rig file there")
    return open_live(source, line=line)


def _lead(session: CheckSession, bench: _Bench) -> None:
    at, again = 0, None  # the step to do, and the one that is to be done again
    steps = session.steps
    while at < len(steps):
        step = steps[at]
        word = bench.ask(f"{at + 1} of {len(steps)}: {sanitize(step.instruction)}", enter="begin", is_first=at == 0)
        if word is Word.BACK:
            at, again = max(0, at - 1) if again is None else again, None
        elif word is Word.GO:
            word = bench.do(step)  # gone back in the middle, it begins anew
            again = session.repeat_at
        else:
            again = None
        if word is Word.END:
            return
        at += word is not Word.BACK


class _Bench:
    """The port, the person and the recording of one round."""

    def __init__(
        self,
        live: LivePort,
        session: CheckSession,
        recorder: _Recorder,
        read_key: ReadKey | None,
        stop: threading.Event,
    ) -> None:
        self._live, self._session, self._recorder, self._read_key, self._stop = live, session, recorder, read_key, stop

    def ask(self, prompt: str, *, enter: str, is_first: bool = False) -> Word:
        """Say what to do, and wait for a word while the port is read."""
        if self._read_key is None:
            say(prompt, indent=2)
            return Word.GO
        keys = {KEYS[word]: word for word in (Word.GO, *_ASIDE) if word is not Word.BACK or not is_first}
        say(shown(prompt, keys, enter=enter), indent=2)
        while not self._stop.is_set():
            if not isinstance(self._live, AircraftPort):  # its time stands still while a person thinks
                self._take()
            if word := word_of(self._read_key(_NAP_S), keys):
                return word
        return Word.END

    def do(self, step: TestStep) -> Word:
        """See a step through; GO where it came to its end."""
        pilot_s = self._begin(step)
        word = self._listen(pilot_s or step.least_s)
        if word is Word.GO and step.channels and not pilot_s:
            word = self.ask("  when it is back at rest", enter="done")
        if word is Word.GO:
            for line in self._end(step):
                say(line, indent=2)
        return word

    def _listen(self, seconds: float) -> Word:
        """Read the port for so long; END where it has ended."""
        keys = {KEYS[word]: word for word in _ASIDE}
        if self._read_key is not None and not isinstance(self._live, AircraftPort):
            say(shown(f"  go on; listening for {seconds:.0f} s", keys))
        until = self._clock_s() + seconds
        while not self._stop.is_set() and self._clock_s() < until - 1e-9:
            if self._live.has_ended:
                return Word.END
            self._take()
            if self._read_key is not None and (word := word_of(self._read_key(0), keys)):
                return word
        return Word.END if self._stop.is_set() else Word.GO

    def _clock_s(self) -> float:
        return self._live.now() / 1e9 if isinstance(self._live, AircraftPort) else time.monotonic()

    def _begin(self, step: TestStep) -> float:
        """Begin a step; how long a virtual pilot takes for it, 0 where there is none."""
        t_ns = _now(self._live, self._session)
        self._session.begin(step, t_ns=t_ns)
        self._recorder.mark(t_ns, step.mark)
        return self._live.begin_step(step) if isinstance(self._live, AircraftPort) else 0.0

    def _end(self, step: TestStep) -> Iterator[str]:
        """End a step; its findings in lines."""
        t_ns = _now(self._live, self._session)
        self._recorder.mark(t_ns, DONE_MARK)
        checks = self._session.end(step, t_ns=t_ns)
        if checks and all(check.verdict is Verdict.PASS for check in checks):
            yield f"  pass: {pluralize(len(checks), 'check')}"
        for check in checks:
            if check.verdict is not Verdict.PASS:
                said = f"{sanitize(check.subject)}: {check.name}: {sanitize(check.told)}"
                yield f"  {check.verdict.value.upper()}: {said}"
        for repeat in self._session.repeats:
            yield f"  {sanitize(repeat.message)}"
        if self._read_key is not None and self._session.repeat_at is not None:
            yield f"  {KEYS[Word.BACK]} goes back there; the step done last takes the place of the former"

    def _take(self) -> None:
        chunks = self._live.read(LOOK_S)
        wakes = self._live.wakes()
        self._session.feed(chunks, wakes=wakes)
        for chunk in chunks:
            self._recorder.write(chunk)
        self._recorder.write_wakes(wakes)
        for event in self._live.events():
            if event.kind is not EventKind.OPENED:
                self._recorder.mark(event.t_ns, event.text)
                self._session.note(event.text, t_ns=event.t_ns)
                say(f"busbench: {self._live.source}: {event.text}")
        self._recorder.tick()


def _now(live: LivePort, session: CheckSession) -> int:
    if isinstance(live, AircraftPort):
        return live.now()
    # A virtual receiver may run ahead of the clock.
    return max(time.perf_counter_ns(), session.last_t_ns)


class _Recorder:
    """Writes what is received to a file, or nothing."""

    def __init__(self, path: str | None, live: LivePort, line: LineSettings) -> None:
        self._writer = None
        if path is not None:
            from busbench.capture.pcapng_write import PcapngWriter

            if not path.lower().endswith(".pcapng"):
                raise BusbenchError(
                    f"{path}: recordings are pcapng", hint="end the name in .pcapng, and convert it afterwards"
                )
            self._writer = PcapngWriter(
                path, port=live.source, line=line, clock=live.clock, start_utc_ns=live.start_utc_ns, force=True
            )

    def write(self, chunk: Chunk) -> None:
        if self._writer is not None:
            self._writer.write(chunk)

    def mark(self, t_ns: int, text: str) -> None:
        if self._writer is not None:
            self._writer.mark(t_ns, text)

    def write_wakes(self, wakes: list[WakeUps]) -> None:
        if self._writer is not None:
            self._writer.write_wakes(wakes)

    def tick(self) -> None:
        if self._writer is not None:
            self._writer.tick()

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()
