"""The result of a check: verdict, table of channels and checks, and the chosen check in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busbench.errors import sanitize
from busbench.tui.text import Line, fit, width_of, wrap
from busbench.tui.verdicts import Filter, VerdictTable
from busbench.verify.result import Check, Verdict

STYLES = {Verdict.PASS: "good", Verdict.FAIL: "bad", Verdict.NOT_TESTED: "warn"}
WORDS = {Verdict.PASS: "pass", Verdict.FAIL: "FAIL", Verdict.NOT_TESTED: "not tested"}
_NAME_LEAST, _GAP = 16, 2
_DETAIL_ROWS = 4

Spot = Callable[[int, int, int, Callable[[], object]], None]


def table_lines(
    table: VerdictTable, width: int, height: int, *, spot: Spot, at: int, act: Callable[[], object]
) -> list[Line]:
    """The table around the current cell, from line `at` of a widget; clicks choose and `act`."""
    if not table.rows:
        return [[(f" no check {table.filter.value}", "good")]]
    longest = max(width_of([(sanitize(one), "")]) for one in table.rows)
    name = min(longest, max(_NAME_LEAST, width // 3))
    cells = [_cells(table, column) for column in range(len(table.columns))]
    first, stop = _columns_shown(cells, table.column, width - name - 3)
    shown = range(first, stop)
    more = ("<" if first else " ", ">" if stop < len(cells) else " ")
    head = "".join(fit(table.columns[one], cells[one]) for one in shown)
    out: list[Line] = [[(fit(f" {fit('', name)} {more[0]}{head}{more[1]}", width), "head")]]
    room = max(1, height - 1)
    top = max(0, min(table.row - room // 2, len(table.rows) - room))
    for row in range(top, min(top + room, len(table.rows))):
        subject = fit(sanitize(table.rows[row]), name)
        line: Line = [(f" {subject}  ", "title" if row == table.row else "name")]
        x = name + 3
        for column in shown:
            check = table.cells.get((row, column))
            word, style = ("", "ink") if check is None else (WORDS[check.verdict], STYLES[check.verdict])
            if check is not None and check is table.chosen:
                word, style = f"[{word}]", "chosen"
            line += [(word, style), (" " * (cells[column] - len(word)), "ink")]
            if check is not None:
                spot(at + len(out), x, x + cells[column] - 1, _choosing(table, check, act))
            x += cells[column]
        out.append(line)
    return out


def detail_lines(check: Check | None, place: str, width: int) -> list[Line]:
    """The chosen check in words, and where it can be seen."""
    if check is None:
        return []
    words = wrap(sanitize(f"{check.subject}: {check.name}: {check.message}"), width - 14)
    out: list[Line] = [[(f" {WORDS[check.verdict]:<11}", STYLES[check.verdict]), (f" {words[0]}", "ink")]]
    out += [[(f"{'':13}{line}", "ink")] for line in words[1:_DETAIL_ROWS]]
    seen = f"Enter shows it at {place}" if place else "the recording shows no moment of it"
    return [*out, [(f"{'':13}{seen}", "here" if place else "dim")]]


def filter_words(table: VerdictTable) -> str:
    """The current filter, for people."""
    if table.filter is Filter.ALL:
        return f"all {len(table.checks)} checks"
    return f"{table.filter.value}: {len(table.cells)} of {len(table.checks)} checks (f shows more)"


def _choosing(table: VerdictTable, check: Check, act: Callable[[], object]) -> Callable[[], None]:
    def choose() -> None:
        table.choose(check)
        act()

    return choose


def _cells(table: VerdictTable, column: int) -> int:
    words = (len(WORDS[check.verdict]) + 2 for (_, at), check in table.cells.items() if at == column)
    return max(len(table.columns[column]), *words) + _GAP


def _columns_shown(cells: Sequence[int], chosen: int, room: int) -> tuple[int, int]:
    """First and last visible column around the chosen one."""
    first, stop = chosen, chosen + 1
    used = cells[chosen]
    while True:
        if first and used + cells[first - 1] <= room:
            first -= 1
            used += cells[first]
        elif stop < len(cells) and used + cells[stop] <= room:
            used += cells[stop]
            stop += 1
        else:
            return first, stop
