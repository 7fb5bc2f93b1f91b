"""Open what the user named: a port, an address, a virtual receiver or aircraft. Only this module knows `virtual:`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl

from busbench.capture.address import is_live_address
from busbench.errors import PortError, PortMissing
from busbench.line import BUS_LINE, LineSettings

if TYPE_CHECKING:
    from busbench.port.adapters import Adapter as Adapter
    from busbench.port.port import LivePort
    from busbench.rig.model import Rig
    from busbench.sim.aircraft_faults import AircraftFault
    from busbench.sim.aircraft_port import AircraftPort

VIRTUAL = "virtual:"


def is_virtual(source: str) -> bool:
    """True for a virtual receiver or aircraft."""
    return source.startswith(VIRTUAL)


def is_live(source: str, *, ports: Iterable[str] = ()) -> bool:
    """True if a source is a port or address, not a recording; `ports` are known to exist."""
    from pathlib import Path

    if is_virtual(source) or is_live_address(source) or source in ports:
        return True
    if "://" in source:
        return False  # of a recording
    upper = source.upper()
    if upper.startswith("\\\\.\\") or (upper.startswith("COM") and upper[3:].isdecimal()):
        return True
    return source.startswith("/dev/") or Path(source).is_char_device()


def rig_in(source: str) -> str | None:
    """Path of the rig file in `virtual:RIG?seed=3`; None for other sources."""
    if not is_virtual(source):
        return None
    return source.removeprefix(VIRTUAL).rpartition("?")[0 if "?" in source else 2] or None


def aircraft_path(source: str, rig_path: str | None) -> str | None:
    """Path of the rig file of a virtual aircraft, None for other sources; `virtual:` alone uses `rig_path`."""
    return (rig_in(source) or rig_path) if is_virtual(source) else None


def has_pilot(source: str) -> bool:
    """True if a virtual pilot answers: for virtual:RIG, and for plain virtual:."""
    return source == VIRTUAL or rig_in(source) is not None


def plugged_in() -> list[Adapter]:
    """The existing ports, with what is known about their chips."""
    from busbench.port.adapters import list_adapters

    return list_adapters()


@contextmanager
def _or_virtual(source: str) -> Iterator[None]:
    """A hint for a missing port: perhaps the colon was left out."""
    try:
        yield
    except PortMissing as error:
        import difflib

        if difflib.get_close_matches(source.lower().partition("?")[0], (VIRTUAL,), cutoff=0.8):
            hint = f"did you mean {VIRTUAL} (with its colon)?"
            raise PortMissing(source, "port not found", hint=hint) from None
        raise error from None


def require_port(source: str, *, then: str) -> None:
    """Refuse a missing port before any caution is shown; addresses are tried when opened.

    Args:
        then: what to do if it is a file.

    Raises:
        PortError: it is missing, a folder, or a file.
    """
    from busbench.port.open_serial import check_node, is_url, resolve

    device = resolve(source)
    if not is_url(device):
        with _or_virtual(source):
            check_node(device, then=then)


def open_live(source: str, *, line: LineSettings = BUS_LINE, is_sender: bool = False) -> LivePort:
    """Open a port, an address or a virtual receiver.

    Args:
        source: a device name, a pyserial URL, or `virtual:` with settings.
        is_sender: True to refuse a socket to which another process sends; a device has one user anyway.

    Raises:
        PortError: it cannot be opened; says why and what to do.
    """
    if is_virtual(source):
        from busbench.sim.virtual_port import VirtualPort

        return VirtualPort(source, line=line)
    from busbench.port.port import open_client

    with _or_virtual(source):
        return open_client(source, line=line, is_sender=is_sender)


def open_aircraft(
    source: str,
    *,
    rig: Rig | None = None,
    faults: Sequence[AircraftFault] = (),
    line: LineSettings = BUS_LINE,
    is_fast: bool | None = None,
    flies_alone: bool = False,
) -> AircraftPort:
    """Open the virtual aircraft named by a source.

    Args:
        source: `virtual:RIG`, and after a ? `seed=` and `speed=` real or max.
        rig: its plan, if the source names no rig file.
        is_fast, flies_alone: see AircraftPort; None to let the source decide.

    Raises:
        PortError: the source is invalid.
        RigError: its rig file cannot be read, or a fault cannot be built in.
    """
    from busbench.rig.load import read_rig
    from busbench.sim.aircraft import VirtualAircraft
    from busbench.sim.aircraft_port import AircraftPort

    texts = dict(parse_qsl(source.partition("?")[2], keep_blank_values=True))
    seed, speed = texts.pop("seed", "1"), texts.pop("speed", "real")
    if texts or not seed.isdecimal() or speed not in ("real", "max"):
        raise PortError(source, "is not understood", hint="give it as in virtual:heron.toml?seed=3&speed=max")
    path = rig_in(source)
    if path is not None:
        rig = read_rig(path)
    if rig is None:
        raise PortError(source, "names no rig file", hint="give it as in virtual:heron.toml")
    aircraft = VirtualAircraft(rig, faults=faults, seed=int(seed))
    wants_fast = speed == "max" if is_fast is None else is_fast
    return AircraftPort(source, aircraft=aircraft, line=line, is_fast=wants_fast, flies_alone=flies_alone)


def open_source(
    source: str,
    *,
    rig: Rig | None = None,
    faults: Sequence[AircraftFault] = (),
    line: LineSettings = BUS_LINE,
    is_fast: bool | None = None,
    flies_alone: bool = False,
) -> LivePort:
    """Open a port, an address, a virtual receiver, or a virtual aircraft.

    Args:
        rig: the plan by which plain `virtual:` is an aircraft, too.
        is_fast, flies_alone: of an aircraft, see AircraftPort; None to let the source decide.

    Raises:
        PortError: it cannot be opened, or faults were given for another kind of source.
    """
    if rig_in(source) is not None or (rig is not None and has_pilot(source)):
        return open_aircraft(source, rig=rig, faults=faults, line=line, is_fast=is_fast, flies_alone=flies_alone)
    if faults:
        raise PortError("--fault", "works with virtual:RIG only", hint="leave it out, or name a rig file there")
    return open_live(source, line=line)
