"""Shared by the sections of bench.py: a row, and measured durations."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
COMMAND = [sys.executable, "-m", "busbench"]


@dataclass(frozen=True)
class Row:
    """One figure."""

    what: str
    figure: str
    compared: str = ""
    goal: str = ""


def best(work: Callable[[], object], *, times: int = 5, clock: Callable[[], float] = time.perf_counter) -> float:
    """The shortest of some runs, in seconds; time.process_time does not count other processes."""
    spent = []
    for _ in range(times):
        begun = clock()
        work()
        spent.append(clock() - begun)
    return min(spent)


# The peak of a process includes its parent's size at the fork, so a small one is put between.
_BETWEEN = """
import os, subprocess, sys, time
begun = time.perf_counter()
with subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
print(process.returncode, time.perf_counter() - begun, usage.ru_maxrss / 1024, usage.ru_utime + usage.ru_stime)
"""


def measured(words: list[str]) -> tuple[float, float]:
    """Seconds and peak megabytes of a process."""
    return ran(words)[:2]


def ran(words: list[str]) -> tuple[float, float, float]:
    """Seconds, peak megabytes and processor seconds of a process."""
    result = subprocess.run(
        [sys.executable, "-c", _BETWEEN, *words], capture_output=True, text=True, cwd=ROOT, check=True
    )
    code, spent_s, peak_mb, cpu_s = result.stdout.split()
    if code != "0":
        raise SystemExit(f"{' '.join(words)} ended with {code}")
    return float(spent_s), float(peak_mb), float(cpu_s)
