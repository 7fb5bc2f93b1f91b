"""What all screens share: the session, how it is shown, and what was last said."""

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
    """What moves things, or is about to: while there is one, every key goes to it alone."""

    def stop(self, key: str = "") -> None:
        """A key was pressed, or the mouse, which is none: cancel, or go to the end state."""

    def tick(self, dt_s: float) -> None:
        """Go on by a time."""


class ShowAt(Protocol):
    """Shows the channels at a place."""

    def __call__(self, place: int, *, channel: int | None) -> None:
        """A place on the axis of the session, and a channel from 1 or None."""


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
    session: Session | None = None  # None until a source was chosen
    chosen: int | None = None  # index of the outage looked at, None for none
    said: str = ""  # the last word of the program itself; goes before the session's
    rig: Rig | None = None  # the plan, None if none was named
    rig_path: str = ""
    is_armed: bool = False  # True if the person asked that a real port may move things
    sources: LimitSources = NO_SOURCES  # who has a word on the limits of what is driven, beside the screen
    # further receivers, whose outages are shown below those of the session
    beside: list[Session] = field(default_factory=list)
    mover: Mover | None = None  # what moves things or is about to, None if nothing does
    faults: tuple[AircraftFault, ...] = ()  # what is wrong with a virtual aircraft
    channel: int = 0  # index of the channel looked at, 0-17
    listed: OutageFilter = field(default_factory=OutageFilter)  # which outages are listed and stepped through
    zoom: int | None = None  # level of the timeline's length, see window.py; None for the whole session
    settings: SettingsStore = field(default_factory=SettingsStore)  # what is kept from one start to the next
    show_at: ShowAt = field(default=_nowhere)  # shows the channels, and one of them large, at a place of the session
    draw: Callable[[], None] = field(default=_nothing)  # shows at once what a click changed

    def take(self, opened: Opened) -> None:
        """The plan of what was opened, and what goes with it."""
        self.rig, self.rig_path, self.sources, self.faults = opened.rig, opened.rig_path, opened.sources, opened.faults

    @property
    def faults_words(self) -> str:
        """Says so where there is something to find."""
        count = len(self.faults)
        return f" It has {count} fault{'s' * (count > 1)} to find." if count else ""

    @property
    def unit(self) -> Unit:
        """Of values: the one that was set, else % where a plan names the devices, and counts where none does."""
        return self.settings.now.unit or ("counts" if self.rig is None else "percent")

    def next_unit(self) -> None:
        """Show values in the next unit."""
        self.settings.keep(unit=UNITS[(UNITS.index(self.unit) + 1) % len(UNITS)])

    @property
    def is_common_scale(self) -> bool:
        """True draws all traces from 0 to 2047, False each within its own range."""
        return bool(self.settings.now.one_scale)

    def zoom_by(self, steps: int) -> None:
        """Have the timeline look closer, or farther where negative."""
        if self.session is not None:
            self.zoom = zoomed(self.session, self.zoom, steps)

    @property
    def is_ascii(self) -> bool:
        """True if pictures are made of plain characters."""
        return self.glyphs is ASCII

    @property
    def needs(self) -> Session:
        """The session (raises LookupError: none was chosen)."""
        if self.session is None:
            raise LookupError("no session")
        return self.session
