"""The walk: what will move, what moves, what is asked, and the answers so far."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.bench.rehearsal import found_by_walk, rehearsal_lines
from busbench.bench.safety import CAUTIONS
from busbench.bench.surface_session import WalkState
from busbench.drive.surface_check import Entry, SurfacePhase, Walk, tally
from busbench.errors import sanitize
from busbench.tui.app_state import AppState
from busbench.tui.draw import ruler
from busbench.tui.empty import empty_lines
from busbench.tui.text import Line, beside, fit, width_of, wrapped
from busbench.tui.walking import Walking
from busbench.tui.widgets.channels import channels_below
from busbench.tui.widgets.frame import TOO_SMALL
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.walk_plan import WalkPlanLines
from busbench.verify.stations import direction_words

_MIDDLE, _THROW = 992, 819.2  # the usual scale
_GAUGE_MOST = 64
_WIDE, _LIST_CELLS = 140, 84  # cells from which the devices are beside the list, and how many that takes
_HEARD_ROWS = 6  # lines of what comes back beside the list, at least
_ANSWER_CELLS = 46  # of a row, besides the name
_TOLD = {True: "yes", False: "NO", None: "-"}


class WalkLines(LineWidget):
    """All of it."""

    def __init__(self, ui: AppState, walking: Walking) -> None:
        super().__init__(ui)
        self.walking = walking
        self.top = 0  # first line of the list below
        self._by_plan = WalkPlanLines(ui, walking)
        self.is_whole = False  # all that is to be read before it begins is on the screen

    def lines(self, width: int, height: int) -> list[Line]:
        """As far as it has come."""
        walking = self.walking
        if walking.trouble:
            return empty_lines("Walk", walking.trouble, width)
        walk = walking.walk
        if walk is None:
            head, rows, here = list(self._before(width)), list(self._plan(width)), 0
            self.is_whole = len(head) <= height
            if not self.is_whole:
                return [*head[: height - 1], [(fit(TOO_SMALL, width), "bad")]]
        else:
            head = list(self._now(walk, width))
            cells = _LIST_CELLS - 1 if width >= _WIDE else width
            rows, here = _table(walk, cells)
            if walk.is_over or walk.phase is SurfacePhase.REVIEW:
                assert walking.plan is not None
                rows += [
                    line
                    for name, why in walking.plan.head.not_walked
                    for line in wrapped(f"not walked: {name}: {why}", cells)
                ]
        if width >= _WIDE and walk is not None:
            room = height - len(head)
            if walking.session is None or walking.session.rehearsal is None:
                room = min(room, max(len(rows), _HEARD_ROWS))  # the motion below shows more than all channels would
            pictures = self._picture(walk, width - _LIST_CELLS, room)
            if pictures:
                out = [*head, *beside(rows, pictures, _LIST_CELLS)][:height]
                return out + self._by_plan.lines(walk, width, height - len(out))
        room = max(1, height - len(head))
        self.top = max(0, min(self.top, len(rows) - room))
        first = min(max(self.top, here - room + 2), max(0, len(rows) - room))
        out = [*head, *rows[first : first + room]]
        out += self._picture(walk, width, height - len(out))
        return out if walk is None else out + self._by_plan.lines(walk, width, height - len(out))

    def _picture(self, walk: Walk | None, width: int, height: int) -> list[Line]:
        """How all devices of a rehearsal are, or what comes back on a port; nothing where there is no room."""
        session = self.walking.session
        rehearsal = None if session is None else session.rehearsal
        if walk is None:
            return channels_below(self.ui, width, height, channels=())
        if walk.is_over or walk.phase is SurfacePhase.REVIEW:
            return []
        if rehearsal is None:
            return channels_below(self.ui, width, height, channels=[walk.stop.channel])
        members = [sanitize(one) for one in walk.stop.members]
        states = [(sanitize(state.name), round(state.position_pct)) for state in rehearsal.states()]
        if height < len(states) + 2:
            states = [(one, position) for one, position in states if one in members]
        if height < len(states) + 2:
            return []
        longest = max(len("devices now"), *(width_of([(one, "")]) for one, _ in states))
        name = min(longest, width // 3)
        out: list[Line] = [[], [(fit(f"   {fit('devices now', name)}  -100 to +100 %", width), "head")]]
        for one, position in states:
            is_here = one in members
            here = round(_MIDDLE + position / 100 * _THROW)
            ends = min(here, _MIDDLE), max(here, _MIDDLE)
            gauge = ruler(here, *ends, max(10, min(_GAUGE_MOST, width - name - 14)), self.ui.glyphs)
            label = f" {'>' if is_here else ' '} {fit(one, name, more=self.ui.glyphs.more)} {position:+5d} %  "
            out.append([(label, "pen" if is_here else "ink"), *gauge])
        return out

    def scroll(self, lines: int) -> None:
        """Move the list below."""
        self.top = max(0, self.top + lines)

    def _before(self, width: int) -> Iterator[Line]:
        walking = self.walking
        assert walking.plan is not None
        title = f" {sanitize(walking.plan.head.rig)}: a walk round the aircraft, {len(walking.plan.stops)} to walk"
        yield [(title, "title")]
        if walking.is_rehearsal:
            words = "Rehearsal on a virtual aircraft: nothing is sent, nothing real moves."
            yield from wrapped(f"{words}{self.ui.faults_words}", width, "good")
        else:
            for line in (*CAUTIONS, *walking.plan.sources.cautions):
                yield from wrapped(line.strip(), width, "warn", indent=3 if line.startswith(" ") else 1)
        kept = "answers are not kept; f names a file for them"
        if walking.path is not None:
            words = "there are answers already, and it goes on with them" if walking.is_resumed else "f names another"
            kept = f"answers go to {walking.path}; {words}"
        yield from wrapped(kept, width, "dim")
        if refusal := walking.said or walking.refusal:
            yield from wrapped(refusal, width, "bad")
        else:
            yield [(" Enter begins: nothing moves yet.", "here")]

    def _plan(self, width: int) -> Iterator[Line]:
        walking = self.walking
        assert walking.plan is not None
        for line in walking.plan.motion_lines():
            indent = 3 if line.startswith(" ") else 1
            yield from wrapped(line.strip(), width, "ink" if indent > 1 else "head", indent=indent)
        assert self.ui.rig is not None
        yield from wrapped(direction_words(self.ui.rig), width, "dim")

    def _now(self, walk: Walk, width: int) -> Iterator[Line]:
        walking = self.walking
        assert walking.plan is not None
        what = "rehearsal" if walking.is_rehearsal else f"ARMED on {sanitize(walking.plan.head.port)}"
        yield [(f" {sanitize(walking.plan.head.rig)}: ", "title"), (what, "good" if walking.is_rehearsal else "warn")]
        match walking.state:
            case WalkState.COUNTING | WalkState.HANDING_OVER:
                seconds = max(0, int(walking.left_s + 0.999))
                yield [(f" {sanitize(walk.stop.name)} moves in {seconds} s; any key cancels", "bad")]
            case WalkState.MOVING | WalkState.QUIET:
                yield from wrapped(walk.prompt, width, "bad")
                yield [(f"   {walking.progress}", "ink")]
            case WalkState.WORD | WalkState.OVER:
                yield from wrapped(walk.prompt or f"over: {tally(walk.entries)}", width, "here")
        if walking.said:
            yield from wrapped(walking.said, width, "warn")
        if not (walk.is_over or walk.phase is SurfacePhase.REVIEW):
            yield from wrapped(f"plan: {self._by_plan.words(walk.stop)}", width, "ink", indent=3)
        yield from self._seen(walk, width)
        if walk.is_over:
            again = "continues with what is open" if walking.path is not None else "restarts"
            yield [(f" Enter {again}.", "ink")]
            if walking.is_rehearsal:
                for words in rehearsal_lines(self.ui.faults, found_by_walk(self.ui.faults, walk.entries)):
                    yield from wrapped(words, width)
        yield [("", "ink")]

    def _seen(self, walk: Walk, width: int) -> Iterator[Line]:
        session = self.walking.session
        rehearsal = None if session is None else session.rehearsal
        if rehearsal is None or walk.is_over or walk.phase is SurfacePhase.REVIEW:
            return
        states = [state for state in rehearsal.states() if state.name in walk.stop.members]
        stand = ", ".join(f"{sanitize(state.name)} {round(state.position_pct):+d} %" for state in states)
        yield [(fit(f"   now: {stand}", width), "pen")]
        moves = walk.entry.moves
        if moves and self.walking.state is WalkState.WORD:
            for words in moves[-1].seen:
                yield from wrapped(f"seen: {self._by_plan.spelled(words)}", width, "pen", indent=3)


def _table(walk: Walk, width: int) -> tuple[list[Line], int]:
    """All halts with their answers, and the line of the current halt."""
    longest = max(width_of([(sanitize(entry.stop.name), "")]) for entry in walk.entries)
    name = max(len("device"), min(longest, width - _ANSWER_CELLS))
    head = f"    ch {fit('device', name)} {'surface':<8}{'way':<5}{'throw':<6}{'smooth':<7}state"
    rows: list[Line] = [[(fit(head, width), "head")]]
    here = 0
    for at, entry in enumerate(walk.entries):
        is_here = at == walk.at and not walk.is_over
        if is_here:
            here = len(rows)
        rows.append(_row(entry, name, is_here=is_here))
        if entry.note:
            rows += wrapped(f"note: {entry.note}", width, "dim", indent=7)
    return rows, here


def _row(entry: Entry, cells: int, *, is_here: bool) -> Line:
    name = fit(sanitize(entry.stop.name), cells)
    line: Line = [(f" {'>' if is_here else ' '} {entry.stop.channel + 1:3d} {name} ", "chosen" if is_here else "ink")]
    for answer, wide in zip(entry.answers, (8, 5, 6, 7), strict=True):
        style = "bad" if answer is False else "good" if answer else "dim"
        word = _TOLD[answer]
        line += [(word, style), (" " * (wide - len(word)), "ink")]
    return [*line, (entry.state, "warn" if entry.state == "skipped" else "dim")]
