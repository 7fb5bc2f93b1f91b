"""Command, screen and script give one verdict, with the same checks and the same page, on the same inputs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.sign_off import find_answers, pulse_outputs, sign_off
from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.cli.verify import command
from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.surface_check import Entry, Station
from busbench.drive.surface_file import WalkHead, write_walk
from busbench.rig.load import read_rig
from busbench.tui.replay import ReplaySession
from busbench.tui.verifying import RecordedCheck, write_page
from busbench.wire.scale import Scale
from tests.cli.running import CAPTURES, invoke

RIG = CAPTURES / "heron.toml"
ROUNDS = ("heron-round.pcapng", "heron-round-faulty.pcapng")
RECORDINGS = (*ROUNDS, "heron-outputs.vcd", "heron-line.vcd", "heron-noisy.raw")


def keep_answers(folder: Path) -> None:
    stop = Station("rudder", 5, ("rudder",), "right", "left", True, 123, 1024, 1925)
    limits = Limits(tuple(ChannelLimit(173, 1811, 992, 20.0) for _ in range(16)))
    head = WalkHead("Heron", "port", False, "2026-01-31T09:00:00Z", limits, 0.015, 40.0, Scale())
    write_walk(folder / "heron.walk.json", head, [Entry(stop, answers=(True, False, True, True), note="it hums")])


def body(page: Path) -> str:
    """A page without the moment at which it was made."""
    return re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d [A-Z+0-9]+", "NOW", page.read_text(encoding="utf-8"))


@pytest.mark.parametrize("has_answers", [False, True])
@pytest.mark.parametrize("name", RECORDINGS)
def test_a_recording_has_one_verdict(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, has_answers: bool
) -> None:
    monkeypatch.chdir(tmp_path)
    if has_answers:
        keep_answers(tmp_path)
    source, rig_path = str(CAPTURES / name), str(RIG)

    ran = invoke(command, source, "--rig", rig_path, "--format", "json", "--report", "command.html")
    typed = json.loads(ran.stdout)

    session = ReplaySession(open_capture(source))
    screen = RecordedCheck(session, read_rig(rig_path), rig_path=rig_path)
    screen.work()
    assert screen.done is not None, screen.error
    write_page(screen, "screen.html", source=source, rig_path=rig_path)

    rig = read_rig(rig_path)
    script = sign_off(
        read_recording(source),
        rig,
        answers=find_answers(rig, rig_path=rig_path),
        pulses=pulse_outputs(source, ReadOptions()),
    )

    assert screen.done.found.to_json() == {key: value for key, value in typed.items() if key != "caution"}
    assert script.found.to_json() == screen.done.found.to_json()
    assert body(tmp_path / "screen.html") == body(tmp_path / "command.html")
    assert any(check["part"] == "walk" for check in typed["checks"]) is has_answers
    assert any(check["part"] == "pulse" for check in typed["checks"]) is (name == "heron-outputs.vcd")
