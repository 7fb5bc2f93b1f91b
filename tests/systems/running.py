"""Command lines run in a process that sees another system, another installation or no network."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from busbench.cli.main import COMMANDS

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
CAPTURES = ROOT / "captures"


@dataclass(frozen=True)
class Ran:
    """What one command line left; no code where it raised."""

    words: tuple[str, ...]
    code: int | None
    out: str
    err: str


@dataclass(frozen=True)
class Report:
    """What a process found.

    Args:
        platform: sys.platform in it, at its end.
        file: where its busbench lay.
        imports: tracebacks by the module that could not be imported.
        lines: one for each command line.
    """

    platform: str
    file: str
    imports: dict[str, str]
    lines: tuple[Ran, ...]


def run_lines(
    lines: Sequence[Sequence[str]],
    *,
    python: Sequence[str] = (sys.executable,),
    path: Sequence[Path] = (ROOT,),
    cwd: Path,
    imports: bool = False,
    offline: bool = False,
    encoding: str = "utf-8",
    newline: str = "\n",
    **environment: str,
) -> Report:
    """Run command lines one after another in one process.

    Args:
        lines: words after the program's name.
        python: how the interpreter is called.
        path: folders of PYTHONPATH.
        cwd: folder to run in.
        imports: True imports every module first.
        offline: True refuses every use of the network.
        encoding, newline: of standard output.
        environment: variables to set.
    """
    order = {"imports": imports, "offline": offline, "encoding": encoding, "newline": newline}
    done = subprocess.run(
        [*python, str(HERE / "jobs.py")],
        input=json.dumps(order | {"lines": [list(words) for words in lines]}).encode(),
        stdout=subprocess.PIPE,
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(map(str, path))} | environment,
        timeout=120,
        check=True,
    )
    found = json.loads(done.stdout)
    ran = [Ran(tuple(words), **result) for words, result in zip(lines, found["lines"], strict=True)]
    return Report(found["platform"], found["file"], found["imports"], tuple(ran))


def wrong(lines: Sequence[Ran]) -> list[tuple[str, str]]:
    """The lines that did not do what they should, with what they said."""
    return [(" ".join(ran.words), ran.err) for ran in lines if ran.code != 0 or "Traceback" in ran.err]


def help_lines() -> list[list[str]]:
    """`--help` of the program and of every command."""
    rig = [["rig", word, "--help"] for word in ("check", "draft", "new", "power", "sheet")]
    return [["--help"], ["--version"], *([name, "--help"] for name in COMMANDS), *rig]


def file_lines(captures: Path, out: Path) -> list[list[str]]:
    """Every command that reads and writes files, each at least once, with all formats among them.

    Args:
        captures: folder of the shipped recordings.
        out: folder for what is written.
    """
    flight, slots, line, noisy, rig = (
        str(captures / name)
        for name in ("heron-flight.pcapng", "heron-slots.csv", "heron-line.vcd", "heron-noisy.raw", "heron.toml")
    )
    suffixes = (".pcapng", ".csv", ".vcd", ".raw")
    sweep = ["drive", "sweep", "--channel", "1", "--low", "-50", "--high", "50", "--period", "4", "--no-motor"]
    return [
        ["frames", line],
        ["frames", slots, "--format", "json", "--channels", "1-3"],
        ["outages", flight],
        ["outages", noisy, "--format", "csv"],
        ["timing", flight],
        ["timing", slots, "--format", "json"],
        ["channels", line],
        *(["convert", line, "-o", str(out / f"line{suffix}")] for suffix in suffixes),
        *(["outages", str(out / f"line{suffix}"), "--format", "json"] for suffix in suffixes),
        ["convert", line, "-o", str(out / "line.raw"), "--force"],
        ["convert", line, "-o", "-"],
        [*sweep, "--to", str(out / "sweep.pcapng")],
        [*sweep, "--to", str(out / "sweep.vcd")],
        [*sweep, "--to", "virtual:"],
        [*sweep, "--preview"],
        [*sweep, "--preview", "--ascii"],
        ["channels", str(out / "sweep.pcapng"), "--format", "csv"],
        ["rig", "new", str(out / "new.toml")],
        ["rig", "check", str(out / "new.toml")],
        ["rig", "check", rig, "--format", "json"],
        ["rig", "power", rig],
        ["rig", "power", rig, "--ascii"],
        ["rig", "sheet", rig, "-o", str(out / "sheet.html")],
        ["rig", "sheet", rig],
        ["rig", "draft", str(out / "sweep.pcapng"), "-o", str(out / "draft.toml")],
        ["verify", str(captures / "heron-round.pcapng"), "--rig", rig, "--report", str(out / "report.html")],
        ["verify", str(captures / "heron-round.pcapng"), "--rig", rig, "--junit", str(out / "report.xml")],
        ["pulses", str(captures / "heron-outputs.vcd"), "--rig", rig],
        ["convert", line, "-o", str(out / "line.parquet")],
        *(["completion", shell] for shell in ("bash", "zsh", "fish")),
        ["ports"],
    ]
