"""What the repository and the built package hold."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

import busbench

ROOT = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "busbench", "captures", "tests", "tools"}
PIN = re.compile(r"^([a-z0-9-]+)==([^\s;]+)(?: ; ([^\\]+?))? \\$", re.MULTILINE)


def tracked() -> list[str]:
    """Paths of all files that the repository keeps."""
    if shutil.which("git") is None:
        pytest.skip("outside tool missing: git")
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    return [name for name in listed.decode().split("\0") if name]


def pins(name: str) -> dict[tuple[str, str], str]:
    text = (ROOT / "tools" / name).read_text(encoding="utf-8")
    return {(package, marker): version for package, version, marker in PIN.findall(text)}


def test_top_level_stays_short() -> None:
    assert {name.split("/")[0] for name in tracked() if not name.startswith(".")} <= TOP


def test_the_wheel_holds_every_file_of_the_package(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    built = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    assert built.returncode == 0, built.stderr
    (wheel,) = tmp_path.iterdir()
    assert wheel.name == f"busbench-{busbench.__version__}-py3-none-any.whl"
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
        metadata = archive.read(f"busbench-{busbench.__version__}.dist-info/METADATA").decode()
    assert {name for name in tracked() if name.startswith("busbench/")} <= held
    assert {"busbench/py.typed", "busbench/LICENSE"} <= held
    assert "License-Expression: MIT" in metadata.splitlines()


def test_the_changes_begin_with_this_version() -> None:
    changes = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("\n## Changes\n")[2]
    assert re.findall(r"^### (.*)$", changes, re.MULTILINE)[:1] == [busbench.__version__]


@pytest.mark.parametrize("name", ["lock.txt", "lock-dev.txt"])
def test_lock_is_hashed_and_names_no_place(name: str) -> None:
    text = (ROOT / "tools" / name).read_text(encoding="utf-8")
    head, *lines = text.splitlines()
    assert head.startswith("# Pinned with hashes")
    assert not re.search(r"://|index-url|find-links|file:", text)
    entry = None
    for line in lines:
        if PIN.match(line + "\n"):
            assert entry != 0, "an entry without a hash"
            entry = 0
        else:
            assert re.fullmatch(r"    --hash=sha256:[0-9a-f]{64}( \\)?", line), line
            assert entry is not None
            entry += 1
    assert entry


def test_dev_lock_keeps_the_versions_of_the_run_lock() -> None:
    run = pins("lock.txt")
    assert len(run) > 15
    assert run.items() <= pins("lock-dev.txt").items()


def test_locks_hold_what_the_project_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = [*project["project"]["dependencies"], *project["dependency-groups"]["build"]]
    bare = re.compile(r"[\w-]+")

    def names(requirements: list[str]) -> set[str]:
        return {found.group().lower() for text in requirements if (found := bare.match(text))}

    assert names(asked) <= {package for package, _ in pins("lock.txt")}
    assert names(asked + project["dependency-groups"]["dev"]) <= {package for package, _ in pins("lock-dev.txt")}


def test_ci_script_is_executable_where_systems_know_that() -> None:
    if os.name == "posix":
        assert os.access(ROOT / ".ci" / "run", os.X_OK)
