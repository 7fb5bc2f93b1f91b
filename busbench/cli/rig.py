"""`busbench rig`: plan the aircraft."""

from __future__ import annotations

from dataclasses import asdict

import click

from busbench.cli.output import (
    PAGE,
    ascii_option,
    can_write,
    force_option,
    format_option,
    prose,
    to_the_end,
    write_csv,
    write_json,
    wrote,
)
from busbench.cli.outputs import OUTPUT, TREE_SIGNS, OutputCommand, rig_argument, write_new
from busbench.cli.rig_draft import draft_command
from busbench.cli.rig_power import power_command


class _InOrderOfWork(click.Group):
    """A group that lists its commands in the order in which they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return ["new", "draft", "check", "power", "sheet"]


@click.group("rig", cls=_InOrderOfWork)
def command() -> None:
    """Plan the aircraft in a TOML file.

    Write down once which device is on which channel, hub and lead. Then find
    mistakes and the weakest lead before soldering, and set up the devices one
    by one.
    """


@command.command("new", cls=OutputCommand, short_help="write a rig file with comments to start from")
@click.argument("file", metavar="[FILE.toml]", required=False, type=OUTPUT)
@force_option
def new_command(file: str | None, force: bool) -> None:
    """Write a rig file with comments to start from, to FILE.toml or standard output.

    \b
    busbench rig new glider.toml
    """
    from busbench.rig.template import STARTER

    write_new(file, STARTER, force=force)
    if file is not None and file != "-":
        wrote(file, "rig file to start from", then=f"edit it, then `busbench rig check {file}`")


@command.command("check", short_help="find faults of the plan, what each does, what to do")
@rig_argument
@format_option
def check_command(rig: str, format_: str) -> None:
    """Find faults of the plan: what each does on the aircraft, and what to do.

    Exit code 1 if there is a fault, 0 if there are only hints.

    \b
    busbench rig check captures/heron.toml
    """
    from busbench.rig.check import check_rig
    from busbench.rig.load import read_rig

    plan = read_rig(rig)
    findings = check_rig(plan)
    faults = sum(finding.severity == "fault" for finding in findings)
    with to_the_end():
        if format_ == "table":
            for finding in findings:
                for line in str(finding).splitlines():
                    prose(line, indent=2)
                click.echo()
            click.echo(f"{plan.plan.name}: {_count(faults, 'fault')}, {_count(len(findings) - faults, 'hint')}")
        elif format_ == "csv":
            head = ("severity", "where", "what", "effect", "advice")
            write_csv(head, [tuple(asdict(finding).values()) for finding in findings])
        else:
            result = {"rig": plan.plan.name, "faults": faults, "findings": [asdict(finding) for finding in findings]}
            write_json(result)
    click.get_current_context().exit(1 if faults else 0)


def _count(number: int, word: str) -> str:
    return f"{number or 'no'} {word}{'' if number == 1 else 's'}"


command.add_command(draft_command)
command.add_command(power_command)


@command.command("sheet", cls=OutputCommand, short_help="print the order of set-up, labels and wiring")
@rig_argument
@click.option("-o", "--output", type=OUTPUT, metavar="FILE.html", callback=PAGE,
              help="Write the page to print, A4, to this file.")  # fmt: skip
@force_option
@ascii_option
@format_option
def sheet_command(rig: str, output: str | None, force: bool, is_ascii: bool, format_: str) -> None:
    """Print the order in which to set up the devices, with labels and wiring.

    Each device is plugged in alone while it is set up.

    \b
    busbench rig sheet captures/heron.toml
    busbench rig sheet captures/heron.toml -o heron-sheet.html
    """
    from busbench.rig.load import read_rig
    from busbench.rig.sheet import SetupStep, setup_steps, sheet_html, sheet_lines
    from busbench.rig.topology import require_tree

    plan = read_rig(rig)
    require_tree(plan, path=rig)
    if output is not None:
        write_new(output, sheet_html(plan, made_on=_today()), force=force)
        wrote(output, "set-up sheet, to print on A4")
        return
    steps = [asdict(step) for step in setup_steps(plan)]
    if format_ == "csv":
        write_csv(tuple(SetupStep.__dataclass_fields__), [tuple(step.values()) for step in steps])
    elif format_ == "json":
        write_json({"rig": plan.plan.name, "steps": steps})
    else:
        for line in sheet_lines(plan, is_ascii=is_ascii or not can_write(TREE_SIGNS)):
            prose(line, indent=3 if line[:1].isdigit() else 8 if line.startswith("[") else 0)


def _today() -> str:
    import datetime

    return datetime.date.today().isoformat()
