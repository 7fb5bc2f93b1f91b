"""The set-up tools speak to people in one line, and do not do their work twice."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import _setup
import pytest

TOOLS = Path(_setup.__file__).parent

# Shortened from what pip 23.2 and 25.3 print.
NO_NETWORK = """\
WARNING: Retrying (Retry(total=1, connect=None)) after connection broken by 'NewConnectionError('<HTTPSConnection>: \
Failed to establish a new connection: [Errno 101] Network is unreachable')': /simple/click/
ERROR: Could not find a version that satisfies the requirement click==8.5.1 (from versions: none)
ERROR: No matching distribution found for click==8.5.1
"""
CHANGED = """\
ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE. If you have updated the package versions, \
please update the hashes.
    click==8.5.1 from click-8.5.1-py3-none-any.whl:
        Expected sha256 9bbf
"""


@pytest.mark.parametrize(
    ("output", "words"),
    [
        (NO_NETWORK, "no network: the packages could not be fetched. Try again when online"),
        (CHANGED, "a downloaded package differs from the lock: a broken download or a changed package"),
        ("Collecting click\nERROR: Something new\nERROR: second\n", "ERROR: Something new"),
        ("", "pip failed without a word"),
    ],
)
def test_pip_failure_in_one_line(output: str, words: str) -> None:
    assert _setup.explain(output) == words


def test_python_of_a_venv() -> None:
    assert _setup.venv_python(Path("v"), os_name="nt") == Path("v", "Scripts", "python.exe")
    assert _setup.venv_python(Path("v"), os_name="posix") == Path("v", "bin", "python")


@pytest.fixture
def stamp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "stamp.txt"
    monkeypatch.setattr(_setup, "STAMP", path)
    monkeypatch.setattr(_setup, "venv_python", lambda: Path(sys.executable))
    return path


def test_ready_only_with_the_same_lock(stamp: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert not _setup.is_ready("run")
    stamp.write_text(f"run {_setup.fingerprint()}\n")
    assert _setup.is_ready("run")
    assert not _setup.is_ready("dev")
    stamp.write_text(f"dev {_setup.fingerprint()}\n")
    assert _setup.is_ready("run")
    assert _setup.is_ready("dev")
    changed = tmp_path / "lock.txt"
    changed.write_text("other\n")
    monkeypatch.setattr(_setup, "LOCKS", {**_setup.LOCKS, "run": changed})
    assert not _setup.is_ready("dev")


def test_ready_only_with_a_working_python(stamp: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    stamp.write_text(f"run {_setup.fingerprint()}\n")
    monkeypatch.setattr(_setup, "venv_python", lambda: tmp_path / "gone")
    assert not _setup.is_ready("run")


def test_a_python_without_venv_is_named(monkeypatch: pytest.MonkeyPatch, stamp: Path, tmp_path: Path) -> None:
    monkeypatch.setattr(_setup, "venv_python", lambda: tmp_path / "gone")
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(_setup.SetupError, match=r"^this Python cannot make virtual environments: .*python3-venv$"):
        _setup.prepare("run")


@pytest.mark.parametrize("script", ["start.py", "check.py"])
def test_an_old_python_is_told_so(script: str) -> None:
    code = f"import runpy, sys; sys.version_info = (3, 9, 2); runpy.run_path({str(TOOLS / script)!r})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr == f"{script}: busbench needs Python 3.11 or newer, this is 3.9\n"
    assert done.returncode == 1


@pytest.mark.skipif(sys.platform == "win32", reason="a Python is made up as a shell script")
def test_a_venv_of_another_python_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _setup._say_where_other(Path(sys.executable))
    assert capsys.readouterr().err == ""
    other = tmp_path / "python"
    other.write_text("#!/bin/sh\necho 3.10\n")
    other.chmod(0o755)
    _setup._say_where_other(other)
    now, name = sys.version.split()[0], _setup.VENV.name
    assert capsys.readouterr().err == f"· {name} holds Python 3.10: to use Python {now}, delete {name} first\n"
