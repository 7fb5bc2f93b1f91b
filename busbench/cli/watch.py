"""`busbench watch`: the terminal UI."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any, Literal

import click

from busbench.cli.live import arm_option, give_back_what_is_freed, line_options, motor_options
from busbench.cli.numbers import OneOf
from busbench.cli.output import ascii_option
from busbench.cli.source import fault_option, read_options, reading_options
from busbench.errors import BusbenchError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busbench.capture.base import ReadOptions
    from busbench.rig.model import Rig
    from busbench.sim.aircraft_faults import AircraftFault
    from busbench.tui.session import Session

_INSTEAD = "use `busbench outages`, `timing` or `channels` on a recording, `busbench probe` or `record` on a port"


@click.command("watch")
@click.argument("sources", metavar="[SOURCE…]", nargs=-1)
@click.option("--rig", metavar="RIG.toml", help="Use this rig file: names of channels, scale, plan.")
@fault_option("virtual: only", example="reversed:rudder")
@arm_option
@motor_options
@click.option("--bell", is_flag=True, help="Ring the bell of the terminal on outages.")
@ascii_option
@click.option("--theme", type=OneOf(("light", "dark")), help="Select the colours [default: as set before, or dark].")
@reading_options
@line_options
def command(
    sources: tuple[str, ...],
    rig: str | None,
    faults: tuple[str, ...],
    is_armed: bool,
    motor: tuple[str, ...],
    no_motor: bool,
    bell: bool,
    is_ascii: bool,
    theme: Literal["light", "dark"] | None,
    **settings: Any,
) -> None:
    """Show a port, a recording or `virtual:` on a screen.

    Views: channels, timing, outages, range check, and with --rig the plan, a
    guided check and a walk round the aircraft. On virtual: a walk is a rehearsal;
    a real port needs --arm. virtual:RIG is a virtual aircraft with a pilot to
    rehearse both, with a --fault to find.

    Further SOURCEs, and further receivers of a recording, are shown in the view
    of outages: a timeline each, and when all were out at once.

    Without SOURCE, select one on the screen. Press ? for the meaning of every
    figure, ctrl+p for all keys, q to quit. Unit, colours, scale and view are
    remembered; ctrl+r resets them. No information is in colour alone; NO_COLOR
    is respected.

    \b
    busbench watch /dev/ttyUSB0 --bell
    busbench watch captures/heron-flight.pcapng --rig captures/heron.toml
    busbench watch captures/heron-pair.pcapng
    busbench watch virtual:captures/heron.toml --fault reversed:rudder
    """
    from busbench.tui.terminal import is_dumb

    if is_dumb():
        raise BusbenchError("watch: this terminal (TERM is dumb or not set) shows no screens", hint=_INSTEAD)
    if not (sys.stdin and sys.stdin.isatty() and sys.stderr and sys.stderr.isatty()):
        raise BusbenchError("watch: standard input or error is not a terminal", hint=_INSTEAD)
    from busbench.bench.sources import rig_in
    from busbench.cli.limit_options import limit_sources
    from busbench.rig.load import read_rig
    from busbench.tui.opening import Opened, each_line

    options, source = read_options(settings), sources[0] if sources else None

    def opener(source: str, rig_path: str) -> Opened:
        path = rig_path or rig_in(source) or rig or ""
        plan = read_rig(path) if path else None
        built = faults_of(faults, source=source, rig=path or None) if rig_in(source) or source == first_source else ()
        limits = limit_sources(rig=path or None, source=source, motors=motor, has_no_motor=no_motor)
        chosen = each_line(source, options)[0]
        return Opened(_open(source, chosen, rig=plan, faults=built), plan, path, limits, built)

    # The source is opened first: if that fails, one line says so, without a screen.
    first_source, first = source, None
    if source is not None:
        first = opener(source, rig or "")
    else:
        faults_of(faults, source=None, rig=rig)
        limit_sources(rig=rig, motors=motor, has_no_motor=no_motor)
    beside = [_open(name, one) for name in sources for one in each_line(name, options)[1 if name == source else 0 :]]
    from busbench.tui.main import make_app, run
    from busbench.tui.settings import SettingsStore, settings_path

    app = make_app(
        first, opener=opener, rings=bell, is_ascii=is_ascii, shade=theme, is_armed=is_armed,
        settings=SettingsStore(settings_path()), beside=beside,
    )  # fmt: skip
    run(app)


def _open(
    source: str, options: ReadOptions, *, rig: Rig | None = None, faults: Sequence[AircraftFault] = ()
) -> Session:
    """Open a session; a live one may run for days."""
    from busbench.tui.opening import open_session

    session = open_session(source, options=options, rig=rig, faults=faults)
    if session.is_live:
        give_back_what_is_freed()
    return session


def faults_of(texts: tuple[str, ...], *, source: str | None, rig: str | None) -> tuple[AircraftFault, ...]:
    """The faults of the options, for the watched source; BusbenchError if it is no such virtual aircraft."""
    from busbench.bench.sources import aircraft_path
    from busbench.errors import DriveError
    from busbench.rig.load import read_rig
    from busbench.sim.aircraft_faults import check_fault, parse_fault

    faults = tuple(parse_fault(text) for text in texts)
    if not faults:
        return ()
    path = None if source is None else aircraft_path(source, rig)
    if path is None:
        raise DriveError("--fault: works with virtual:RIG only", hint="leave it out, or name a rig file there")
    built = read_rig(path)
    for fault in faults:
        check_fault(fault, built)
    return faults
