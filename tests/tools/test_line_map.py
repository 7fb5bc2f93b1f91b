"""The tests for one line: noted by a run, found again after a change of the file, chosen and put in order."""

from __future__ import annotations

import ast
import gzip
import json
import os
import subprocess
import sys
from pathlib import Path

import line_map
import mutate
import pytest

ROOT = Path(__file__).resolve().parents[2]
TEXT = """LIMIT = 3


def holds(value):
    if value < 0:
        return False
    return value <= LIMIT


def other():
    return 1


@click.holds("name")
def last():
    return 2


ONE = other()
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Notes of three tests: of values above, below 0, and of the other function by another process."""
    tests = {
        "tests/a/test_a.py::test_above": [2.0, False, {"busbench/a.py": format(1 << 4 | 1 << 5 | 1 << 7, "x")}],
        "tests/a/test_a.py::test_below": [0.5, False, {"busbench/a.py": format(1 << 4 | 1 << 5 | 1 << 6, "x")}],
        "tests/b/test_b.py::test_other": [1.0, True, {"busbench/a.py": format(1 << 11, "x")}],
    }
    text = json.dumps({"texts": {"busbench/a.py": TEXT.split("\n")}, "tests": tests})
    path = tmp_path / "notes" / "main.json.gz"
    path.parent.mkdir()
    path.write_bytes(gzip.compress(text.encode()))
    return path.parent


@pytest.mark.parametrize(
    ("line", "found"),
    [
        (5, {"test_above", "test_below"}),
        (6, {"test_below"}),
        (7, {"test_above"}),
        (11, {"test_other"}),
        (1, {"test_above"}),  # where a line that mentions LIMIT runs
    ],
)
@pytest.mark.parametrize("head", ["", '"""Limits."""\n\n'])
def test_the_tests_of_a_line_are_found_after_a_change_above_it(
    folder: Path, line: int, found: set[str], head: str
) -> None:
    reaching = line_map.LineMap(folder).reaching("busbench/a.py", head + TEXT, line + head.count("\n"))
    assert {noted.node.split("::")[1] for noted in reaching} == found


def test_a_line_that_no_test_runs_has_those_of_the_nearest_before_it(folder: Path) -> None:
    text = TEXT.replace("        return False\n", "        value = 0\n        return False\n")
    reaching = line_map.LineMap(folder).reaching("busbench/a.py", text, 6)
    assert {noted.node.split("::")[1] for noted in reaching} == {"test_above", "test_below"}


@pytest.mark.parametrize("line", ["LIMIT[0] = 2", "LIMIT.low = 2", "LIMIT.append(2)", "fill(LIMIT)"])
def test_a_line_that_changes_what_another_defined_has_the_tests_of_that(folder: Path, line: str) -> None:
    text = f"{TEXT}{line}\n"
    reaching = line_map.LineMap(folder).reaching("busbench/a.py", text, text.count("\n"))
    assert {noted.node.split("::")[1] for noted in reaching} == {"test_above"}


def test_a_function_that_a_module_calls_runs_on_import(folder: Path) -> None:
    noted = line_map.LineMap(folder)
    assert (noted.is_run_on_import("other"), noted.is_run_on_import("holds")) == (True, False)


def test_tests_for_a_mutant_are_of_the_room_then_of_others_then_with_processes(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mutate, "ROOT", tmp_path)
    for name, text in {"busbench/a.py": TEXT, "tests/a/test_a.py": "", "tests/b/test_b.py": ""}.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    mutant = mutate.Mutant("busbench/a.py", 5, "", "", ast.parse(""))
    chooser = mutate.Chooser(folder, ["tests/b"], most_s=2)
    nodes = ["tests/b/test_b.py::test_other", "tests/b/test_b.py::test_new", "tests/a/test_a.py::test_new"]
    # The other test of room a takes both over 2 s.
    assert chooser.reaching(mutant, nodes) == ["tests/b/test_b.py::test_new", "tests/a/test_a.py::test_below"]
    apart = chooser.run_apart(mutant, is_whole=False, work=tmp_path)
    assert apart is not None
    assert (apart.arguments[-1], apart.limit_s) == ("tests/b/test_b.py", 62)
    assert json.loads((tmp_path / "chosen.json").read_text())["run"] == ["tests/b/test_b.py::test_other"]
    apart = chooser.run_apart(mutant, is_whole=True, work=tmp_path)
    assert apart is not None
    assert set(apart.arguments[4:]) == {"tests/b/test_b.py", "tests/a/test_a.py"}


def run_pytest(folder: Path, *arguments: str) -> str:
    command = [sys.executable, "-m", "pytest", "-p", "line_map", "-p", "no:cacheprovider", "-v", *arguments]
    env = os.environ | {"PYTHONPATH": str(ROOT / "tools")}
    return subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, check=True).stdout


@pytest.mark.skipif(sys.version_info < (3, 12), reason="Python 3.12 or newer reports lines cheaply")
def test_a_run_notes_the_lines_of_each_test(tmp_path: Path) -> None:
    run_pytest(ROOT, "--line-map", str(tmp_path), "tests/wire/test_scale.py")
    text = (ROOT / "busbench/wire/scale.py").read_text(encoding="utf-8")
    line = text[: text.index("does not fit a frame")].count("\n") + 1
    noted = line_map.LineMap(tmp_path)
    assert noted.reaching("busbench/wire/scale.py", text, line) != []
    assert len(noted.reaching("busbench/wire/scale.py", text, line)) < len(noted.tests)


def test_chosen_tests_run_and_new_ones_and_no_other(tmp_path: Path) -> None:
    names = ("test_scale.py::test_a", "test_uart.py::test_b", "test_scale.py::test_c")
    for name in names:
        with (tmp_path / name.split("::")[0]).open("a") as file:
            file.write(f"def {name.split('::')[1]}():\n    pass\n")
    chosen = {"files": ["test_uart.py", "test_scale.py"], "run": [names[1]], "known": [names[0], names[1]]}
    (tmp_path / "chosen.json").write_text(json.dumps(chosen))
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    printed = run_pytest(tmp_path, "--chosen-tests", "chosen.json")
    assert [line.split(" ")[0] for line in printed.splitlines() if "PASSED" in line] == [names[1], names[2]]
