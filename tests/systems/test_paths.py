"""File commands in folders with awkward names and in folders that must not be written to."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from pathlib import Path

import pytest

from tests.systems.running import CAPTURES, file_lines, run_lines, wrong


def contents(folder: Path) -> dict[str, int]:
    return {str(path.relative_to(folder)): path.stat().st_size for path in folder.rglob("*")}


@pytest.mark.parametrize("name", ["two words  größe-飛行機-\N{SMALL AIRPLANE}", "-o [bold]$HOME;'%s'"])
def test_any_name_of_a_folder_will_do(tmp_path: Path, name: str) -> None:
    captures, out = tmp_path / name / "captures", tmp_path / name / "out"
    shutil.copytree(CAPTURES, captures)
    out.mkdir()
    before = contents(captures)
    for path in [*captures.rglob("*"), captures]:
        path.chmod(path.stat().st_mode & ~0o222)
    try:
        report = run_lines(file_lines(captures, out), cwd=out)
    finally:
        for path in [captures, *captures.rglob("*")]:
            path.chmod(path.stat().st_mode | stat.S_IWUSR)
    assert wrong(report.lines) == []
    assert contents(captures) == before
    # Relative, and beginning with what could be taken for an option.
    near = Path(name, "captures", "heron-line.vcd")
    assert wrong(run_lines([["outages", "--", str(near)]], cwd=tmp_path).lines) == []


def locked_folder(tmp_path: Path) -> Path:
    """A folder in which this user may make no file; root may in any but those of the kernel."""
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o555)
    return folder if not os.access(folder, os.W_OK) else Path("/sys")


@pytest.mark.skipif(sys.platform == "win32", reason="a folder of Windows is not locked by its mode")
def test_a_folder_that_cannot_be_written_to_is_told_in_one_line(tmp_path: Path) -> None:
    folder = locked_folder(tmp_path)
    line, rig = str(CAPTURES / "heron-line.vcd"), str(CAPTURES / "heron.toml")
    sweep = ["drive", "sweep", "--channel", "1", "--period", "4", "--no-motor", "--to"]
    lines = [
        *(["convert", line, "-o", f"{folder}/a{suffix}"] for suffix in (".pcapng", ".csv", ".vcd", ".raw", ".parquet")),
        *([*sweep, f"{folder}/a{suffix}"] for suffix in (".pcapng", ".csv", ".vcd", ".raw")),
        ["rig", "new", f"{folder}/a.toml"],
        ["rig", "sheet", rig, "-o", f"{folder}/a.html"],
        ["rig", "draft", line, "-o", f"{folder}/a.toml"],
        ["record", "virtual:", "--seconds", "0.1", "-o", f"{folder}/a.pcapng"],
        ["verify", line, "--rig", rig, "--report", f"{folder}/a.html"],
        ["verify", line, "--rig", rig, "--junit", f"{folder}/a.xml"],
    ]
    for ran in run_lines(lines, cwd=tmp_path).lines:
        (said,) = ran.err.splitlines()
        assert said.startswith(f"busbench: {folder}/a."), ran
        assert "cannot be written (" in said, ran
        assert ran.code == 2, ran
