"""`virtual:RIG` from the command line: verify, record, drive and watch on an aircraft with faults."""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest.mock import patch

import pytest

from busbench.cli import keys
from busbench.cli.drive import command as drive_command
from busbench.cli.record import command as record_command
from busbench.cli.simulate import _aircraft, fly
from busbench.cli.simulate import command as simulate_command
from busbench.cli.verify import command as verify_command
from busbench.cli.watch import faults_of
from busbench.errors import BusbenchError
from tests.cli.running import CAPTURES, invoke, refusal_of

pytestmark = pytest.mark.usefixtures("wide")

HERON = CAPTURES / "heron.toml"
SOURCE = f"virtual:{HERON}"


def test_without_a_terminal_the_pilot_goes_through_and_a_good_aircraft_passes() -> None:
    result = invoke(verify_command, SOURCE)
    assert result.exit_code == 0, result.output
    assert re.search(r"Heron: PASS \(\d+ passed, 0 failed, 0 not tested\)", result.stdout)
    said = result.stderr.splitlines()
    assert said[0] == "A rehearsal on a virtual aircraft, with a virtual pilot: nothing real is checked."
    steps = [line for line in said if " of 14: " in line]
    assert steps[-1].startswith("14 of 14: Optional: leave all controls alone, and switch the transmitter on")
    assert len(steps) == 14
    assert said[-1].startswith("  pass: ")


def test_the_same_words_give_the_same_result_and_the_kept_round_the_same_checks(tmp_path: Path) -> None:
    faults = ("--fault", "sent-on:rudder", "--fault", "dead:left flap", "--format", "json")
    first, second = (
        invoke(verify_command, SOURCE, *faults, "--keep", tmp_path / name) for name in ("a.pcapng", "b.pcapng")
    )
    assert first.exit_code == 1
    assert first.stdout == second.stdout
    assert f"busbench: wrote {tmp_path / 'a.pcapng'} (recording of the test sequence)" in first.stderr.splitlines()
    assert "dead:left flap is not seen on the bus; walk: right surface, no: nothing moves" in first.stderr
    assert invoke(verify_command, tmp_path / "a.pcapng", "--rig", HERON, "--format", "json").stdout == first.stdout
    alone = tmp_path / "c.pcapng"
    recorded = invoke(record_command, f"{SOURCE}?speed=max", "-o", alone, "--fault", "sent-on:rudder")
    assert recorded.exit_code == 0, recorded.output
    assert f'busbench: "{SOURCE}?speed=max": rudder stick' in recorded.stderr
    again = json.loads(invoke(verify_command, alone, "--rig", HERON, "--format", "json").stdout)
    assert again["checks"] == json.loads(first.stdout)["checks"]


def test_a_page_keeps_its_round_beside_it(tmp_path: Path) -> None:
    page, kept = tmp_path / "heron.html", tmp_path / "heron.pcapng"
    assert invoke(verify_command, SOURCE, "--report", page).exit_code == 0
    text = page.read_text(encoding="utf-8")
    assert hashlib.sha256(kept.read_bytes()).hexdigest() in text
    assert ", kept as heron.pcapng</dd>" in text
    assert str(tmp_path) not in text  # no folders of this computer
    assert "it says nothing about a real one" in text
    page.unlink()
    assert refusal_of(verify_command, SOURCE, "--report", page).startswith(f"{kept}: file exists already")


def test_at_a_terminal_each_step_waits_for_a_key(monkeypatch: pytest.MonkeyPatch) -> None:
    typed = iter([*"\n\nb\nkbe"])

    @contextlib.contextmanager
    def read_keys() -> Iterator[keys.ReadKey]:
        yield lambda seconds: next(typed) if seconds else ""  # while the pilot is at it keys are only looked for

    monkeypatch.setattr(keys, "has_keyboard", lambda: True)
    monkeypatch.setattr(keys, "read_keys", read_keys)
    result = invoke(verify_command, SOURCE, "--fault", "sent-short:left aileron")
    assert "listening" not in result.stderr  # a step takes the pilot no time
    assert result.exit_code == 1
    assert "2 of 14: Move" in result.stderr
    assert "[Enter] begin  [k] skip  [b] back  [e] end" in result.stderr
    assert 'repeat "aileron stick": channel 1 (left aileron): low end: reached 501 counts' in result.stderr
    assert "b goes back there; the step done last takes the place of the former" in result.stderr
    assert result.stderr.count("2 of 14: ") == 2  # asked for again
    assert result.stderr.count("3 of 14: ") == 3  # before that, then skipped, then gone back to
    assert "FAIL: channel 1 (left aileron): high end: reached 1483 counts" in result.stderr
    assert "when it is back at rest" not in result.stderr
    assert "  channel 6 (rudder)" in result.stdout.partition("NOT TESTED")[2].partition("FAILED")[0]


def test_findings_of_a_step_are_said_once_however_often_one_goes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    typed = iter([*"\n\nkbbbbe"])

    @contextlib.contextmanager
    def read_keys() -> Iterator[keys.ReadKey]:
        yield lambda seconds: next(typed) if seconds else ""

    monkeypatch.setattr(keys, "has_keyboard", lambda: True)
    monkeypatch.setattr(keys, "read_keys", read_keys)
    said = invoke(verify_command, SOURCE, "--fault", "sent-short:left flap").stderr.splitlines()
    assert [line[:40].strip() for line in said if "pass:" in line] == ["pass: 9 checks", "pass: 12 checks"]
    assert [line.split(":")[0] for line in said if " of 14: " in line] == [
        "1 of 14", "2 of 14", "3 of 14", "4 of 14", "3 of 14", "2 of 14", "1 of 14",
    ]  # fmt: skip


def test_the_plan_may_be_another_than_the_aircraft(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(HERON.read_text().replace("period_ms = 15.0", "period_ms = 14.0"), encoding="utf-8")
    result = invoke(verify_command, SOURCE, "--rig", plan)
    assert result.exit_code == 1
    assert "a frame every 15.0000 ms on average, planned 14 ms" in result.stdout
    assert invoke(verify_command, "virtual:", "--rig", HERON).exit_code == 0  # the plan itself


def test_faults_go_into_virtual_aircraft_alone() -> None:
    port = ("/dev/ttyHERON", "--rig", HERON, "--fault", "jitter")
    assert "--fault: works with virtual:RIG only" in refusal_of(verify_command, *port)
    assert "--fault: works with virtual:RIG only" in refusal_of(verify_command, "virtual:?seed=3", *port[1:])
    recording = CAPTURES / "heron-round.pcapng"
    assert "--fault: works with virtual:RIG only" in refusal_of(verify_command, recording, *port[1:])
    assert "no device is named" in refusal_of(verify_command, SOURCE, "--fault", "sent-on:ruder")
    assert "file not found" in refusal_of(verify_command, "virtual:none.toml")
    shape = ("sweep", "--channel", "6", "--to")
    assert "--fault: works with --to virtual:RIG only" in refusal_of(
        drive_command, *shape, "virtual:", "--fault", "dead:rudder"
    )


def test_drive_moves_an_aircraft_with_faults() -> None:
    shape = ("sweep", "--channel", "6", "--period", "4", "--to", SOURCE)
    sound = invoke(drive_command, *shape).stdout.splitlines()
    dead = invoke(drive_command, *shape, "--fault", "dead:rudder").stdout.splitlines()
    assert len({line.split()[2] for line in sound[1:-1]}) > 3
    assert {line.split()[2] for line in dead[1:-1]} == {"+0.0"}
    weak = invoke(drive_command, *shape, "--fault", "brown-out::2").stdout
    assert "the receiver has too little voltage (4.0 V) and restarts" in weak


def test_watch_takes_faults_for_what_it_watches() -> None:
    assert [str(one) for one in faults_of(("dead:rudder",), source=SOURCE, rig=None)] == ["dead:rudder"]
    assert [str(one) for one in faults_of(("jitter",), source="virtual:", rig=str(HERON))] == ["jitter"]
    assert faults_of((), source=None, rig=None) == ()
    for source in (None, "/dev/ttyHERON", "virtual:"):
        with pytest.raises(BusbenchError, match="works with virtual:RIG only"):
            faults_of(("jitter",), source=source, rig=None if source == "virtual:" else str(HERON))


def test_simulate_flies_the_round_of_an_aircraft_once_from_when_it_is_heard() -> None:
    class Ear:
        """A user who listens at once."""

        name = "ear"
        warning = ""

        def __init__(self) -> None:
            self.heard = 0

        def is_heard(self) -> bool:
            asked.append("is it heard")
            return True

        def write(self, data: bytes, *, waits_while: Callable[[], bool] | None = None) -> None:
            assert waits_while is not None
            assert waits_while()
            self.heard += len(data)

        def close(self) -> None:
            self.name = "closed"

    asked: list[str] = []
    ear, port = Ear(), _aircraft(str(HERON), (), {"seed": "1"}, is_fast=True)
    with patch.object(port, "restart", lambda: asked.append("start")):
        fly(port, ear)
    assert (ear.heard, ear.name) == (3513 * 28, "closed")
    assert asked[:3] == ["is it heard", "start", "is it heard"]
    assert "--jitter: cannot be combined with --rig" in refusal_of(simulate_command, "--rig", HERON, "--jitter", "1ms")
    assert "works with --rig only" in refusal_of(simulate_command, "--fault", "jitter")
