"""A guided check: instructions, observations and verdicts; or the verdicts of a recording."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.rehearsal import found_by_check, rehearsal_lines
from busbench.bench.sign_off import SignOff
from busbench.errors import SAFETY, sanitize
from busbench.sim.aircraft_port import REHEARSAL
from busbench.tui.app_state import AppState
from busbench.tui.channels import ChannelState
from busbench.tui.empty import NEEDS_PLAN, empty_lines
from busbench.tui.plotting import Plotter
from busbench.tui.session import Session
from busbench.tui.text import UNIT_WORDS, Line, fit, place_words, value_words, width_of, wrapped
from busbench.tui.verdicts import VerdictTable
from busbench.tui.verifying import RecordedCheck, command_words
from busbench.tui.widgets.channel_plot import moment_lines
from busbench.tui.widgets.channels import channels_below
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.verdicts import STYLES, WORDS, detail_lines, filter_words, listed_lines, table_lines
from busbench.verify.moments import channel_of, moment_of
from busbench.verify.result import CAUTION, VIRTUAL, Check, Verdict
from busbench.verify.verify import Verification, faults_words

_ORDER = (Verdict.FAIL, Verdict.NOT_TESTED, Verdict.PASS)
_PICTURE_LEAST, _PICTURE_MOST = 10, 24  # lines of the picture of a moment
_LISTED_LEAST = 5  # lines of the checks in words
_TABLE_LEAST = 6  # rows of the table that come before words which are no caution


class VerifyLines(LineWidget):
    """All of it."""

    def __init__(self, ui: AppState) -> None:
        super().__init__(ui)
        self.work: CheckSession | RecordedCheck | None = None
        self.table: VerdictTable | None = None  # of the result shown
        self._plotter: tuple[Session, Plotter] | None = None

    def lines(self, width: int, height: int) -> list[Line]:
        """The lines of the current state."""
        work = self.work
        if work is None:
            return empty_lines("Verify", NEEDS_PLAN, width)
        if work.done is not None:
            return self._verdicts(work, work.done, width, height)
        if isinstance(work, RecordedCheck):
            return list(wrapped(work.error or "reading the recording, then checking it ...", width, "warn"))
        head = [*self._head(work, width), [("", "ink")]]
        if work.state is not CheckState.START:
            head += [*self._seen(work, width), [("", "ink")]]
        rows, here = _steps(work, width)
        room = max(1, height - len(head))
        first = max(0, min(here - room // 3, len(rows) - room))
        asked = () if work.state is CheckState.START else [number - 1 for number in work.step.channels]
        shown = rows[first : first + room]
        if first + room < len(rows):
            left = len(rows) - first - room + 1
            shown[-1] = [(fit(f"   {self.ui.glyphs.more} {left} more lines: in a taller window", width), "dim")]
        return [*head, *shown, *channels_below(self.ui, width, room - len(rows), channels=asked)]

    def wheel(self, rows: int) -> None:
        """See LineWidget."""
        if self.table is not None:
            self.table.move(1 if rows > 0 else -1, 0)
            self.redraw()

    def _head(self, work: CheckSession, width: int) -> Iterator[Line]:
        name = sanitize(work.rig.plan.name)
        if work.state is CheckState.START:
            yield [(f" {name}: a guided check in {len(work.steps)} steps", "title")]
            if work.pilot is None:
                yield from wrapped(SAFETY, width, "warn")
            else:
                yield from wrapped(f"{REHEARSAL}{self.ui.faults_words}", width, "good")
            if amiss := faults_words(work.findings, rig_path=self.ui.rig_path or "RIG.toml"):
                yield from wrapped(f"{amiss}; a test sequence on it cannot pass", width, "bad")
            yield [(" Nothing is sent. Enter begins.", "here")]
            return
        yield [(f" {name}: step {work.at + 1} of {len(work.steps)}: {sanitize(work.step.mark)}", "title")]
        for repeat in work.repeats:
            yield from wrapped(f"- {repeat.message}", width, "bad")
        yield from wrapped(work.step.instruction, width, "here")
        match work.state:
            case CheckState.READY:
                words = "Enter when you begin." if work.pilot is None else "Enter: the virtual pilot does it."
                yield [(f" {words}", "warn")]
            case CheckState.LISTENING:
                words = "Go on; listening" if work.pilot is None else "The virtual pilot does it"
                yield [(f" {words} for {work.left_s:.1f} s more.", "warn")]
            case _:
                yield [(" Enter when it is back at rest.", "warn")]

    def _seen(self, work: CheckSession, width: int) -> Iterator[Line]:
        session, scale, unit = self.ui.session, work.rig.scale, self.ui.unit
        assert session is not None
        yield [(fit(" seen now", width), "head")]
        row = len(session.store) - 1
        if row < 0 or session.flags is None:
            yield [("   no frame is coming", "gap")]
            return
        data = session.channel_rows(2)
        for channel in work.step.channels[:6]:
            at = channel - 1
            value = value_words(int(data.values[at]), at, unit, scale)
            text = f"   {channel:2d} {fit(sanitize(session.names.get(channel, '')), 18)}"
            if channel > 16:
                yield [(f"{text} {value}", "pen")]
                continue
            text += f"{value:>7} {UNIT_WORDS[unit]}"
            since = session.store.row_at(work.begun_ns) + 1  # of the step
            if work.state is not CheckState.READY and since <= row:
                low, high = session.store.span(since, row + 1)
                ends = (value_words(int(one[at]), at, unit, scale) for one in (low, high))
                text += f"   {' to '.join(ends)} in this step"
            yield [(fit(text, min(width, width_of([(text, "")])), more=self.ui.glyphs.more), "pen")]
        moving = [at + 1 for at, state in enumerate(data.states) if state is ChannelState.MOVING]
        others = [number for number in moving if number not in work.step.channels]
        said = ", ".join(_named(session.names, number) for number in (others if work.step.channels else moving))
        what = "also moving" if work.step.channels else "moving"
        yield from wrapped(f"{what}: {said or 'nothing'}", width, "warn" if said else "dim", indent=3)
        yield [(fit(f"   flags: {session.flag_words}", width), "lost" if "L" in session.flag_words else "dim")]

    def _verdicts(self, work: CheckSession | RecordedCheck, done: SignOff, width: int, height: int) -> list[Line]:
        found = done.found
        if self.table is None or self.table.checks is not found.checks:
            self.table = VerdictTable.first_look(found.checks)
        table = self.table
        counts = ", ".join(
            f"{found.count(verdict)} {word}"
            for verdict, word in zip(_ORDER, ("failed", "not tested", "passed"), strict=True)
        )
        name = sanitize(found.evidence.rig.plan.name)
        message = faults_words(found.findings, rig_path=self.ui.rig_path or "RIG.toml")
        head: list[Line] = [
            [(f" {name}: ", "title"), (WORDS[found.verdict], STYLES[found.verdict]), (f"  {counts}", "ink")],
            *(wrapped(VIRTUAL, width, "warn") if done.is_virtual else ()),
            *(wrapped(message, width, "bad") if message else ()),
            *(wrapped(found.unplanned_words, width, "warn") if found.unplanned else ()),
            [(fit(f" {filter_words(table)}", width), "dim")],
        ]
        foot = list(wrapped(CAUTION, width, "dim"))
        more = [line for text in self._ends(work, done) for line in wrapped(text, width, "ink")]
        place = self.place_of(table.chosen, found)
        words = "" if place is None else place_words(self.ui.needs, place)
        detail = detail_lines(table.chosen, words, width)
        room = height - len(head) - len(detail) - len(foot) - 1
        if room - len(more) >= min(len(table.rows), _TABLE_LEAST) + 1:
            foot = [*more, *foot]
            room -= len(more)
        rows = table_lines(table, width, max(2, room), spot=self.spot, at=len(head), act=self.redraw)
        out = [*head, *rows, [("", "ink")], *detail, *foot]
        room = height - len(out)
        wanted = len(listed_lines(table, width, room, spot=lambda *_: None, at=0, act=self.redraw)) + 1
        out += self._moment(table.chosen, found, place, width, min(room, max(_PICTURE_LEAST, room - wanted)))
        if height - len(out) >= _LISTED_LEAST:
            out.append([("", "ink")])
            out += listed_lines(table, width, height - len(out), spot=self.spot, at=len(out), act=self.redraw)
        return out

    def _moment(
        self, check: Check | None, found: Verification, place: int | None, width: int, height: int
    ) -> list[Line]:
        """In a tall window: the plot of a check's channel around its moment."""
        channel = None if check is None else channel_of(check, found)
        if place is None or channel is None or height < _PICTURE_LEAST:
            return []
        session = self.ui.needs
        if self._plotter is None or self._plotter[0] is not session:
            self._plotter = session, Plotter(session)
        lines = moment_lines(
            self.ui, self._plotter[1], width, min(height - 1, _PICTURE_MOST), channel=channel - 1, place=place
        )
        return [[("", "ink")], *lines]

    def _ends(self, work: CheckSession | RecordedCheck, done: SignOff) -> Iterator[str]:
        """The result of a rehearsal, and what can be done next."""
        faults = self.ui.faults if isinstance(work, CheckSession) else ()
        yield from rehearsal_lines(faults, found_by_check(faults, done.found.checks, done.found.evidence.rig))
        command = command_words(work, self.ui.needs, rig_path=self.ui.rig_path)
        yield f"w writes the page; so does: {command}" if command else "w writes the page."
        if isinstance(work, CheckSession):
            yield "b begins another check."

    def place_of(self, check: Check | None, found: Verification) -> int | None:
        """The position at which a check can be seen, or None."""
        row = None if check is None else moment_of(check, found)
        if row is None:
            return None
        frames = found.evidence.recording.frames
        return int(frames.t_ns[row]) if self.ui.needs.clock.is_known else row


def _named(names: dict[int, str], channel: int) -> str:
    return f"{channel} {sanitize(names.get(channel, ''))}".rstrip()


def _steps(work: CheckSession, width: int) -> tuple[list[Line], int]:
    """The steps with their results, and the line of the current step."""
    rows: list[Line] = [[(fit(" steps", width), "head")]]
    here = 0
    is_going = work.state is not CheckState.START
    for at, step in enumerate(work.steps):
        words, style = "", "dim"
        if at in work.results:
            checks = work.results[at]
            words = "skipped, not tested" if checks is None else _words_of(checks)
            if checks is None and step.is_optional:
                words = "skipped, optional"
            style = "warn" if checks is None or "not" in words else "bad" if "FAIL" in words else "good"
        is_here = is_going and at == work.at
        if is_here:
            here = len(rows)
        mark = ">" if is_here else " "
        rows.append(
            [(f" {mark} {at + 1:2d} {fit(sanitize(step.mark), 22)} ", "chosen" if is_here else "ink"), (words, style)]
        )
        for check in work.results.get(at) or ():
            if check.verdict is Verdict.FAIL:
                rows += wrapped(f"{check.subject}: {check.name}: {check.message}", width, "ink", indent=6)
    return rows, here


def _words_of(checks: Sequence[Check]) -> str:
    """Verdict of a step in words: "pass (12)", "FAIL (1 of 12)", "done" if it is judged at the end."""
    verdicts = [check.verdict for check in checks]
    if not verdicts:
        return "done, judged at the end"
    for verdict, word in ((Verdict.FAIL, "FAIL"), (Verdict.NOT_TESTED, "not tested")):
        if number := verdicts.count(verdict):
            return f"{word} ({number} of {len(verdicts)})"
    return f"pass ({len(verdicts)})"
