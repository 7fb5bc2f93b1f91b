"""Drive: choose channel and shape, arm, move, stop."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType

from busbench.tui.driving import FIELDS, Drive, DrivePhase
from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.driving import DriveLines
from busbench.tui.widgets.line_widget import LineWidget

_KEYS = (
    ("up", "field(-1)"),
    ("down", "field(1)"),
    ("left", "change(-1)"),
    ("right", "change(1)"),
    ("shift+left", "change(-5)"),
    ("shift+right", "change(5)"),
    ("enter", "go_on"),
    ("escape", "back"),
)


class DriveView(BenchView):
    """Drive: choose channel and shape, arm, move, stop."""

    IS_FAST = True
    HAS_TIMELINE = False
    BINDINGS: ClassVar[list[BindingType]] = [Binding(key, action, show=False) for key, action in _KEYS]

    def body(self) -> LineWidget:
        """See BenchView."""
        self.drive = Drive(self.ui)
        self._lines = DriveLines(self.ui, self.drive)
        return self._lines

    def keys(self) -> list[tuple[str, str]]:
        """The keys of the phase."""
        match self.drive.phase:
            case DrivePhase.SETTING:
                pairs = super().keys()
                on = [] if self.drive.refusal else [("enter", "cautions")]
                return [("up down", "field"), *on, ("left right", "change"), pairs[0], *pairs[-3:]]
            case DrivePhase.CAUTIONS:
                return [("enter", "count down"), ("escape", "back")]
            case DrivePhase.COUNTING:
                return [("any key", "cancels")]
            case DrivePhase.MOVING:
                return [("any key", "STOPS")]

    @property
    def is_busy(self) -> bool:
        """See BenchView; from the cautions on."""
        return super().is_busy or self.drive.phase is not DrivePhase.SETTING

    def action_field(self, steps: int) -> None:
        """Choose another field."""
        if self.drive.phase is DrivePhase.SETTING:
            self._lines.field = (self._lines.field + steps) % len(FIELDS)
            self.draw(slow=True)

    def action_change(self, steps: int) -> None:
        """Change the field chosen."""
        if self.drive.phase is DrivePhase.SETTING:
            self.drive.settings.change(FIELDS[self._lines.field], steps)
            self.drive.said = ""
            self.draw(slow=True)

    def action_go_on(self) -> None:
        """To the cautions, then to the countdown."""
        is_read = self._lines.is_whole or self.drive.is_rehearsal  # arm only what can be read
        if self.drive.phase is not DrivePhase.CAUTIONS or is_read:
            self.drive.go_on()
        self.draw(slow=True)

    def action_back(self) -> None:
        """From the cautions back."""
        self.drive.back()
        self.draw(slow=True)

    def on_screen_suspend(self) -> None:
        """Leaving the view shows the cautions again."""
        self.drive.back()
