"""Every Python of the machine is found and checked, and one that fails fails the whole."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import every_python
import pytest
from _setup import ROOT

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Pythons are made up as shell scripts")


def program(path: Path, script: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    path.chmod(0o755)
    return path


def test_those_on_the_path_come_first_then_those_of_version_managers(tmp_path: Path) -> None:
    first = program(tmp_path / "bin" / "python3", "exit 0")
    program(tmp_path / "bin" / "python3-config", "exit 0")
    managed = program(tmp_path / "home" / ".pyenv" / "versions" / "3.12.1" / "bin" / "python3.12", "exit 0")
    path = os.pathsep.join([str(tmp_path / "bin"), str(tmp_path / "none")])
    assert every_python.candidates(path, [tmp_path / "home"]) == [first, managed]


def test_one_of_each_supported_version_is_taken(tmp_path: Path) -> None:
    programs = [
        program(tmp_path / "a", "echo 3 13 /of/a"),
        program(tmp_path / "old", "echo 3 10 /of/old"),
        program(tmp_path / "not in use", "echo 'not in use' >&2; exit 127"),
        program(tmp_path / "early release", "exit 0"),
        program(tmp_path / "again", "echo 3 13 /of/again"),
        program(tmp_path / "b", "echo 3 11 '/of/two words'"),
        tmp_path / "gone",
    ]
    assert every_python.supported(programs) == {(3, 11): Path("/of/two words"), (3, 13): Path("/of/a")}


def test_the_python_in_use_is_one_of_them() -> None:
    assert every_python.supported([Path(sys.executable)]) == {sys.version_info[:2]: Path(sys.executable)}


@pytest.mark.parametrize(
    ("codes", "failed"),
    [
        ({}, []),
        ({("3.12", "start.py"): 1}, ["3.12"]),
        ({("3.13", "--types"): 5}, ["3.13"]),
        ({("3.13", "--types"): 1, ("3.11", "--types"): 1}, ["3.13", "3.11"]),
        ({("3.11", "--install-only"): 2}, ["3.11 (installation)"]),
    ],
)
def test_what_runs_on_which_and_what_failed(
    monkeypatch: pytest.MonkeyPatch, codes: dict[tuple[str, str], int], failed: list[str]
) -> None:
    ran: dict[str, list[list[str]]] = {}

    def run(command: list[str], *, env: dict[str, str], **_: object) -> subprocess.CompletedProcess[bytes]:
        version, words = env["BUSBENCH_VENV"].removeprefix(".venv-"), [Path(command[1]).name, *command[2:]]
        assert command[0] == f"/of/{version}"
        ran.setdefault(version, []).append(words)
        told = words[0] if words[0] == "start.py" else words[1]
        return subprocess.CompletedProcess(command, codes.get((version, told), 0))

    monkeypatch.setattr(subprocess, "run", run)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    pythons = {(3, minor): Path(f"/of/3.{minor}") for minor in (11, 12, 13)}
    monkeypatch.setattr(every_python, "SYSTEMS", ("linux", "win32", "darwin"))
    monkeypatch.setattr(every_python, "FOR_EVERY_PYTHON", ("tests/cli", "tests/port"))
    assert every_python.run_all(pythons, ["-x"]) == failed
    checks = {
        "3.13": ["check.py", "--types", "linux", "win32", "-n", "4", "-x"],
        "3.11": ["check.py", "--types", "darwin", "-n", "2", "--rows", "1", "tests/cli", "tests/port", "-x"],
    }
    installs = {version: ["check.py", "--install-only"] for version in checks}
    assert ran.pop("3.12") == [["start.py"]]
    assert ran == {
        version: [installs[version], *([] if f"{version} (installation)" in failed else [words])]
        for version, words in checks.items()
    }


def test_where_tests_are_named_no_other_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    words: list[str] = []

    def run_one(version: object, python: Path, given: list[str], output: object) -> str:
        words.extend(given)
        return ""

    monkeypatch.setattr(every_python, "_run_one", run_one)
    assert every_python.run_all({(3, 11): Path("/of/a"), (3, 12): Path("/of/b")}, ["tests/wire::test_a"]) == []
    assert [word for word in words if word.startswith("tests")] == ["tests/wire::test_a"] * 2


@pytest.mark.parametrize("path", every_python.FOR_EVERY_PYTHON)
def test_what_runs_on_every_python_is_there(path: str) -> None:
    assert (ROOT / path).exists()


@pytest.mark.parametrize("code", [0, 1])
def test_what_is_printed_beside_the_newest_comes_whole(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path, code: int
) -> None:
    (tmp_path / "tools").mkdir()
    told = "import os; print(os.environ['BUSBENCH_VENV'], flush=True)\n"
    (tmp_path / "tools" / "check.py").write_text(told)
    (tmp_path / "tools" / "start.py").write_text(f"{told}raise SystemExit({code})\n")
    monkeypatch.setattr(every_python, "ROOT", tmp_path)
    failed = every_python.run_all(dict.fromkeys([(3, 11), (3, 12), (3, 13)], Path(sys.executable)), [])
    assert failed == ["3.12"] * code
    between = [".venv-3.12"] * code  # where it starts as it should there is nothing to say
    assert sorted(capfd.readouterr().out.splitlines()) == [*[".venv-3.11"] * 2, *between, *[".venv-3.13"] * 2]


def test_one_that_fails_fails_the_whole(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(sys, "argv", ["every_python.py"])
    monkeypatch.setattr(every_python, "supported", lambda programs: {(3, 11): Path("/of/3.11")})
    monkeypatch.setattr(every_python, "run_all", lambda pythons, arguments: ["3.11"])
    assert every_python.main() == 1
    assert capsys.readouterr().out == "every_python.py: failed: 3.11\n"
    monkeypatch.setattr(every_python, "run_all", lambda pythons, arguments: [])
    assert every_python.main() == 0
    monkeypatch.setattr(every_python, "supported", lambda programs: {})
    assert every_python.main() == 2
