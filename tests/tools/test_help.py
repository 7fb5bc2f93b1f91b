"""Asking a tool for its help does nothing else: it installs, draws and overwrites nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import _setup

TOOLS = Path(_setup.__file__).parent
COMMANDS = [path.name for path in sorted(TOOLS.glob("*.py")) if "__main__" in path.read_text(encoding="utf-8")]


def test_the_commands_are_found() -> None:
    assert {"check.py", "every_python.py", "make_page_picture.py", "start.py"} <= set(COMMANDS)


def test_help_is_printed_and_nothing_is_done(tmp_path: Path) -> None:
    # Every way to write or to run something fails, so that a tool which did so would end with another code.
    guard = (
        "import contextlib, io, json, runpy, sys\n"
        "def refuse(event, values):\n"
        "    writes = event == 'open' and set(str(values[1])) & set('wax+') and '__pycache__' not in str(values[0])\n"
        "    if writes or event in ('subprocess.Popen', 'os.mkdir', 'os.remove', 'os.rename'):\n"
        "        sys.exit(f'{event} {values}')\n"
        "tools = sys.argv[1:]\n"
        "sys.dont_write_bytecode = True\n"
        "sys.addaudithook(refuse)\n"
        "for path in tools:\n"
        "    sys.argv, code = [path, '--help'], None\n"
        "    with contextlib.redirect_stdout(io.StringIO()) as said:\n"
        "        try:\n"
        "            runpy.run_path(path, run_name='__main__')\n"
        "        except SystemExit as ended:\n"
        "            code = ended.code\n"
        "    print(json.dumps([code, said.getvalue()]))\n"
    )
    command = [sys.executable, "-c", guard, *(str(TOOLS / name) for name in COMMANDS)]
    environment = os.environ | {"PYTHONPATH": str(TOOLS)}
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=environment, check=True)
    assert done.stderr == ""
    for name, line in zip(COMMANDS, done.stdout.splitlines(), strict=True):
        code, said = json.loads(line)
        assert code == 0, name
        assert said.startswith(f"usage: {name} [-h]")
    assert list(tmp_path.iterdir()) == []
