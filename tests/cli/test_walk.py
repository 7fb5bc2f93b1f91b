"""`walk` as a builder lives it: rehearsals with typed keys, a killed one taken up again, and a real port's rules."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from busbench.bench.receiver import Receiver
from busbench.bench.safety import CAUTIONS
from busbench.bench.sources import open_live
from busbench.bench.surface_plan import begin_walk, plan_walk
from busbench.bench.surface_session import SurfaceSession, WalkState
from busbench.cli import keys
from busbench.cli.choices import read_line
from busbench.cli.keys import GONE, ReadKey
from busbench.cli.walk import WalkTexts, command
from busbench.drive.surface_check import Ended, SurfacePhase
from busbench.errors import PortLost
from busbench.line import BUS_LINE, Chunk
from busbench.port.port import EventKind, HearingPort, PortEvent
from busbench.rig.load import parse_rig, read_rig
from busbench.verify.stations import stations_of
from tests.cli.running import CAPTURES, SMALL, invoke, refusal_of
from tests.drive.helpers import counts_of
from tests.port.ends import Wire

pytestmark = pytest.mark.usefixtures("wide")

HERON = CAPTURES / "heron.toml"


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    return path


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Keys typed when busbench waits for one; put them in before the command runs."""
    left: list[str] = []

    def read(seconds: float) -> str:
        return left.pop(0) if seconds else ""  # while a virtual aircraft moves, keys are only looked for

    @contextlib.contextmanager
    def read_keys() -> Iterator[ReadKey]:
        yield read

    monkeypatch.setattr(keys, "has_keyboard", lambda: True)
    monkeypatch.setattr(keys, "read_keys", read_keys)
    return left


run, refusal = partial(invoke, command), partial(refusal_of, command)


def test_a_rehearsal_all_yes(rig: Path, typed: list[str], tmp_path: Path) -> None:
    typed += [*"\nyyyy", "\n", *"yytok", "\n", *"yy", "\n"]
    answers = tmp_path / "answers.json"
    result = run("virtual:", "--rig", rig, "--answers", answers)
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == [
        "device        channel  right surface  right way  full throw  smooth  state",
        "left aileron  1        yes            yes        yes         yes     done",
        "rudder        2        yes            yes        yes         yes     done",
        "  note: ok",
        "not walked: sustainer: can turn a propeller, so its channel is locked",
        "all 2 walked, every answer yes",
    ]
    said = result.stderr.splitlines()
    assert (said[0], said[-1]) == (f"Heron: 2 to walk, answers go to {answers}", f"busbench: wrote {answers} (answers)")
    assert said[2:6] == [
        "1 of 2: left aileron, channel 1, up first  [Enter] move  [k] skip  [t] note  [e] end",
        "moving left aileron: up first; any key stops",
        "  left aileron moved up (arm 45°), then down (arm 45°)",
        "Did left aileron move, and nothing else?  [y] yes  [n] no  [r] repeat  [k] skip  [t] note  [e] end",
    ]
    assert "  rudder moved 20° right, then 20° left" in said
    saved = json.loads(answers.read_text(encoding="utf-8"))
    assert saved["is_rehearsal"] is True
    assert [(device["channel"], device["state"], device["note"]) for device in saved["devices"]] == [
        (1, "done", ""), (2, "done", "ok"),
    ]  # fmt: skip
    assert saved["devices"][1]["moves"][0]["seen"] == ["rudder moved 20° right, then 20° left"]
    assert saved["not_walked"][0]["name"] == "sustainer"


def test_a_long_note_goes_on_below_its_line(rig: Path, typed: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busbench.cli.output.WIDTH", 80)
    typed += [*"\nyyyyt", *("it hums " * 11), "\n", *"\nyyyy", "\n"]
    lines = run("virtual:", "--rig", rig).stdout.splitlines()
    assert lines[3:5] == [f"  note: {'it hums ' * 9}".rstrip(), "    it hums it hums"]


def test_without_a_terminal_lines_answer(rig: Path) -> None:
    lines = "\ny\nyes\nYES\ny\n\ny\nn\nt\nit hums\ny\ny\n\n"
    result = run("virtual:", "--rig", rig, stdin=lines)
    assert result.exit_code == 1
    assert result.stdout.splitlines()[1:4] == [
        "left aileron  1        yes            yes        yes         yes     done",
        "rudder        2        yes            NO         yes         yes     done",
        "  note: it hums",
    ]


def test_every_answer_is_told_as_it_was_taken(rig: Path) -> None:
    result = run("virtual:", "--rig", rig, stdin="\nn\ny\nk\nk\n\n")
    said = result.stderr.splitlines()
    assert said[0] == "Heron: 2 to walk, a rehearsal, whose answers are not kept"
    told = ["  right surface: no", "  right way: yes", "  left aileron: skipped", "  rudder: skipped"]
    assert [line for line in said if line in told] == told
    assert max(map(len, result.stdout.splitlines())) <= 80


@pytest.mark.parametrize("pressed", [[*"\nyyyye"], [*"kk\n"], [*"\nnyyy", *"\nyyyy", "\n"], [*"\nyyyy", GONE]])
def test_a_no_a_skip_and_a_gap_fail(pressed: list[str], rig: Path, typed: list[str]) -> None:
    typed += pressed
    answers = rig.with_name("answers.json")
    result = run("virtual:", "--rig", rig, "--answers", answers)
    assert (result.exit_code, typed) == (1, [])
    assert result.stderr.endswith(f"busbench: wrote {answers} (answers); go on later with --resume\n")


@pytest.mark.parametrize(
    ("fault", "seen"),
    [
        ("reversed:rudder", ["  rudder moved 20° left, then 20° right"]),
        ("dead:rudder", ["  nothing moved"]),
        ("stalled:rudder", ["  nothing moved"]),
        ("wrong-channel:left aileron:2",
         ["  left aileron moved up (arm 45°), then down (arm 45°)", "  rudder moved 20° right, then 20° left"]),
    ],
)  # fmt: skip
def test_a_faulty_aircraft_is_told_as_it_is_seen(fault: str, seen: list[str], rig: Path, typed: list[str]) -> None:
    typed += [*"k\ne"]
    said = run("virtual:", "--rig", rig, "--fault", fault).stderr.splitlines()
    at = said.index("moving rudder: right first; any key stops")
    end = next(at for at, words in enumerate(said) if words.startswith("This was a rehearsal"))
    assert said[at + 1 : end - 1] == seen
    assert said[end] == "This was a rehearsal on a virtual aircraft with 1 fault built in: 0 found."


def test_another_plan_can_be_the_aircraft(rig: Path, typed: list[str], tmp_path: Path) -> None:
    built = tmp_path / "built.toml"
    built.write_text(SMALL.replace("channel = 2", "channel = 2\nreversed = true"), encoding="utf-8")
    typed += [*"k\ne"]
    assert "  rudder moved 20° left, then 20° right" in run(f"virtual:{built}", "--rig", rig).stderr.splitlines()


def test_the_heron_is_announced_by_its_plan() -> None:
    stops, left_out = stations_of(read_rig(HERON))
    assert [stop.announced for stop in stops] == [
        "left aileron, channel 1, up first",
        "right aileron, channel 2, up first (mounted mirrored)",
        "left flap, channel 3, down first",
        "right flap, channel 4, down first (reversed and mounted mirrored)",
        "left elevator + right elevator, channel 5, up first (right elevator reversed and mounted mirrored)",
        "rudder, channel 6, right first",
        "gear, channel 7, out first",
        "tow release, channel 17, open first",
    ]
    assert [stop.is_high_first for stop in stops] == [False, True, True, True, True, True, True, True]
    assert (stops[5].low, stops[5].neutral, stops[5].high) == (123, 1024, 1925)
    assert left_out == (
        ("sustainer", "can turn a propeller, so its channel is locked"),
        ("pack voltage", "a sensor"),
    )


def test_devices_that_part_on_one_channel_are_told_apart() -> None:
    (stop,), _ = stations_of(
        parse_rig(SMALL.split("[[device]]", maxsplit=1)[0] + '[[device]]\nname = "left elevator"\nchannel = 5\n'
                  '[[device]]\nname = "right elevator"\nchannel = 5\nmounting = "mirrored"\ntravel_pct = 60\n')
    )  # fmt: skip
    assert stop.announced == (
        "left elevator + right elevator, channel 5, left elevator up, right elevator down first"
        " (right elevator mounted mirrored; on one channel, though the plan does not group them)"
    )
    assert (stop.low, stop.high) == (501, 1483)  # the smaller travel of the two


def test_refusals(rig: Path, typed: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert refusal("virtual:") == ("--rig: missing: name the rig file; `busbench rig new` writes one to start from")
    there = tmp_path / "there.json"
    there.write_text("precious")
    assert refusal("virtual:", "--rig", rig, "--answers", there) == (
        f"{there}: file exists already: go on with it by --resume, or name another by --answers"
    )
    assert there.read_text() == "precious"
    assert refusal("virtual:", "--rig", rig, "--answers", there, "--resume").startswith(
        f"{there}: line 1, column 1 is not JSON"
    )
    assert refusal("virtual:", "--rig", rig, "--resume") == (
        "--resume: needs --answers in a rehearsal: name the file to go on with"
    )
    nowhere = tmp_path / "no" / "a.json"
    assert refusal("virtual:", "--rig", rig, "--answers", nowhere) == (f"{nowhere}: folder not found: make it first")
    assert refusal("virtual:", "--rig", rig, "--fault", "lame:rudder").startswith('--fault: "lame" is not known')
    assert refusal("/dev/ttyHERON", "--rig", rig, "--fault", "dead:rudder") == (
        "--fault: works with virtual: only: leave it out"
    )
    empty = tmp_path / "empty.toml"
    empty.write_text(SMALL.split("[[device]]", maxsplit=1)[0])
    assert refusal("virtual:", "--rig", empty).startswith(f"{empty}: has nothing to walk")


def test_a_real_port_wants_cautions_arming_and_a_keyboard(
    rig: Path, typed: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    result = run("/dev/null", "--rig", rig)
    assert str(result.exception) == (
        "/dev/null: nothing was sent, since it is not armed: read the cautions above, then add --arm"
    )
    lines = result.stderr.splitlines()
    assert lines[:4] == [
        "Heron: one after another, each after a word from you, all other channels held:",
        "  left aileron, channel 1, up first: -100.0 to +100.0 % (173 to 1811 counts)",
        "  rudder, channel 2, right first: -100.0 to +100.0 % (173 to 1811 counts)",
        "  sustainer is not walked: can turn a propeller, so its channel is locked",
    ]
    assert lines[5 : 5 + len(CAUTIONS)] == list(CAUTIONS)
    monkeypatch.setattr(keys, "has_keyboard", lambda: False)
    assert "standard input is not a terminal" in refusal("/dev/null", "--rig", rig, "--arm")


def test_answers_of_a_rehearsal_do_not_pass_for_a_walk(rig: Path, typed: list[str], tmp_path: Path) -> None:
    answers = tmp_path / "answers.json"
    typed += [*"\nye"]
    run("virtual:", "--rig", rig, "--answers", answers)
    assert refusal("/dev/null", "--rig", rig, "--arm", "--answers", answers, "--resume") == (
        f"{answers}: holds answers of a rehearsal, not of a real walk:"
        " move it away, or name another by `busbench walk --answers`"
    )


def test_no_file_is_kept_without_an_answer(rig: Path, typed: list[str], tmp_path: Path) -> None:
    answers = tmp_path / "answers.json"
    typed += ["e"]
    result = run("virtual:", "--rig", rig, "--answers", answers)
    assert (result.exit_code, answers.exists()) == (1, False)
    assert result.stderr.splitlines()[-1] == "nothing was answered, so no answers are kept"


def test_a_note_is_typed_with_single_keys(capsys: pytest.CaptureFixture[str]) -> None:
    pieces = iter(["st", "\x1b[D", "ifx\x7ff", " é\n"])
    assert read_line("note: ", lambda seconds: next(pieces)) == "stiff é"
    assert read_line("note: ", lambda seconds: "\x1b") == ""
    assert capsys.readouterr().err.startswith("note: stifx\b \bf é\n")


class Rehearsed:
    """A walk of the small plan, whose keys a function of the session gives; its clock goes on with each look."""

    def __init__(self, key: Callable[[SurfaceSession], str]) -> None:
        plan = plan_walk(parse_rig(SMALL), rig_path="small.toml", port="virtual:")
        now = itertools.count(0, 100_000_000)
        self.session = SurfaceSession(plan.rehearsal(), begin_walk(plan), is_fast=True, now_ns=lambda: next(now))
        texts = WalkTexts(self.session, None, read_key=lambda seconds: key(self.session))
        self.is_interrupted = texts.go()


def test_ctrl_c_stops_a_motion_and_ends_a_walk_that_rests(capsys: pytest.CaptureFixture[str]) -> None:
    def key(session: SurfaceSession) -> str:
        if session.is_moving or session.walk.phase is SurfacePhase.STOPPED:
            raise KeyboardInterrupt
        return "\r" if session.walk.phase is SurfacePhase.READY else ""

    walk = Rehearsed(key)
    assert walk.is_interrupted
    assert walk.session.walk.phase is SurfacePhase.STOPPED
    assert [move.ended for move in walk.session.walk.entries[0].moves] == [Ended.STOPPED]


@pytest.mark.parametrize(
    ("pressed", "phase"), [("s", SurfacePhase.STOPPED), ("e", SurfacePhase.OVER), (GONE, SurfacePhase.OVER)]
)
def test_any_key_stops_a_motion_and_some_end_the_walk(pressed: str, phase: SurfacePhase) -> None:
    def key(session: SurfaceSession) -> str:
        if session.is_moving:
            return pressed
        seen.append(session.walk.phase)
        return {SurfacePhase.READY: "\r", SurfacePhase.STOPPED: "e"}.get(session.walk.phase, "")

    seen: list[SurfacePhase] = []
    walk = Rehearsed(key)
    assert not walk.is_interrupted
    assert (SurfacePhase.STOPPED in seen) == (phase is SurfacePhase.STOPPED)
    assert [move.ended for move in walk.session.walk.entries[0].moves] == [Ended.STOPPED]


def test_a_prompt_is_shown_when_it_changes_and_after_a_note(capsys: pytest.CaptureFixture[str]) -> None:
    keys = iter(["", "", "t", "a", "\n", "", "\r", "", "", "x", "y", "", "e"])

    def key(session: SurfaceSession) -> str:
        return "" if session.is_moving else next(keys)

    assert not Rehearsed(key).is_interrupted
    ready = "1 of 2: left aileron, channel 1, up first  [Enter] move  [k] skip  [t] note  [e] end"
    assert capsys.readouterr().err.splitlines() == [
        ready, "note: a", ready, "moving left aileron: up first; any key stops",
        "  left aileron moved up (arm 45°), then down (arm 45°)",
        "Did left aileron move, and nothing else?  [y] yes  [n] no  [r] repeat  [k] skip  [t] note  [e] end",
        "  right surface: yes",
        "Did it go up first, then down?  [y] yes  [n] no  [r] repeat  [k] skip  [b] back  [t] note  [e] end",
    ]  # fmt: skip


class Lost(HearingPort):
    """A port that is lost when it is read."""

    def read(self, timeout_s: float) -> list[Chunk]:
        raise PortLost(self.source, "its child is gone", hint="start again")


def test_why_a_walk_lost_its_port_is_kept_without_its_name() -> None:
    plan = plan_walk(parse_rig(SMALL), rig_path="small.toml", port="/dev/ttyHERON")
    receiver = Receiver(Lost("/dev/ttyHERON", line=BUS_LINE))
    session = SurfaceSession(receiver, begin_walk(plan))
    assert not WalkTexts(session, receiver, read_key=lambda seconds: "").go()
    assert session.lost == "its child is gone"


class Noisy(HearingPort):
    """A port that reports one event of each kind but that it is unplugged."""

    def __init__(self) -> None:
        super().__init__("/dev/ttyHERON", line=BUS_LINE)
        self._events = [PortEvent(0, kind, f"it is {kind}") for kind in EventKind if kind is not EventKind.UNPLUGGED]

    def read(self, timeout_s: float) -> list[Chunk]:
        return []


def test_a_walk_says_what_a_port_warns_of_and_no_more(capsys: pytest.CaptureFixture[str]) -> None:
    plan = plan_walk(parse_rig(SMALL), rig_path="small.toml", port="/dev/ttyHERON")
    receiver = Receiver(Noisy())
    session = SurfaceSession(receiver, begin_walk(plan))
    assert not WalkTexts(session, receiver, read_key=lambda seconds: "e").go()
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("/dev/ttyHERON")]
    assert said == [f"/dev/ttyHERON: it is {EventKind.WARNING}"]


class Terminal:
    """A command in a pseudo-terminal."""

    def __init__(self, *args: object) -> None:
        self.master, slave = os.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "busbench", *map(str, args)],
            stdin=slave, stdout=slave, stderr=slave, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
        os.close(slave)
        self.text = ""

    def until(self, said: str) -> None:
        """Read until something was said since the last time."""
        while said not in self.text:
            assert select.select([self.master], [], [], 20.0)[0], self.text
            self.text += os.read(self.master, 4096).decode()
        self.text = self.text.partition(said)[2]

    def answer(self, key: str, said: str) -> None:
        """Type, and wait for what follows."""
        os.write(self.master, key.encode())
        self.until(said)

    def close(self) -> int:
        """Read the rest; the exit code."""
        with contextlib.suppress(OSError):
            while data := os.read(self.master, 4096):
                self.text += data.decode()
        os.close(self.master)
        return self.process.wait(20)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_killed_walk_loses_the_open_question_at_most(rig: Path, tmp_path: Path) -> None:
    answers = tmp_path / "answers.json"
    walk = Terminal("walk", "virtual:", "--rig", rig, "--answers", answers)
    walk.until("1 of 2: left aileron")
    walk.answer("\r", "Did left aileron move")
    walk.answer("y", "Did it go up first")
    walk.answer("n", "full throw")
    walk.process.send_signal(signal.SIGKILL)
    assert walk.close() == -signal.SIGKILL
    device = json.loads(answers.read_text(encoding="utf-8"))["devices"][0]
    assert device["answers"] == {"right_surface": True, "right_way": False, "full_throw": None, "smooth": None}
    assert len(device["moves"]) == 1
    again = Terminal("walk", "virtual:", "--rig", rig, "--answers", answers, "--resume")
    again.until("1 of 2: left aileron, channel 1, up first; 2 of 4 questions answered")
    again.answer("a", "full throw")
    again.answer("y", "smoothly")
    again.answer("y", "2 of 2: rudder")
    again.answer("\x04", "left aileron  1        yes            NO         yes         yes     done")
    assert again.close() == 1


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_guided_check_takes_the_same_keys_without_enter() -> None:
    check = Terminal("verify", f"virtual:{HERON}")
    check.until("1 of 14: Leave all controls alone.  [Enter] begin  [k] skip  [e] end")
    check.answer("k", "2 of 14: ")
    check.answer("b", "1 of 14: ")
    check.answer("\r", "2 of 14: ")
    check.answer("e", "Heron: NOT TESTED")
    assert check.close() == 1


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_key_ramps_back_and_the_rest_is_held(
    rig: Path, wire: Wire, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = plan_walk(read_rig(rig), rig_path="small.toml", port=wire.name, rate_pct_per_s=1000)
    data, looks = b"", 0
    with open_live(wire.name, is_sender=True) as live:
        receiver = Receiver(live)
        session = SurfaceSession(receiver, begin_walk(plan), countdown_s=0)

        def read_key(seconds: float) -> str:
            nonlocal data, looks
            time.sleep(seconds)
            if session.state is WalkState.MOVING:
                looks += 1
                return "s" if looks == 6 else ""
            if session.walk.phase is SurfacePhase.READY:
                return "\r"
            data += wire.take(5.0)
            held = counts_of(data[: len(data) // 25 * 25])[-40:, 0]
            return "e" if session.state is WalkState.WORD and set(held.tolist()) == {992} else ""

        assert WalkTexts(session, receiver, read_key=read_key).go() is False
    counts = counts_of(data[: len(data) // 25 * 25])
    assert counts[:, 0].max() > 1200
    assert np.abs(np.diff(counts[:, 0])).max() <= 115  # the limit of speed
    assert np.ptp(counts[:, 1:], axis=0).max() == 0
    assert set(counts[:, 2].tolist()) == {173}
    assert [move.ended for move in session.walk.entries[0].moves] == [Ended.STOPPED]
    assert "(stopped)" in capsys.readouterr().err
