"""A check against the plan: guided on a live source, at once on a recording. Nothing is sent."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.binding import BindingType

from busbench.bench.check_session import CheckSession
from busbench.bench.sign_off import find_answers
from busbench.drive.surface_check import KEYS, Word
from busbench.errors import BusbenchError
from busbench.tui.live import LiveSession
from busbench.tui.new_file import free_name, require_new
from busbench.tui.replay import ReplaySession
from busbench.tui.screens.ask import Ask
from busbench.tui.screens.base import BenchView
from busbench.tui.session import Session
from busbench.tui.verifying import RecordedCheck, write_page
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.verify import VerifyLines


class VerifyView(BenchView):
    """The check."""

    HAS_TIMELINE = False

    BINDINGS: ClassVar[list[BindingType]] = [
        (KEYS[Word.GO], "go_on"),
        (KEYS[Word.BACK], "back"),
        (KEYS[Word.SKIP], "skip"),
        (KEYS[Word.END], "finish"),
        ("w", "page"),
        ("up", "scroll(-1)"),
        ("down", "scroll(1)"),
        ("pageup", "scroll(-10)"),
        ("pagedown", "scroll(10)"),
    ]

    def body(self) -> LineWidget:
        """As BenchView says."""
        self._lines = VerifyLines(self.ui)
        self._of: Session | None = None
        return self._lines

    def keys(self) -> list[tuple[str, str]]:
        """With the keys of the round in front."""
        pairs = super().keys()
        work = self._lines.work
        own: list[tuple[str, str]] = []
        if work is not None and work.done is not None:
            own = [("w", "write page")]
        if isinstance(work, CheckSession):
            aside = [(KEYS[word], word.value) for word in (Word.SKIP, Word.BACK, Word.END)]
            own = [("enter", "go on"), *(own or aside), ("u", "unit")]
        return [pairs[0], *own, *pairs[-2:]]

    def draw(self, *, slow: bool) -> None:
        """As BenchView says."""
        self._see_session()
        super().draw(slow=slow)

    def _see_session(self) -> None:
        """Begin anew where the source is another."""
        session, rig = self.ui.session, self.ui.rig
        if session is self._of:
            return
        if isinstance(self._lines.work, CheckSession):
            self._lines.work.close()
        self._of, self._lines.work, self._lines.top = session, None, 0
        if rig is None:
            return
        if isinstance(session, LiveSession):
            self._lines.work = CheckSession(session.receiver, rig)
        elif isinstance(session, ReplaySession):
            work = self._lines.work = RecordedCheck(session, rig, rig_path=self.ui.rig_path)
            self.run_worker(work.work, thread=True, exit_on_error=True)

    def action_go_on(self) -> None:
        """Go on with the check, or name its recording and begin."""
        work = self._lines.work
        if not isinstance(work, CheckSession) or work.words:
            self._hear(Word.GO)
            return

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
        """Repeat the step, or the one before."""
        self._hear(Word.BACK)

    def action_skip(self) -> None:
        """Leave the step out."""
        self._hear(Word.SKIP)

    def action_finish(self) -> None:
        """End the check."""
        self._hear(Word.END)

    def action_scroll(self, lines: int) -> None:
        """Look at more findings."""
        self._lines.scroll(lines)
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
