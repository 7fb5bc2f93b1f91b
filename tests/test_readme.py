"""Everything that README and the commands' help show is typed as printed, in a copy of the project's recordings."""

from __future__ import annotations

import inspect
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import msgspec
import pytest

from busbench.cli.main import cli, run
from busbench.drive import part_parser, program_file
from busbench.rig import model
from busbench.sim import address

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
# What some lines are not held to, and why: (rule, lines, reason).
EXCEPTIONS = (
    ("typed", r"tools/(start|check)\.py", "a whole installation"),
    ("typed", r"activate$", "made by the installation"),
    ("typed", r" /dev/|socket://", "needs a port"),
    ("typed", r"^busbench ports\b", "shows what is plugged in here"),
    ("typed", r"^busbench simulate\b", "runs until Ctrl-C"),
    ("typed", r"^busbench (watch|walk)\b", "needs a person at a terminal"),
    ("80 columns", r"--format (csv|json)|^busbench (frames|completion) |^\w+ .*\|", "for programs"),
    ("says something", r" (-o|--to|--output) |^busbench rig new ", "writes a file"),
    ("has an example", r"^busbench completion$", "its help shows the lines for shells' own files"),
)


def is_held(line: str, rule: str) -> bool:
    return not any(re.search(lines, line) for name, lines, _ in EXCEPTIONS if name == rule)


def too_wide(line: str, out: str, err: str = "") -> list[str]:
    """What people read and does not fit 80 columns, where nobody says how wide the terminal is."""
    rows = out.splitlines() if is_held(line, "80 columns") else []
    rows += [row for row in err.splitlines() if not row.startswith("busbench: ")]  # a log keeps its lines
    return [row for row in rows if len(row) > 80]


def exit_code(line: str) -> int:
    said = re.search(r"# exit code (\d+)", line)
    return int(said.group(1)) if said else 0


def blocks() -> list[list[str]]:
    """Lines that stand in one block may build on one another."""
    found = []
    for block in re.findall(r"```console\n(.*?)```", README, re.DOTALL):
        lines = [line[2:] for line in block.splitlines() if line.startswith("$ ")]
        found.append([line for line in lines if is_held(line, "typed")])
    return [lines for lines in found if lines]


def commands(group: click.Group, path: str) -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group, info_name=path)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command


def examples() -> dict[str, list[str]]:
    """The lines that each command's help shows."""
    found = {}
    for path, command in commands(cli, "busbench"):
        text = command.get_help(click.Context(command, info_name=path, max_content_width=100, terminal_width=100))
        found[path] = [line.strip() for line in text.splitlines() if line.startswith("  busbench ")]
    return found


@pytest.fixture
def place(tmp_path: Path) -> Path:
    folder = tmp_path / "project"
    shutil.copytree(ROOT / "captures", folder / "captures")
    return folder


@pytest.mark.skipif(sys.platform == "win32", reason="the README's lines are typed into a POSIX shell")
@pytest.mark.parametrize("lines", blocks(), ids=lambda lines: str(lines[0]))
def test_a_block_of_the_tour_works(place: Path, lines: list[str]) -> None:
    (place / "bin").mkdir()
    program = place / "bin" / "busbench"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m busbench "$@"\n')
    program.chmod(0o755)
    path = f"{place / 'bin'}{os.pathsep}{os.environ['PATH']}"
    for line in lines:
        ran = subprocess.run(
            ["sh", "-c", line],
            cwd=place,
            env=os.environ | {"PATH": path, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ran.returncode == exit_code(line), (line, ran.stderr)
        assert ran.stdout or not is_held(line, "says something"), line
        assert "Traceback" not in ran.stderr, line
        assert too_wide(line, ran.stdout, ran.stderr) == []


def test_the_tour_is_found() -> None:
    lines = [line for block in blocks() for line in block]
    assert len(lines) >= 30
    typed = {" ".join(line.split()[:3]) for line in lines if line.startswith("busbench")}
    assert {"busbench rig new", "busbench rig power", "busbench rig sheet", "busbench drive sweep"} <= typed


@pytest.mark.parametrize(
    "line", [line for lines in examples().values() for line in lines if is_held(line, "typed")], ids=str
)
def test_an_example_of_a_help_text_works(
    place: Path, line: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(place)
    code = run(shlex.split(line, comments=True)[1:])
    out, err = capfd.readouterr()
    assert code == exit_code(line), err
    assert out or not is_held(line, "says something")
    assert too_wide(line, out, err) == []


def left_out() -> list[str]:
    found = re.findall(r"^\$ (busbench .*)", README, re.MULTILINE)
    found += [line for lines in examples().values() for line in lines]
    return sorted({line for line in found if not is_held(line, "typed")})


@pytest.mark.parametrize("line", left_out())
def test_a_line_that_is_not_typed_is_understood(line: str) -> None:
    words = shlex.split(line, comments=True)[1:]
    command: click.Command | None = cli
    while isinstance(command, click.Group):
        command = command.get_command(click.Context(command), words.pop(0))
    assert command is not None
    with command.make_context(str(command.name), words):  # raises where it makes no sense
        pass


@pytest.mark.parametrize("path", [path for path in examples() if is_held(path, "has an example")])
def test_every_command_shows_an_example(path: str) -> None:
    assert examples()[path]


@pytest.mark.parametrize("path", examples())
def test_every_command_is_in_the_readme(path: str) -> None:
    assert path in README


def section(title: str) -> str:
    found = re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", README, re.MULTILINE | re.DOTALL)
    assert found
    return found.group(1)


def rig_keys() -> set[str]:
    tables = [kind for kind in vars(model).values() if isinstance(kind, type) and issubclass(kind, msgspec.Struct)]
    return {name for table in tables for name in table.__struct_encode_fields__}


def program_keys() -> set[str]:
    text = inspect.getsource(program_file) + inspect.getsource(part_parser)
    asked = r"(?:number|whole|text|word|flag|items|raw|tables?|_level|_counts)\((?:fields, )?\"(\w+)\""
    return set(re.findall(asked, text)) | {"low", "high", "rest"}


@pytest.mark.parametrize(
    ("title", "keys", "known"),
    [
        ("The rig file", rig_keys(), "hold_lowered_after_s"),
        ("The drive program", program_keys(), "period_end"),
        ("Virtual receivers", {key.name for key in address.KEYS}, "failsafe-rate"),
    ],
)
def test_every_key_is_explained(title: str, keys: set[str], known: str) -> None:
    assert known in keys
    words = set(re.findall(r"[\w-]+", " ".join(re.findall(r"`([^`]*)`", section(title)))))
    assert keys - words == set()


def test_the_python_of_the_readme_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    blocks = [one for one in re.findall(r"```python\n(.*?)```", README, re.DOTALL) if "def test_" not in one]
    assert blocks
    for block in blocks:
        names: dict[str, object] = {}
        for line in block.splitlines():
            code, _, shown = line.partition("  # -> ")
            if shown:
                assert repr(eval(code, names)) == shown, code
            else:
                exec(code, names)


def test_every_link_leads_somewhere() -> None:
    headings = {
        re.sub(r"[^\w\- ]", "", line.lstrip("# ").lower()).replace(" ", "-")
        for line in README.splitlines()
        if line.startswith("#")
    }
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert target[1:] in headings if target.startswith("#") else (ROOT / target).exists(), target
