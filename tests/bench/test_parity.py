"""Command, screen and script give one verdict, with the same checks and the same page, on the same inputs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.sign_off import find_answers, pulse_outputs, sign_off
from busbench.bench.sources import open_live
from busbench.bench.surface_session import WalkState
from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.cli.channels import command as channels_command
from busbench.cli.outages import command as outages_command
from busbench.cli.timing import command as timing_command
from busbench.cli.verify import command
from busbench.cli.walk import command as walk_command
from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.surface_check import Entry, Station, Word, Wrote
from busbench.drive.surface_file import WalkHead, write_walk
from busbench.line import Chunk
from busbench.port.port import EventKind, PortEvent
from busbench.rig.load import read_rig
from busbench.sim.aircraft import VirtualAircraft
from busbench.sim.aircraft_faults import FAULTS, parse_fault
from busbench.sim.aircraft_port import AircraftPort
from busbench.tui import palette
from busbench.tui.app_state import AppState
from busbench.tui.live import LiveSession
from busbench.tui.replay import ReplaySession
from busbench.tui.verifying import RecordedCheck, write_page
from busbench.tui.walking import Walking
from busbench.wire.scale import Scale
from tests.cli.running import CAPTURES, SMALL, invoke
from tests.tui.ports import Hands

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

    assert screen.done.to_json() == {key: value for key, value in typed.items() if key != "caution"}
    assert script.to_json() == screen.done.to_json()
    assert body(tmp_path / "screen.html") == body(tmp_path / "command.html")
    assert any(check["part"] == "walk" for check in typed["checks"]) is has_answers
    assert any(check["part"] == "pulse" for check in typed["checks"]) is (name == "heron-outputs.vcd")


def fault_texts() -> list[str]:
    """Each kind of fault that can be seen on the bus, on the rudder where it takes a device."""
    texts = []
    for kind, words in FAULTS.items():
        text = f"{kind}:{'sustainer' if kind.startswith('pulse') else 'rudder'}" if words.has_device else kind
        if parse_fault(text).shows_on_bus:
            texts.append(text)
    return texts


class UnpluggedPort(AircraftPort):
    """A virtual aircraft whose adapter is unplugged from 10 s to 12 s."""

    _looked_s = 0.0

    def read(self, timeout_s: float) -> list[Chunk]:
        chunks, before_s, after_s = super().read(timeout_s), self._looked_s, self.now() / 1e9
        self._looked_s = after_s
        for at_s, kind, text in ((10, EventKind.UNPLUGGED, "unplugged"), (12, EventKind.RECONNECTED, "back")):
            if before_s < at_s <= after_s:
                self._events.append(PortEvent(at_s * 1_000_000_000, kind, text))
        return [chunk for chunk in chunks if not 10 <= chunk.t_ns / 1e9 < 12]


FLIGHTS = 4  # share the faults; tests/sim takes each alone


@pytest.mark.parametrize(
    "faults", [[], *(fault_texts()[i::FLIGHTS] for i in range(FLIGHTS)), ["unplugged"]], ids=" ".join
)
def test_a_guided_check_has_one_verdict_and_one_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, faults: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    keep_answers(tmp_path)
    is_unplugged = faults == ["unplugged"]
    if is_unplugged:
        faults = []
        monkeypatch.setattr("busbench.sim.aircraft_port.AircraftPort", UnpluggedPort)
    rig = read_rig(RIG)

    options = [word for fault in faults for word in ("--fault", fault)]
    ran = invoke(command, f"virtual:{RIG}", *options, "--format", "json", "--keep", "command.pcapng")
    typed = json.loads(ran.stdout)

    hands, kind = Hands(0), UnpluggedPort if is_unplugged else AircraftPort
    built = VirtualAircraft(rig, faults=list(map(parse_fault, faults)))
    live = LiveSession(kind(f"virtual:{RIG}", aircraft=built, clock=hands), now=hands)
    screen = CheckSession(live.receiver, rig)
    screen.start("screen.pcapng", answers=find_answers(rig, rig_path=RIG))
    while screen.state is not CheckState.OVER:
        screen.hear(Word.GO)
        hands.t_ns += 100_000_000
        live.tick(0.1)
    assert screen.done is not None

    assert screen.done.to_json() == {key: value for key, value in typed.items() if key != "caution"}
    kept = [read_recording(name) for name in ("command.pcapng", "screen.pcapng")]
    np.testing.assert_array_equal(kept[0].frames.raw, kept[1].frames.raw)
    notes = [[(note.t_ns - (one.span.first_t_ns or 0), note.text) for note in one.info.marks] for one in kept]
    assert notes[0] == notes[1]
    assert {"rest", "done", "rudder stick"} <= {said for _, said in notes[0]}
    assert ("unplugged" in [said for _, said in notes[0]]) is is_unplugged
    for one in kept:
        again = sign_off(one, rig, answers=find_answers(rig, rig_path=RIG))
        assert again.found.to_json() == screen.done.found.to_json()
    assert (typed["verdict"] == "pass") is False  # the answers of the walk are not complete


@pytest.mark.parametrize("name", [*RECORDINGS, "heron-flight.pcapng"])
def test_a_recording_has_one_set_of_figures(name: str) -> None:
    source = str(CAPTURES / name)
    recording = read_recording(source)
    for command_, found in (
        (outages_command, recording.outages()), (timing_command, recording.timing()),
        (channels_command, recording.channels()),
    ):  # fmt: skip
        typed = json.loads(invoke(command_, source, "--format", "json").stdout)
        said = json.loads(json.dumps(found.to_json()))
        assert {key: typed[key] for key in said} == said
    session = ReplaySession(open_capture(source))
    session.load()
    session.refresh()
    outages = recording.outages()
    assert session.losses.missed == outages.missed
    assert [one.kind for one in session.events.items] == [one.kind for one in outages.events]
    assert len(session.store) == outages.frames == len(recording.frames)


def answered(path: Path) -> list[dict[str, object]]:
    """The devices of a file of answers, without the moments at which they moved."""
    devices: list[dict[str, object]] = json.loads(path.read_text(encoding="utf-8"))["devices"]
    return json.loads(re.sub(r'"t_utc": "[^"]*"', '"t_utc": ""', json.dumps(devices)))  # type: ignore[no-any-return]


WALKED = [
    text
    for text in (f"{kind}:rudder" if words.has_device else kind for kind, words in FAULTS.items())
    if parse_fault(text).shows_in_motion
]


@pytest.mark.parametrize("fault", ["", *WALKED])
def test_a_walk_has_one_file_of_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    monkeypatch.chdir(tmp_path)
    Path("small.toml").write_text(SMALL.replace("7.4", "7.4\nminimum_v = 7.0"), encoding="utf-8")
    faults = [fault] if fault else []
    options = [word for one in faults for word in ("--fault", one)]
    lines = "k\n\ny\nn\nt\nit hums\nb\ny\ny\nk\n\n"
    invoke(walk_command, "virtual:", "--rig", "small.toml", *options, "--answers", "command.json", stdin=lines)

    hands = Hands()
    ui = AppState(palette.choose("dark"), session=LiveSession(open_live("virtual:"), now=hands))
    ui.rig, ui.rig_path, ui.faults = read_rig("small.toml"), "small.toml", tuple(map(parse_fault, faults))
    walking = Walking(ui)
    walking.look()
    walking.path = Path("screen.json")
    walking.begin()
    for key in "k\ryntbyyk\r":
        walk = walking.walk
        assert walk is not None
        word = walk.keys["enter" if key == "\r" else key]
        walking.hear(Wrote("it hums") if word is Word.NOTE else word)
        while ui.mover is not None:
            ui.mover.tick(0.25)
    assert walking.state is WalkState.OVER
    screen = answered(Path("screen.json"))
    assert screen == answered(Path("command.json"))
    assert [one["state"] for one in screen] == ["skipped", "skipped"]
    assert (screen[1]["answers"], screen[1]["note"]) == (
        {"right_surface": True, "right_way": True, "full_throw": True, "smooth": None}, "it hums"
    )  # fmt: skip


def test_standard_input_is_not_read_for_pulse_outputs(monkeypatch: pytest.MonkeyPatch) -> None:
    def read(source: str) -> None:
        pytest.fail(f"{source} was opened")

    monkeypatch.setattr("busbench.capture.open.open_levels", read)
    assert pulse_outputs("-", ReadOptions()) is None
