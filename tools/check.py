"""Every check of the project: `python3 tools/check.py [pytest's arguments]` needs Python 3.11 or newer."""

import sys

if sys.version_info < (3, 11):  # noqa: UP036  this file must read on an older Python to say so
    sys.exit("check.py: busbench needs Python 3.11 or newer, this is %d.%d" % sys.version_info[:2])  # noqa: UP031

import subprocess
import time
from pathlib import Path

from _setup import ROOT, SetupError, prepare, say

STEPS = (
    ("ruff check", ("ruff", "check", "--quiet", ".")),
    ("ruff format", ("ruff", "format", "--check", "--quiet", ".")),
    ("mypy", ("mypy", "--no-error-summary")),
)


def main(arguments: list[str]) -> int:
    try:
        python = prepare("dev")
    except SetupError as error:
        print(f"check.py: {error}", file=sys.stderr)
        return 2
    failed = [name for name, step in STEPS if not _run(python, name, step)]
    # Last, and nothing after it where all went well: its closing line is the closing line of the whole.
    say("pytest")
    tests = [str(python), "-m", "pytest", "-n", "auto", "-rs", *arguments]
    code = subprocess.run(tests, cwd=ROOT, check=False).returncode
    if code:
        failed.append("pytest")
    if failed:
        print(f"check.py: failed: {', '.join(failed)}", flush=True)
    return code or bool(failed)


def _run(python: Path, name: str, step: tuple[str, ...]) -> bool:
    started = time.monotonic()
    done = subprocess.run([str(python), "-m", *step], cwd=ROOT, check=False)
    print(f"{name:<12} {'failed' if done.returncode else 'ok':<7} {time.monotonic() - started:5.1f} s", flush=True)
    return done.returncode == 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
