"""`busbench rig`: the aircraft as a plan."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from busbench.capture.base import ReadOptions
from busbench.cli.output import format_option, say, write_csv, write_json
from busbench.cli.source import open_source, read_options, source_options
from busbench.errors import RigError

if TYPE_CHECKING:
    from busbench.rig.model import Rig
    from busbench.rig.power import Case

PROGRAM_FRAMES_MAX = 200_000
_rig_argument = click.argument("rig", metavar="RIG", type=click.Path(path_type=str))


@click.group("rig", short_help="the aircraft as a plan: faults, volts and amperes, set-up sheet")
def command() -> None:
    """The aircraft as a plan, kept in a TOML file.

    Write it once: what hangs on which channel, hub and lead. Then learn its
    faults and its weakest lead before soldering, and set the devices up without
    mixing them up.
    """


# new


@command.command("new", short_help="a commented rig file to start from")
@click.argument("file", required=False, type=click.Path(path_type=str))
@click.option("--force", is_flag=True, help="Write over a file that exists.")
def new_command(file: str | None, force: bool) -> None:
    """Write a commented rig file to start from, to FILE or to standard output."""
    new(file, force=force)


def new(file: str | None, *, force: bool = False) -> None:
    """Write the starter."""
    from busbench.rig.starter import STARTER

    _write(file, STARTER, force=force)
    if file not in (None, "-"):
        say(f"wrote {file}; next: edit it, then `busbench rig check {file}`")


def _write(file: str | None, text: str, *, force: bool) -> None:
    if file in (None, "-"):
        click.echo(text, nl=False)
        return
    path = Path(str(file))
    try:
        with path.open("w" if force else "x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError:
        raise RigError(path, "", "is there already", hint="choose another name, or replace it with --force") from None
    except (OSError, ValueError) as error:
        raise RigError(path, "", f"cannot be written ({getattr(error, 'strerror', None) or error})") from None


# draft


@command.command("draft", short_help="a channel map from one stick moved at a time")
@source_options
@click.option("--names", default="", help="Names of the devices in the order in which they were moved, with commas.")
@click.option("-o", "--output", help="File to write; standard output by default.")
@click.option("--force", is_flag=True, help="Write over a file that exists.")
def draft_command(source: str, names: str, output: str | None, force: bool, **settings: Any) -> None:
    """Propose a channel map from a recording in which one stick was moved at a time.

    Move each stick and switch to both ends and back, rest a second, and take the next.

    \b
    busbench rig draft captures/heron-round.pcapng -o draft.toml
    busbench rig draft captures/heron-round.pcapng --names "left aileron,right aileron,left flap"
    """
    called = [name.strip() for name in names.split(",") if name.strip()]
    draft(source, options=read_options(settings), names=called, output=output, force=force)


def draft(
    source: str, *, options: ReadOptions, names: Sequence[str] = (), output: str | None = None, force: bool = False
) -> None:
    """Write the draft of a recording's channel map."""
    from busbench.rig.draft import draft_toml, propose_channels
    from busbench.wire.align import find_in_blocks
    from busbench.wire.scale import Scale

    with open_source(source, options) as capture:
        clock = capture.info.clock
        parts = find_in_blocks(capture.blocks(), clock=clock, line=options.line)
        found = propose_channels((part.frames for part in parts), has_clock=clock.is_known)
    if not found.frames:
        raise RigError(source, "", "holds no frames", hint="`busbench probe` tells what is on the line")
    if not found.proposals:
        raise RigError(source, "", "no channel moved", hint="move one stick at a time to both ends and back")
    _write(output, draft_toml(found, names=names, scale=Scale()), force=force)
    for one in found.proposals:
        where = "" if one.follows is None else f", together with channel {one.follows}"
        say(f"turn {one.turn}: channel {one.channel}, {one.kind}{where}")


# check


@command.command("check", short_help="the plan's faults, what each does, and the mend")
@_rig_argument
@format_option
def check_command(rig: str, format_: str) -> None:
    """Look for the plan's faults: what each does on the aircraft, and the mend.

    Exit code 1 where there is a fault, 0 where there are hints at most.

    \b
    busbench rig check captures/heron.toml
    """
    click.get_current_context().exit(check(rig, format_=format_))


def check(path: str, *, format_: str = "table") -> int:
    """Print the findings; returns the exit code."""
    from busbench.rig.check import check_rig
    from busbench.rig.load import read_rig

    rig = read_rig(path)
    findings = check_rig(rig)
    faults = sum(finding.severity == "fault" for finding in findings)
    if format_ == "table":
        for finding in findings:
            click.echo(f"{finding}\n")
        click.echo(f"{rig.plan.name}: {_count(faults, 'fault')}, {_count(len(findings) - faults, 'hint')}")
    elif format_ == "csv":
        head = ("severity", "where", "what", "effect", "mend")
        write_csv(head, [tuple(asdict(finding).values()) for finding in findings])
    else:
        result = {"rig": rig.plan.name, "faults": faults, "findings": [asdict(finding) for finding in findings]}
        write_json(result)
    return 1 if faults else 0


def _count(number: int, word: str) -> str:
    return f"{number or 'no'} {word}{'' if number == 1 else 's'}"


# power


@command.command("power", short_help="volts and amperes in every lead; the weakest")
@_rig_argument
@click.option("--temperature", "temperature_c", type=click.FloatRange(-60, 200), default=20.0, show_default=True,
              help="Of the leads, in degrees Celsius.")  # fmt: skip
@click.option("--moving", "moving_pct", type=click.FloatRange(0, 100), default=25.0, show_default=True,
              help="Share of the time in which devices move, in percent, for endurance.")  # fmt: skip
@click.option("--program", type=click.Path(path_type=str), help="A drive program to run over time.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain ASCII.")
@format_option
def power_command(
    rig: str, temperature_c: float, moving_pct: float, program: str | None, ascii_only: bool, format_: str
) -> None:
    """Volts and amperes in every lead: idle, moving, each device stalled, all stalled.

    Names the weakest lead, the lead to thicken and the second feed to add, with
    what each gains at the weakest device.

    \b
    busbench rig power captures/heron.toml --temperature 40
    busbench rig power captures/heron.toml --program captures/heron-sweeps.toml
    """
    power(rig, temperature_c=temperature_c, moving_pct=moving_pct, program=program, ascii_only=ascii_only,
          format_=format_)  # fmt: skip


def power(
    path: str,
    *,
    temperature_c: float = 20.0,
    moving_pct: float = 25.0,
    program: str | None = None,
    ascii_only: bool = False,
    format_: str = "table",
) -> None:
    """Print the load cases."""
    from busbench.rig.load import read_rig
    from busbench.rig.power import find_endurance, find_weakest, power_cases, unstated_currents
    from busbench.rig.topology import require_tree

    rig = read_rig(path)
    require_tree(rig, path=path)
    cases = power_cases(rig, temperature_c=temperature_c)
    if program is not None:
        cases.append(_program_case(rig, program, temperature_c))
    weakest = find_weakest(rig, temperature_c=temperature_c)
    endurance = find_endurance(rig, moving_pct=moving_pct)
    if format_ == "csv":
        rows = [(case.case, case.supply_a, node.name, node.volts, node.amps) for case in cases for node in case.nodes]
        write_csv(("case", "supply_a", "name", "volts", "amps"), rows)
    elif format_ == "json":
        write_json(
            {
                "rig": rig.plan.name,
                "temperature_c": temperature_c,
                "minimum_v": rig.supply.minimum_v,
                "cases": [asdict(case) for case in cases],
                "weakest": asdict(weakest) if weakest is not None else None,
                "endurance": asdict(endurance) if endurance is not None else None,
                "unstated_currents": unstated_currents(rig),
            }
        )
    else:
        from busbench.rig.power_text import power_lines

        ascii_only = ascii_only or not _can_draw()
        lines = power_lines(rig, cases, weakest, endurance, temperature_c=temperature_c, ascii_only=ascii_only)
        click.echo("\n".join(lines))


def _program_case(rig: Rig, program: str, temperature_c: float) -> Case:
    import numpy as np

    from busbench.cli.recorded import load_recording
    from busbench.drive.frames import frame_blocks
    from busbench.drive.program_file import read_program
    from busbench.rig.power import program_case

    read = read_program(program, load=load_recording)
    counts, flags, frames = [], [], 0
    for block in frame_blocks(read):
        counts.append(block.limited.channels)
        flags.append(block.raw[:, 23])
        frames += len(block)
        if frames > PROGRAM_FRAMES_MAX:
            raise RigError(
                program, "", f"runs for more than {PROGRAM_FRAMES_MAX} frames", hint="shorten it or repeat it less"
            )
    return program_case(
        rig, np.concatenate(counts), period_s=read.period_s, temperature_c=temperature_c, flags=np.concatenate(flags)
    )


def _can_draw() -> bool:
    """True where standard output takes the lines of a tree."""
    try:
        "└├│Ω²".encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


# sheet


@command.command("sheet", short_help="order of set-up, labels and wiring to print")
@_rig_argument
@click.option("-o", "--output", help="Write the page to print (HTML, A4) to this file.")
@click.option("--force", is_flag=True, help="Write over a file that exists.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain ASCII.")
@format_option
def sheet_command(rig: str, output: str | None, force: bool, ascii_only: bool, format_: str) -> None:
    """In which order to set devices up, each plugged in alone; labels and wiring to print.

    \b
    busbench rig sheet captures/heron.toml
    busbench rig sheet captures/heron.toml -o heron-sheet.html
    """
    sheet(rig, output=output, force=force, ascii_only=ascii_only, format_=format_)


def sheet(
    path: str,
    *,
    output: str | None = None,
    force: bool = False,
    ascii_only: bool = False,
    format_: str = "table",
    today: Callable[[], str] | None = None,
) -> None:
    """Print the order of set-up, or write the page."""
    from busbench.rig.load import read_rig
    from busbench.rig.sheet import Step, setup_steps, sheet_html
    from busbench.rig.sheet_text import sheet_lines
    from busbench.rig.topology import require_tree

    rig = read_rig(path)
    require_tree(rig, path=path)
    if output is not None:
        _write(output, sheet_html(rig, made_on=(today or _today)()), force=force)
        if output != "-":
            say(f"wrote {output}; print it on A4")
        return
    steps = [asdict(step) for step in setup_steps(rig)]
    if format_ == "csv":
        write_csv(tuple(Step.__dataclass_fields__), [tuple(step.values()) for step in steps])
    elif format_ == "json":
        write_json({"rig": rig.plan.name, "steps": steps})
    else:
        click.echo("\n".join(sheet_lines(rig, ascii_only=ascii_only or not _can_draw())))


def _today() -> str:
    import datetime

    return datetime.date.today().isoformat()
