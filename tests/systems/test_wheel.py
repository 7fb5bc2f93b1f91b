"""The wheel works without the repository: nothing but itself and the packages that it asks for."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import busbench
from tests.systems.running import CAPTURES, ROOT, file_lines, help_lines, run_lines, wrong


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    built = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    assert built.returncode == 0, built.stderr
    (path,) = folder.iterdir()
    return path


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("installed")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(folder)]
    subprocess.run([*pip, str(wheel)], check=True, cwd=folder)
    return folder


def test_it_holds_the_package_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    assert {name.split("/")[0] for name in names} == {"busbench"}
    kinds = {"", ".css", ".html", ".j2", ".md", ".py", ".tcss", ".toml", ".typed"}
    assert {Path(name).suffix for name in names} <= kinds
    assert not [name for name in names if Path(name).name.startswith("test_") or "__pycache__" in name]
    assert {"busbench/py.typed", "busbench/LICENSE"} <= names
    here = {path.relative_to(ROOT).as_posix() for path in (ROOT / "busbench").rglob("*") if path.is_file()}
    assert {name for name in here if "__pycache__" not in name} == names


def test_commands_run_away_from_the_repository(installed: Path, tmp_path: Path) -> None:
    captures, out = tmp_path / "captures", tmp_path / "out"
    shutil.copytree(CAPTURES, captures)
    out.mkdir()
    report = run_lines([*help_lines(), *file_lines(captures, out)], path=[installed], cwd=out, imports=True)
    assert report.file == str(installed / "busbench" / "__init__.py")
    assert report.imports == {}
    assert wrong(report.lines) == []


@pytest.mark.parametrize("entry", ["script", "module"])
def test_it_is_started_by_name(installed: Path, tmp_path: Path, entry: str) -> None:
    script = installed / "bin" / ("busbench.exe" if os.name == "nt" else "busbench")
    command = [str(script)] if entry == "script" else [sys.executable, "-m", "busbench"]
    environment = os.environ | {"PYTHONPATH": str(installed)}
    done = subprocess.run(
        [*command, "--version"], cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == f"busbench, version {busbench.__version__}"
