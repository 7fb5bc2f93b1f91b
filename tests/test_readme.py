"""What README, the reference and the commands' help show is typed as printed, in a copy of the recordings."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import click
import pytest

from busbench.cli.main import cli, run
from busbench.reference.topics import TOPICS, source_text

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
TEXTS = "\n".join([README, *map(source_text, TOPICS)])
# What some lines are not held to, and why: (rule, lines, reason).
EXCEPTIONS = (
    ("typed", r"tools/(start|check)\.py", "a whole installation"),
    ("typed", r"activate$", "made by the installation"),
    ("typed", r" /dev/|socket://", "needs a port"),
    ("typed", r"^busbench ports\b", "shows what is plugged in here"),
    ("typed", r"^busbench simulate\b", "runs until Ctrl-C"),
    ("typed", r"^busbench (watch|walk)\b", "needs a person at a terminal"),
    ("80 columns", r"--format (csv|json)|--follow|--man$|^busbench (frames|completion) |^\w+ .*\|", "for programs"),
    ("says something", r" (-o|--to|--output) |^busbench rig new ", "writes a file"),
    ("has an example", r"^busbench completion$", "its help shows the lines for shells' own files"),
)


def is_held(line: str, rule: str) -> bool:
    return not any(re.search(lines, line) for name, lines, _ in EXCEPTIONS if name == rule)


def too_wide(line: str, out: str, err: str = "") -> list[str]:
    """What people read and does not fit 80 columns, if the width of the terminal is unknown."""
    rows = out.splitlines() if is_held(line, "80 columns") else []
    rows = [row for row in rows if not re.match(r"\$ |.*  # -> |busbench\.", row)]  # shown by help, to be copied
    rows += [row for row in err.splitlines() if not row.startswith("busbench: ")]  # a log keeps its lines
    return [row for row in rows if len(row) > 80]


def exit_code(line: str) -> int:
    said = re.search(r"# exit code (\d+)", line)
    return int(said.group(1)) if said else 0


def blocks() -> list[list[str]]:
    """Command lines of one block, which may build on one another."""
    found = []
    for block in re.findall(r"```console\n(.*?)```", TEXTS, re.DOTALL):
        lines = [line[2:] for line in block.splitlines() if line.startswith("$ ")]
        found.append([line for line in lines if is_held(line, "typed")])
    return [lines for lines in found if lines]


@cache
def outputs() -> dict[str, list[str]]:
    """What is shown as printed by a command line: some of its rows, in order."""
    found: dict[str, list[str]] = {}
    for block in re.findall(r"```console\n(.*?)```", TEXTS, re.DOTALL):
        for typed, rows in re.findall(r"^\$ (.*)\n((?:(?!\$ ).*\n)+)", block, re.MULTILINE):
            found[typed] = rows.splitlines()
    return found


def commands(group: click.Group, path: str) -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group, info_name=path)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command


@cache
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
def test_a_block_of_the_tour_works(
    place: Path, lines: list[str], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(place)
    (place / "bin").mkdir()
    for name, module in (("busbench", "-m busbench "), ("python", "")):
        program = place / "bin" / name
        program.write_text(f'#!/bin/sh\nexec "{sys.executable}" {module}"$@"\n')
        program.chmod(0o755)
    path = f"{place / 'bin'}{os.pathsep}{os.environ['PATH']}"
    environment = os.environ | {"PATH": path, "PYTHONPATH": str(ROOT)}
    for line in lines:
        plain = line.partition("#")[0]
        if line.startswith("busbench ") and not re.search(r"[|<>$*;&~]", plain):
            code = run(shlex.split(plain)[1:])  # no process of its own: nothing in it is the shell's
        else:
            code = subprocess.run(["sh", "-c", line], env=environment, timeout=60, check=False).returncode
        out, err = capfd.readouterr()
        assert code == exit_code(line), (line, err)
        assert out or not is_held(line, "says something"), line
        assert "Traceback" not in err, line
        assert too_wide(line, out, err) == []


@pytest.mark.parametrize("line", outputs())
def test_a_command_prints_the_rows_shown_below_it(
    place: Path, line: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(place)
    run(shlex.split(line, comments=True)[1:])
    printed = iter(capfd.readouterr().out.splitlines())
    assert [row for row in outputs()[line] if row not in printed] == []  # an iterator: in this order


def test_two_texts_show_what_is_printed() -> None:
    assert len(outputs()) >= 2
    assert all(len(rows) >= 5 for rows in outputs().values())


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
    found = re.findall(r"^\$ (busbench .*)", TEXTS, re.MULTILINE)
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
def test_every_command_is_in_readme_or_reference(path: str) -> None:
    assert path in TEXTS


def test_readme_and_the_notes_for_developers_stay_short() -> None:
    assert len(README.splitlines()) <= 220
    assert len((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()) <= 300


def test_the_links_of_readme_to_the_reference_show_no_empty_table() -> None:
    linked = re.findall(r"\(busbench/reference/([\w-]+)\.md\)", README)
    assert linked
    assert [name for name in linked if "{{" in source_text(name)] == []


def test_the_python_of_the_texts_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    blocks = [one for one in re.findall(r"```python\n(.*?)```", TEXTS, re.DOTALL) if "def test_" not in one]
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
