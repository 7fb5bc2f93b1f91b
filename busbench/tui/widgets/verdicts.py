"""The result of a check: verdict, table of channels and checks, and the chosen check in words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from busbench.errors import sanitize
from busbench.tui.text import Line, fit, width_of, wrap
from busbench.tui.verdicts import Filter, VerdictTable
from busbench.verify.result import Check, Verdict

STYLES = {Verdict.PASS: "good", Verdict.FAIL: "bad", Verdict.NOT_TESTED: "warn"}
WORDS = {Verdict.PASS: "pass", Verdict.FAIL: "FAIL", Verdict.NOT_TESTED: "not tested"}
_NAME_LEAST, _GAP = 16, 2
_DETAIL_ROWS = 4

Spot = Callable[[int, int, int, Callable[[], object]], None]
_Laid = tuple[Line, list[tuple[int, int, Check]]]  # a line, and the checks in it with their first cell and the end


def table_lines(
    table: VerdictTable, width: int, height: int, *, spot: Spot, at: int, act: Callable[[], object]
) -> list[Line]:
    """The checks around the current one, from line `at` of a widget; clicks choose and `act`.

    Rows that have most checks in common are a table; the checks of others follow one another, with their names.
    """
    if not table.rows:
        return [[(f" no check {table.filter.value}", "good")]]
    longest = max(width_of([(sanitize(one), "")]) for one in table.rows)
    name = min(longest, max(_NAME_LEAST, width // 3))
    dense = table.dense_rows()
    columns = sorted({column for row, column in table.cells if row in dense})
    cells = [_cells(table, column) for column in columns]
    here = columns.index(table.column) if table.row in dense else 0
    first, stop = _columns_shown(cells, here, width - name - 3) if columns else (0, 0)
    sized = [*zip(columns[first:stop], cells[first:stop], strict=True)]
    head, head_at = "".join(fit(table.columns[column], size) for column, size in sized), -1
    more = ("<" if first else " ", ">" if stop < len(cells) else " ")
    laid: list[_Laid] = []
    for row, subject in enumerate(table.rows):
        label = f" {fit(sanitize(subject), name)}  ", "title" if row == table.row else "name"
        if row not in dense:
            laid += _following(table, row, label, width)
            continue
        if head_at < 0:
            head_at = len(laid)
            laid.append(([(fit(f" {'':{name}} {more[0]}{head}{more[1]}", width), "head")], []))
        laid.append(_in_columns(table, row, label, sized))
    chosen = next((y for y, (_, there) in enumerate(laid) if any(one is table.chosen for _, _, one in there)), 0)
    top = max(0, min(chosen - height // 2, len(laid) - height))
    shown = laid[top : top + height]
    if 0 <= head_at < top and table.row in dense:
        shown[0] = laid[head_at]
    for y, (_, there) in enumerate(shown):
        for x, end, check in there:
            spot(at + y, x, end, _choosing(table, check, act))
    return [line for line, _ in shown]


def _in_columns(table: VerdictTable, row: int, label: tuple[str, str], sized: Sequence[tuple[int, int]]) -> _Laid:
    """A row of the table, its columns with their sizes."""
    line, there, x = [label], [], width_of([label])
    for column, size in sized:
        check = table.cells.get((row, column))
        cell = [] if check is None else _cell(check, table, "")
        line += [*cell, (" " * (size - width_of(cell)), "ink")]
        if check is not None:
            there.append((x, x + size - 1, check))
        x += size
    return line, there


def _following(table: VerdictTable, row: int, label: tuple[str, str], width: int) -> Iterator[_Laid]:
    """The checks of a row one after another, on as many lines as it takes."""
    start = width_of([label])
    line: Line = [label]
    there: list[tuple[int, int, Check]] = []
    x = start
    for check in (table.cells[place] for place in sorted(table.cells) if place[0] == row):
        cell = _cell(check, table, check.name)
        if there and x + width_of(cell) > width:
            yield line, there
            line, there, x = [(" " * start, "name")], [], start
        there.append((x, x + width_of(cell), check))
        line += [*cell, (" " * _GAP, "ink")]
        x += width_of(cell) + _GAP
    yield line, there


def _cell(check: Check, table: VerdictTable, name: str) -> Line:
    """A verdict, after its name unless a column head gives it; the current one in brackets."""
    words = f"{name} {WORDS[check.verdict]}".lstrip()
    if check is table.chosen:
        return [(f"[{words}]", "chosen")]
    return [*([(f"{name} ", "ink")] if name else []), (WORDS[check.verdict], STYLES[check.verdict])]


def listed_lines(
    table: VerdictTable, width: int, height: int, *, spot: Spot, at: int, act: Callable[[], object]
) -> list[Line]:
    """All checks shown that did not pass, in words, from the current one on if they have no room; a click chooses."""
    checks = [one for _, one in sorted(table.cells.items()) if one.verdict is not Verdict.PASS]
    if len(checks) < 2:
        return []
    here = next((at for at, one in enumerate(checks) if one is table.chosen), 0)
    each = [_worded(one, width, is_here=one is table.chosen) for one in checks]
    first = here if sum(map(len, each)) > height - 1 else 0
    what = Filter.FAILED if table.filter is Filter.FAILED else Filter.OPEN
    out: list[Line] = [[(fit(f" {what.value}", width), "head")]]
    for number in range(first, len(each)):
        is_last = number == len(each) - 1
        if len(out) + len(each[number]) + (not is_last) > height:
            out.append([(fit(f"   {len(each) - number} more: arrow keys go to them", width), "dim")])
            break
        for line in each[number]:
            spot(at + len(out), 0, width, _choosing(table, checks[number], act))
            out.append(line)
    return out if len(out) > 2 else []


def _worded(check: Check, width: int, *, is_here: bool) -> list[Line]:
    words = wrap(sanitize(f"{check.subject}: {check.name}: {check.message}"), width - 15)
    mark = ">" if is_here else " "
    out: list[Line] = [[(f" {mark} {WORDS[check.verdict]:<11}", STYLES[check.verdict]), (words[0], "ink")]]
    return out + [[(f"{'':14}{line}", "ink")] for line in words[1:]]


def detail_lines(check: Check | None, place: str, width: int) -> list[Line]:
    """The chosen check in words, and where it can be seen."""
    if check is None:
        return []
    words = wrap(sanitize(f"{check.subject}: {check.name}: {check.message}"), width - 14)
    out: list[Line] = [[(f" {WORDS[check.verdict]:<11}", STYLES[check.verdict]), (f" {words[0]}", "ink")]]
    out += [[(f"{'':13}{line}", "ink")] for line in words[1:_DETAIL_ROWS]]
    seen = f"Enter shows it at {place}" if place else no_moment(check)
    return [*out, [(f"{'':13}{seen}", "here" if place else "dim")]]


def no_moment(check: Check) -> str:
    """Why a check has no moment in the recording."""
    return "it is about the whole recording" if check.part == "line" else "no frame of the recording shows it"


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
