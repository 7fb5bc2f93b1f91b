"""Adapt drawing to the terminal: on a slow line there are fewer updates, but none is late.

After a drawing, the terminal is asked for its cursor position; it answers after processing everything before.
Until then, nothing more is drawn. A fast terminal is only asked now and then, a silent one not again.
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from time import perf_counter_ns

QUESTION = "\x1b[6n"
_SLOW_NS = 100_000_000  # a slower answer means a slow line
_QUICK_TIMES = 5  # fast answers until it counts as fast again
_ASK_NS = 1_000_000_000  # interval of questions to a fast terminal
_GIVE_UP_NS = 3_000_000_000


class Line(enum.Enum):
    """State of the line to the terminal."""

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
        """False while the terminal still processes the last drawing."""
        if self._asked_ns is None or self.line is Line.MUTE:
            return True
        waited_ns = self._now_ns() - self._asked_ns
        if waited_ns > _GIVE_UP_NS:  # it never answers, or a single answer was lost
            self.line = Line.MUTE if self.line is Line.UNKNOWN else Line.SLOW
            self._asked_ns = None
            return True
        return self.line is Line.QUICK and waited_ns < _SLOW_NS

    def takes_question(self) -> bool:
        """True if the terminal must be asked after this drawing."""
        now_ns = self._now_ns()
        is_due = self.line is not Line.QUICK or now_ns - self._last_ns >= _ASK_NS
        if self._asked_ns is not None or self.line is Line.MUTE or not is_due:
            return False
        self._asked_ns = self._last_ns = now_ns
        return True

    def answered(self) -> None:
        """The terminal answered: it has processed everything."""
        if self._asked_ns is None:
            return
        took_ns, self._asked_ns = self._now_ns() - self._asked_ns, None
        self._quick = self._quick + 1 if took_ns <= _SLOW_NS else 0
        if took_ns > _SLOW_NS:
            self.line = Line.SLOW
        elif self.line is not Line.SLOW or self._quick >= _QUICK_TIMES:
            self.line = Line.QUICK
