"""`busbench verify`: check a receiver and a rig, with a page to sign."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from busbench.bench.sources import is_live, rig_in
from busbench.cli.numbers import OneOf
from busbench.cli.output import PAGE, ends_in, say, to_the_end, write_json, wrote
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.source import fault_option, read_all, read_baseline, read_options, source_options
from busbench.errors import BusbenchError
from busbench.output_file import require_output, write_output
from busbench.verify.result import CAUTION


@click.command("verify", cls=OutputCommand)
@click.option("--rig", "rig_path", metavar="RIG.toml",
              help="Use this rig file; limits are in [verify] [default: that of virtual:RIG].")  # fmt: skip
@fault_option("virtual:RIG only", example="sent-short:rudder")
@click.option("--report", type=OUTPUT, metavar="FILE.html", callback=PAGE, help="Write the page to print and sign.")
@click.option("--junit", type=OUTPUT, metavar="FILE.xml", callback=ends_in(".xml", "XML"),
              help="Write the checks as JUnit XML.")  # fmt: skip
@click.option("--walk", metavar="FILE.json", help="Use these answers of a walk [default: those kept for this rig].")
@click.option("--baseline", metavar="OLD", help="Check also what changed since this earlier recording.")
@click.option("--keep", type=OUTPUT, metavar="FILE.pcapng", help="Keep what a guided check received, annotated.")
@click.option("--force", is_flag=True, help="Replace files that exist.")
@click.option("--all", "shows_all", is_flag=True, help="List what passed in full, too.")
@click.option("--format", "format_", type=OneOf(("table", "json")), default="table", show_default=True,
              help="Select the form of the result.")  # fmt: skip
@source_options
def command(
    source: str,
    rig_path: str | None,
    faults: tuple[str, ...],
    report: str | None,
    junit: str | None,
    walk: str | None,
    baseline: str | None,
    keep: str | None,
    force: bool,
    shows_all: bool,
    format_: str,
    **settings: Any,
) -> None:
    """Check a receiver and a rig against the plan: pass, fail or not tested.

    SOURCE is a recording of one test sequence, or a port: then you are led through it.

    \b
    The test sequence (propeller off!):
    1. Leave all controls alone for 4 s.
    2. Move one control at a time: first to the end that the plan's high_when
       names, hold, to the other end, hold, let go, wait 1 s.
    3. Push all controls against an end, away from their failsafe positions,
       those whose failsafe is "hold" away from rest.
    4. Switch the transmitter off for 4 s. Put motors to rest, hold all else,
       and switch it on. When the link is back, let go of all.
    5. Optional, led through or annotated: switch both off, the receiver on,
       wait 4 s, and switch the transmitter on.

    Every frame is judged by its step. A motor that leaves its rest for one frame
    outside its own step fails. On a port, busbench says which step to repeat and
    why. A repeated step replaces the earlier one, but a motor that ran still
    fails. In a recording without annotations, a motor's move counts as its step
    only if it resembles the other moves: in the order of the plan, to the far
    end, and about as long.

    What the recording does not show is "not tested" and does not count as passed:
    exit code 1 unless every check passed. A bench check does not prove that an
    aircraft is airworthy.

    SOURCE virtual:RIG is a virtual aircraft whose pilot does what each step asks:
    rehearse with it, with a --fault to find. Without a terminal, or with --format
    json, it runs at once. Its result says nothing about a real aircraft.

    --baseline OLD adds a check for each kind of figure of `compare`. What changed
    since that recording fails; what cannot be judged is not tested. Endpoints and
    centres are judged only if both recordings show each control moved to both
    ends three times or more.

    Answers are single keys. Without a terminal, busbench reads the first letter of
    each line; an empty line is Enter.

    \b
    busbench verify captures/heron-round.pcapng --rig captures/heron.toml --report heron.html
    busbench verify virtual:captures/heron.toml --fault sent-short:rudder  # exit code 1
    busbench verify /dev/ttyUSB0 --rig captures/heron.toml --keep round.pcapng
    """
    rig_path = rig_path or rig_in(source)
    if rig_path is None:
        raise BusbenchError("--rig: missing", hint="name the rig file; `busbench rig new` writes one to start from")
    if report is not None and keep is None and is_live(source):
        keep = str(Path(report).with_suffix(".pcapng"))  # a page states the hash of its recording
    inputs = [path for path in (source, rig_path, walk, baseline) if path is not None]
    for path in (report, junit, keep):
        if path is not None:  # refused before any work
            require_output(path, force=force, inputs=inputs)
    from busbench.bench.rehearsal import found_by_check, rehearsal_lines
    from busbench.bench.sign_off import find_answers, pulse_outputs, sign_off
    from busbench.rig.load import read_rig
    from busbench.sim.aircraft_faults import parse_fault

    rig, options = read_rig(rig_path), read_options(settings)
    answers = find_answers(rig, rig_path=rig_path, path=walk)
    if answers is not None and walk is None:
        say(f"with the answers of {answers.path}")
    built_in = [parse_fault(text) for text in faults]
    earlier = None if baseline is None else read_baseline(baseline, options)
    if is_live(source):
        from busbench.cli.keys import has_keyboard
        from busbench.cli.verify_guided import guide

        kept = keep
        done = guide(
            source, rig, rig_path=rig_path, keep=keep, line=options.line, answers=answers, baseline=earlier,
            faults=built_in, asks=format_ == "table" and has_keyboard(),
        )  # fmt: skip
    elif built_in:
        raise BusbenchError("--fault: works with virtual:RIG only", hint="leave it out")
    else:
        if keep is not None:
            raise BusbenchError("--keep: works with a port, not with a recording", hint="leave it out")
        pulses = pulse_outputs(source, options)
        recording = read_all(source, options)
        done, kept = sign_off(recording, rig, answers=answers, pulses=pulses, baseline=earlier), source
    found = done.found
    if junit is not None:
        from busbench.verify.junit import junit_xml

        write_output(junit, junit_xml(found, is_virtual=done.is_virtual), force=force)
        wrote(junit, "the checks as JUnit XML")
    if report is not None:
        page = done.page(source=source, recording_path=kept, rig_path=rig_path)
        write_output(report, page, force=force)
        wrote(report, "page to print and sign")
    with to_the_end():
        if format_ == "json":
            write_json(done.to_json() | {"caution": CAUTION})
        else:
            from busbench.cli.verify_text import verify_lines

            walked = "" if answers is None else answers.path
            lines = verify_lines(
                found, rig_path=rig_path, answers=walked, is_virtual=done.is_virtual, shows_all=shows_all
            )
            for line in lines:
                click.echo(line)
    for words in rehearsal_lines(built_in, found_by_check(built_in, found.checks, rig)):
        say(words)
    click.get_current_context().exit(0 if found.verdict.value == "pass" else 1)
