"""Arming: nothing reaches a port before all has been said."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from busbench.bench.drive_run import Outcome, SendingRun
from busbench.bench.receiver import Receiver
from busbench.bench.safety import CAUTIONS, FAULT_CAUTION
from busbench.cli import drive_port
from busbench.cli.drive import command
from busbench.cli.drive_port import follow
from busbench.line import BUS_LINE, Chunk
from busbench.port.port import FrameSource, HearingPort, Transmission
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
    assert [line[:4] for line in lines[at + 1 : at + 7]] == ["  - "] * 6


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


def test_result() -> None:
    how = Transmission(frames=143, late=2, skipped=1, worst_late_ns=1_204_400, is_over=True)
    assert how.result_text == "143 frames sent, 2 late, 1 skipped, worst lateness 1.204 ms"
