"""Arming: nothing reaches a port before all has been said."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from busbench.bench.safety import CAUTIONS, FAULT_CAUTION
from busbench.cli import drive_port
from busbench.cli.drive import command
from busbench.cli.drive_port import count_down
from busbench.cli.keys import AnyKey
from busbench.port.pacer import result_line
from busbench.port.port import Transmission

pytestmark = pytest.mark.usefixtures("wide")

PORT = "/dev/null"


@pytest.fixture(autouse=True)
def _no_port_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(port: str) -> None:
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


def test_nothing_without_a_keyboard() -> None:
    assert str(run("--no-motor", "--arm").exception) == (
        "/dev/null: nothing was sent, since standard input is not a terminal and no key could stop it:"
        " run it in a terminal, or send it to virtual: or a file"
    )


def keys(*pressed: bool) -> AnyKey:
    left: Iterator[bool] = iter(pressed)

    def any_key(seconds: float) -> bool:
        assert seconds == 1.0
        return next(left)

    return any_key


@pytest.mark.parametrize("pressed", [(True,), (False, True), (False, False, True), (False, False, False)])
def test_any_key_ends_the_countdown(pressed: tuple[bool, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert count_down(keys(*pressed)) is not pressed[-1]
    said = [f"moving in {seconds} s; any key cancels" for seconds in (3, 2, 1)]
    assert capsys.readouterr().err.splitlines() == said[: len(pressed)]


def test_an_interrupt_ends_it_too() -> None:
    def any_key(seconds: float) -> bool:
        raise KeyboardInterrupt

    assert not count_down(any_key)


def test_result() -> None:
    how = Transmission(frames=143, late=2, skipped=1, worst_late_ns=1_204_400, is_over=True)
    assert result_line(how) == "143 frames sent, 2 late, 1 skipped, worst lateness 1.204 ms"
