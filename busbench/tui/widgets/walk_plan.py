"""What the plan says of a walk: throws beside what was seen, and the motion of the device that is asked for."""

from __future__ import annotations

from busbench.drive.dry_run import dry_run
from busbench.drive.surface_check import Entry, Station, Walk
from busbench.errors import sanitize
from busbench.rig.linkage import throws_of
from busbench.tui.app_state import AppState
from busbench.tui.plotting import HeardProgram
from busbench.tui.text import Line, fit, width_of
from busbench.tui.walking import Walking
from busbench.tui.widgets.program_plot import ProgramLook, program_lines

_WIDE = 100  # cells from which there are more than words
_LEAST_PLOT, _PLOT_MOST = 7, 14
_THROW_CELLS = 44


class WalkPlanLines:
    """Makes the lines; the motion of a station is worked out once.

    Args:
        ui: what is shown, and how.
        walking: the walk.
    """

    def __init__(self, ui: AppState, walking: Walking) -> None:
        self.ui, self.walking = ui, walking
        self._kept: tuple[object, ProgramLook] | None = None
        self._echo = HeardProgram()

    def lines(self, walk: Walk, width: int, height: int) -> list[Line]:
        """As much as there is room for: first the throws, then the motion."""
        throws = self._throws(walk, width)
        if width < _WIDE or height < len(throws) + 1:
            return []
        out: list[Line] = [[], *throws]
        room = height - len(out) - 2
        if not walk.is_over and room >= _LEAST_PLOT:
            out += [[], *self._motion(walk.stop, width, room)]
        return out

    def _throws(self, walk: Walk, width: int) -> list[Line]:
        """Each device with the way it has to go, and what was seen of it."""
        names = [sanitize(name) for entry in walk.entries for name in entry.stop.members]
        name = min(max(width_of([(one, "")]) for one in names), width // 4)
        heard = "seen" if self.walking.is_rehearsal else "answers"
        head = f"    ch {fit('device', name)} {fit('by the plan, from rest to the ends', _THROW_CELLS)} {heard}"
        out: list[Line] = [[(fit(head, width), "head")]]
        for entry in walk.entries:
            is_here = entry is walk.entry and not walk.is_over
            told = self._told(entry)
            for member in entry.stop.members:
                text = fit(self._words(entry.stop, member), _THROW_CELLS, more=self.ui.glyphs.more)
                label = fit(sanitize(member), name, more=self.ui.glyphs.more)
                label = f" {'>' if is_here else ' '} {entry.stop.channel + 1:3d} {label} "
                room = max(1, width - width_of([(label, ""), (text, "")]) - 1)
                shown = fit(told, room, more=self.ui.glyphs.more).rstrip()
                out.append([(label, "chosen" if is_here else "ink"), (text, "ink"), (f" {shown}", "pen")])
                told = ""
        return out

    def words(self, stop: Station) -> str:
        """How far each device of a station has to go."""
        return "; ".join(f"{sanitize(member)} {self._words(stop, member)}" for member in stop.members)

    def _words(self, stop: Station, member: str) -> str:
        assert self.ui.rig is not None
        ends = (stop.high, stop.low) if stop.is_high_first else (stop.low, stop.high)
        throws = throws_of(self.ui.rig.device(member), self.ui.rig.scale, rest=stop.neutral, ends=ends)
        return self.spelled(", then ".join(map(str, throws)))

    def _told(self, entry: Entry) -> str:
        if self.walking.is_rehearsal:
            return self.spelled(sanitize("; ".join(entry.moves[-1].seen))) if entry.moves else "-"
        return entry.state

    def spelled(self, text: str) -> str:
        """A text in signs that can be shown."""
        return text.replace("°", " degrees") if self.ui.is_ascii else text

    def _motion(self, stop: Station, width: int, room: int) -> list[Line]:
        """The motion of a station, how far it was sent, and what a receiver was heard to send meanwhile."""
        walking = self.walking
        assert walking.plan is not None
        if self._kept is None or self._kept[0] is not stop:
            program = walking.plan.program_of(stop).program
            self._kept = stop, ProgramLook(program, dry_run(program), [], [], [])
        look = self._kept[1]
        session = walking.session
        run = None if session is None or not session.is_moving else session.run
        now_s = None if run is None else run.duration_s
        title, heard = f"motion of {sanitize(stop.announced)}", None
        if look.seen is not None and walking.moved is stop and walking.start_ns is not None:
            heard = self._echo.of(
                self.ui.needs, walking.start_ns, duration_s=look.seen.duration_s, sent_s=walking.sent_s
            )
            title += "; o received" if heard.frames else "; received: nothing, this port does not echo"
        plot = program_lines(
            self.ui, look, width, min(room, _PLOT_MOST), channel=stop.channel, now_s=now_s, heard=heard
        )
        return [[(fit(f" {title}", width), "head")], *plot]
