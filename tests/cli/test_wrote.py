"""What commands say of the files that they wrote."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.running import CAPTURES, call

RIG, READINGS = ("rig", "power", CAPTURES / "heron.toml"), CAPTURES / "heron-power.csv"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((*RIG, "--svg", "a.svg"), "a.svg (wiring tree, rudder stalled, rest moving, leads at 20 °C)"),
        ((*RIG, "--measured", READINGS, "--svg", "a.svg"), "a.svg (measured beside planned)"),
        (
            (*RIG, "--measured", READINGS, "--recording", CAPTURES / "heron-flight.pcapng", "--svg", "a.svg"),
            "a.svg (measured voltage over time, with outages)",
        ),
        (("rig", "sheet", CAPTURES / "heron.toml", "-o", "a.html"), "a.html (set-up sheet, to print on A4)"),
        (("report", CAPTURES / "heron-line.vcd", "-o", "a.html"), "a.html (page of the recording)"),
        (("survey", CAPTURES / "heron-line.vcd", "--page", "a.html"), "a.html (page of the ranking)"),
        (
            ("survey", CAPTURES / "heron-pair.pcapng", "--unit", "left", "--page", "a.html"),
            "a.html (page of the history)",
        ),
    ],
    ids=["tree", "measured", "over time", "sheet", "report", "ranking", "history"],
)
def test_a_command_says_what_it_wrote(
    words: tuple[str | Path, ...],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = call(capfd, *words)
    assert (ran.code, ran.err.splitlines()[-1:]) == (0, [f"busbench: wrote {said}"])
    assert [path.name for path in tmp_path.iterdir()] == [said.partition(" ")[0]]


def test_what_goes_to_standard_output_is_said_there_too(capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "rig", "sheet", CAPTURES / "heron.toml", "-o", "-")
    assert ran.out.startswith("<!doctype html>")
    assert ran.err.splitlines()[-1] == "busbench: wrote standard output (set-up sheet, to print on A4)"
