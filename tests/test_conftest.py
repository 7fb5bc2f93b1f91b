"""CI leaves no outside check out: a skip for a missing tool fails there, and only there."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SKIPS = """
import pytest

def test_in_body():
    pytest.skip("outside tool missing: tshark")

@pytest.mark.skipif(True, reason="outside tool missing: socat")
def test_by_mark():
    pass

@pytest.fixture
def tool():
    pytest.skip("outside tool missing: tmux")

def test_by_fixture(tool):
    pass

def test_other():
    pytest.skip("runs on Windows alone")

def test_good():
    pass

@pytest.mark.xfail
def test_expected():
    assert False
"""
WHOLE_FILE = 'import pytest\npytest.skip("outside tool missing: ngspice", allow_module_level=True)\n'


@pytest.mark.parametrize(
    ("ci", "closing"),
    [
        ("true", "1 failed, 1 passed, 1 skipped, 1 xfailed, 3 errors"),
        ("", "1 passed, 5 skipped, 1 xfailed"),
    ],
)
def test_skips_for_missing_tools(tmp_path: Path, ci: str, closing: str) -> None:
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "test_skips.py").write_text(SKIPS)
    (tmp_path / "test_whole.py").write_text(WHOLE_FILE)
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--continue-on-collection-errors"]
    done = subprocess.run(
        command, cwd=tmp_path, env={**os.environ, "CI": ci}, capture_output=True, text=True, check=False
    )
    last = done.stdout.strip().splitlines()[-1]
    assert re.sub(r" in .*", "", last) == closing, done.stdout
    assert done.returncode == (1 if ci else 0)


TABLES = """
import pytest

@pytest.mark.parametrize("row", range(7))
def test_long(row):
    print("long", row)

@pytest.mark.every_row
@pytest.mark.parametrize("row", range(3))
def test_whole(row):
    print("whole", row)

@pytest.mark.parametrize("row", range(2))
def test_short(row):
    print("short", row)

def test_one():
    print("one")
"""


def test_of_long_tables_some_rows_are_run_where_that_is_wanted(tmp_path: Path) -> None:
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "test_tables.py").write_text(TABLES)
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    command = [sys.executable, "-m", "pytest", "-q", "-s", "-p", "no:cacheprovider", "--rows", "2"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert re.findall(r"(?:long|short|whole) \d|one", done.stdout) == [
        *("long 0", "long 3", "whole 0", "whole 1", "whole 2", "short 0", "short 1", "one")
    ]
    assert "5 deselected" in done.stdout
