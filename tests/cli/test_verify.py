"""`busbench verify` and `busbench pulses`: exit codes, forms, and one-line errors."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import heron
import pytest
from click.testing import Result

from busbench.cli.pulses import command as pulses_command
from busbench.cli.report import command as report_command
from busbench.cli.verify import command
from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.surface_check import Entry, Station
from busbench.drive.surface_file import WalkHead, write_walk
from busbench.errors import SAFETY, BusbenchError
from busbench.wire.scale import Scale
from tests.cli.running import invoke, refusal_of
from tests.verify.rounds import RIG

PLAN = str(heron.RIG)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rounds") / "good.pcapng"
    heron.write_round(path, RIG)
    return path


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rounds") / "faulty.pcapng"
    heron.write_round(path, RIG, faults=heron.FAULTY)
    return path


def run(*args: str | Path, stdin: str | None = None) -> Result:
    return invoke(command, *args, "--rig", PLAN, stdin=stdin)


def error_of(*args: str | Path) -> str:
    return refusal_of(command, *args, "--rig", PLAN)


def test_a_good_aircraft_exits_with_0(good: Path) -> None:
    result = run(good)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    passed = json.loads(run(good, "--format", "json").stdout)["passed"]
    assert lines[:4] == [
        "PASSED",
        "  line",
        "    frames              2,687 frames received",
        "    period              a frame every 15.0000 ms on average, planned 15 ms (0.15",
    ]
    assert lines[-6:] == [
        "",
        "to spare: how far inside its limit a value is; --all writes out what passed",
        "µs assumes 1500 µs at 992 counts, 0.625 µs a count",
        f"Heron: PASS ({passed} passed, 0 failed, 0 not tested)",
        "A bench check is no proof of airworthiness: keep to local rules, ask your club's",
        "safety officer, and make a range check and a control check before every flight.",
    ]


def test_what_failed_names_its_limit(tmp_path: Path) -> None:
    result = run(f"virtual:{PLAN}", "--fault", "failsafe-late", stdin="")
    assert result.exit_code == 1
    told = " ".join(result.stdout.split())
    assert "s after the last good frame: too late (limit 1.5 s)" in told


def test_a_rehearsal_says_at_its_end_what_was_found() -> None:
    result = run(
        f"virtual:{PLAN}", "--fault", "failsafe-late", "--fault", "reversed:rudder", "--format", "json", stdin=""
    )
    assert json.loads(result.stdout)["verdict"] == "fail"
    assert " ".join(result.stderr.split()).endswith(
        "This was a rehearsal on a virtual aircraft with 2 faults built in: 1 found. "
        "- found: failsafe comes too late (failsafe-late) "
        "- not found: rudder: the device runs the other way (reversed:rudder). It shows in walk: right way, no."
    )
    assert "rehearsal on a virtual aircraft with" not in run(f"virtual:{PLAN}", stdin="").stderr


def test_what_failed_stands_last_and_no_line_is_too_long(faulty: Path) -> None:
    lines = run(faulty).stdout.splitlines()
    heads = [line for line in lines if line.isupper() and not line.startswith(" ")]
    assert heads == ["PASSED", "NOT TESTED", "FAILED"]
    assert "  channel 17 (tow release): rest, low end, high end, direction, moves alone," in lines  # by name alone
    at = lines.index("FAILED")
    assert lines[at + 1 : at + 6] == [
        "  line",
        "    glitches            3 single frames jumped 40 counts or more away and back",
        "                        (channel 1: 3) (limit 0 glitches)",
        "  channel 1 (left aileron)",
        '    direction           "aileron stick" to "right" first took it below neutral',
    ]
    assert max(map(len, lines)) <= 80
    written_out = run(faulty, "--all").stdout.splitlines()
    assert "    low end             reached off, planned off" in written_out  # nothing to spare between on and off
    assert max(map(len, written_out)) <= 80
    assert not any("--all" in line for line in written_out)


def test_what_passed_with_little_to_spare_is_pointed_at(good: Path, tmp_path: Path) -> None:
    plan = tmp_path / "strict.toml"
    plan.write_text(Path(PLAN).read_text(encoding="utf-8") + "\n[verify]\njitter_ms = 0.03\n", encoding="utf-8")
    lines = invoke(command, good, "--rig", plan).stdout.splitlines()
    at = lines.index("PASSED, WITH LITTLE TO SPARE")
    said = " ".join(line.strip() for line in lines[at + 2 : at + 9])
    assert said.startswith(
        "jitter              0.0242 ms rms seen, adapter and computer included; judged as seen, the receiver's own may"
        " be above the limit; period jitter is at most"
    )
    assert "each read held a whole frame, so the computer's share is unknown" in said
    assert "(0.00583 ms to spare)" in said
    assert sum(line.startswith("    jitter ") for line in lines) == 1


def test_a_faulty_one_exits_with_1_and_leaves_page_and_junit(faulty: Path, tmp_path: Path) -> None:
    page, junit = tmp_path / "page.html", tmp_path / "junit.xml"
    result = run(faulty, "--report", page, "--junit", junit)
    assert result.exit_code == 1
    assert re.search(r"Heron: FAIL \(\d+ passed, 6 failed, 2 not tested\)", result.stdout)
    assert result.stderr.splitlines() == [
        f"busbench: wrote {junit} (the checks as JUnit XML)",
        f"busbench: wrote {page} (page to print and sign)",
    ]
    assert ET.parse(junit).getroot().attrib["failures"] == "6"
    text = page.read_text(encoding="utf-8")
    assert "✗ FAIL" in text
    assert faulty.name in text
    assert str(faulty.parent) not in text  # no folders of this computer
    assert error_of(faulty, "--report", page) == (
        f"{page}: file exists already: choose another name, or write over it with --force"
    )
    assert run(faulty, "--report", page, "--force").exit_code == 1


def test_what_was_not_tested_exits_with_1(tmp_path: Path) -> None:
    path = tmp_path / "short.pcapng"
    heron.write_round(path, RIG, faults=("no switching off",))
    result = run(path)
    assert result.exit_code == 1
    assert re.search(r"Heron: NOT TESTED \(\d+ passed, 0 failed, \d+ not tested\)", result.stdout)
    lines = result.stdout.splitlines()
    at = lines.index("  the transmitter was not switched off for 1 s or more in this recording")
    assert lines.index("NOT TESTED") < at
    assert lines[at : at + 3] == [  # a reason once, and all that it means
        "  the transmitter was not switched off for 1 s or more in this recording",
        "    failsafe: how it shows, delay, flag stays up, recovery",
        "    channel 1 (left aileron): failsafe value, after return",
    ]


@pytest.fixture
def loose(tmp_path: Path) -> Path:
    """The plan with its tail devices on a hub that does not exist."""
    path = tmp_path / "loose.toml"
    path.write_text(Path(PLAN).read_text(encoding="utf-8").replace('on = "tail"', 'on = "tial"'), encoding="utf-8")
    return path


def test_a_plan_that_rig_check_rejects_is_no_pass(good: Path, loose: Path, tmp_path: Path) -> None:
    page, junit = tmp_path / "page.html", tmp_path / "junit.xml"
    result = invoke(command, good, "--rig", loose, "--report", page, "--junit", junit)
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    at = lines.index("FAILED")
    assert lines[at + 1 : at + 4] == [
        "  plan",
        "    faults              3 faults (left elevator, right elevator, rudder): all",
        "                        else is held against a plan that cannot be right",
    ]
    (verdict,) = [line for line in lines if re.fullmatch(r"Heron: FAIL \(\d+ passed, 1 failed, 0 not tested\)", line)]
    at = lines.index(verdict)
    told = " ".join(line.strip() for line in lines[at - 2 : at])
    assert told.endswith(f"the plan has 3 faults: see `busbench rig check {loose}`")
    failed = [case.attrib for case in ET.parse(junit).iter("testcase") if case.find("failure") is not None]
    assert failed == [{"classname": "plan", "name": "faults"}]
    assert (
        f"<span>The plan has 3 faults: see <code data-own>busbench rig check {loose.name}</code></span>"
        in page.read_text("utf-8")
    )
    found = json.loads(invoke(command, good, "--rig", loose, "--format", "json").stdout)
    assert (found["verdict"], found["failed"]) == ("fail", 1)
    assert found["plan_faults"][2] == {"where": "rudder", "what": 'it is connected to "tial", which does not exist'}


def test_a_guided_round_tells_of_a_faulty_plan_before_it_begins(loose: Path) -> None:
    result = invoke(command, "virtual:?frames=off", "--rig", loose, stdin="e\n")
    said = " ".join(result.stderr.split())
    told = f"the plan has 3 faults: see `busbench rig check {loose}`; a test sequence on it cannot pass"
    assert 0 < said.index(told) < said.index("1 of 14: ")


def test_channels_that_moved_but_are_not_in_the_plan_are_told(good: Path, tmp_path: Path) -> None:
    plan, page, junit = tmp_path / "few.toml", tmp_path / "page.html", tmp_path / "junit.xml"
    head, *devices = Path(PLAN).read_text(encoding="utf-8").split("[[device]]")
    kept = [text for text in devices if re.search(r"^channel = [1256]$", text, re.MULTILINE)]
    plan.write_text("[[device]]".join([head, *kept]), encoding="utf-8")
    result = invoke(command, good, "--rig", plan, "--report", page, "--junit", junit)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    at = lines.index("TO LOOK AT")
    assert lines[at + 1] == "  not in the plan, but moved: channels 3, 4, 7, 8, 17"
    assert "<span>Not in the plan, but moved: channels 3, 4, 7, 8, 17.</span>" in page.read_text("utf-8")
    assert [out.text for out in ET.parse(junit).findall("testsuite/system-out")] == [
        "not in the plan, but moved: channels 3, 4, 7, 8, 17"
    ]
    found = json.loads(invoke(command, good, "--rig", plan, "--format", "json").stdout)
    assert found["unplanned_channels_moved"] == [3, 4, 7, 8, 17]


def test_json_keeps_its_keys(good: Path) -> None:
    result = json.loads(run(good, "--format", "json").stdout)
    assert {key: result[key] for key in ("rig", "verdict", "passed", "failed", "not_tested")} == {
        "rig": "Heron", "verdict": "pass", "passed": len(result["checks"]), "failed": 0, "not_tested": 0,
    }  # fmt: skip
    assert result["checks"][0] == {
        "part": "line", "subject": "line", "name": "frames", "verdict": "pass",
        "sentence": "2,687 frames received", "measured": 2687, "expected": None, "limit": 500, "margin": 2187,
        "unit": "frames", "channel": None,
    }  # fmt: skip
    assert (result["plan_faults"], result["unplanned_channels_moved"]) == ([], [])
    assert "no proof of airworthiness" in result["caution"]


def test_answers_of_a_walk_count(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    walk, page = tmp_path / "heron.walk.json", tmp_path / "page.html"
    stop = Station("rudder", 5, ("rudder",), "right", "left", True, 123, 1024, 1925)
    limits = Limits(tuple(ChannelLimit(173, 1811, 992, 20.0) for _ in range(16)))
    head = WalkHead("Heron", "port", False, "2026-01-31T09:00:00Z", limits, 0.015, 40.0, Scale())
    write_walk(walk, head, [Entry(stop, answers=(True, False, True, True), note="<b>left</b>")])
    result = run(good, "--walk", walk, "--report", page)
    assert result.exit_code == 1
    assert "with the answers of" not in result.stderr
    found = run(good)  # those of this plan are found by their name
    words = " ".join(found.stdout.split())
    assert (found.exit_code, words) == (1, " ".join(result.stdout.split()).replace(str(walk), walk.name))
    resumes = f"`busbench walk PORT --rig {PLAN} --answers heron.walk.json --resume`"
    assert f"Answers of the walk are in heron.walk.json: go on there with {resumes} FAILED" in words
    assert found.stderr.splitlines() == ["with the answers of heron.walk.json"]
    # The other seven channels were not walked; the motor's never is.
    assert re.search(r"Heron: FAIL \(\d+ passed, 1 failed, 7 not tested\)", result.stdout)
    assert "&lt;b&gt;left&lt;/b&gt;" in page.read_text(encoding="utf-8")
    check = (good, "--check", page, "--rig", PLAN)
    again = invoke(report_command, *check, "--walk", walk)
    assert (again.exit_code, again.stdout) == (0, f"{page}: is what the recording shows\n")
    assert invoke(report_command, *check).exit_code == 1  # without its answers


def test_errors_come_before_the_work(good: Path, tmp_path: Path) -> None:
    assert "folder not found" in error_of(good, "--report", tmp_path / "no" / "x.html")
    assert "is named twice" in error_of(good, "--report", tmp_path / "x", "--junit", tmp_path / "x")
    assert error_of(good, "--report", "").startswith('"": is not the name of a file')
    for target in (good, PLAN):
        assert "is also an input file" in error_of(good, "--report", target, "--force")
    assert "--keep: works with a port" in error_of(good, "--keep", tmp_path / "x.pcapng")
    assert "is not UTF-8 text" in error_of(good, "--walk", good)
    assert "none.pcapng" in error_of(tmp_path / "none.pcapng")
    assert not (tmp_path / "x").exists()


def test_a_port_is_led_through_and_e_ends_it(tmp_path: Path) -> None:
    kept = tmp_path / "kept.pcapng"
    result = run("virtual:?speed=max&duration=1h", "--keep", kept, stdin="k\nb\ne\n")
    assert result.exit_code == 1
    said = [line for line in result.stderr.splitlines() if " of 14: " in line]
    assert said[0] == "1 of 14: Leave all controls alone.  [Enter] begin  [k] skip  [e] end"
    assert [line.partition(":")[0] for line in said] == ["1 of 14", "2 of 14", "1 of 14"]
    assert kept.stat().st_size > 10_000
    assert "NOT TESTED" in result.stdout


def test_a_recording_kept_before_is_replaced_only_by_force(tmp_path: Path) -> None:
    kept = tmp_path / "kept.pcapng"
    kept.write_text("precious", encoding="utf-8")
    port = "virtual:?frames=off"
    assert error_of(port, "--keep", kept).startswith(f"{kept}: file exists already")
    assert kept.read_text(encoding="utf-8") == "precious"
    result = run(port, "--keep", kept, "--force", stdin="e\n")
    assert (result.exit_code, type(result.exception)) == (1, SystemExit)
    assert kept.read_bytes()[:4] == bytes.fromhex("0a0d0d0a")  # of a pcapng


@pytest.mark.parametrize("more", [(), ("--keep", "other.pcapng")], ids=["beside the page", "as asked"])
def test_a_page_of_a_port_has_its_recording(
    more: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("virtual:?frames=off", "--report", "round.html", *more, stdin="e\n")
    kept = more[-1] if more else "round.pcapng"
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([kept, "round.html"])
    assert result.stderr.splitlines()[-2:] == [
        f"busbench: wrote {kept} (recording of the test sequence)",
        "busbench: wrote round.html (page to print and sign)",
    ]


def test_no_keyboard_ends_the_round() -> None:
    result = run("virtual:?frames=off", stdin="")
    assert result.exit_code == 1
    assert " ".join(result.stderr.split()).startswith(SAFETY)  # it is no rehearsal
    lines = result.stdout.splitlines()
    at = lines.index("FAILED")
    assert lines[at : at + 3] == [
        "FAILED",
        "  line",
        "    frames              no frame was received (at least 500 frames)",
    ]


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    flown = heron.fly_round(RIG)
    rows = slice(1000, 2250)  # rudder and motor
    flown = heron.Round(flown.t_ns[rows], flown.counts[rows], flown.flags[rows], flown.is_sent[rows], ())
    folder = tmp_path_factory.mktemp("outputs")
    lines = heron.pulse_lines(flown, channels={"motor": 8, "rudder": 6}, scale=RIG.scale)
    heron.write_vcd(folder / "agree.vcd", lines)
    heron.write_level_csv(folder / "agree.csv", lines)
    odd = heron.pulse_lines(flown, channels={"motor": 8}, scale=Scale(1024, 1520, 0.61))
    heron.write_vcd(folder / "differ.vcd", odd)
    return folder


@pytest.mark.parametrize("name", ["agree.vcd", "agree.csv"])
def test_pulses_in_a_table(outputs: Path, name: str) -> None:
    result = invoke(pulses_command, outputs / name)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    bus = "line.bus" if name.endswith("vcd") else "bus"
    assert lines[0] == f"bus on {bus}: 1,250 frames; times in steps of 0.001 µs"
    fits = lines[lines.index("", 3) + 2 :]
    assert fits[0].split()[-5:] == ["8", "1500.00", "0.62500", "0.00", "0"]
    assert fits[1].split()[-5:] == ["6", "1500.00", "0.62500", "0.00", "0"]
    assert max(map(len, lines)) <= 80
    assert lines[-3:] == ["centre_counts = 992", "centre_us = 1500.00", "us_per_count = 0.62500"]


def test_latency_and_skew_in_a_table(outputs: Path, tmp_path: Path) -> None:
    lines = invoke(pulses_command, outputs / "agree.vcd").stdout.splitlines()
    told = [line for line in lines if line.startswith(("latency", "line.motor   ", "skew", "line.rudder after"))]
    assert told[2:] == [
        "latency      frames    min ms  median ms   99 % ms    max ms",
        "line.motor      107  1.000000   1.000000  1.000000  1.000000",
        "skew                          frames  median ms    5 % ms   95 % ms",
        "line.rudder after line.motor    1213   0.000000  0.000000  0.000000",
    ]
    still = tmp_path / "still.vcd"  # an output of a channel at rest follows none, so it has no latency
    heron.write_vcd(still, heron.pulse_lines(heron.fly_round(RIG), channels={"still": 15}, scale=RIG.scale))
    result = invoke(pulses_command, still)
    assert result.exit_code == 0, result.output
    assert "latency" not in result.stdout


def test_pulses_against_a_plan(outputs: Path) -> None:
    assert invoke(pulses_command, outputs / "agree.vcd", "--rig", PLAN).exit_code == 0
    result = invoke(pulses_command, outputs / "differ.vcd", "--rig", PLAN)
    assert result.exit_code == 1
    assert result.stdout.splitlines()[-2:] == [
        "FAIL  channel 8 (sustainer): agrees with the bus: 1000.9 µs at 173 counts, by",
        "      the plan's scale 988.1 µs (limit ±5 µs)",
    ]


def test_pulses_in_json_and_csv(outputs: Path) -> None:
    result = json.loads(invoke(pulses_command, outputs / "differ.vcd", "--format", "json").stdout)
    (line,) = result["lines"]
    assert (line["name"], line["fit"]["channel"]) == ("line.motor", 8)
    assert line["fit"]["us_per_count"] == pytest.approx(0.61, abs=1e-5)
    (row,) = csv.DictReader(invoke(pulses_command, outputs / "differ.vcd", "--format", "csv").stdout.splitlines())
    assert (row["line"], row["channel"], row["pulses"]) == ("line.motor", "8", "1250")


def test_verify_holds_both_outputs_together(outputs: Path) -> None:
    checks = json.loads(run(outputs / "differ.vcd", "--format", "json").stdout)["checks"]
    pulse = [(check["subject"], check["name"], check["verdict"]) for check in checks if check["part"] == "pulse"]
    assert pulse == [
        ("channel 8 (sustainer)", "pulse output", "pass"),
        ("channel 8 (sustainer)", "agrees with the bus", "fail"),
    ]


def test_pulses_of_what_holds_none(good: Path, tmp_path: Path) -> None:
    for path, said in ((good, "has no signal levels"), (tmp_path / "none.vcd", "none.vcd")):
        result = invoke(pulses_command, path)
        assert isinstance(result.exception, BusbenchError)
        assert said in str(result.exception)
    flown = heron.fly_round(RIG)
    bus = {"bus": heron.pulse_lines(flown, channels={}, scale=Scale())["bus"]}
    heron.write_vcd(tmp_path / "bus.vcd", bus)
    result = invoke(pulses_command, tmp_path / "bus.vcd")
    assert "no signal carries servo pulses (it has line.bus)" in str(result.exception)
