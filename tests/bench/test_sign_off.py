"""One verdict from recording, plan, answers, pulse outputs and an earlier recording; and its page."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.sign_off import Baseline, find_answers, pulse_outputs, read_levels, sign_off
from busbench.capture.base import ReadOptions
from busbench.errors import DriveError, OutputError
from busbench.rig.load import read_rig
from busbench.verify.result import Verdict
from tests.bench.test_parity import keep_answers
from tests.cli.running import CAPTURES

RIG_PATH = CAPTURES / "heron.toml"
RIG = read_rig(RIG_PATH)
LINE, OUTPUTS = CAPTURES / "heron-line.vcd", CAPTURES / "heron-outputs.vcd"


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_answers_are_those_named_or_those_kept_for_the_plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert find_answers(RIG, rig_path=RIG_PATH) is None
    with pytest.raises(DriveError, match=r"other\.json: file not found"):
        find_answers(RIG, rig_path=RIG_PATH, path="other.json")
    keep_answers(tmp_path)
    kept = find_answers(RIG, rig_path=RIG_PATH)
    assert kept is not None
    assert kept.path == "heron.walk.json"
    assert [check.verdict for check in kept.checks][:4].count(Verdict.FAIL) == 1
    assert find_answers(RIG, rig_path="other.toml") is None
    bare = json.loads(Path("heron.walk.json").read_text(encoding="utf-8"))
    for device in bare["devices"]:
        device |= {"answers": dict.fromkeys(device["answers"]), "note": ""}
    Path("other.walk.json").write_text(json.dumps(bare), encoding="utf-8")
    assert find_answers(RIG, rig_path="other.toml") is None  # nothing was answered
    assert find_answers(RIG, rig_path="other.toml", path="other.walk.json") is not None
    named = find_answers(RIG, rig_path="other.toml", path=tmp_path / "heron.walk.json")
    assert named is not None
    assert named.checks == kept.checks


def test_pulse_outputs_are_those_beside_the_bus(tmp_path: Path) -> None:
    options = ReadOptions()
    assert read_levels("-", options) is None
    assert pulse_outputs(str(CAPTURES / "heron-bench.pcapng"), options) is None
    assert pulse_outputs(str(LINE), options) is None  # the bus alone
    found = pulse_outputs(str(OUTPUTS), options)
    assert found is not None
    assert found.lines
    levels = read_levels(str(OUTPUTS), options)
    assert levels is not None
    assert (len(levels.signals) >= 2, levels.bus) == (True, None)
    named = read_levels(str(LINE), ReadOptions(signal=next(iter(levels.signals)).rpartition(".")[2]))
    assert named is not None
    assert named.bus is not None


def test_the_figures_name_their_inputs_by_hash(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    recording = read_recording(LINE)
    plain = sign_off(recording, RIG)
    figures = plain.figures(recording_path=None, rig_path=str(RIG_PATH))
    assert (figures["kind"], figures["recording_sha256"], figures["answers_sha256"]) == ("sign-off", None, None)
    assert figures["rig_sha256"] == sha256(RIG_PATH)
    assert "compared" not in figures
    assert json.loads(json.dumps(figures)) == figures
    keep_answers(tmp_path)
    answers = find_answers(RIG, rig_path=RIG_PATH)
    baseline = Baseline(str(LINE), recording)
    whole = sign_off(recording, RIG, answers=answers, baseline=baseline)
    figures = whole.figures(recording_path=str(LINE), rig_path=str(RIG_PATH))
    assert figures["recording_sha256"] == sha256(LINE)
    assert figures["answers_sha256"] == sha256(tmp_path / "heron.walk.json")
    assert "compared" in figures
    assert answers is not None
    assert len(whole.found.checks) > len(plain.found.checks) + len(answers.checks)
    assert whole.found.checks[: len(plain.found.checks)] == plain.found.checks
    assert plain.verdict is Verdict.NOT_TESTED  # no test sequence is in it
    assert whole.verdict is Verdict.FAIL  # of an answer


def test_pulse_outputs_count_and_are_compared_where_both_have_them() -> None:
    recording, pulses = read_recording(OUTPUTS), pulse_outputs(str(OUTPUTS), ReadOptions())
    assert pulses is not None
    with_pulses, without = sign_off(recording, RIG, pulses=pulses), sign_off(recording, RIG)
    assert len(with_pulses.found.checks) > len(without.found.checks)
    for old in (None, pulses):
        for new in (None, pulses):
            figures = Baseline(str(OUTPUTS), recording, old).compare(recording, rig=RIG, pulses=new).figures
            assert any(one.what == "latency" for one in figures) is (old is not None and new is not None)


def test_a_page_names_its_source_and_replaces_no_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    rig_path, source = tmp_path / "heron.toml", tmp_path / "line.vcd"
    rig_path.write_bytes(RIG_PATH.read_bytes())
    source.write_bytes(LINE.read_bytes())
    made = sign_off(read_recording(str(source)), RIG)
    made.write_page("one.html", rig_path=str(rig_path))
    text = Path("one.html").read_text(encoding="utf-8")
    assert sha256(source) in text
    assert sha256(rig_path) in text
    assert "line.vcd" in text
    with pytest.raises(OutputError, match=r"one\.html: file exists already"):
        made.write_page("one.html", rig_path=str(rig_path))
    made.write_page("one.html", rig_path=str(rig_path), force=True)
    for name in (rig_path, source):
        with pytest.raises(OutputError, match="is also an input file"):
            made.write_page(name, rig_path=str(rig_path), force=True)
    other = tmp_path / "kept.pcapng"
    other.write_bytes(b"other")
    made.write_page("two.html", source="virtual:", rig_path=str(rig_path), recording_path=str(other))
    text = Path("two.html").read_text(encoding="utf-8")
    assert sha256(other) in text
    assert sha256(source) not in text
    assert re.search("virtual", text)
