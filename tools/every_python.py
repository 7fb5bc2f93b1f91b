"""Run tools/check.py on every Python of this machine that busbench supports.

    python3 tools/every_python.py [pytest's arguments]

The newest and the oldest run every check, those between types and a short set of tests. Each has an
environment of its own, .venv-3.12 and so on. The exit code is 0 where all of them passed.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

from _setup import ROOT, say

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
    """Check with each Python, and return those that failed by their version.

    Args:
        pythons: oldest first.
        arguments: for pytest.
    """
    # Packages come over the network and tests use the processor, so all are installed while the first one runs.
    started = {version: _check(version, python, ["--install-only"]) for version, python in pythons.items()}
    failed = []
    ends = (min(pythons), max(pythons))
    for version in sorted(pythons, reverse=True):
        name = "{}.{}".format(*version)
        if started[version].wait():
            failed.append(f"{name} (installation)")
            continue
        short = [] if version in ends else ["--short"]
        say(f"Python {name}: {'types and a short set of tests' if short else 'every check'}")
        began = time.monotonic()
        code = _check(version, pythons[version], [*short, *arguments]).wait()
        say(f"Python {name}: {'failed' if code else 'ok'} after {time.monotonic() - began:.0f} s")
        if code:
            failed.append(name)
    return failed


def _check(version: Version, python: Path, arguments: list[str]) -> subprocess.Popen[bytes]:
    environment = os.environ | {"BUSBENCH_VENV": ".venv-{}.{}".format(*version)}
    return subprocess.Popen([python, ROOT / "tools" / "check.py", *arguments], cwd=ROOT, env=environment)


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
