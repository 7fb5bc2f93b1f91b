"""Check on every Python of this machine that busbench supports.

    python3 tools/every_python.py [pytest's arguments]

The newest runs tools/check.py but for the types of one system, which the oldest checks, whose numpy is an
older one. The oldest runs the tests of what may differ by Python, most with one of their rows. Those between are
set up by tools/start.py, as a user does it: what the oldest and the newest have, they have. All run at once: while
tests of one wait, those of another work. Each has an environment of its own, .venv-3.12 and so on. The exit
code is 0 if all of them passed.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import IO

from _setup import ROOT, SYSTEMS, say

OLDEST = (3, 11)
# Final releases with a venv, and with the interpreter lock that the locked packages are built for.
ASK = (
    "import sys, sysconfig, ensurepip, venv\n"
    "if sys.version_info[3] == 'final' and not sysconfig.get_config_var('Py_GIL_DISABLED'):\n"
    "    print(*sys.version_info[:2], sys.executable)"
)
# Where version managers and installers put Pythons, below the home folder and the root.
PLACES = (
    ".pyenv/versions/*/bin",
    ".local/share/uv/python/*/bin",
    "usr/local/bin",
    "opt/python*/bin",
    "opt/homebrew/bin",
    "Library/Frameworks/Python.framework/Versions/*/bin",
)
WORKERS_PER_CORE = 2  # of the newest, and half of them of the oldest; tests wait for half of their time
OLDEST_ROWS = 1  # most rows differ by what is calculated; where Python itself matters all are run: every_row
# What may differ by Python: reading, words and exit codes, processes, signals and terminals. Figures, pictures and
# studies do not, and tests of commands run what is below them too.
FOR_EVERY_PYTHON = (
    "tests/capture",
    "tests/cli",
    "tests/faults/test_signals.py",
    "tests/faults/test_streams.py",
    "tests/port",
    "tests/test_captures.py",
    "tests/test_conftest.py",
    "tests/test_output_file.py",
    "tests/test_package.py",
    "tests/test_public.py",
    "tests/test_pytest_plugin.py",
    "tests/test_schema.py",
    "tests/test_text_file.py",
    "tests/tools/test_setup.py",
    "tests/tools/test_start.py",
    "tests/tui/test_app.py",
    "tests/tui/test_driver.py",
    "tests/tui/test_errors.py",
    "tests/tui/test_terminal.py",
)

Version = tuple[int, int]


def candidates(path: str, roots: Iterable[Path]) -> list[Path]:
    """Programs that may be Pythons, the most likely first.

    Args:
        path: folders as PATH has them.
        roots: folders below which PLACES are looked for.
    """
    folders = [Path(folder) for folder in path.split(os.pathsep) if folder]
    folders += [folder for root in roots for place in PLACES for folder in sorted(root.glob(place))]
    names = ("python3", "python3.[0-9]", "python3.[0-9][0-9]")
    return list(dict.fromkeys(found for folder in folders for name in names for found in sorted(folder.glob(name))))


def supported(programs: Iterable[Path]) -> dict[Version, Path]:
    """The first program of each supported version, oldest version first."""
    found: dict[Version, Path] = {}
    for program in programs:
        try:
            asked = subprocess.run([program, "-I", "-c", ASK], capture_output=True, text=True, timeout=30, check=False)
        except (OSError, subprocess.TimeoutExpired):
            continue
        words = asked.stdout.split(maxsplit=2)
        if asked.returncode == 0 and len(words) == 3:
            version = int(words[0]), int(words[1])
            if version >= OLDEST:
                found.setdefault(version, Path(words[2].strip()))
    return dict(sorted(found.items()))


def run_all(pythons: dict[Version, Path], arguments: list[str]) -> list[str]:
    """Check with all Pythons at once, and return those that failed by their version.

    Args:
        pythons: oldest first.
        arguments: for pytest.
    """
    newest, oldest = max(pythons), min(pythons)
    cores = os.cpu_count() or 1
    are_named = any((ROOT / one.partition("::")[0]).exists() for one in arguments)

    def words(version: Version) -> list[str]:
        if newest == oldest:
            return ["check.py", *arguments]
        if version == newest:
            workers = str(WORKERS_PER_CORE * cores)
            return ["check.py", "--types", *SYSTEMS[:-1], "-n", workers, *arguments]
        if version == oldest:
            tests = [] if are_named else FOR_EVERY_PYTHON
            rows = str(OLDEST_ROWS)
            return ["check.py", "--types", *SYSTEMS[-1:], "-n", str(cores), "--rows", rows, *tests, *arguments]
        return ["start.py"]

    def run(version: Version) -> str:
        # The newest speaks as it goes, the oldest when it has ended, the others only of what failed.
        with tempfile.TemporaryFile() as printed:
            failed = _run_one(version, pythons[version], words(version), None if version == newest else printed)
            printed.seek(0)
            if failed or version == oldest:
                print(printed.read().decode(errors="replace"), end="", flush=True)
        return failed

    with ThreadPoolExecutor(len(pythons)) as pool:
        return [failed for failed in pool.map(run, sorted(pythons, reverse=True)) if failed]


def _run_one(version: Version, python: Path, words: list[str], output: IO[bytes] | None) -> str:
    """Run a tool with one Python; its name where that failed, else ""."""
    name, began = "{}.{}".format(*version), time.monotonic()
    # Each checks types once: a cache would not be read.
    environment = os.environ | {"BUSBENCH_VENV": f".venv-{name}", "MYPY_CACHE_DIR": os.devnull}

    def run(tool: str, *more: str) -> int:
        command = [str(python), str(ROOT / "tools" / tool), *more]
        errors = None if output is None else subprocess.STDOUT
        ran = subprocess.run(command, cwd=ROOT, env=environment, stdout=output, stderr=errors, check=False)
        return ran.returncode

    if words[0] == "check.py":
        if run("check.py", "--install-only"):
            return f"{name} (installation)"
        what = "what may differ by Python" if "--rows" in words else "every check"
        say(f"Python {name}: {what}, after {time.monotonic() - began:.0f} s of installation")
    code = run(*words)
    say(f"Python {name}: {'failed' if code else 'ok'} after {time.monotonic() - began:.0f} s")
    return name if code else ""


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="every_python.py", description=str(__doc__), formatter_class=argparse.RawDescriptionHelpFormatter
    )
    _, arguments = parser.parse_known_args()
    pythons = supported(candidates(os.environ.get("PATH", ""), (Path.home(), Path("/"))))
    if not pythons:
        print("every_python.py: no Python: version {}.{} or newer not found: install one".format(*OLDEST))
        return 2
    say("found " + ", ".join(f"{'{}.{}'.format(*version)} ({path})" for version, path in pythons.items()))
    failed = run_all(pythons, arguments)
    if failed:
        print(f"every_python.py: failed: {', '.join(failed)}", flush=True)
    return bool(failed)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
