"""`busbench rig`: literal output, exit codes and one-line errors."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from busbench.cli import rig_power
from busbench.cli.rig import command
from busbench.rig.load import read_rig
from busbench.wire.codec import pack_frames
from tests.cli.running import SMALL, invoke, refusal_of
from tests.rig.rigs import HERON, device, hub

pytestmark = pytest.mark.usefixtures("wide")

HEAD = '[rig]\nname = "Heron"\nperiod_ms = 14\n[supply]\nvoltage_v = 7.4\nminimum_v = 5\n'


def run(*args: str, stdin: str | None = None, code: int = 0) -> str:
    result = invoke(command, *args, stdin=stdin)
    assert result.exit_code == code, result.output
    return result.stdout


def error_of(*args: str, stdin: str | None = None) -> str:
    return refusal_of(command, *args, stdin=stdin)


def test_new_writes_a_file_that_checks_clean_and_never_replaces_one(tmp_path: Path) -> None:
    path = str(tmp_path / "my.toml")
    assert run("new", path) == ""
    assert run("check", path) == "My aircraft: no faults, no hints\n"
    assert error_of("new", path) == f"{path}: file exists already: choose another name, or write over it with --force"
    assert run("new", path, "--force") == ""
    assert run("new") == run("new", "-") == Path(path).read_text(encoding="utf-8")
    assert invoke(command, "new").stderr == invoke(command, "new", "-").stderr == ""
    wrote = f"busbench: wrote {path} (rig file to start from); edit it, then `busbench rig check {path}`\n"
    assert invoke(command, "new", path, "--force").stderr == wrote
    assert error_of("new", str(tmp_path)) == f"{tmp_path}: this is a folder: name a file inside it"
    assert error_of("new", str(tmp_path / "no" / "x.toml")).endswith("folder not found: make it first")


def test_check_exits_with_1_on_faults_and_0_on_hints() -> None:
    faulty = HEAD + device("a", 5) + device("b", 5) + device("c", 6, failsafe=None)
    said = run("check", "-", stdin=faulty, code=1)
    assert said.splitlines()[0] == "fault: a, b: all on channel 5 and not in one group"
    assert said.splitlines()[-1] == "Heron: 1 fault, 1 hint"
    assert run("check", "-", stdin=HEAD + device("c", 6, failsafe=None)).endswith("Heron: no faults, 1 hint\n")
    assert run("check", str(HERON)) == "Heron: no faults, no hints\n"


def test_check_in_json_and_csv() -> None:
    faulty = HEAD + device("x", 40)
    result = json.loads(run("check", "-", "--format", "json", stdin=faulty, code=1))
    assert result["faults"] == 1
    assert result["findings"] == [
        {
            "severity": "fault",
            "where": "x",
            "what": "channel 40 is not in the frame, which has channels 1-18",
            "effect": "it never moves",
            "advice": "give it a free channel: 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16",
        }
    ]
    rows = list(csv.reader(run("check", "-", "--format", "csv", stdin=faulty, code=1).splitlines()))
    assert rows[0] == ["severity", "where", "what", "effect", "advice"]
    assert rows[1][:2] == ["fault", "x"]


def test_power_in_json_keeps_its_contract() -> None:
    result = json.loads(run("power", str(HERON), "--format", "json"))
    names = [case["case"] for case in result["cases"]]
    assert names[:3] == ["all idle", "all moving", "left aileron stalled, rest moving"]
    assert names[-1] == "all stalled"
    assert set(result["cases"][0]) == {"case", "supply_a", "nodes", "warnings"}
    assert set(result["cases"][0]["nodes"][0]) == {"name", "voltage_v", "current_a"}
    assert result["cases"][1]["supply_a"] == pytest.approx(6.02)
    assert result["temperature_c"] == 20.0
    assert result["weakest"]["lead"] == "lead to hub tail"
    assert result["weakest"]["advice"][0]["gain_v"] == pytest.approx(0.49, abs=0.005)


def test_power_for_people() -> None:
    lines = run("power", str(HERON), "--ascii").splitlines()
    assert lines[0] == "Heron: 7.4 V, 5.5 V needed, leads at 20 degrees Celsius"
    assert "   `- hub tail                   1.7 m AWG 22    6.72 V   1.80 A" in lines
    assert "all stalled                              24.12    4.48  left elevator" in lines
    assert "  ! hub tail: 7.50 A is above its limit of 5 A (stated)" in lines
    assert lines[-5:] == [
        "min voltage, all stalled left out: rudder, 5.98 V, +0.48 V to the minimum (rudder stalled, rest moving)",
        "weakest lead on its way: lead to hub tail, 1.7 m AWG 22: 0.86 V lost in it",
        "use thicker wire in the lead to hub tail: 1.7 m AWG 18 instead of 1.7 m AWG 22:"
        " rudder gains 0.49 V, to 6.47 V",
        "add a second feed of 1.95 m AWG 22 to tail: rudder gains 0.46 V, to 6.44 V",
        "endurance: 1.6 h from 3000 mAh (75 % of the pack), devices moving 25 % of the time, 1.89 A on average",
    ]


def test_power_in_csv() -> None:
    rows = list(csv.DictReader(run("power", str(HERON), "--format", "csv").splitlines()))
    assert list(rows[0]) == ["case", "supply_a", "name", "voltage_v", "current_a"]
    assert {row["name"] for row in rows} >= {"supply", "receiver", "tail", "rudder", "pack voltage"}


def test_sheet_in_its_forms(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("sheet", str(HERON)).startswith("Heron: set-up sheet\n")
    rows = list(csv.DictReader(run("sheet", str(HERON), "--format", "csv").splitlines()))
    assert (rows[3]["label"], rows[3]["reversed"], rows[3]["low_us"]) == ("4 right flap", "1", "988.125")
    steps = json.loads(run("sheet", str(HERON), "--format", "json"))["steps"]
    assert steps[8]["channel"] == 17
    page = tmp_path / "sheet.html"
    monkeypatch.setattr("busbench.cli.rig._today", lambda: "2026-01-31")
    run("sheet", str(HERON), "-o", str(page))
    assert "Made on 2026-01-31." in page.read_text(encoding="utf-8")
    assert error_of("sheet", str(HERON), "-o", str(page)).startswith(f"{page}: file exists already")


@pytest.mark.parametrize("name", ["check", "power", "sheet"])
def test_a_wrong_file_is_told_in_one_line(name: str) -> None:
    said = error_of(name, "-", stdin=HEAD + '[[device]]\nname = "x"\nchanel = 3\n')
    assert said == (
        'standard input, device[1].chanel: not a key of [[device]] (device "x", table at line 7): did you mean channel?'
    )


@pytest.mark.parametrize("name", ["power", "sheet"])
def test_a_ring_is_told_with_the_file(name: str) -> None:
    ring = HEAD + hub("a", 'from = "b"') + hub("b", 'from = "a"')
    said = "standard input, hub: hubs form a ring: a → b → a; `busbench rig check` says what to do"
    assert error_of(name, "-", stdin=ring) == said


def test_draft_of_a_recording_is_a_rig_file(tmp_path: Path) -> None:
    counts = np.full((400, 16), 992, np.uint16)
    counts[100:200, 2] = np.linspace(992, 1811, 100)
    counts[200:300, 2] = np.linspace(1811, 173, 100)
    recording, plan = tmp_path / "sticks.bin", tmp_path / "plan.toml"
    recording.write_bytes(pack_frames(counts).tobytes())
    result = invoke(command, "draft", str(recording), "--names", "rudder", "-o", str(plan))
    assert result.exit_code == 0, result.output
    assert result.stderr.splitlines()[-2:] == [
        "movement 1: channel 3, proportional",
        f"busbench: wrote {plan} (rig file drafted); fill it in, then `busbench rig check {plan}`",
    ]
    assert [(d.name, d.channel, round(d.travel_pct)) for d in read_rig(plan).devices] == [("rudder", 3, 100)]


def test_draft_asks_what_may_be_a_motor() -> None:
    result = invoke(command, "draft", str(HERON.with_name("heron-round.pcapng")))
    assert result.stderr.splitlines()[-1] == (
        "written as a motor, and so locked, since at rest it is at an end: channel 3, 4, 7, 17, 8;"
        " write motor = false for each that can turn no propeller"
    )


DOUBT = (
    "controls moved together or did not come to rest: do not trust this draft; record a test sequence as"
    " `busbench verify --help` describes"
)


@pytest.mark.parametrize("name", ["heron-round.pcapng", "heron-round-faulty.pcapng"])
def test_draft_of_a_round_warns_of_nothing(name: str) -> None:
    result = invoke(command, "draft", str(HERON.with_name(name)))
    assert "do not trust" not in result.stderr
    assert result.stdout.startswith("# Drafted from ")


@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-bench.pcapng", "virtual:?speed=max&duration=5"])
def test_draft_of_what_is_no_round_warns_on_the_terminal_and_at_its_top(name: str) -> None:
    source = name if name.startswith("virtual:") else str(HERON.with_name(name))
    result = invoke(command, "draft", source)
    assert result.exit_code == 0
    assert result.stderr.splitlines()[-1] == f"busbench: {source}: {DOUBT}"
    top = result.stdout.partition("# Drafted")[0].replace("\n# ", " ")
    assert top == f"# WARNING: {DOUBT}.\n"


def test_draft_of_nothing_is_told(tmp_path: Path) -> None:
    still = tmp_path / "still.bin"
    still.write_bytes(pack_frames(np.full((400, 16), 992, np.uint16)).tobytes())
    assert error_of("draft", str(still)) == (
        f"{still}: has no channel that moved: move one stick at a time to both ends and back"
    )


def test_power_runs_a_program(tmp_path: Path) -> None:
    program = tmp_path / "sweep.toml"
    program.write_text('[[part]]\nchannel = 6\nshape = "sine"\nperiod = 1\n', encoding="utf-8")
    result = json.loads(run("power", str(HERON), "--program", str(program), "--format", "json"))
    case = result["cases"][-1]
    assert case["case"] == "program"
    amps = {node["name"]: node["current_a"] for node in case["nodes"]}
    assert amps["rudder"] == pytest.approx(0.8)
    assert amps["left flap"] == pytest.approx(0.15)  # it holds still
    assert result["program"]["hours"] == pytest.approx(3.0 / result["program"]["mean_a"])
    said = run("power", str(HERON), "--program", str(program))
    assert "\nprogram: worst 0." in said
    assert "; repeated, the pack lasts 1." in said
    assert amps["gear"] == pytest.approx(0.4)  # so does this, at its low end: its motion would draw 1.2 A


def test_power_runs_a_program_of_an_on_off_channel(tmp_path: Path) -> None:
    program = tmp_path / "release.toml"
    program.write_text('[[part]]\nchannel = 17\nshape = "square"\nperiod = 1\n', encoding="utf-8")
    case = json.loads(run("power", str(HERON), "--program", str(program), "--format", "json"))["cases"][-1]
    amps = {node["name"]: node["current_a"] for node in case["nodes"]}
    assert (amps["tow release"], amps["rudder"]) == (0.4, 0.03)  # it moves, and the rudder holds


def test_power_runs_a_program_of_so_many_frames_and_no_longer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program, words = tmp_path / "hold.toml", ("power", str(HERON), "--format", "csv", "--program")
    program.write_text('[[part]]\nchannel = 6\nshape = "hold"\nlevel = 0\nduration = 0.7\n', encoding="utf-8")
    monkeypatch.setattr(rig_power, "PROGRAM_FRAMES_MAX", 57)  # 0.7 s in steps of 15 ms, and the ways there and back
    assert run(*words, str(program))
    monkeypatch.setattr(rig_power, "PROGRAM_FRAMES_MAX", 56)
    said = f"{program}: runs for more than 56 frames: shorten it or repeat it less"
    assert error_of(*words, str(program)) == said


def test_power_runs_a_replay(tmp_path: Path) -> None:
    recording, replay = tmp_path / "rudder.bin", tmp_path / "replay.toml"
    counts = np.full((40, 16), 992, np.uint16)
    counts[:, 5] = 992 + 5 * np.arange(40)
    recording.write_bytes(pack_frames(counts).tobytes())
    replay.write_text(
        f'[[part]]\nchannel = 6\nshape = "replay"\nrecording = "{recording.as_posix()}"\n', encoding="utf-8"
    )
    cases = json.loads(run("power", str(HERON), "--program", str(replay), "--format", "json"))["cases"]
    amps = {node["name"]: node["current_a"] for node in cases[-1]["nodes"]}
    assert amps["rudder"] == pytest.approx(0.8)
    replay.write_text('[[part]]\nchannel = 6\nshape = "replay"\nrecording = "gone.pcapng"\n', encoding="utf-8")
    result = invoke(command, "power", str(HERON), "--program", str(replay))
    assert str(result.exception) == "gone.pcapng: file not found: check the name and the folder"


def test_draft_watches_a_port_for_its_time(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    result = invoke(command, "draft", "virtual:?pilot=moving&duration=3", "-o", str(plan))
    assert result.exit_code == 0, result.output
    lines = result.stderr.splitlines()
    assert lines[0].startswith("Remove the propeller, or disconnect the motor.")
    assert any(line == "channel 3 moves" for line in lines)
    assert len(read_rig(plan).devices) > 5
    words = ["draft", "virtual:?pilot=moving", "-o", str(plan)]
    assert error_of(*words) == f"{plan}: file exists already: choose another name, or write over it with --force"
    result = invoke(command, *words, "--force", "--seconds", "0.5")
    assert result.exit_code == 0, result.output


def test_seconds_go_with_a_port_only(tmp_path: Path) -> None:
    result = invoke(command, "draft", str(HERON), "--seconds", "1")
    assert str(result.exception) == "--seconds: works with a port, not with a recording: leave it out"


def test_power_as_a_picture(tmp_path: Path) -> None:
    picture = tmp_path / "harness.svg"
    run("power", str(HERON), "--svg", str(picture), "--temperature", "40")
    text = picture.read_text(encoding="utf-8")
    words = ["".join(one.itertext()) for one in ElementTree.fromstring(text).iter("{http://www.w3.org/2000/svg}text")]
    assert words[0] == "rudder stalled, rest moving, leads at 40 °C"
    assert "1.7 m AWG 22 ◄ weakest lead" in words
    assert "5 left elevator" in words
    assert error_of("power", str(HERON), "--svg", str(picture)).startswith(f"{picture}: file exists already")
    assert picture.read_text(encoding="utf-8") == text
    run("power", str(HERON), "--svg", str(picture), "--force")
    assert run("power", str(HERON), "--svg", "-").startswith("<svg ")


def test_a_picture_of_a_plan_without_currents_has_no_weakest_lead(tmp_path: Path) -> None:
    plan, picture = tmp_path / "small.toml", tmp_path / "harness.svg"
    plan.write_text(SMALL, encoding="utf-8")
    result = invoke(command, "power", plan, "--svg", picture)
    assert result.stderr == f"busbench: wrote {picture} (wiring tree, all moving, leads at 20 °C)\n"
    assert "weakest" not in picture.read_text(encoding="utf-8")
    assert json.loads(run("power", str(plan), "--format", "json"))["weakest"] is None


def test_a_picture_keeps_names_of_any_length_in_their_columns(tmp_path: Path) -> None:
    long = "n" * 60
    plan = HEAD + "".join(hub(f"h{n}", f'from = "{f"h{n - 1}" if n else "receiver"}"') for n in range(8))
    plan += device(long, 1, 'on = "h7"')
    text = run("power", "-", "--svg", "-", stdin=plan)
    (name,) = [
        one.text or ""
        for one in ElementTree.fromstring(text).iter("{http://www.w3.org/2000/svg}text")
        if (one.text or "").startswith("1 nnn")
    ]
    assert name.endswith("…")
    assert len(name) < 25
