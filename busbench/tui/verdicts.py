"""Checks as a table: a row per channel or part, a column per check, filtered, with a current cell."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass, field

from busbench.verify.result import Check, Verdict

_WORST = (Verdict.FAIL, Verdict.NOT_TESTED, Verdict.PASS)


class Filter(enum.Enum):
    """Which checks are shown."""

    FAILED = "failed"
    OPEN = "failed or not tested"
    ALL = "all"

    def lets(self, verdict: Verdict) -> bool:
        """True if a verdict is shown."""
        return self is Filter.ALL or verdict is Verdict.FAIL or (self is Filter.OPEN and verdict is Verdict.NOT_TESTED)


@dataclass
class VerdictTable:
    """Checks by row and column."""

    checks: Sequence[Check]
    filter: Filter = Filter.ALL  # which of them are shown
    row: int = 0  # row, column: the current cell
    column: int = 0
    rows: list[str] = field(init=False)
    columns: list[str] = field(init=False)
    cells: dict[tuple[int, int], Check] = field(init=False)

    def __post_init__(self) -> None:
        self._make()

    @classmethod
    def first_look(cls, checks: Sequence[Check]) -> VerdictTable:
        """The first non-empty one of: failed, not tested, all."""
        some = next((one for one in Filter if any(one.lets(check.verdict) for check in checks)), Filter.ALL)
        return cls(checks, some)

    @property
    def chosen(self) -> Check | None:
        """The current check, None in an empty table."""
        return self.cells.get((self.row, self.column))

    def next_filter(self) -> None:
        """Switch the filter; the current check stays chosen if it is still shown."""
        before, every = self.chosen, list(Filter)
        self.filter = every[(every.index(self.filter) + 1) % len(every)]
        self._make()
        self.choose(before)

    def choose(self, check: Check | None) -> None:
        """Choose a check, or the first."""
        place = next((at for at, one in self.cells.items() if one is check), None) or min(self.cells, default=(0, 0))
        self.row, self.column = place

    def move(self, rows: int, columns: int) -> None:
        """Move to a neighbouring check: along the row, or to the nearest column of another row."""
        if not self.cells:
            return
        if columns:
            here = sorted(column for row, column in self.cells if row == self.row)
            at = here.index(self.column) + columns
            self.column = here[min(max(at, 0), len(here) - 1)]
        if rows:
            self.row = min(max(self.row + rows, 0), len(self.rows) - 1)
            there = [column for row, column in self.cells if row == self.row]
            self.column = min(there, key=lambda column: (abs(column - self.column), column))

    def dense_rows(self) -> set[int]:
        """Rows about channels or devices if they have at least half of their checks in common, else none."""
        rows = {row for (row, _), check in self.cells.items() if check.channel is not None or check.part == "walk"}
        columns = {column for row, column in self.cells if row in rows}
        filled = sum(row in rows for row, _ in self.cells)
        return rows if len(rows) > 1 and 2 * filled >= len(rows) * len(columns) else set()

    def _make(self) -> None:
        shown = [check for check in self.checks if self.filter.lets(check.verdict)]
        self.rows = list(dict.fromkeys(check.subject for check in shown))
        self.columns = list(dict.fromkeys(check.name for check in shown))
        self.cells = {}
        for check in shown:
            place = self.rows.index(check.subject), self.columns.index(check.name)
            before = self.cells.get(place)
            if before is None or _WORST.index(check.verdict) < _WORST.index(before.verdict):
                self.cells[place] = check
        self.choose(None)
