"""Asking a tool for its help does nothing else: it installs, draws and overwrites nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import _setup
import pytest

TOOLS = Path(_setup.__file__).parent
COMMANDS = [path.name for path in sorted(TOOLS.glob("*.py")) if "__main__" in path.read_text(encoding="utf-8")]


def test_the_commands_are_found() -> None:
    assert {"check.py", "every_python.py", "make_page_picture.py", "start.py"} <= set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_is_printed_and_nothing_is_done(name: str, tmp_path: Path) -> None:
    # Every way to write or to run something fails, so that a tool which did so would end with another code.
    guard = (
        "import runpy, sys\n"
        "def refuse(event, values):\n"
        "    writes = event == 'open' and set(str(values[1])) & set('wax+') and '__pycache__' not in str(values[0])\n"
        "    if writes or event in ('subprocess.Popen', 'os.mkdir', 'os.remove', 'os.rename'):\n"
        "        sys.stderr.write(f'{event} {values}')\n"
        "        sys.exit(3)\n"
        "path = sys.argv[1]\n"
        "sys.dont_write_bytecode = True\n"
        "sys.path.insert(0, sys.argv[2])\n"
        "sys.argv = [path, '--help']\n"
        "sys.addaudithook(refuse)\n"
        "runpy.run_path(path, run_name='__main__')\n"
    )
    command = [sys.executable, "-c", guard, str(TOOLS / name), str(TOOLS)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(f"usage: {name} [-h]")
    assert list(tmp_path.iterdir()) == []
