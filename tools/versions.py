"""Run the tests on the oldest or the newest versions of packages that pyproject.toml allows.

    python3 tools/versions.py oldest [--python 3.12] [pytest's arguments]

It needs the `uv` program and the network. The packages go into a folder of their own, which is gone afterwards.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

from _setup import venv_python
from lock import LEFT_OUT, ROOT, find_uv

# Named packages take their oldest version, their dependencies the newest: those have no stated bounds.
RESOLUTIONS = {"oldest": "lowest-direct", "newest": "highest"}


def requirements() -> list[str]:
    """All requirements in pyproject.toml: to run, to build and to test."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    groups = project["dependency-groups"]
    return [*project["project"]["dependencies"], *groups["build"], *groups["dev"]]


def install(folder: Path, resolution: str, *, python: str) -> Path:
    """Make a virtual environment with these versions.

    Args:
        folder: an empty one.
        resolution: a key of RESOLUTIONS.
        python: a version or a path, as uv takes it.

    Returns:
        Its Python.

    Raises:
        CalledProcessError: no such set of versions, or it cannot be fetched.
    """
    uv = [find_uv(), "--quiet"]
    pins, excludes, venv = folder / "pins.txt", folder / "excludes.txt", folder / "venv"
    excludes.write_text("\n".join(LEFT_OUT), encoding="utf-8")
    subprocess.run([*uv, "venv", "--seed", "--python", python, str(venv)], check=True)
    compiled = ["pip", "compile", "-", "--resolution", RESOLUTIONS[resolution], "--python", str(venv_python(venv))]
    compiled += ["--no-header", "--no-annotate", "--excludes", str(excludes), "-o", str(pins)]
    subprocess.run([*uv, *compiled], input="\n".join(requirements()), text=True, stdout=subprocess.DEVNULL, check=True)
    print(pins.read_text(encoding="utf-8"), end="", flush=True)
    into = [*uv, "pip", "install", "--python", str(venv_python(venv))]
    subprocess.run([*into, "--no-deps", "-r", str(pins)], check=True)
    subprocess.run([*into, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)], check=True)
    return venv_python(venv)


def main() -> int:
    parser = argparse.ArgumentParser(description="Run the tests on the oldest or the newest versions of packages.")
    parser.add_argument("resolution", choices=RESOLUTIONS)
    parser.add_argument("--python", default=sys.executable, help="version or path of the Python to use")
    arguments, others = parser.parse_known_args()
    with tempfile.TemporaryDirectory() as folder:
        try:
            python = install(Path(folder), arguments.resolution, python=arguments.python)
        except subprocess.CalledProcessError as error:
            print(f"versions.py: uv failed (code {error.returncode})", file=sys.stderr)
            return 2
        tests = [str(python), "-m", "pytest", "-n", "auto", "-p", "no:cacheprovider", *others]
        return subprocess.run(tests, cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
