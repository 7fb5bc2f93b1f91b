"""A guided check on a port, as lines of text: what is asked, what was found, and what the port reports meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import nullcontext

import click
import pytest

from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.receiver import Receiver
from busbench.cli import output, verify_guided
from busbench.cli.verify_guided import _lead, guide
from busbench.drive.surface_check import Word
from busbench.line import BUS_LINE, Chunk
from busbench.port.port import EventKind, HearingPort, PortEvent
from tests.verify.rounds import RIG

pytestmark = pytest.mark.usefixtures("wide")


class Quiet(HearingPort):
    """Hears nothing; its time goes on while it is listened to."""

    def __init__(self) -> None:
        super().__init__("tty", line=BUS_LINE)
        self.t_ns = 0
        self.waits: list[float] = []

    def now(self) -> int:
        return self.t_ns

    def read(self, timeout_s: float) -> list[Chunk]:
        self.waits.append(timeout_s)
        self.t_ns += round(timeout_s * 1e9)
        return []

    def says(self, text: str) -> None:
        self._events.append(PortEvent(self.t_ns, EventKind.WARNING, text))


def led(read_key: Callable[[CheckSession, Quiet, float], str]) -> tuple[CheckSession, Quiet]:
    """A check of the Heron that is led to its end by keys."""
    port = Quiet()
    session = CheckSession(Receiver(port, now=port.now), RIG)
    session.start()
    _lead(session, session._receiver, lambda seconds: read_key(session, port, seconds), threading.Event())
    return session, port


def typed(keys: Iterator[str]) -> Callable[[CheckSession, Quiet, float], str]:
    """Keys, each pressed when busbench waits for one, and not when it only looks."""
    return lambda session, port, seconds: next(keys) if seconds else ""


MOVE = (
    '2 of 14: Move "aileron stick" to "right", hold, to the other end, hold, then let go.'
    " It should move 1 left aileron down, 2 right aileron up, and nothing else."
)
REST = "1 of 14: Leave all controls alone.  [Enter] begin  [k] skip  [e] end"
KEYS = "[k] skip  [b] back  [e] end"


def test_each_state_says_what_to_do_once(capsys: pytest.CaptureFixture[str]) -> None:
    session, port = led(typed(iter(["", "x", "\r", "\r", "", "\r", "e"])))
    assert session.state is CheckState.OVER
    said = capsys.readouterr().err.splitlines()
    assert said[:5] == [
        REST,
        f"  go on; listening for 4 s  {KEYS}",
        f"{MOVE}  [Enter] begin  {KEYS}",
        f"  go on; listening for 1 s  {KEYS}",
        f"  when it is back at rest  [Enter] done  {KEYS}",
    ]
    assert [line.split(":")[0] for line in said[5:]] == ["3 of 14"]
    assert set(port.waits) == {0.1}  # the port is read while busbench waits for a key, too
    assert session.results == {0: (), 1: ()}


def test_what_the_port_reports_is_said_while_it_listens_and_while_it_waits(capsys: pytest.CaptureFixture[str]) -> None:
    keys = iter(["\r", "e"])

    def read_key(session: CheckSession, port: Quiet, seconds: float) -> str:
        if len(port.waits) in (1, 5):
            port.says(f"look {len(port.waits)}")
        return next(keys) if seconds == 0.02 and len(port.waits) > 2 else ""

    led(read_key)
    said = capsys.readouterr().err.splitlines()
    assert said[:4] == [REST, "busbench: tty: look 1", f"  go on; listening for 4 s  {KEYS}", "busbench: tty: look 5"]


def test_what_is_too_long_for_a_line_goes_on_below_its_text(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(output, "WIDTH", 44)
    monkeypatch.setattr(verify_guided, "_findings", lambda *_, **__: ["  FAIL: rudder: reaches the end of its travel"])
    led(typed(iter(["", "", "\r", "\r", "", "", "e"])))
    said = capsys.readouterr().err
    assert said.startswith(
        "1 of 14: Leave all controls alone.\n"
        "  [Enter] begin  [k] skip  [e] end\n"
        "  go on; listening for 4 s  [k] skip\n"
        "  [b] back  [e] end\n"
        "  FAIL: rudder: reaches the end of its\n"
        "    travel\n"
        '2 of 14: Move "aileron stick" to "right",\n'
        "  hold, to the other end, hold, then let go.\n"
    )
    assert "  when it is back at rest  [Enter] done\n    [k] skip  [b] back  [e] end\n" in said


def test_without_a_keyboard_each_step_is_named_without_its_keys(capsys: pytest.CaptureFixture[str]) -> None:
    port, stop = Quiet(), threading.Event()
    session = CheckSession(Receiver(port, now=port.now), RIG)
    session.start()

    def hear(word: Word) -> None:
        real(word)
        stop.set()

    real, session.hear = session.hear, hear  # type: ignore[method-assign]
    _lead(session, session._receiver, None, stop)
    assert capsys.readouterr().err.splitlines() == ["1 of 14: Leave all controls alone."]


def test_a_key_while_it_listens_goes_back_or_on(capsys: pytest.CaptureFixture[str]) -> None:
    keys = iter(["\r", "b", "\r", "k", "e"])  # begin, back to its begin, begin, skip the rest of it
    led(lambda session, port, seconds: next(keys))
    said = [line.strip()[:9] for line in capsys.readouterr().err.splitlines()]
    assert said == ["1 of 14: ", "go on; li", "1 of 14: ", "go on; li", "2 of 14: "]


def test_a_signal_ends_it(capsys: pytest.CaptureFixture[str]) -> None:
    port, stop = Quiet(), threading.Event()
    session = CheckSession(Receiver(port, now=port.now), RIG)
    session.start()

    def read_key(seconds: float) -> str:
        stop.set()
        return ""

    _lead(session, session._receiver, read_key, stop)
    assert (session.state, session.at) == (CheckState.READY, 0)
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize(
    ("is_ended", "is_stopped", "gives"), [(True, False, True), (True, True, False), (False, True, False)]
)
def test_a_check_that_a_signal_ended_gives_no_verdict(
    is_ended: bool, is_stopped: bool, gives: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop = threading.Event()

    def lead(session: CheckSession, *_: object) -> None:
        if is_ended:
            session.hear(Word.END)
        if is_stopped:
            stop.set()

    monkeypatch.setattr(verify_guided, "open_source", lambda *_, **__: nullcontext(Quiet()))
    monkeypatch.setattr(verify_guided, "read_answers", lambda: nullcontext(lambda seconds: ""))
    monkeypatch.setattr(verify_guided, "stop_signals", lambda: nullcontext(stop))
    monkeypatch.setattr(verify_guided, "_lead", lead)
    with nullcontext() if gives else pytest.raises(click.Abort):
        done = guide("tty", RIG, rig_path="heron.toml", keep=None, line=BUS_LINE, answers=None, baseline=None,
                     faults=(), asks=True)  # fmt: skip
        assert done.found.verdict.value == "fail"  # no frame came
