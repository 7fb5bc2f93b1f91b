"""`busbench simulate`: a virtual receiver with its own port for any program."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from busbench.cli.live import stop_signals
from busbench.cli.output import say
from busbench.cli.outputs import OUTPUT, OutputCommand
from busbench.cli.source import fault_option
from busbench.errors import PortError

if TYPE_CHECKING:
    from busbench.sim.aircraft_port import AircraftPort
    from busbench.sim.playback import Outlet
    from busbench.sim.receiver import ReceiverSettings

_LOOK_S = 0.02


class _Command(OutputCommand):
    """A command that loads its options only when used."""

    def get_params(self, ctx: click.Context) -> list[click.Parameter]:
        if not any(param.name == "period" for param in self.params):
            self.params += list(_setting_options())
        return super().get_params(ctx)


def _setting_options() -> Iterator[click.Parameter]:
    from busbench.sim.address import KEYS

    for key in KEYS:
        yield click.Option([f"--{key.name}"], metavar=key.like, help=key.text)


@click.command("simulate", cls=_Command)
@click.option("--pty", "wants_pty", is_flag=True, help="Use a pseudo-terminal [default, except on Windows].")
@click.option("--link", type=OUTPUT, metavar="PATH", help="Make a link at this path to the pseudo-terminal.")
@click.option("--tcp", metavar="[HOST:]PORT", help="Use a TCP port, 0 for any free one [default HOST: 127.0.0.1].")
@click.option("--fast", is_flag=True, help="Send as fast as it is read, for load tests.")
@click.option("--rig", metavar="RIG.toml", help="Run a virtual aircraft through the test sequence of `verify`.")
@fault_option("with --rig", example="sent-short:rudder")
def command(
    wants_pty: bool,
    link: str | None,
    tcp: str | None,
    fast: bool,
    rig: str | None,
    faults: tuple[str, ...],
    **texts: str | None,
) -> None:
    """Run a virtual receiver until Ctrl-C, and print its port.

    Open that port with any other command or program. busbench's own commands
    need no port: they take virtual: with the same settings, as in
    'virtual:?period=7ms&slots=on'. --rig makes a whole virtual aircraft.

    \b
    busbench simulate --slots on --lost 10:0.5
    busbench simulate --rig captures/heron.toml --fault failsafe-late
    busbench simulate --tcp 7000 --inverted on
    """
    from busbench.sim.address import read_settings

    if tcp is not None and (wants_pty or link):
        raise PortError("--tcp", "cannot be combined with --pty or --link", hint="give one of them")
    given = {name: text for name, text in texts.items() if text is not None}
    if rig is not None:
        fly(_aircraft(rig, faults, given, is_fast=fast), _outlet(tcp, link))
        return
    if faults:
        raise PortError("--fault", "works with --rig only", hint="name the rig file of the aircraft")
    settings = read_settings(given)
    simulate(settings, _outlet(tcp, link), is_fast=fast)


def simulate(settings: ReceiverSettings, outlet: Outlet, *, is_fast: bool) -> int:
    """Print its port and run it, in real time or as fast as it is read."""
    from busbench.sim.playback import play

    _announce(outlet, "virtual receiver; it starts when a program listens; Ctrl-C ends it")
    try:
        with stop_signals() as stop:
            return play(settings, outlet, is_fast=is_fast, is_wanted=lambda: not stop.is_set())
    finally:
        outlet.close()


def _aircraft(rig: str, faults: tuple[str, ...], given: dict[str, str], *, is_fast: bool) -> AircraftPort:
    from busbench.bench.sources import VIRTUAL, open_aircraft
    from busbench.sim.aircraft_faults import parse_fault

    seed = given.pop("seed", "1")
    if given:
        raise PortError(f"--{next(iter(given))}", "cannot be combined with --rig", hint="the rig file says how it is")
    wrong = [parse_fault(text) for text in faults]
    return open_aircraft(f"{VIRTUAL}{rig}?seed={seed}", faults=wrong, is_fast=is_fast, flies_alone=True)


def fly(port: AircraftPort, outlet: Outlet) -> None:
    """Print the port of the aircraft; its pilot performs the test sequence for the first listener."""
    words = "virtual aircraft; its pilot starts when a program listens and ends after the test sequence; Ctrl-C ends it"
    _announce(outlet, words)
    try:
        with stop_signals() as stop:
            while not stop.wait(_LOOK_S) and not outlet.is_heard():
                pass
            port.restart()

            def is_wanted() -> bool:
                return not stop.is_set()

            while not stop.is_set() and not port.has_ended:
                outlet.is_heard()  # accepts a later listener
                for chunk in port.read(_LOOK_S):
                    outlet.write(chunk.data, waits_while=is_wanted if port.is_fast else None)
                for event in port.events():
                    say(f"busbench: {event.text}")
    finally:
        outlet.close()


def _announce(outlet: Outlet, words: str) -> None:
    click.echo(outlet.name)
    sys.stdout.flush()
    say(words)
    if outlet.warning:
        say(f"busbench: {outlet.name}: {outlet.warning}")


def _outlet(tcp: str | None, link: str | None) -> Outlet:
    from busbench.sim.playback import PtyOutlet, TcpOutlet

    if tcp is None:
        return PtyOutlet(link=link)
    host, colon, number = tcp.rpartition(":")
    if not number.isdecimal() or int(number[:9]) > 65535:
        raise PortError("--tcp", f'"{tcp}" is not a TCP port', hint="give 1 to 65535, or 0 for any")
    return TcpOutlet(host=host.strip("[]") if colon else "127.0.0.1", port=int(number))
