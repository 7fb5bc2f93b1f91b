"""Running commands as a person would, in this process or in one of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from busbench.cli.main import run
from busbench.errors import BusbenchError

ROOT = Path(__file__).resolve().parent.parent.parent
CAPTURES = ROOT / "captures"
# A plan of two surfaces and a motor.
SMALL = """
[rig]
name = "Heron"
period_ms = 14
[supply]
voltage_v = 7.4
[[device]]
name = "left aileron"
channel = 1
[[device]]
name = "rudder"
channel = 2
geometry = { throw_deg = 20 }
[[device]]
name = "sustainer"
channel = 3
kind = "off-bus"
motor = true
failsafe = -100
"""


@dataclass(frozen=True)
class Ran:
    """What a command left."""

    code: int
    out: str
    err: str
    raw: bytes = b""


def call(capfd: pytest.CaptureFixture[str], *words: str | Path) -> Ran:
    """Run a command line in this process."""
    capfd.readouterr()
    code = run([str(word) for word in words])
    out, err = capfd.readouterr()
    return Ran(code, out, err)


def invoke(command: click.Command, *words: object, stdin: str | None = None) -> Result:
    """Run one command in this process; what it raises is kept."""
    return CliRunner().invoke(command, [str(word) for word in words], input=stdin)


def refusal_of(command: click.Command, *words: object, stdin: str | None = None) -> str:
    """The line with which a command refuses."""
    result = invoke(command, *words, stdin=stdin)
    assert isinstance(result.exception, BusbenchError), result.output
    assert "\n" not in str(result.exception)
    return str(result.exception)


def spawn(*words: str | Path, stdin: bytes | None = None, cwd: Path = ROOT, **more: str) -> Ran:
    """Run a command line in a process of its own."""
    result = subprocess.run(
        [sys.executable, "-m", "busbench", *map(str, words)],
        input=stdin,
        capture_output=True,
        cwd=cwd,
        env=os.environ | more,
        check=False,
        timeout=60,
    )
    return Ran(result.returncode, result.stdout.decode(errors="replace"), result.stderr.decode(), result.stdout)
