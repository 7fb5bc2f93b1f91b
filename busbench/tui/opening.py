"""Open a session for what the user named."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from busbench.bench.plan_limits import NO_SOURCES, LimitSources
from busbench.capture.base import ReadOptions
from busbench.errors import CaptureError
from busbench.tui.session import Session
from busbench.wire.scale import Scale

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busbench.rig.model import Rig
    from busbench.sim.aircraft_faults import AircraftFault


PLAN = "plan:"  # prefix of a rig file, if the user chose a plan instead of a source


@dataclass(frozen=True, slots=True)
class Opened:
    """An opened source with its plan and limits."""

    session: Session  # of the source
    rig: Rig | None = None  # the plan, or None
    rig_path: str = ""  # its file
    sources: LimitSources = NO_SOURCES  # sources of the limits, besides the screen
    faults: tuple[AircraftFault, ...] = ()  # faults of a virtual aircraft


class Opener(Protocol):
    """Opens a session for what the user named."""

    def __call__(self, source: str, rig_path: str) -> Opened:
        """Open a source with a plan; "" for the source's own plan."""


def rig_names(rig: Rig | None) -> dict[int, str]:
    """Names of the devices on each channel."""
    names: dict[int, str] = {}
    for device in rig.devices if rig is not None else ():
        if device.channel is not None and device.kind != "sensor":
            before = names.get(device.channel)
            names[device.channel] = f"{before} + {device.name}" if before else device.name
    return names


def open_session(
    source: str, *, options: ReadOptions, rig: Rig | None = None, faults: Sequence[AircraftFault] = ()
) -> Session:
    """Open a port, an address, a virtual receiver or aircraft, or a recording.

    Args:
        options: line settings, and choices for recordings that leave one open.

    Raises:
        PortError: the port cannot be opened.
        CaptureError: the recording cannot be read.
    """
    from busbench.bench.sources import is_live, open_source, rig_in

    names = rig_names(rig)
    scale = Scale() if rig is None else rig.scale
    if is_live(source):
        from busbench.tui.live import LiveSession

        # With a plain virtual receiver, faults only apply to the aircraft of the walk.
        built_in = faults if rig_in(source) is not None else ()
        port = open_source(source, faults=built_in, line=options.line)
        return LiveSession(port, names=names, scale=scale)
    if source != "-" and not Path(source).exists() and "." not in Path(source).name:
        hint = "name a port as `busbench ports` lists it, a recording, or virtual:"
        raise CaptureError(source, "is neither a port nor a file", hint=hint)
    from busbench.capture.open import open_capture
    from busbench.tui.replay import ReplaySession

    return ReplaySession(open_capture(source, options=options), options=options, names=names, scale=scale)


def each_line(source: str, options: ReadOptions) -> list[ReadOptions]:
    """The options for each receiver of a source: one per serial interface of a recording."""
    from busbench.bench.sources import is_live
    from busbench.capture.open import line_interfaces

    numbers = [] if is_live(source) or options.interface is not None else line_interfaces(source)
    return [replace(options, interface=str(number)) for number in numbers] if len(numbers) > 1 else [options]
