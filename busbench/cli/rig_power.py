"""`busbench rig power`: voltage and current in every lead."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from busbench.cli.numbers import FiniteRange
from busbench.cli.output import (
    ascii_option,
    can_write,
    ends_in,
    force_option,
    format_option,
    prose,
    write_csv,
    write_json,
    wrote,
)
from busbench.cli.outputs import OUTPUT, TREE_SIGNS, OutputCommand, rig_argument, write_new
from busbench.errors import BusbenchError, RigError

if TYPE_CHECKING:
    from busbench.rig.model import Rig
    from busbench.rig.power import ProgramRun

PROGRAM_FRAMES_MAX = 200_000


@click.command("power", cls=OutputCommand, short_help="calculate voltage and current in every lead")
@rig_argument
@click.option("--temperature", "temperature_c", metavar="DEGREES", type=FiniteRange(-60, 200), default=20.0,
              show_default=True, help="Set the temperature of the leads, in Celsius.")  # fmt: skip
@click.option("--moving", "moving_pct", metavar="PERCENT", type=FiniteRange(0, 100), default=25.0,
              show_default=True, help="Set the share of time in which devices move.")  # fmt: skip
@click.option("--program", metavar="PROGRAM.toml", help="Calculate this drive program over time.")
@click.option("--measured", metavar="FILE.csv",
              help="Find the lead that explains readings of a meter.")  # fmt: skip
@click.option("--recording", metavar="SOURCE", help="Compare sags with outages of a simultaneous recording.")
@click.option("--shift", "shift_s", metavar="SECONDS", type=FiniteRange(-86_400, 86_400), default=0.0,
              show_default=True, help="Add this to the times of the readings.")  # fmt: skip
@click.option("--svg", type=OUTPUT, metavar="FILE.svg", callback=ends_in(".svg", "a picture in SVG"),
              help="Draw the wiring tree: worst case, or as measured.")  # fmt: skip
@force_option
@ascii_option
@format_option
def power_command(
    rig: str,
    temperature_c: float,
    moving_pct: float,
    program: str | None,
    measured: str | None,
    recording: str | None,
    shift_s: float,
    svg: str | None,
    force: bool,
    is_ascii: bool,
    format_: str,
) -> None:
    """Calculate voltage and current in every lead: idle, moving, each device stalled, all stalled.

    Name the weakest lead, the lead that needs thicker wire and the second feed
    to add, with what each gains at the weakest device. With --measured, name
    the lead or contact that explains the readings of a meter or logger: a CSV
    with columns such as time_s, receiver V, left wing V, supply A.

    \b
    busbench rig power captures/heron.toml --temperature 40
    busbench rig power captures/heron.toml --program captures/heron-sweeps.toml
    busbench rig power captures/heron.toml --svg heron-harness.svg
    busbench rig power captures/heron.toml --measured captures/heron-power.csv
    """
    _require_together(click.get_current_context(), is_measured=measured is not None)
    if measured is not None:
        from busbench.cli.rig_measured import power_measured

        power_measured(rig, measured, recording=recording, shift_s=shift_s, temperature_c=temperature_c, svg=svg,
                       force=force, format_=format_, is_ascii=is_ascii)  # fmt: skip
        return
    from busbench.rig.load import read_rig
    from busbench.rig.power import MOVING, find_endurance, power_cases, unlisted_stalls, unstated_currents
    from busbench.rig.topology import require_tree
    from busbench.rig.weakest import find_weakest

    plan = read_rig(rig)
    require_tree(plan, path=rig)
    cases = power_cases(plan, temperature_c=temperature_c)
    run = _run_program(plan, program, temperature_c) if program is not None else None
    if run is not None:
        cases.append(run.case)
    weakest = find_weakest(plan, temperature_c=temperature_c)
    endurance = find_endurance(plan, moving_pct=moving_pct)
    if svg is not None:
        from busbench.report.power_picture import WEAKEST, draw_harness

        shown = next(case for case in cases if case.case == (weakest.case if weakest is not None else MOVING))
        marks = {weakest.lead_to: WEAKEST} if weakest is not None else {}
        caption = f"{shown.case}, leads at {temperature_c:g} °C"
        write_new(svg, draw_harness(plan, shown, marks, caption=caption).file(), force=force)
        if svg == "-":
            return
        wrote(svg, f"wiring tree, {caption}")
    if format_ == "csv":
        rows = [
            (one.case, one.supply_a, node.name, node.voltage_v, node.current_a) for one in cases for node in one.nodes
        ]
        write_csv(("case", "supply_a", "name", "voltage_v", "current_a"), rows)
    elif format_ == "json":
        write_json(
            {
                "rig": plan.plan.name,
                "temperature_c": temperature_c,
                "minimum_v": plan.supply.minimum_v,
                "cases": [asdict(case) | {"warnings": list(map(str, case.warnings))} for case in cases],
                "stalls_left_out": unlisted_stalls(plan, cases),
                "weakest": asdict(weakest) if weakest is not None else None,
                "program": {"worst_s": run.worst_s, "mean_a": run.mean_a, "hours": run.hours}
                if run is not None
                else None,
                "endurance": asdict(endurance) if endurance is not None else None,
                "unstated_currents": unstated_currents(plan),
            }
        )
    else:
        from busbench.rig.power_text import power_lines

        is_ascii = is_ascii or not can_write(TREE_SIGNS)
        lines = power_lines(plan, cases, weakest, endurance, run, temperature_c=temperature_c, is_ascii=is_ascii)
        for line in lines:
            prose(line, indent=2)


def _require_together(ctx: click.Context, *, is_measured: bool) -> None:
    """Refuse options that say nothing of readings, or nothing without them."""
    for name in ("program", "moving_pct") if is_measured else ("recording", "shift_s"):
        if ctx.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            option = f"--{name.partition('_')[0]}"
            if is_measured:
                raise BusbenchError(f"--measured: cannot be combined with {option}", hint="leave one out")
            raise BusbenchError(f"{option}: works with --measured", hint="name the readings with --measured too")


def _run_program(rig: Rig, program: str, temperature_c: float) -> ProgramRun:
    import numpy as np

    from busbench.bench.plan_limits import LimitSources
    from busbench.cli.recorded import load_recording
    from busbench.drive.frame_generator import frame_blocks
    from busbench.drive.program_file import read_program
    from busbench.rig.power import run_program

    period_s = rig.plan.period_ms / 1e3
    stated = read_program(program, load=load_recording, period_s=period_s, scale=rig.scale)
    read = LimitSources(((rig.plan.name, rig),)).merge(stated)
    counts, flags, frames = [], [], 0
    for block in frame_blocks(read):
        counts.append(block.limited.channels)
        flags.append(block.raw[:, 23])
        frames += len(block)
        if frames > PROGRAM_FRAMES_MAX:
            raise RigError(
                program, "", f"runs for more than {PROGRAM_FRAMES_MAX:,} frames", hint="shorten it or repeat it less"
            )
    return run_program(
        rig, np.concatenate(counts), period_s=read.period_s, temperature_c=temperature_c, flags=np.concatenate(flags)
    )
