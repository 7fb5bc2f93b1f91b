"""`busbench drive --pulses`: the lines of a virtual receiver in a file, read back by `busbench pulses`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.running import CAPTURES, call

RAMP = ("drive", "ramp", "--channel", "8", "--low", "-80", "--high", "100", "--period", "2")
HERON = CAPTURES / "heron.toml"


@pytest.mark.parametrize("suffix", ["vcd", "csv"])
def test_the_outputs_are_measured_as_the_scale_made_them(
    suffix: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    rig, path = tmp_path / "rig.toml", tmp_path / f"lines.{suffix}"
    odd = "centre_counts = 1024\ncentre_us = 1520.0\nus_per_count = 0.61"
    usual = "centre_counts = 992\ncentre_us = 1500.0\nus_per_count = 0.625"
    text = HERON.read_text(encoding="utf-8").replace("motor = true", "motor = false")
    assert usual in text
    rig.write_text(text.replace(usual, odd), encoding="utf-8")
    made = call(capfd, *RAMP, "--rig", rig, "--pulses", "8", "--pulses", "1", "--to", path)
    assert made.code == 0
    found = json.loads(call(capfd, "pulses", path, "--format", "json").out)
    assert made.err == f"busbench: wrote {path} ({found['frames']} frames, 2 pulse outputs)\n"
    lines = {line["name"].rpartition(".")[2]: line for line in found["lines"]}
    fit = lines["output_8"]["fit"]
    assert (fit["channel"], fit["lag_frames"]) == (8, 0)
    assert fit["us_per_count"] == pytest.approx(0.61, abs=1e-5)
    assert fit["centre_us"] == pytest.approx(1520 - 32 * 0.61, abs=0.001)  # at 992 counts
    assert lines["output_1"]["width_us"]["max"] == pytest.approx(1520, abs=0.001)  # it rests
    checked = call(capfd, "pulses", path, "--rig", rig)
    assert "PASS  channel 8 (sustainer): agrees with the bus" in checked.out
    against = call(capfd, "pulses", path, "--rig", HERON)
    assert against.code == 1
    assert "FAIL  channel 8 (sustainer): agrees with the bus" in against.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--pulses", "17", "--to", "x.vcd"), "--pulses: channel 17 has no pulse output: give 1 to 16"),
        (("--pulses", "1", "--to", "virtual:"), "--pulses: works with a file only"),
        (("--pulses", "1", "--to", "-"), "--pulses: works with a file only"),
        (("--pulses", "1", "--to", "x.raw"), "x.raw: holds no levels of several lines: end the name in .vcd or .csv"),
        (("--pulses", "1", "--repeat", "999", "--to", "x.vcd"), "x.vcd: the program has more than 20,000 frames"),
    ],
)
def test_what_cannot_be(
    words: tuple[str, ...],
    said: str,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = call(capfd, *RAMP, *words)
    assert ran.code == 2
    assert ran.err.startswith(f"busbench: {said}")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_stays(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "kept.vcd"
    path.write_text("kept", encoding="utf-8")
    assert call(capfd, *RAMP, "--pulses", "8", "--to", path).code == 2
    assert path.read_text(encoding="utf-8") == "kept"
    assert call(capfd, *RAMP, "--pulses", "8", "--to", path, "--force").code == 0
