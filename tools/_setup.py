"""The project's own .venv: made once, filled from a lock with hashes, kept while the lock stays the same."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from typing import Literal

ROOT = Path(__file__).resolve().parent.parent
# Several Pythons need an environment each: tools/every_python.py names another folder.
VENV = ROOT / os.environ.get("BUSBENCH_VENV", ".venv")
STAMP = VENV / "busbench-installed.txt"
LOG = VENV / "busbench-install.log"
LOCKS = {"run": ROOT / "tools" / "lock.txt", "dev": ROOT / "tools" / "lock-dev.txt"}
Packages = Literal["run", "dev"]
SYSTEMS = (sys.platform, *(one for one in ("linux", "win32", "darwin") if one != sys.platform))  # this one first

# What pip prints when it fails, and what that means; the first match is reported.
MEANINGS = (
    ("DO NOT MATCH THE HASHES", "a downloaded package differs from the lock: a broken download or a changed package"),
    ("No space left on device", "the disk is full"),
    ("Permission denied", f"no right to write below {VENV}"),
    ("NewConnectionError", "no network: the packages could not be fetched. Try again when online"),
    ("NameResolutionError", "no network: the packages could not be fetched. Try again when online"),
    ("ConnectTimeoutError", "the network does not answer: the packages could not be fetched. Try again later"),
    ("ReadTimeoutError", "the network is too slow: a package could not be fetched. Try again later"),
    ("ProxyError", "the proxy refuses: check the HTTPS_PROXY setting"),
    ("CERTIFICATE_VERIFY_FAILED", "the network's certificate is not trusted: ask whoever runs the network"),
    ("No matching distribution found", "a package has no build for this Python and system"),
)


class SetupError(Exception):
    """Why the .venv could not be made ready, in one line."""


def venv_python(venv: Path = VENV, *, os_name: str = os.name) -> Path:
    """Where the Python of a virtual environment lies on this kind of system."""
    return venv / "Scripts" / "python.exe" if os_name == "nt" else venv / "bin" / "python"


def fingerprint() -> str:
    """One value for all that decides what must be installed, and where."""
    digest = hashlib.sha256(str(ROOT).encode())
    for path in (*LOCKS.values(), ROOT / "pyproject.toml"):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def is_ready(packages: Packages) -> bool:
    """True if the .venv holds these packages already; the dev set holds the run set."""
    try:
        kind, value = STAMP.read_text(encoding="utf-8").split()
    except (OSError, ValueError):
        return False
    return value == fingerprint() and kind in (packages, "dev") and _works(venv_python())


def explain(output: str) -> str:
    """Explain in one line why pip failed, from its output."""
    for sign, meaning in MEANINGS:
        if sign in output:
            return meaning
    errors = [line for line in output.splitlines() if line.startswith("ERROR")]
    return (errors or output.split("\n") or [""])[0].strip() or "pip failed without a word"


def prepare(packages: Packages) -> Path:
    """Make the .venv ready where it is not.

    Args:
        packages: "run" for using the program, "dev" for working on it.

    Returns:
        The Python of the .venv.

    Raises:
        SetupError: with one line for people.
    """
    python = venv_python()
    if is_ready(packages):
        _say_where_other(python)
        return python
    STAMP.unlink(missing_ok=True)
    if not _works(python):
        _make_venv()
    lock = LOCKS[packages]
    pinned = [line.split("==")[0] for line in lock.read_text(encoding="utf-8").splitlines() if "==" in line]
    say(f"installing {len(set(pinned))} packages from tools/{lock.name} into {VENV.name}")
    # No build, no dependency resolution: the lock is complete and has only wheels.
    # Development packages are compiled on use: compiling all took half of the installation.
    compiled = () if packages == "run" else ("--no-compile",)
    _pip(*compiled, "--require-hashes", "--no-deps", "--only-binary", ":all:", "-r", str(lock), total=len(set(pinned)))
    say("installing busbench itself")
    _pip("--no-deps", "--no-build-isolation", "--no-index", "--editable", str(ROOT))
    STAMP.write_text(f"{packages} {fingerprint()}\n", encoding="utf-8")
    return python


def say(text: str) -> None:
    """Report progress on standard error, apart from results."""
    print(f"· {text}", file=sys.stderr, flush=True)


def _works(python: Path) -> bool:
    check = "import sys, pip; sys.exit(sys.version_info < (3, 11))"
    try:
        return subprocess.run([python, "-I", "-c", check], capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def _say_where_other(python: Path) -> None:
    """Name the Python of the .venv if its version differs from this one."""
    code = "import sys; print(*sys.version_info[:2], sep='.')"
    found = subprocess.run([python, "-I", "-c", code], capture_output=True, text=True, check=False).stdout.strip()
    if found != "{}.{}".format(*sys.version_info):
        say(f"{VENV.name} holds Python {found}: to use Python {sys.version.split()[0]}, delete {VENV.name} first")


def _make_venv() -> None:
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        raise SetupError("this Python cannot make virtual environments: on Debian or Ubuntu, apt install python3-venv")
    say(f"making {VENV.name} with Python {sys.version.split()[0]}")
    command = [sys.executable, "-I", "-m", "venv", "--clear", str(VENV)]
    made = subprocess.run(command, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False)
    if made.returncode:
        last = (made.stdout.strip().splitlines() or ["no reason given"])[-1]
        raise SetupError(f"{VENV} could not be made: {last}")


def _pip(*arguments: str, total: int = 0) -> None:
    """Run pip install with its output in a log and its progress in one line."""
    # Settings of the user for other projects must not redirect the installation.
    env = {
        k: v for k, v in os.environ.items() if k not in ("PIP_USER", "PIP_TARGET", "PIP_PREFIX", "PIP_REQUIRE_HASHES")
    }
    command = [
        str(venv_python()),
        "-I",
        "-m",
        "pip",
        "install",
        "--no-input",
        "--disable-pip-version-check",
        "--retries",
        "2",
        *arguments,
    ]
    output = []
    live = sys.stderr.isatty()
    with subprocess.Popen(
        command,
        env=env,
        text=True,
        encoding="utf-8",
        errors="replace",
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    ) as pip:
        assert pip.stdout
        for line in pip.stdout:
            output.append(line)
            words = line.split()
            if live and total and words[:1] == ["Collecting"]:
                count = sum(text.startswith(("Collecting", "Requirement already")) for text in output)
                print(f"\r\033[K  {count}/{total} {words[1]}", end="", file=sys.stderr, flush=True)
            elif live and line.startswith("Installing"):
                print("\r\033[K  unpacking", end="", file=sys.stderr, flush=True)
    if live:
        print("\r\033[K", end="", file=sys.stderr, flush=True)
    if pip.returncode:
        LOG.write_text("".join(output), encoding="utf-8")
        raise SetupError(f"{explain(''.join(output))} (all that pip said is in {LOG})")
