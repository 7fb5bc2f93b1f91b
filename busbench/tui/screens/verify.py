"""The check against the plan: guided on a live source, at once on a recording. Nothing is sent."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.binding import BindingType

from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.sign_off import SignOff, find_answers
from busbench.drive.surface_check import KEYS, Word
from busbench.errors import BusbenchError, pluralize
from busbench.tui.live import LiveSession
from busbench.tui.new_file import free_name, require_new
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.ask import Ask, ask_first
from busbench.tui.screens.base import OPEN, BenchView
from busbench.tui.session import Session
from busbench.tui.verifying import RecordedCheck, write_page
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.verdicts import no_moment
from busbench.tui.widgets.verify import VerifyLines
from busbench.verify.moments import channel_of


class VerifyView(BenchView):
    """The check."""

    HAS_TIMELINE = False

    BINDINGS: ClassVar[list[BindingType]] = [
        (KEYS[Word.GO], "go_on"),
        (KEYS[Word.BACK], "back"),
        (KEYS[Word.SKIP], "skip"),
        (KEYS[Word.END], "finish"),
        ("w", "page"),
        ("f", "filter"),
        ("up", "move(-1, 0)"),
        ("down", "move(1, 0)"),
        ("left", "move(0, -1)"),
        ("right", "move(0, 1)"),
        ("pageup", "move(-10, 0)"),
        ("pagedown", "move(10, 0)"),
    ]

    def body(self) -> LineWidget:
        """See BenchView."""
        self._lines = VerifyLines(self.ui)
        self._of: Session | None = None
        self._written: SignOff | None = None  # what is on a page
        return self._lines

    @property
    def unkept(self) -> list[str]:
        """As BenchView says: the guided check that goes on, or its result; a recording is checked again at any time."""
        work = self._lines.work
        if not isinstance(work, CheckSession):
            return []
        if work.words:
            kept = f"; its recording so far is {work.recording_path}" if work.recording_path else ""
            return [f"the guided check is at step {work.at + 1} of {len(work.steps)}{kept}"]
        is_new = work.done is not None and work.done is not self._written
        return ["the result of the guided check (w writes its page)"] if is_new else []

    def keys(self) -> list[tuple[str, str]]:
        """Keys, starting with those of the test sequence."""
        pairs = super().keys()
        work = self._lines.work
        own = [OPEN] if work is None else []
        if work is not None and work.done is not None:
            own = [("enter", "show it"), ("f", "filter"), ("w", "write page"), ("up down left right", "check")]
            own += [(KEYS[Word.BACK], "another check")] if isinstance(work, CheckSession) else []
        elif isinstance(work, CheckSession):
            aside = [(KEYS[word], word.value) for word in (Word.SKIP, Word.BACK, Word.END) if word in work.words]
            own = [("enter", "go on"), *aside, ("u", "unit")]
        return [pairs[0], *own, *pairs[-3:]]

    def draw(self, *, slow: bool) -> None:
        """See BenchView."""
        self._see_session()
        super().draw(slow=slow)

    def _see_session(self) -> None:
        """Restart if the source has changed."""
        session, rig = self.ui.session, self.ui.rig
        if session is self._of:
            return
        if isinstance(self._lines.work, CheckSession):
            self._lines.work.close()
        self._of, self._lines.work, self._lines.table = session, None, None
        if rig is None:
            return
        if isinstance(session, LiveSession):
            self._lines.work = CheckSession(session.receiver, rig)
        elif isinstance(session, ReplaySession):
            work = self._lines.work = RecordedCheck(session, rig, rig_path=self.ui.rig_path)
            self.run_worker(work.work, thread=True, exit_on_error=True)

    def action_go_on(self) -> None:
        """Continue the check; or name its recording and start; or show the chosen check in the recording."""
        work = self._lines.work
        if work is not None and work.done is not None:
            self._show_check(work.done)
        elif isinstance(work, CheckSession) and not work.words:
            self._ask_recording(work)
        else:
            self._hear(Word.GO)

    def _show_check(self, done: SignOff) -> None:
        table = self._lines.table
        check = None if table is None else table.chosen
        place = self._lines.place_of(check, done.found)
        if check is not None and place is not None:
            self.ui.show_at(place, channel=channel_of(check, done.found))
        elif check is not None:
            self._say(no_moment(check))

    def _ask_recording(self, work: CheckSession) -> None:
        def begin(path: str | None) -> None:
            if path:
                try:
                    require_new(path)
                    work.start(path, answers=find_answers(work.rig, rig_path=self.ui.rig_path))
                    self._say(f"recording to {path}")
                except BusbenchError as error:
                    self._say(str(error))

        name = free_name(f"{Path(self.ui.rig_path).stem or 'rig'}.pcapng", beside=".html")
        self.app.push_screen(Ask("Record the check to this file; enter begins, escape does not", text=name), begin)

    def action_back(self) -> None:
        """Repeat the step, or the one before; at the end begin another check."""
        work = self._lines.work
        if isinstance(work, CheckSession) and work.done is not None:
            ask_first(self.app, "begin another check", [self], lambda: self._ask_recording(work))
        else:
            self._hear_first(Word.BACK, "go back", [self._listened])

    def action_skip(self) -> None:
        """Skip the step."""
        self._hear_first(Word.SKIP, "skip the step", [self._listened])

    def action_finish(self) -> None:
        """End the check."""
        work = self._lines.work
        left = "" if not isinstance(work, CheckSession) else pluralize(len(work.steps) - len(work.results), "step")
        self._hear_first(Word.END, "end the check", [self._listened, f"{left} left, not tested then"])

    @property
    def _listened(self) -> str:
        """Time listened in an unfinished step."""
        work = self._lines.work
        if isinstance(work, CheckSession) and work.state in (CheckState.LISTENING, CheckState.RETURN):
            return f"what was heard of step {work.at + 1}"
        return ""

    def _hear_first(self, word: Word, what: str, lost: list[str]) -> None:
        """Pass an answer to the check, after a question if it loses work."""
        if isinstance(self._lines.work, CheckSession) and word in self._lines.work.words:
            ask_first(self.app, what, [*filter(None, lost)], lambda: self._hear(word))

    def action_move(self, rows: int, columns: int) -> None:
        """Go to another check of the table."""
        if self._lines.table is not None:
            self._lines.table.move(rows, columns)
            self.draw(slow=True)

    def action_filter(self) -> None:
        """Switch the filter: failed, failed and not tested, all."""
        if self._lines.table is not None:
            self._lines.table.next_filter()
            self.draw(slow=True)

    def action_page(self) -> None:
        """Write the page."""
        work = self._lines.work
        if work is None or work.done is None:
            self._say("the page is written at the end")
            return
        source = self.ui.needs.source

        def write(path: str | None) -> None:
            if path:
                try:
                    self._say(write_page(work, path, source=source, rig_path=self.ui.rig_path))
                    self._written = work.done
                except BusbenchError as error:
                    self._say(str(error))

        kept = work.recording_path if isinstance(work, CheckSession) else None
        name = str(Path(kept or Path(self.ui.rig_path).name or "rig").with_suffix(".html"))
        self.app.push_screen(Ask("Write the page to this file; enter writes it, escape does not", text=name), write)

    def _say(self, words: str) -> None:
        self.ui.said = words
        self.draw(slow=True)

    def _hear(self, word: Word) -> None:
        if isinstance(self._lines.work, CheckSession):
            self._lines.work.hear(word)
        self.draw(slow=True)
