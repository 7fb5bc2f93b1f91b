"""Shared by all screens: the session, display settings, and the last message."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from busbench.bench.plan_limits import NO_SOURCES, LimitSources
from busbench.tui.draw import ASCII, UNICODE, Glyphs
from busbench.tui.outage_list import OutageFilter
from busbench.tui.palette import Palette
from busbench.tui.session import Session
from busbench.tui.settings import SettingsStore, Unit
from busbench.tui.text import UNITS
from busbench.tui.window import zoomed

if TYPE_CHECKING:
    from busbench.rig.model import Rig
    from busbench.sim.aircraft_faults import AircraftFault
    from busbench.tui.opening import Opened


class Mover(Protocol):
    """Something that moves devices, or is about to; while there is one, it gets every key."""

    def stop(self, key: str = "") -> None:
        """A key or mouse button was pressed: cancel, or go to the end state."""

    def tick(self, dt_s: float) -> None:
        """Advance by a time."""


class ShowAt(Protocol):
    """Shows the channels at a place."""

    def __call__(self, place: int, *, channel: int | None) -> None:
        """A position on the session's axis, and a channel from 1 or None."""


def _nowhere(place: int, *, channel: int | None) -> None:
    del place, channel


def _nothing() -> None:
    pass


@dataclass
class AppState:
    """Shared by the app, its screens and their widgets."""

    palette: Palette
    glyphs: Glyphs = field(default=UNICODE)
    rings: bool = False  # True rings the bell on outages
    session: Session | None = None  # None until a source is chosen
    chosen: int | None = None  # index of the chosen outage, or None
    said: str = ""  # the last message of the program; takes precedence over the session's
    rig: Rig | None = None  # the plan, or None
    rig_path: str = ""
    is_armed: bool = False  # True if movement on a real port is armed
    sources: LimitSources = NO_SOURCES  # sources of the limits, besides the screen
    # further receivers, whose outages are shown below those of the session
    beside: list[Session] = field(default_factory=list)
    mover: Mover | None = None  # what moves or is about to move, or None
    faults: tuple[AircraftFault, ...] = ()  # faults of a virtual aircraft
    channel: int = 0  # index of the chosen channel, 0-17
    listed: OutageFilter = field(default_factory=OutageFilter)  # filter of the listed outages
    zooms: dict[str, int | None] = field(default_factory=dict)  # by the view that has one of its own, "" for the others
    zoom_of: str = ""  # whose zoom counts now
    settings: SettingsStore = field(default_factory=SettingsStore)  # settings kept between starts
    show_at: ShowAt = field(default=_nowhere)  # shows the channels, and one of them large, at a place of the session
    draw: Callable[[], None] = field(default=_nothing)  # draws a change at once

    def take(self, opened: Opened) -> None:
        """Take over the plan and limits of an opened source."""
        self.rig, self.rig_path, self.sources, self.faults = opened.rig, opened.rig_path, opened.sources, opened.faults

    @property
    def faults_words(self) -> str:
        """A note if the virtual aircraft has faults."""
        count = len(self.faults)
        return f" It has {count} fault{'s' * (count > 1)} to find." if count else ""

    @property
    def unit(self) -> Unit:
        """The unit of values: as set, else % with a plan, and counts without."""
        return self.settings.now.unit or ("counts" if self.rig is None else "percent")

    def next_unit(self) -> None:
        """Switch to the next unit."""
        self.settings.keep(unit=UNITS[(UNITS.index(self.unit) + 1) % len(UNITS)])

    @property
    def is_common_scale(self) -> bool:
        """True to draw all traces from 0 to 2047, False for each in its own range."""
        return bool(self.settings.now.one_scale)

    @property
    def zoom(self) -> int | None:
        """Level of the timeline's length, see window.py; None for the whole session."""
        return self.zooms.get(self.zoom_of)

    @zoom.setter
    def zoom(self, level: int | None) -> None:
        self.zooms[self.zoom_of] = level

    def zoom_by(self, steps: int) -> None:
        """Zoom the timeline in, or out if negative."""
        if self.session is not None:
            self.zoom = zoomed(self.session, self.zoom, steps)

    @property
    def is_ascii(self) -> bool:
        """True if pictures are made of plain characters."""
        return self.glyphs is ASCII

    @property
    def needs(self) -> Session:
        """The session (raises LookupError without one)."""
        if self.session is None:
            raise LookupError("no session")
        return self.session
