"""Data flows one way: no room imports from a room to its right, and heavy libraries have one owner each."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "busbench"

ORDER = (
    ("errors", "line"),
    ("model",),
    ("output_file",),
    ("growing_file",),
    ("text_file", "schema"),
    ("wire",),
    ("capture", "port", "drive", "rig"),
    ("analysis",),
    ("verify",),
    ("report", "sim"),
    ("bench", "reference"),
    ("cli", "tui", "pytest_plugin"),
)
RANK = {room: rank for rank, rooms in enumerate(ORDER) for room in rooms}
# Rooms of one rank that may import one another, with the reason.
NEIGHBOURS = {
    ("cli", "tui"): "a command opens the terminal UI",
}
# Who alone may import a library: paths below the package.
OWNERS = {"serial": "port/", "textual": "tui/", "construct": "wire/frame_spec.py"}
# What commands and screens take from bench/: ports, limits, and what writes recordings.
SHUT = ("port", "drive.limits", "capture.pcapng_write", "capture.write", "capture.parquet", "growing_file")
POSIX_ONLY = {"fcntl", "grp", "pty", "pwd", "resource", "syslog", "termios", "tty"}
POSIX_CALLS = {"poll", "epoll", "kqueue", "devpoll"}


def imported(tree: ast.AST, module: tuple[str, ...]) -> Iterator[tuple[int, str]]:
    """Line and dotted name of all that a module imports, wherever in it; `module` is its package path."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = module[: len(module) - node.level + 1] if node.level else ()
            stem = ".".join((*base, *([node.module] if node.module else [])))
            for alias in node.names:
                yield node.lineno, f"{stem}.{alias.name}"


def run_on_import(body: list[ast.stmt]) -> Iterator[ast.stmt]:
    """Statements that run on every system when the module is imported."""
    for node in body:
        if isinstance(node, ast.If) and "sys.platform" in ast.unparse(node.test):
            continue
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        inner = [getattr(node, field, []) for field in ("body", "orelse", "finalbody")]
        inner += [handler.body for handler in getattr(node, "handlers", [])]
        if any(inner):
            for part in inner:
                yield from run_on_import(part)
        else:
            yield node


def faults(package: Path) -> list[str]:
    """Each import that runs the wrong way, as `path:line: what`."""
    found: list[str] = []
    for path in sorted(package.rglob("*.py")):
        place = path.relative_to(package)
        room = place.parts[0].removesuffix(".py")
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for line, name in imported(tree, ("busbench", *place.parts[:-1])):
            if what := _fault(place.as_posix(), room, name):
                found.append(f"{place.as_posix()}:{line}: {what}")
        for node in run_on_import(tree.body):
            names = {name.split(".")[0] for _, name in imported(node, ("busbench", *place.parts[:-1]))}
            calls = {
                n.attr for n in ast.walk(node) if isinstance(n, ast.Attribute) and ast.unparse(n.value) == "select"
            }
            if isinstance(node, ast.ImportFrom) and node.module == "select":
                calls |= {alias.name for alias in node.names}
            for name in sorted(names & POSIX_ONLY | calls & POSIX_CALLS):
                found.append(f"{place.as_posix()}:{node.lineno}: {name} is not there on Windows")
    return found


def _fault(place: str, room: str, name: str) -> str:
    library, _, rest = name.partition(".")
    owner = OWNERS.get(library)
    if owner and not place.startswith(owner):
        return f"only {owner} imports {library}"
    if library != "busbench" or room in ("__init__", "__main__"):
        return ""
    target = rest.split(".")[0]
    if target == "__version__":
        return ""
    shut = next((one for one in SHUT if f"{rest}.".startswith(f"{one}.")), None)
    if shut and room in ("cli", "tui"):
        return f"{room} imports {shut}: take it from bench"
    if room not in RANK or target not in RANK:
        return f"{room} imports {target or 'busbench'}: one of them has no place in the order"
    wrong = RANK[target] > RANK[room] or (RANK[target] == RANK[room] and target != room)
    return f"{room} imports {target}" if wrong and (room, target) not in NEIGHBOURS else ""


def test_imports_run_one_way() -> None:
    assert faults(PACKAGE) == []


@pytest.mark.parametrize(
    ("place", "source", "fault"),
    [
        ("wire/a.py", "from busbench.capture import base", "wire/a.py:1: wire imports capture"),
        ("wire/a.py", "def f():\n    import busbench.cli.main", "wire/a.py:2: wire imports cli"),
        ("wire/a.py", "from ..analysis import timing", "wire/a.py:1: wire imports analysis"),
        ("wire/a.py", "from .. import capture", "wire/a.py:1: wire imports capture"),
        ("wire/__init__.py", "from ..rig import x", "wire/__init__.py:1: wire imports rig"),
        ("drive/a.py", "from busbench.port import port_process", "drive/a.py:1: drive imports port"),
        ("tui/a.py", "import busbench.cli.main", "tui/a.py:1: tui imports cli"),
        ("cli/a.py", "from busbench.port.port import x", "cli/a.py:1: cli imports port: take it from bench"),
        ("tui/a.py", "from busbench.drive import limits", "tui/a.py:1: tui imports drive.limits: take it from bench"),
        ("tui/a.py", "import busbench.growing_file", "tui/a.py:1: tui imports growing_file: take it from bench"),
        (
            "cli/a.py",
            "from busbench.capture.pcapng_write import x",
            "cli/a.py:1: cli imports capture.pcapng_write: take it from bench",
        ),
        (
            "cli/a.py",
            "from busbench.capture.parquet import x",
            "cli/a.py:1: cli imports capture.parquet: take it from bench",
        ),
        ("errors.py", "from busbench.model import Chunk", "errors.py:1: errors imports model"),
        ("odd/a.py", "import busbench.wire", "odd/a.py:1: odd imports wire: one of them has no place in the order"),
        ("cli/a.py", "from busbench import x", "cli/a.py:1: cli imports x: one of them has no place in the order"),
        ("cli/a.py", "import serial", "cli/a.py:1: only port/ imports serial"),
        ("cli/a.py", "from textual.app import App", "cli/a.py:1: only tui/ imports textual"),
        ("wire/codec.py", "import construct", "wire/codec.py:1: only wire/frame_spec.py imports construct"),
        ("port/a.py", "import os, termios", "port/a.py:1: termios is not there on Windows"),
        (
            "port/a.py",
            "try:\n    import fcntl\nexcept ImportError:\n    pass",
            "port/a.py:2: fcntl is not there on Windows",
        ),
        ("port/a.py", "import select\nP = select.poll()", "port/a.py:2: poll is not there on Windows"),
    ],
)
def test_a_wrong_import_is_caught(tmp_path: Path, place: str, source: str, fault: str) -> None:
    path = tmp_path / place
    path.parent.mkdir(exist_ok=True)
    path.write_text(source)
    assert faults(tmp_path) == [fault]


@pytest.mark.parametrize(
    ("place", "source"),
    [
        ("cli/a.py", "from busbench.tui import app\nfrom busbench.analysis import timing"),
        ("wire/a.py", "from . import codec\nfrom busbench.wire.scale import Scale\nfrom ..model import U8"),
        ("port/a.py", "import sys\nif sys.platform != 'win32':\n    import termios\ndef f():\n    import pty"),
        ("port/a.py", "import select\ndef f():\n    return select.poll()"),
    ],
)
def test_a_right_import_passes(tmp_path: Path, place: str, source: str) -> None:
    path = tmp_path / place
    path.parent.mkdir()
    path.write_text(source)
    assert faults(tmp_path) == []


def test_importing_the_package_loads_nothing_heavy() -> None:
    heavy = ("serial", "textual", "construct", "click", "jinja2", "rich", "pyarrow", "asyncio", "multiprocessing")
    code = f"import sys, busbench; print(*[name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_the_process_of_a_port_that_listens_does_without_numpy() -> None:
    code = "import sys, busbench.port.port_process; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False"]


def test_virtual_sources_are_known_in_one_file() -> None:
    """No other module makes or compares an address that begins with `virtual:`; sentences may name it."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(source)) if "virtual:" in source else ():
            text = node.value if isinstance(node, ast.Constant) else ""
            if isinstance(text, str) and text.startswith("virtual:") and " " not in text.strip():
                found.append(f"{path.relative_to(PACKAGE).as_posix()}: {text}")
    assert found == ["bench/sources.py: virtual:", "errors.py: virtual: "]
