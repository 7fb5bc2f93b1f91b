"""Arming: nothing reaches a port before all has been said."""

from collections.abc import Iterator

import pytest
from click.testing import CliRunner, Result

from busbench.cli import drive_port
from busbench.cli.drive import command
from busbench.cli.drive_port import CAUTIONS, FAULT_CAUTION, Sent, count_down_and_send, run_on_port
from busbench.cli.keys import AnyKey
from busbench.drive.frames import EndState
from busbench.drive.source import DriveSource
from busbench.errors import DriveError
from tests.drive.helpers import make

PORT = "/dev/ttyHERON"
PROGRAM = make({"channel": 1, "shape": "hold", "level": 1000, "duration": 1})


def never(port: str, source: DriveSource, any_key: AnyKey) -> Sent:
    raise AssertionError("something was sent")


def run(*args: str) -> Result:
    return CliRunner().invoke(command, ["sweep", "--channel", "1", "--period", "4", "--to", PORT, *args])


def test_cautions_come_first_then_the_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drive_port, "_transmit", never)
    result = run("--arm")
    assert str(result.exception) == (
        f"{PORT}: nothing was sent, since it is not said which channel drives a motor:"
        " give --motor CH for each, or --no-motor if there is none"
    )
    for line in CAUTIONS:
        assert line in result.stderr.splitlines()
    assert FAULT_CAUTION not in result.stderr.splitlines()
    assert FAULT_CAUTION in run("--arm", "--failsafe", "1:1").stderr.splitlines()


def test_nothing_without_arm(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drive_port, "_transmit", never)
    monkeypatch.setattr(drive_port, "has_keyboard", lambda: True)
    result = run("--motor", "3")
    assert str(result.exception) == (
        f"{PORT}: nothing was sent, since it is not armed: see to the cautions above, then add --arm"
    )
    assert "channel 3 (motor): locked at -100.0 % (173 counts)" in result.stderr.splitlines()


def test_nothing_without_a_keyboard() -> None:
    with pytest.raises(DriveError) as caught:
        run_on_port(PORT, PROGRAM, end=EndState.NEUTRAL, is_armed=True, names_motor=True, transmit=never)
    assert str(caught.value) == (
        f"{PORT}: nothing was sent, since standard input is no terminal and so no key could stop it:"
        " run it in a terminal, or send it to virtual: or a file"
    )


def keys(*pressed: bool) -> AnyKey:
    left: Iterator[bool] = iter(pressed)

    def any_key(seconds: float) -> bool:
        assert seconds == 1.0
        return next(left)

    return any_key


@pytest.mark.parametrize("pressed", [(True,), (False, True), (False, False, True)])
def test_any_key_in_the_countdown_cancels(pressed: tuple[bool, ...], capsys: pytest.CaptureFixture[str]) -> None:
    code = count_down_and_send(PORT, PROGRAM, end=EndState.NEUTRAL, any_key=keys(*pressed), transmit=never)
    assert code == 130
    said = [f"moving in {seconds} s; any key cancels" for seconds in (3, 2, 1)][: len(pressed)]
    assert capsys.readouterr().err.splitlines() == [*said, "cancelled; nothing was sent"]


@pytest.mark.parametrize(("is_stopped", "code", "how"), [(False, 0, "done"), (True, 130, "stopped by a key")])
def test_after_the_countdown_it_is_sent(
    is_stopped: bool, code: int, how: str, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[str] = []

    def transmit(port: str, source: DriveSource, any_key: AnyKey) -> Sent:
        asked.append(port)
        assert len(source.next_frame() or b"") == 25
        return Sent(143, 2, 1, 0.0012044, is_stopped)

    any_key = keys(False, False, False)
    assert count_down_and_send(PORT, PROGRAM, end=EndState.NEUTRAL, any_key=any_key, transmit=transmit) == code
    assert asked == [PORT]
    assert capsys.readouterr().out == f"{how}: 143 frames sent, 2 late, 1 skipped, worst lateness 1.204 ms\n"
