"""start.py shows the shipped recording: on the screen in a terminal, as a summary elsewhere."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import start


@pytest.mark.parametrize(
    ("is_terminal", "term", "commands"),
    [
        (True, "xterm", [["watch"]]),
        (True, "dumb", [["outages"], ["timing"], ["channels"]]),
        (False, "xterm", [["outages"], ["timing"], ["channels"]]),
    ],
)
def test_what_it_runs(monkeypatch: pytest.MonkeyPatch, is_terminal: bool, term: str, commands: list[list[str]]) -> None:
    ran: list[list[str]] = []

    def run(words: list[Any], **_: Any) -> subprocess.CompletedProcess[str]:
        ran.append([words[3]])
        assert words[4] == "captures/heron-flight.pcapng"
        return subprocess.CompletedProcess(words, 0)

    monkeypatch.setattr(start, "prepare", lambda _: Path.cwd() / "python")
    monkeypatch.setattr(subprocess, "run", run)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: is_terminal, raising=False)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: is_terminal, raising=False)
    monkeypatch.setenv("TERM", term)
    assert start.main([]) == 0
    assert ran == commands


LEFT = """
import os, pathlib, runpy, sys, _setup
_setup.prepare = lambda _: pathlib.Path(sys.executable)
gone, pipe = os.pipe()
os.close(gone)
os.dup2(pipe, 1)
runpy.run_path(sys.argv.pop(), run_name="__main__")
"""


def test_a_reader_that_leaves_is_no_traceback() -> None:
    path = Path(str(start.__file__))
    ran = subprocess.run(
        [sys.executable, "-c", LEFT, path], stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False, text=True,
        env={**os.environ, "PYTHONPATH": str(path.parent)},
    )  # fmt: skip
    assert (ran.stderr, ran.returncode) == ("", 0)
