"""A guided check in text: instructions on standard error, answers by single keys."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import nullcontext

import click

from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.receiver import Receiver
from busbench.bench.sign_off import Answers, Baseline, SignOff
from busbench.bench.sources import has_pilot, open_source
from busbench.cli.choices import prompt_text, word_of
from busbench.cli.keys import ReadKey, read_answers
from busbench.cli.live import stop_signals
from busbench.cli.output import say, wrote
from busbench.drive.surface_check import KEYS, Word
from busbench.errors import SAFETY, pluralize, sanitize
from busbench.line import LineSettings
from busbench.rig.model import Rig
from busbench.sim.aircraft_faults import FAULTS, AircraftFault
from busbench.sim.aircraft_port import REHEARSAL, AircraftPort
from busbench.verify.result import Verdict
from busbench.verify.verify import faults_words

LOOK_S = 0.1
_NAP_S = 0.02


def guide(
    source: str,
    rig: Rig,
    *,
    rig_path: str,
    keep: str | None,
    line: LineSettings,
    answers: Answers | None,
    baseline: Baseline | None,
    faults: Sequence[AircraftFault],
    asks: bool,
) -> SignOff:
    """Guide the user through the test sequence on a port; on a virtual aircraft a virtual pilot does it.

    Args:
        rig_path: its file, named in errors.
        keep: file for the recording, or None.
        answers: answers of a walk, for the verdict.
        baseline: an earlier recording, for the verdict.
        asks: False for a rehearsal without questions.

    Returns:
        All checks; skipped steps are not tested.

    Raises:
        PortError: the port cannot be opened or kept.
        BusbenchError: it was interrupted.
    """
    is_alone = has_pilot(source) and not asks
    with (
        open_source(source, rig=rig, faults=faults, line=line, is_fast=True) as live,
        nullcontext() if is_alone else read_answers() as read_key,
        stop_signals() as stop,
    ):
        receiver = Receiver(live, now=live.now if isinstance(live, AircraftPort) else None)
        session = CheckSession(receiver, rig)
        session.start(keep, force=True, answers=answers, baseline=baseline)
        try:
            if session.pilot is not None:
                say(REHEARSAL)
                for fault in faults:
                    if not fault.shows_on_bus:
                        say(f"{fault} is not seen on the bus; {FAULTS[fault.kind].shows}")
            else:
                say(SAFETY)
            if amiss := faults_words(session.findings, rig_path=rig_path):
                say(f"{amiss}; a test sequence on it cannot pass")
            _lead(session, receiver, read_key, stop)
        finally:
            session.close()
            if keep is not None:
                wrote(keep, "recording of the test sequence")
        if stop.is_set() or session.done is None:
            raise click.Abort
        return session.done


def _lead(session: CheckSession, receiver: Receiver, read_key: ReadKey | None, stop: threading.Event) -> None:
    """Print what each state asks for, and read the port until the user or the time ends it."""
    while session.state is not CheckState.OVER and not stop.is_set():
        before = state, at = session.state, session.at
        is_listening, step = state is CheckState.LISTENING, session.step
        keys = {KEYS[word]: word for word in session.words}
        if state is CheckState.READY:
            prompt = f"{at + 1} of {len(session.steps)}: {sanitize(step.instruction)}"
            say(prompt if read_key is None else prompt_text(prompt, keys, enter="begin"), indent=2)
        elif not is_listening:
            say(prompt_text("  when it is back at rest", keys, enter="done"), indent=2)
        elif session.pilot is None:
            say(prompt_text(f"  go on; listening for {step.least_s:.0f} s", keys))
        while (session.state, session.at) == before and not stop.is_set():
            if is_listening or session.pilot is None:  # the time of a virtual aircraft stops meanwhile
                look_s = LOOK_S if session.pilot is None else session.left_s or LOOK_S  # a step takes a pilot no time
                for event in receiver.pump(look_s).events:
                    say(f"busbench: {receiver.port.source}: {event.text}")
            if read_key is None:
                word = None if is_listening else Word.GO
            else:
                word = word_of(read_key(0 if is_listening else _NAP_S), keys)
            if word is not None and (session.state, session.at) == before:
                session.hear(word)
        if state is not CheckState.READY:
            for line in _findings(session, at, asks=read_key is not None):
                say(line, indent=2)


def _findings(session: CheckSession, at: int, *, asks: bool) -> Iterator[str]:
    """The result of a finished step."""
    checks = session.results.get(at)
    if session.at == at or checks is None:
        return
    if checks and all(check.verdict is Verdict.PASS for check in checks):
        yield f"  pass: {pluralize(len(checks), 'check')}"
    for check in checks:
        if check.verdict is not Verdict.PASS:
            said = f"{sanitize(check.subject)}: {check.name}: {sanitize(check.message)}"
            yield f"  {check.verdict.value.upper()}: {said}"
    for repeat in session.repeats:
        yield f"  {sanitize(repeat.message)}"
    if asks and session.repeat_at is not None:
        yield f"  {KEYS[Word.BACK]} goes back there; the step done last takes the place of the former"
