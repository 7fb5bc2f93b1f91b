"""Arming: nothing reaches a port before all has been said."""

import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner, Result

from busbench.bench.drive_run import Outcome, RunState, SendingRun
from busbench.bench.plan_limits import LimitSources
from busbench.bench.receiver import Receiver
from busbench.bench.safety import CAUTIONS, FAULT_CAUTION
from busbench.cli import drive_port, progress
from busbench.cli.drive import command
from busbench.cli.drive_port import RunLines, follow, look
from busbench.drive.frame_generator import EndState
from busbench.errors import PortError
from busbench.line import BUS_LINE, Chunk
from busbench.port.port import EventKind, FrameSource, HearingPort, PortEvent, Transmission
from tests.drive.helpers import make
from tests.port.sources import Counting

pytestmark = pytest.mark.usefixtures("wide")

PORT = "/dev/null"


@pytest.fixture(autouse=True)
def _no_port_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(port: str, *, is_sender: bool) -> None:
        raise AssertionError("the port was opened")

    monkeypatch.setattr(drive_port, "open_live", never)


def run(*args: str) -> Result:
    return CliRunner().invoke(command, ["sweep", "--channel", "1", "--period", "4", "--to", PORT, *args])


def test_cautions_come_first_then_the_question_for_the_motor() -> None:
    result = run("--arm")
    assert str(result.exception) == (
        "/dev/null: nothing was sent, since it is not said which channel drives a motor:"
        " give --motor CH for each, --no-motor if there is none, or --rig"
    )
    lines = result.stderr.splitlines()
    for line in CAUTIONS:
        assert line in lines
    assert FAULT_CAUTION not in lines
    assert FAULT_CAUTION in run("--arm", "--failsafe", "1:1").stderr.splitlines()


def test_a_plan_that_leaves_the_motor_open_does_not_answer_for_it(tmp_path: Path) -> None:
    rig = tmp_path / "plan.toml"
    head = '[rig]\nname = "Heron"\nperiod_ms = 14\n[supply]\nvoltage_v = 7.4\n'
    off_bus = '[[device]]\nname = "inrunner"\nkind = "off-bus"\nchannel = 8\n'
    rig.write_text(head + off_bus, encoding="utf-8")
    assert str(run("--arm", "--rig", str(rig)).exception) == (
        "/dev/null: nothing was sent, since the plan does not say what can turn a propeller (inrunner):"
        ' state motor = "electric", "engine" or false for each of these in the rig file;'
        " or give --motor CH for each motor, --no-motor if there is none"
    )
    assert "no key could stop it" in str(run("--arm", "--rig", str(rig), "--motor", "8").exception)
    assert "no key could stop it" in str(run("--arm", "--rig", str(rig), "--no-motor").exception)
    for said in ("motor = false\n", "motor = true\nfailsafe = -100\n"):
        rig.write_text(head + off_bus + said, encoding="utf-8")
        assert "no key could stop it" in str(run("--arm", "--rig", str(rig)).exception), said


def test_nothing_without_arm(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drive_port, "has_keyboard", lambda: True)
    result = run("--motor", "3")
    assert str(result.exception) == (
        "/dev/null: nothing was sent, since it is not armed: read the cautions above, then add --arm"
    )
    assert "channel 3 (motor): locked at -100.0 % (173 counts)" in result.stderr.splitlines()


def test_cautions_are_a_list() -> None:
    lines = run("--no-motor").stderr.splitlines()
    at = lines.index("WARNING: before anything moves:")
    assert lines[at + 1] == "  - remove the propeller, or disconnect the motor"
    assert [line[:4] for line in lines[at + 1 : at + 8]] == ["  - "] * 7


def test_nothing_without_a_keyboard() -> None:
    assert str(run("--no-motor", "--arm").exception) == (
        "/dev/null: nothing was sent, since standard input is not a terminal and no key could stop it:"
        " run it in a terminal, or send it to virtual: or a file"
    )


class Still(HearingPort):
    """Hears nothing, and notes what it is given to send."""

    def __init__(self) -> None:
        super().__init__("/dev/ttyHERON", line=BUS_LINE)
        self.given: list[FrameSource] = []

    def read(self, timeout_s: float) -> list[Chunk]:
        return []

    def transmit(self, source: FrameSource) -> None:
        self.given.append(source)

    @property
    def transmission(self) -> Transmission | None:
        return Transmission(7, is_over=True) if self.given else None


def go(pressed_at: int | None, *, look_s: float = 0.05, raises: bool = False) -> tuple[SendingRun, Still]:
    """A run in which a key is pressed at a look at the keyboard."""
    port, now_ns, looks = Still(), 0, 0

    def any_key(seconds: float) -> bool:
        nonlocal now_ns, looks
        assert seconds == 0.05
        now_ns += round(look_s * 1e9)
        looks += 1
        if looks == pressed_at and raises:
            raise KeyboardInterrupt
        return looks == pressed_at

    receiver = Receiver(port)
    run = SendingRun(receiver, Counting(7), now_ns=lambda: now_ns)
    follow(run, receiver, any_key=any_key, period_s=0.007, when_sending=lambda: None)
    return run, port


@pytest.mark.parametrize(("pressed_at", "seconds"), [(1, "3"), (19, "3"), (21, "32"), (41, "321"), (59, "321")])
@pytest.mark.parametrize("raises", [False, True], ids=["key", "Ctrl-C"])
def test_any_key_ends_the_countdown(
    pressed_at: int, seconds: str, raises: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    run, port = go(pressed_at, raises=raises)
    assert (run.outcome, port.given) == (Outcome.CANCELLED, [])
    assert capsys.readouterr().err.splitlines() == [f"moving in {one} s; any key cancels" for one in seconds]


def test_without_a_key_it_begins_after_three_seconds(capsys: pytest.CaptureFixture[str]) -> None:
    run, port = go(None)
    assert (run.outcome, run.how.frames, len(port.given)) == (Outcome.RAN, 7, 1)
    assert capsys.readouterr().err.splitlines() == [f"moving in {one} s; any key cancels" for one in "321"]


def test_a_pause_in_the_countdown_ends_it() -> None:
    run, port = go(None, look_s=1.5)
    assert (run.outcome, run.reason, port.given) == (Outcome.CANCELLED, "busbench was stopped for 1.5 s", [])


class Moving(Still):
    """Sends until it is stopped, or ends by itself; notes how long each read waits."""

    def __init__(self, *, ends: Transmission | None = None) -> None:
        super().__init__()
        self.waits: list[float] = []
        self.stops = 0
        self.ends = ends

    def read(self, timeout_s: float) -> list[Chunk]:
        self.waits.append(timeout_s)
        return []

    def stop_transmission(self) -> None:
        self.stops += 1

    @property
    def transmission(self) -> Transmission | None:
        if not self.given:
            return None
        return self.ends or Transmission(40, is_over=self.stops == 2)

    def says(self, kind: EventKind, text: str) -> None:
        self._events.append(PortEvent(0, kind, text))


def test_a_port_is_listened_to_for_longer_only_while_it_stops() -> None:
    """A key is looked for 50 ms at a time; a keyboard that is gone returns at once, and the port has to wait then."""
    port, now_ns = Moving(), 0

    def any_key(seconds: float) -> bool:
        nonlocal now_ns
        now_ns += 50_000_000
        return len(port.waits) >= 65

    receiver, begun = Receiver(port), list[int]()
    run = SendingRun(receiver, Counting(7), now_ns=lambda: now_ns)
    follow(run, receiver, any_key=any_key, period_s=0.007, when_sending=lambda: begun.append(len(port.waits)))
    assert (run.outcome, port.stops) == (Outcome.STOPPED, 2)
    assert begun == [60]  # the countdown is over, once
    assert port.waits == [0] * 65 + [drive_port.LOOK_S] * 2


def test_what_a_port_reports_before_a_run(capsys: pytest.CaptureFixture[str]) -> None:
    port = Moving()
    receiver = Receiver(port)
    for kind in EventKind:
        if kind is not EventKind.UNPLUGGED:
            port.says(kind, f"it is {kind.value}")
    look(receiver)
    assert port.waits == [0]
    assert capsys.readouterr().err == f"/dev/ttyHERON: it is {EventKind.WARNING.value}\n"
    port.says(EventKind.UNPLUGGED, "unplugged")
    with pytest.raises(PortError) as caught:
        look(receiver)
    assert str(caught.value) == "/dev/ttyHERON: the port was unplugged: see to the port, then start again"


@contextmanager
def closing(port: Still, *, is_interrupted: bool) -> Iterator[Still]:
    """A port during whose closing Ctrl-C is pressed."""
    yield port
    if is_interrupted:
        raise KeyboardInterrupt


def sent(
    port: Still,
    monkeypatch: pytest.MonkeyPatch,
    *,
    end: EndState = EndState.SILENCE,
    key_at: int | None = None,
    is_interrupted: bool = False,
) -> int:
    """A hold of channel 1 sent to a port, without a countdown; the exit code."""
    looks = 0

    def any_key(seconds: float) -> bool:
        nonlocal looks
        looks += 1
        return key_at is not None and looks >= key_at

    monkeypatch.setattr(drive_port, "has_keyboard", lambda: True)

    def open_live(name: str, *, is_sender: bool) -> AbstractContextManager[Still]:
        assert (name, is_sender) == (PORT, True)
        return closing(port, is_interrupted=is_interrupted)

    monkeypatch.setattr(drive_port, "open_live", open_live)
    monkeypatch.setattr(drive_port, "listen_for_keys", lambda: nullcontext(any_key))
    monkeypatch.setattr(drive_port, "COUNTDOWN_S", 0)
    sources = LimitSources((), has_no_motor=True)
    program = sources.lock(make({"shape": "hold", "channel": 1, "level": 1100, "duration": 0.5}))
    return drive_port.run_on_port(PORT, program, end=end, is_armed=True, sources=sources)


def test_a_program_that_ran_is_reported(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    port = Moving(ends=Transmission(71, late=1, worst_late_ns=1_500_000, is_over=True))
    assert sent(port, monkeypatch) == 0
    said = capsys.readouterr()
    assert said.out == "71 frames sent, 1 late, 0 skipped, worst lateness 1.500 ms\n"
    assert said.err.splitlines()[-1].endswith(" s; any key stops")


@pytest.mark.parametrize(
    ("end", "again"), [(EndState.HOLD, "; in the hold at the end a second key"), (EndState.SILENCE, "")]
)
def test_a_key_stops_it(
    end: EndState, again: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    port = Moving()
    assert sent(port, monkeypatch, end=end, key_at=3) == 130
    said = capsys.readouterr()
    assert said.out.startswith("40 frames sent, ")
    assert said.err.splitlines()[-1].endswith(f" s; any key stops{again}")


def test_a_port_is_looked_at_before_it_sends(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    port = Moving(ends=Transmission(71, is_over=True))
    port.says(EventKind.WARNING, "it has no parity")
    assert sent(port, monkeypatch) == 0
    said = capsys.readouterr().err.splitlines()
    assert said.index("/dev/ttyHERON: it has no parity") < len(said) - 1
    port = Moving()
    port.says(EventKind.UNPLUGGED, "it is gone")
    with pytest.raises(PortError, match="the port was unplugged"):
        sent(port, monkeypatch)
    assert port.given == []


@pytest.mark.parametrize("is_lost", [False, True])
def test_a_terminal_shows_how_it_goes_from_the_first_frame_on(
    is_lost: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(progress, "is_terminal", lambda: True)
    monkeypatch.setattr(progress, "SHOW_S", 0)
    now_ns = 0

    class Unplugged(Moving):
        def read(self, timeout_s: float) -> list[Chunk]:
            if is_lost and len(self.waits) == 14:
                raise PortError("/dev/ttyHERON", "is gone")
            return super().read(timeout_s)

    port = Unplugged()

    def any_key(seconds: float) -> bool:
        nonlocal now_ns
        now_ns += 250_000_000
        return len(port.waits) >= 13

    receiver = Receiver(port)
    run = SendingRun(receiver, Counting(7), now_ns=lambda: now_ns)
    with pytest.raises(PortError) if is_lost else nullcontext():
        follow(run, receiver, any_key=any_key, period_s=0.007, when_sending=lambda: print("driving", file=sys.stderr))
    shown = [f"\r{sent}, 0 late, 0 skipped" for sent in ("0.0 s, 0 frames", "0.3 s, 40 frames", "0.3 s, 40 frames")]
    counted = "".join(f"moving in {seconds} s; any key cancels\n" for seconds in (3, 2, 1))
    assert capsys.readouterr().err == f"{counted}driving\n{''.join(shown)}\r"


def test_the_seconds_of_a_second_run_are_counted_too(capsys: pytest.CaptureFixture[str]) -> None:
    lines = RunLines(0.007)
    for left_s in (1.5, 1.5, 0.9, 0.0):
        lines.show(SimpleNamespace(state=RunState.COUNTING, left_s=left_s, is_sending=False))  # type: ignore[arg-type]
    lines.clear()
    lines.show(SimpleNamespace(state=RunState.COUNTING, left_s=3.0, is_sending=False))  # type: ignore[arg-type]
    lines.show(SimpleNamespace(state=RunState.STOPPING, left_s=2.0, is_sending=False))  # type: ignore[arg-type]
    assert capsys.readouterr().err.splitlines() == [f"moving in {seconds} s; any key cancels" for seconds in (2, 1, 3)]


def test_a_key_before_it_sends_nothing(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    port = Moving()
    assert sent(port, monkeypatch, key_at=1) == 130
    said = capsys.readouterr()
    assert (said.out, said.err.splitlines()[-1], port.given) == ("", "cancelled; nothing was sent", [])


@pytest.mark.parametrize("is_interrupted", [False, True], ids=["", "Ctrl-C"])
def test_a_port_that_is_lost_leaves_the_surfaces_unknown(
    is_interrupted: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    port = Moving(ends=Transmission(12, is_over=True, reason="the port is gone"))
    with pytest.raises(PortError) as caught:
        sent(port, monkeypatch, is_interrupted=is_interrupted)
    assert str(caught.value) == (
        "/dev/null: the port is gone: see to the port, then start again: the positions of the surfaces are not known"
    )
    assert capsys.readouterr().out.startswith("12 frames sent, ")

    class Shut(Moving):
        def transmit(self, source: FrameSource) -> None:
            raise PortError("/dev/null", "takes no frames")

    with pytest.raises(PortError) as caught:
        sent(Shut(), monkeypatch)
    assert str(caught.value) == "/dev/null: takes no frames: see to the port, then start again"
    assert capsys.readouterr().out == ""


def test_a_program_that_ran_can_be_interrupted_while_the_port_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(KeyboardInterrupt):
        sent(Moving(ends=Transmission(71, is_over=True)), monkeypatch, is_interrupted=True)


def test_result() -> None:
    how = Transmission(frames=143, late=2, skipped=1, worst_late_ns=1_204_400, is_over=True)
    assert how.result_text == "143 frames sent, 2 late, 1 skipped, worst lateness 1.204 ms"
