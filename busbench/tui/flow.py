"""How fast the terminal takes what is drawn: on a slow line there are fewer drawings, and none that comes late.

After a drawing the terminal is asked where its cursor is; it answers when it has taken everything before the question.
Until then nothing more is drawn. A terminal that is quick is asked now and then only, one that never answers no more.
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from time import perf_counter_ns

QUESTION = "\x1b[6n"
_SLOW_NS = 100_000_000  # an answer that takes longer shows a slow line
_QUICK_TIMES = 5  # so many quick answers make it a quick one again
_ASK_NS = 1_000_000_000  # how often a quick one is asked
_GIVE_UP_NS = 3_000_000_000


class Line(enum.Enum):
    """What is known of the way to the terminal."""

    UNKNOWN = enum.auto()
    QUICK = enum.auto()
    SLOW = enum.auto()
    MUTE = enum.auto()  # it does not answer


class Flow:
    """Decides whether to draw and whether to ask."""

    def __init__(self, *, now_ns: Callable[[], int] = perf_counter_ns) -> None:
        self._now_ns = now_ns
        self.line = Line.UNKNOWN
        self._asked_ns: int | None = None  # while an answer is due
        self._last_ns = 0
        self._quick = 0

    @property
    def may_draw(self) -> bool:
        """False while the terminal still takes what was drawn before."""
        if self._asked_ns is None or self.line is Line.MUTE:
            return True
        waited_ns = self._now_ns() - self._asked_ns
        if waited_ns > _GIVE_UP_NS:  # it never answers, or a single answer was lost
            self.line = Line.MUTE if self.line is Line.UNKNOWN else Line.SLOW
            self._asked_ns = None
            return True
        return self.line is Line.QUICK and waited_ns < _SLOW_NS

    def takes_question(self) -> bool:
        """True if the terminal is to be asked after this drawing."""
        now_ns = self._now_ns()
        is_due = self.line is not Line.QUICK or now_ns - self._last_ns >= _ASK_NS
        if self._asked_ns is not None or self.line is Line.MUTE or not is_due:
            return False
        self._asked_ns = self._last_ns = now_ns
        return True

    def answered(self) -> None:
        """The terminal answered: it has taken everything."""
        if self._asked_ns is None:
            return
        took_ns, self._asked_ns = self._now_ns() - self._asked_ns, None
        self._quick = self._quick + 1 if took_ns <= _SLOW_NS else 0
        if took_ns > _SLOW_NS:
            self.line = Line.SLOW
        elif self.line is not Line.SLOW or self._quick >= _QUICK_TIMES:
            self.line = Line.QUICK
