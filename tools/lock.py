"""Make tools/lock.txt and tools/lock-dev.txt from pyproject.toml; needs the `uv` program.

The locks serve Linux, macOS and Windows on every supported Python. Each package
comes as a ready-made wheel with its hashes; nothing is built on the user's machine.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HEADER = "# Pinned with hashes for Linux, macOS and Windows. Make it again with: python3 tools/lock.py\n"
# Of allantools only the plotting needs the first and only the manual the second.
LEFT_OUT = ("matplotlib", "numpydoc")


def find_uv() -> str:
    """The path of the uv program.

    Raises:
        SystemExit: not found.
    """
    uv = shutil.which("uv") or shutil.which("uv", path=str(Path(sys.executable).parent))
    if uv is None:
        sys.exit(f"{Path(sys.argv[0]).name}: the uv program is missing: install it with `python3 -m pip install uv`")
    return uv


def compile_lock(requirements: list[str], lock: Path, *, keep: Path | None = None) -> None:
    """Resolve the requirements into a lock file.

    Args:
        requirements: as pyproject.toml writes them.
        lock: the file to write.
        keep: a lock whose versions are kept.

    Raises:
        SystemExit: uv is missing or finds no solution.
    """
    uv = find_uv()
    with tempfile.TemporaryDirectory() as folder:
        excludes = Path(folder, "excludes.txt")
        excludes.write_text("\n".join(LEFT_OUT), encoding="utf-8")
        command = [uv, "pip", "compile", "-", "--universal", "--python-version", "3.11", "--generate-hashes"]
        command += ["--no-header", "--no-annotate", "--only-binary", ":all:", "--quiet", "--excludes", str(excludes)]
        command += ["--constraints", str(keep)] if keep else []
        made = subprocess.run(command, input="\n".join(requirements), text=True, stdout=subprocess.PIPE, check=False)
    if made.returncode:
        sys.exit(f"lock.py: {lock.name} was left as it was")
    lock.write_text(HEADER + made.stdout, encoding="utf-8", newline="\n")
    print(f"{lock.relative_to(ROOT)}: {made.stdout.count('==')} pins")


def main() -> None:
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter).parse_args()
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    groups = project["dependency-groups"]
    run = project["project"]["dependencies"] + groups["build"]
    lock = ROOT / "tools" / "lock.txt"
    compile_lock(run, lock)
    compile_lock(run + groups["dev"], ROOT / "tools" / "lock-dev.txt", keep=lock)


if __name__ == "__main__":
    main()
