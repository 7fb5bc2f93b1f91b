"""What runs on Linux runs on Windows and macOS, as far as that can be distinguished from here."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from busbench.sim.playback import PtyOutlet, TcpOutlet, play
from busbench.sim.receiver import ReceiverSettings
from tests.systems.running import CAPTURES, HERE, ROOT, file_lines, help_lines, run_lines, wrong

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the other systems are made up from Linux")
OTHER = (HERE / "elsewhere", ROOT)


@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_every_module_is_imported_and_every_line_runs(tmp_path: Path, system: str) -> None:
    # A pipe of Windows has a code page and two characters at the end of a line.
    encoding, newline = ("cp1252", "\r\n") if system == "win32" else ("utf-8", "\n")
    lines = help_lines() + file_lines(CAPTURES, tmp_path)
    report = run_lines(
        lines, path=OTHER, cwd=tmp_path, imports=True, encoding=encoding, newline=newline, BUSBENCH_SYSTEM=system
    )
    assert report.platform == system
    assert report.imports == {}
    assert wrong(report.lines) == []


def test_the_tests_of_file_commands_pass(tmp_path: Path) -> None:
    tests = [f"tests/cli/test_{name}.py" for name in ("reading", "rig", "drive", "errors")]
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--basetemp", str(tmp_path / "base")]
    left_out = ["test_a_converted_recording", "draft_watches"]  # the slowest; the lines above convert too
    left_out += ["ttyHERON", "probe", "unplugged", "sends"]  # a port of Windows cannot be made up
    command += [*tests, "-k", " and ".join(f"not {name}" for name in left_out)]
    environment = {"PYTHONPATH": os.pathsep.join(map(str, OTHER)), "BUSBENCH_SYSTEM": "win32"}
    done = subprocess.run(command, cwd=ROOT, env=os.environ | environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(("system", "make"), [("win32", TcpOutlet), ("darwin", PtyOutlet)])
def test_a_line_is_heard(tmp_path: Path, system: str, make: type[TcpOutlet | PtyOutlet]) -> None:
    outlet, stop = make(), threading.Event()
    player = threading.Thread(target=lambda: play(ReceiverSettings(), outlet, is_wanted=lambda: not stop.is_set()))
    player.start()
    kept = str(tmp_path / "kept.pcapng")
    # No parity, since the pseudo-terminals of Linux refuse it where the kernel is not asked in its own way.
    heard = ["record", outlet.name, "--parity", "N", "-o", kept, "--seconds", "1"]
    lines = [heard, ["frames", kept], ["record", "virtual:", "-o", str(tmp_path / "own.pcapng"), "--seconds", "0.2"]]
    try:
        report = run_lines(lines, path=OTHER, cwd=tmp_path, BUSBENCH_SYSTEM=system)
    finally:
        stop.set()
        player.join()
        outlet.close()
    assert report.platform == system
    assert wrong(report.lines) == []
    assert len(report.lines[1].out.splitlines()) > 2
