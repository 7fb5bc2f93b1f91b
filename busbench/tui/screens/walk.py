"""The walk round the aircraft: one device after another moves, and the builder says what it did."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.binding import BindingType

from busbench.bench.surface_session import WalkState
from busbench.drive.surface_check import KEYS, SurfacePhase, Word, Wrote
from busbench.errors import pluralize
from busbench.tui.screens.ask import Ask, ask_first
from busbench.tui.screens.base import OPEN, BenchView
from busbench.tui.walking import Walking
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.walk import WalkLines


class WalkView(BenchView):
    """The walk."""

    HAS_TIMELINE = False

    BINDINGS: ClassVar[list[BindingType]] = [
        *((key, f"answer('{key}')") for key in KEYS.values()),
        ("f", "file"),
        ("up", "scroll(-1)"),
        ("down", "scroll(1)"),
    ]

    def body(self) -> LineWidget:
        """See BenchView."""
        self.walking = Walking(self.ui)
        self._lines = WalkLines(self.ui, self.walking)
        return self._lines

    def keys(self) -> list[tuple[str, str]]:
        """Those that mean something now."""
        pairs, walk = super().keys(), self.walking.walk
        if self.walking.state not in (WalkState.WORD, WalkState.OVER):
            return [("any key", "stops")]
        if self.walking.trouble:
            return [pairs[0], OPEN, *pairs[-3:]]
        if walk is None or walk.is_over:
            on = [] if self.walking.refusal else [("enter", "begin")]
            return [pairs[0], *on, ("f", "answers' file"), ("up down", "scroll"), *pairs[-3:]]
        if walk.phase is SurfacePhase.REVIEW:
            return [pairs[0], ("enter", "finish"), ("b", "back"), *pairs[-3:]]
        return [*((key, word.value) for key, word in walk.keys.items()), ("?", "help")]

    @property
    def unkept(self) -> list[str]:
        """See BenchView."""
        walk = self.walking.walk
        if walk is None or self.walking.path is not None:
            return []
        given = sum(answer is not None for entry in walk.entries for answer in entry.answers)
        return [f"{pluralize(given, 'answer')} of the walk (f names their file)"] if given else []

    @property
    def is_busy(self) -> bool:
        """See BenchView; as long as the walk is not over."""
        return super().is_busy or self.walking.state is not WalkState.OVER

    def draw(self, *, slow: bool) -> None:
        """See BenchView."""
        self.walking.look()
        super().draw(slow=slow)

    def on_screen_suspend(self) -> None:
        """End the frames that hold where another view is shown, not where something is asked."""
        self.app.call_later(self._see_whether_left)

    def _see_whether_left(self) -> None:
        if self not in self.app.screen_stack:
            self.walking.rest()

    def action_answer(self, key: str) -> None:
        """The person says a word, by its key."""
        walk = self.walking.walk
        if walk is None or walk.is_over:
            is_read = self._lines.is_whole or self.walking.is_rehearsal  # begin only with what can be read
            if key == KEYS[Word.GO] and (walk is not None or is_read):
                ask_first(self.app, "begin again", [self], self._begin)
        elif (word := walk.keys.get(key)) is Word.NOTE:
            self._ask_note()
        elif word is not None:
            self.walking.hear(word)
        self.draw(slow=True)

    def _begin(self) -> None:
        self.walking.begin()
        self.draw(slow=True)

    def action_file(self) -> None:
        """Name the file of the answers."""
        walking = self.walking
        if walking.trouble or (walking.walk is not None and not walking.walk.is_over):
            return

        def take(text: str | None) -> None:
            if text is not None:
                walking.path = Path(text) if text else None
                walking.said = ""
            self.draw(slow=True)

        ask = Ask("Answers go to this file; enter takes it, escape leaves it", text=str(walking.path or ""))
        self.app.push_screen(ask, take)

    def action_scroll(self, lines: int) -> None:
        """Look at more of the list."""
        self._lines.scroll(lines)
        self.draw(slow=True)

    def _ask_note(self) -> None:
        def take(text: str | None) -> None:
            if text:
                self.walking.hear(Wrote(text))
            self.draw(slow=True)

        self.app.push_screen(Ask("A note on this device; enter takes it, escape does not"), take)
