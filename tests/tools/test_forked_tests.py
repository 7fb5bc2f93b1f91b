"""Tests that run with other code for one function: the first that fails is named, the process stays as it was."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = """from functools import cache
LIMIT = 3

class Range:
    def holds(self, value):
        return value <= LIMIT

def waits(value):
    while value < 0:
        pass

@cache
def doubled(value, times=2):
    return times * value
doubled(1)
"""
TESTS = """import os
import ranges
ID = os.getpid()
def test_low():
    assert ranges.Range().holds(2)
def test_never_when_forked():
    assert os.getpid() == ID
def test_equal():
    assert ranges.Range().holds(3)
def test_waits():
    ranges.waits(1)
def test_cached():
    assert ranges.doubled(1) == 2
"""
SCRIPT = """
import ast, pathlib, pytest
from forked_tests import ForkedTests
text = pathlib.Path("ranges.py").read_text()
def work(forked):
    print(*forked.nodes)
    changes = (6, "<= LIMIT", "< LIMIT", 60), (6, "<= LIMIT", "<= 4", 60), (9, "value < 0", "True", 0.3)
    for line, old, new, limit_s in (*changes, (14, "times * value", "3 * value", 60)):
        changed = forked.functions_at(str(pathlib.Path("ranges.py").resolve()), ast.parse(text.replace(old, new)), line)
        print(len(changed), forked.fails(forked.nodes, changed, limit_s=limit_s))
    other = ast.parse(text.replace("times=2", "times=3"))
    print(forked.functions_at(str(pathlib.Path("ranges.py").resolve()), other, 13))
    print(forked.functions_at("ranges.py", ast.parse(text), 1))
pytest.main(["-q", "-s", "-p", "no:cacheprovider", "test_ranges.py"], plugins=[ForkedTests(work, ["ranges"])])
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no processes are forked on this system")
def test_the_first_test_that_fails_with_other_code_is_named(tmp_path: Path) -> None:
    for name, text in {"ranges.py": PROGRAM, "test_ranges.py": TESTS, "pytest.ini": "[pytest]\n"}.items():
        (tmp_path / name).write_text(text)
    paths = os.pathsep.join((str(tmp_path), str(ROOT / "tools")))
    ran = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": paths},
        capture_output=True,
        text=True,
    )
    assert ran.stdout.splitlines()[:7] == [
        "test_ranges.py::test_low test_ranges.py::test_never_when_forked"
        " test_ranges.py::test_equal test_ranges.py::test_waits test_ranges.py::test_cached",
        "1 test_ranges.py::test_equal",
        "1 ",
        "1 test_ranges.py::test_waits",
        "1 test_ranges.py::test_cached",
        "[]",
        "[]",
    ]
