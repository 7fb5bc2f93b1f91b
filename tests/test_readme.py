"""Everything that README shows is typed as printed, in a copy of the project's recordings."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
# Need a person, a port or a whole installation: tested elsewhere.
LEFT_OUT = re.compile(r"tools/(start|check)\.py|^busbench (watch|record|probe|ports|simulate|walk|loop)\b|--arm")


def commands() -> list[str]:
    found = []
    for block in re.findall(r"```console\n(.*?)```", README, re.DOTALL):
        found += [line[2:] for line in block.splitlines() if line.startswith("$ ")]
    return [line for line in found if not LEFT_OUT.search(line)]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("readme")
    shutil.copytree(ROOT / "captures", folder / "captures")
    (folder / "bin").mkdir()
    program = folder / "bin" / "busbench"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m busbench "$@"\n')
    program.chmod(0o755)
    return folder


@pytest.mark.skipif(sys.platform == "win32", reason="the README's lines are typed into a POSIX shell")
@pytest.mark.parametrize("line", commands())
def test_a_line_of_the_tour_works(place: Path, line: str) -> None:
    path = f"{place / 'bin'}{os.pathsep}{os.environ['PATH']}"
    ran = subprocess.run(
        ["sh", "-c", line],
        cwd=place,
        env=os.environ | {"PATH": path, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout or " -o " in line or "--to " in line
    assert "Traceback" not in ran.stderr


def test_the_tour_is_found() -> None:
    assert len(commands()) >= 9


def test_the_python_of_the_readme_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert blocks
    for block in blocks:
        names: dict[str, object] = {}
        for line in block.splitlines():
            code, _, shown = line.partition("  # -> ")
            if shown:
                assert repr(eval(code, names)) == shown, code
            else:
                exec(code, names)
