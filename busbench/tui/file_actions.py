"""The file actions of the app: annotations, cuts and recordings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from textual.app import App

from busbench.errors import BusbenchError
from busbench.tui.app_state import AppState
from busbench.tui.live import LiveSession, recording_name
from busbench.tui.new_file import free_name
from busbench.tui.replay import ReplaySession
from busbench.tui.session import Session
from busbench.tui.text import place_words


class FileActions(App[None]):
    """Actions of the app that write files."""

    ui: AppState

    def say(self, words: str) -> None:
        """Show a message for a while."""
        raise NotImplementedError

    def draw(self) -> None:
        """Draw a change at once."""
        raise NotImplementedError

    def _with(self, act: Callable[[Session], object]) -> None:
        if self.ui.session is not None:
            act(self.ui.session)
            self.draw()

    def action_mark(self) -> None:
        """Set an annotation now, and ask for its text."""
        from busbench.tui.screens.ask import Ask

        session = self.ui.session
        if session is None:
            return
        place = session.place

        def set_mark(text: str | None) -> None:
            if text is None:
                return
            try:
                session.unkept_marks += isinstance(session, LiveSession) and not session.recording
                session.mark(place, text or "mark")
                self.say(f"mark at {place_words(session, place)}")
            except BusbenchError as error:
                self.say(str(error))

        self.push_screen(
            Ask(f"Mark at {place_words(session, place)}: its text, enter sets it, escape does not"), set_mark
        )

    def action_cut(self, which: int) -> None:
        """Set the start or end of the cut here."""
        self._with(lambda session: session.set_cut(is_end=bool(which)))

    def action_export(self) -> None:
        """Write the cut to a new file."""
        from busbench.tui.screens.ask import Ask

        session = self.ui.session
        if not isinstance(session, ReplaySession):
            self.say("a cut is taken from a recording: record with r, then watch the file")
            return
        if session.cut_in is None or session.cut_out is None:
            self.say("no cut yet: i sets its start, o its end")
            return
        if session.cut_in == session.cut_out:
            self.say("the cut is empty: set its start with i and its end with o at another place")
            return

        def write(path: str | None) -> None:
            if path:
                self.run_worker(lambda: self._export(session, path), thread=True, exit_on_error=True)

        name = free_name(f"{Path(session.source).stem}-cut.pcapng")
        self.push_screen(Ask("Write the cut to this file; enter writes it, escape does not", text=name), write)

    def _export(self, session: ReplaySession, path: str) -> None:
        try:
            words = session.export(path)
        except BusbenchError as error:
            words = str(error)
        self.call_from_thread(self.say, words)

    def action_record(self) -> None:
        """Record, or stop recording."""
        session = self.ui.session
        if not isinstance(session, LiveSession):
            self.say("only a live source is recorded")
            return
        if session.recording:
            session.stop_recording()
        else:
            try:
                session.start_recording(recording_name())
            except BusbenchError as error:
                self.say(str(error))
                return
        self.say(session.notice)
