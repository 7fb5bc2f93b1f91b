"""What all screens share: the session, how it is shown, and what was last said."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from busbench.bench.plan_limits import NO_SOURCES, LimitSources
from busbench.tui.draw import ASCII, UNICODE, Glyphs
from busbench.tui.palette import Palette
from busbench.tui.session import Session
from busbench.tui.text import UNITS

if TYPE_CHECKING:
    from busbench.rig.model import Rig
    from busbench.sim.aircraft_faults import AircraftFault


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


@dataclass
class AppState:
    """Shared by the app, its screens and their widgets.

    Args:
        rings: True rings the bell on losses.
        session: None until a source was chosen.
        is_common_scale: True draws all traces from 0 to 2047, False each within its own range.
        chosen: index of the outage looked at, None for none.
        said: the last word of the program itself; goes before the session's.
        rig: the plan, None where none was named.
        is_armed: True where the person asked that a real port may move things.
        sources: who has a word on the limits of what is driven, beside the screen.
        mover: what moves things or is about to, None where nothing does.
        faults: what is wrong with a virtual aircraft.
        channel: index of the channel looked at, 0-17.
        show_at: shows the channels, and one of them large, at a place of the session.
    """

    palette: Palette
    glyphs: Glyphs = field(default=UNICODE)
    rings: bool = False
    session: Session | None = None
    unit: str = UNITS[0]
    is_common_scale: bool = False
    chosen: int | None = None
    said: str = ""
    rig: Rig | None = None
    rig_path: str = ""
    is_armed: bool = False
    sources: LimitSources = NO_SOURCES
    mover: Mover | None = None
    faults: tuple[AircraftFault, ...] = ()
    channel: int = 0
    show_at: ShowAt = field(default=_nowhere)

    @property
    def faults_words(self) -> str:
        """Says so where there is something to find."""
        count = len(self.faults)
        return f" It has {count} fault{'s' * (count > 1)} to find." if count else ""

    def next_unit(self) -> None:
        """Show values in the next unit."""
        self.unit = UNITS[(UNITS.index(self.unit) + 1) % len(UNITS)]

    @property
    def is_ascii(self) -> bool:
        """True where pictures are made of plain characters."""
        return self.glyphs is ASCII

    @property
    def needs(self) -> Session:
        """The session.

        Raises:
            LookupError: none was chosen.
        """
        if self.session is None:
            raise LookupError("no session")
        return self.session
