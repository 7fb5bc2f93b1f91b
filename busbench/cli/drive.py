"""`busbench drive`: frames from a program to a port, a file or a rehearsal."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.drive_options import CHANNEL, each_of, shape_options
from busbench.cli.live import arm_option, motor_options
from busbench.cli.numbers import OneOf
from busbench.cli.output import ascii_option, can_write, force_option, prose, say, wrote
from busbench.cli.outputs import OUTPUT, ListedCommand
from busbench.cli.source import fault_option
from busbench.errors import DriveError, any_of, meant, pluralize

if TYPE_CHECKING:
    from busbench.bench.plan_limits import LimitSources
    from busbench.drive.program import Program
    from busbench.rig.model import Rig
    from busbench.wire.scale import Scale

_PART_KEYS = (
    "channel", "low", "high", "centre", "period", "cycles", "phase", "delay", "level", "levels", "duration",
    "stairs", "period_end", "seed", "recording", "from_channel", "start",
)  # fmt: skip
_DRAWN = "⠉│└▁▔µ"  # some signs beyond ASCII that a preview uses
_TOP_KEYS = ("frame_period", "end_byte", "unit", "order", "repeat")


def _shapes() -> str:
    from busbench.drive.shape_words import shape_lines

    return "\n".join(shape_lines())


@click.command("drive", cls=ListedCommand, listed=_shapes)
@click.argument("program", metavar="SHAPE|PROGRAM.toml|RECORDING")
@shape_options
@click.option("--to", type=OUTPUT, metavar="PORT|FILE|virtual:",
              help="Send to this port or file (-: standard output, raw bytes).")  # fmt: skip
@click.option("--end", type=OneOf(("rest", "hold", "silence")), default="rest", show_default=True,
              help="Select what follows the end or a stop: rest ramps to the rest values, then silence;"
              " hold repeats the last values; silence stops at once.")  # fmt: skip
@motor_options
@click.option("--rig", metavar="RIG.toml", help="Use this rig file: names, motors, limits, frame period.")
@click.option("--lock", type=CHANNEL, multiple=True, metavar="CH", callback=each_of,
              help="Lock this channel, or several as in 1-4,9.")  # fmt: skip
@fault_option("virtual:RIG only", example="dead:rudder")
@click.option("--pulses", type=CHANNEL, multiple=True, metavar="CH", callback=each_of,
              help="Write the servo pulses of this channel too (.vcd, .csv).")  # fmt: skip
@arm_option
@click.option("--preview", is_flag=True, help="Show what each channel will do; send nothing.")
@ascii_option
@force_option
def command(
    program: str,
    to: str | None,
    end: str,
    motor: tuple[str, ...],
    no_motor: bool,
    rig: str | None,
    lock: tuple[int, ...],
    faults: tuple[str, ...],
    pulses: tuple[int | str, ...],
    is_armed: bool,
    preview: bool,
    is_ascii: bool,
    force: bool,
    **shape: Any,
) -> None:
    """Send a test sweep: a SHAPE with options, or a PROGRAM file of several parts.

    A RECORDING is sent as it was: all channels, frame timing, gaps and flags.

    \b
    LISTED

    No shape passes the limits of travel and rate. Locked channels do not move.
    All other channels rest in the middle. A real port needs --arm.

    \b
    busbench drive sweep --channel 1 --low -50 --high 50 --period 4 --cycles 3 --preview
    busbench drive steps --channel 5 --levels 0,40,-40 --period 6 --to virtual:
    busbench drive captures/heron-sweeps.toml --to sweeps.pcapng
    busbench drive captures/heron-flight.pcapng --rate 2000 --to again.pcapng
    busbench drive captures/heron-sweeps.toml --to /dev/ttyUSB0 --rig captures/heron.toml --arm
    """
    from busbench.cli.limit_options import limit_sources
    from busbench.cli.recorded import is_recording
    from busbench.drive.dry_run import dry_run
    from busbench.drive.frame_generator import EndState, frame_blocks
    from busbench.drive.preview import changed_lines, held_still, past_end, preview_lines

    end_state = EndState(end)
    sources = limit_sources(rig=rig, source=to, motors=motor, has_no_motor=no_motor, locks=lock)
    aircraft = _rehearsed_on(to, sources)
    if faults and aircraft is None:
        raise DriveError("--fault: works with --to virtual:RIG only", hint="leave it out, or name a rig file there")
    options = {key: value for key, value in shape.items() if value not in (None, ())}
    locked = sources.lock(load_program(program, options, rig=sources.plan))
    sweep = locked.program
    if preview:
        is_ascii = is_ascii or not can_write(_DRAWN)
        for line in preview_lines(sweep, dry_run(sweep, end=end_state), end=end_state, is_ascii=is_ascii):
            prose(line)
        return
    if to is None:
        raise DriveError("--to: missing", hint="say where the frames go, or look at them first with --preview")
    from busbench.bench.sources import is_live, is_virtual

    is_rehearsal = is_virtual(to)
    is_port = is_live(to) and not is_rehearsal
    if pulses and (to == "-" or is_rehearsal or is_port):
        raise DriveError("--pulses: works with a file only", hint="end the name after --to in .vcd or .csv")
    if not is_port:  # for a port, the list before the cautions has it
        for line in (*held_still(sweep), *filter(None, (past_end(sweep),))):
            say(f"busbench: {line}")
        if is_recording(program):
            for line in changed_lines(sweep, dry_run(sweep, end=end_state)):
                say(f"busbench: {line}")
    if is_rehearsal:
        from busbench.cli.drive_output import rehearse, rehearse_on
        from busbench.sim.aircraft_faults import parse_fault

        blocks, built_in = frame_blocks(sweep, end=end_state), [parse_fault(text) for text in faults]
        lines = rehearse(sweep, blocks) if aircraft is None else rehearse_on(aircraft, sweep, blocks, faults=built_in)
        for line in lines:
            click.echo(line)
        return
    if is_port:
        from busbench.cli.drive_port import run_on_port

        code = run_on_port(to, locked, end=end_state, is_armed=is_armed, sources=sources)
        click.get_current_context().exit(code)
    if pulses:
        from busbench.bench.convert import write_outputs

        written = write_outputs(sweep, frame_blocks(sweep, end=end_state), to=to, outputs=pulses, force=force)
        wrote(to, f"{pluralize(written, 'frame')}, {pluralize(len(pulses), 'pulse output')}")
        return
    from busbench.bench.convert import write_frames

    written, left_out = write_frames(sweep, frame_blocks(sweep, end=end_state), to=to, force=force)
    spent_s = (written + left_out) * sweep.period_s
    gaps = f", {left_out:,} left out" if left_out else ""
    wrote(to, f"{pluralize(written, 'frame')}{gaps}, {spent_s:.10g} s")


def _rehearsed_on(to: str | None, sources: LimitSources) -> Rig | None:
    """The plan of virtual:RIG, None for other targets."""
    from busbench.bench.sources import rig_in

    if to is None or rig_in(to) is None:
        return None
    return sources.plan if sources.aircraft is None else sources.aircraft[1]


def load_program(name: str, options: Mapping[str, Any], *, rig: Rig | None = None) -> Program:
    """The program of a shape and its options, or of a file; DriveError names option, or file, key and value."""
    from busbench.cli.limit_options import channel_index
    from busbench.cli.recorded import is_recording, load_recording, recorded_program
    from busbench.drive.program_file import read_program
    from busbench.drive.shape_words import SHAPES

    unsaid, words = _unsaid(rig), tuple(SHAPES)
    if name not in words and is_recording(name):
        return recorded_program(name, options, scale=unsaid[1])
    if name in words:
        for number in options.get("channel", ()):
            channel_index("channel", number, rig)
        return _from_options(name, options, unsaid)
    if not Path(name).suffix and not Path(name).exists():
        hint = meant(name, words, otherwise=f"give a file, or one of {', '.join(words)}")
        raise DriveError(f"{name}: is neither a shape nor a file", hint=hint)
    if options:
        key = next(iter(options)).replace("_", "-")
        raise DriveError(
            f"--{key}: works with a shape, not with the program file {name}",
            hint=f"write it into the file, or name one of {', '.join(words)}",
        )
    return read_program(name, load=load_recording, period_s=unsaid[0], scale=unsaid[1])


def _unsaid(rig: Rig | None) -> tuple[float, Scale]:
    """The default frame period and scale of programs."""
    from busbench.drive.program import FRAME_PERIOD_S
    from busbench.drive.program_file import DEFAULT_SCALE

    return (FRAME_PERIOD_S, DEFAULT_SCALE) if rig is None else (rig.plan.period_ms / 1e3, rig.scale)


def _from_options(word: str, options: Mapping[str, Any], unsaid: tuple[float, Scale]) -> Program:
    from busbench.cli.recorded import load_recording
    from busbench.drive.program_file import OptionReader, build_program
    from busbench.drive.shape_words import switch_words

    part = {key: options[key] for key in _PART_KEYS if key in options}
    part["shape"] = word
    switch = next((number for number in part.get("channel", ()) if number in (17, 18)), None)
    if switch and word not in switch_words():
        what = f"{word}: does not fit channel {switch}, which is on or off"
        raise DriveError(what, hint=f"give {any_of(switch_words())}")
    if "level" in part:
        part["level"] = _level(part["level"])
    if "levels" in part:
        part["levels"] = [_level(text) for text in part["levels"].split(",")]
    top: dict[str, object] = {key: options[key] for key in _TOP_KEYS if key in options}
    if "unit" in options:
        part["unit"] = options["unit"]
    limits = dict(zip(("low", "high"), options.get("travel", ()), strict=False))
    if "rate" in options:
        limits["rate"] = options["rate"]
    reader = OptionReader({**top, "limits": limits, "fault": _faults(options), "part": [part]})
    return build_program(reader, name=word, load=load_recording, period_s=unsaid[0], scale=unsaid[1])


def _level(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text.strip()


def _faults(options: Mapping[str, Any]) -> list[dict[str, object]]:
    faults: list[dict[str, object]] = []
    for key in ("lost", "failsafe", "gap"):
        for text in options.get(key, ()):
            start, colon, seconds = text.partition(":")
            times = (_level(start), _level(seconds))
            if not colon or any(isinstance(time, str) for time in times):
                raise DriveError(
                    f'--{key}: "{text}" is not a time and a length', hint="give START:SECONDS, as in 2:0.5"
                )
            faults.append({"kind": key, "start": times[0], "duration": times[1]})
    if "flips" in options:
        from busbench.drive.program import PROGRAM_MAX_S

        faults.append({"kind": "flips", "flips": options["flips"], "duration": PROGRAM_MAX_S})
    return faults
