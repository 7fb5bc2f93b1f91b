"""Every check of the project: `python3 tools/check.py [pytest's arguments]` needs Python 3.11 or newer."""

import sys

if sys.version_info < (3, 11):  # noqa: UP036  this file must read on an older Python to say so
    sys.exit("check.py: busbench needs Python 3.11 or newer, this is %d.%d" % sys.version_info[:2])  # noqa: UP031

import argparse
import json
import os
import subprocess
import time
from pathlib import Path

from _setup import ROOT, SYSTEMS, VENV, SetupError, prepare, say

STEPS = (
    ("ruff check", ("ruff", "check", "--quiet", ".")),
    ("ruff format", ("ruff", "format", "--check", "--quiet", ".")),
)
# Many tests wait for a clock, a terminal or another process, so two cores have time for more than two of them.
TESTS_PER_CORE = 2
ALONE_MOST = 10  # max failed tests that are run once more alone, with the values of their asserts
CACHE = ROOT / ".pytest_cache" / VENV.name  # of pytest; several Pythons may run at once
LAST_FAILED = CACHE / "v" / "cache" / "lastfailed"  # where it notes them


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="check.py",
        description="Install what the project needs into .venv, then run every check.",
        epilog="Further arguments go to pytest, as in: python3 tools/check.py tests/wire -k align",
        allow_abbrev=False,
    )
    parser.add_argument("--types", nargs="+", choices=SYSTEMS, default=SYSTEMS,
                        help="types as on these systems alone, those of the tests as on this one [all]")  # fmt: skip
    parser.add_argument("--install-only", action="store_true", help="install, check nothing")
    chosen, for_pytest = parser.parse_known_args(arguments)
    try:
        python = prepare("dev")
    except SetupError as error:
        print(f"check.py: {error}", file=sys.stderr)
        return 2
    if chosen.install_only:
        return 0
    # Where compiled files are not kept, each of the processes to come would compile all tests.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    started = {system: _start_mypy(python, system) for system in chosen.types}
    subprocess.run([str(python), "-m", "compileall", "-q", "busbench", "tests", "tools"], cwd=ROOT, check=False)
    failed = [name for name, step in STEPS if not _run(python, name, step)]
    failed += [f"mypy {system}" for system, mypy in started.items() if not _ended(mypy, f"mypy {system}")]
    say("pytest")  # last, so that its closing line is that of the whole run if all went well
    workers = str(TESTS_PER_CORE * (os.cpu_count() or 1))
    LAST_FAILED.unlink(missing_ok=True)  # of an earlier run
    pytest = [str(python), "-m", "pytest", "-o", f"cache_dir={CACHE}"]
    # Asserts that show their values take a fifth of a minute to prepare: only what failed is run with them.
    command = [*pytest, "--assert=plain", "-n", workers, "--dist", "worksteal", "-rs", *for_pytest]
    code = subprocess.run(command, cwd=ROOT, check=False).returncode
    if code == 1:
        # Tests share the processor with others here: a test that also fails alone has failed, the rest is named.
        say(f"what failed once more, one after another, up to {ALONE_MOST}")
        options = ["--last-failed", f"--maxfail={ALONE_MOST}", "-rA", "--tb=short"]
        is_few = _failed_last() <= ALONE_MOST
        alone = subprocess.run([*pytest, *options, *for_pytest, "-n", "0"], cwd=ROOT, check=False).returncode
        code = alone if is_few else code
    if code:
        failed.append("pytest")
    if failed:
        print(f"check.py: failed: {', '.join(failed)}", flush=True)
    return code or bool(failed)


def _failed_last() -> int:
    """How many tests failed in the last run."""
    try:
        return len(json.loads(LAST_FAILED.read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return ALONE_MOST + 1


def _run(python: Path, name: str, step: tuple[str, ...]) -> bool:
    started = time.monotonic()
    done = subprocess.run([str(python), "-m", *step], cwd=ROOT, check=False)
    print(f"{name:<12} {'failed' if done.returncode else 'ok':<7} {time.monotonic() - started:5.1f} s", flush=True)
    return done.returncode == 0


def _start_mypy(python: Path, system: str) -> subprocess.Popen[bytes]:
    command = [str(python), "-m", "mypy", "--no-error-summary", "--platform", system]
    if system != sys.platform:  # tests are for this system
        command += ["busbench"]
    # A cache for each, or they would overwrite one another's.
    cache = {} if system == sys.platform else {"MYPY_CACHE_DIR": f".mypy_cache/{system}"}
    return subprocess.Popen(command, cwd=ROOT, env=cache | os.environ, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)


def _ended(process: subprocess.Popen[bytes], name: str) -> bool:
    print(process.communicate()[0].decode(errors="replace"), end="")
    print(f"{name:<12} {'failed' if process.returncode else 'ok'}", flush=True)
    return process.returncode == 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
