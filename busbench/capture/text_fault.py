"""Find the first cell of a text that is neither time, byte nor level."""

from __future__ import annotations

import re
from collections import Counter

from busbench.errors import sanitize

_LINES_MOST = 400
_LINES_LEAST = 3  # rows of equal cells that make a table
_NUMBER = re.compile(r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:e[-+]?\d+)?", re.IGNORECASE)
_BYTE = re.compile(r"(?:0x)?[0-9a-f]{1,2}|\d{1,3}", re.IGNORECASE)


def text_fault(head: bytes) -> str:
    """Line and column of that cell at the beginning of a file, as a question; "" if there is no table."""
    lines = head.decode("utf-8", "replace").splitlines()[:_LINES_MOST]
    numbered = [(i, line) for i, line in enumerate(lines, 1) if line.strip() and line.lstrip()[0] not in "#%;"]
    tables = []
    for delimiter in "\t;,":
        counts = Counter(line.count(delimiter) for _, line in numbered)
        counts.pop(0, None)
        if counts:
            columns, many = counts.most_common(1)[0]
            tables.append((many, delimiter, columns))
    if not tables or max(tables)[0] < _LINES_LEAST:
        return ""
    _, delimiter, columns = max(tables)
    rows = [(i, line.split(delimiter)) for i, line in numbered if line.count(delimiter) == columns]
    if sum(any(map(str.isdigit, "".join(cells))) for _, cells in rows) * 2 < len(rows):
        return ""
    number, cells = next((row for row in rows[1:] if any(map(_is_number, row[1]))), rows[1])
    time = next((i for i, cell in enumerate(cells) if _is_number(cell)), None)
    others = [i for i, cell in enumerate(cells) if i != time and cell.strip(" \"'")]
    if time is None or re.search(r"\d\d?:\d\d", cells[0]):
        return _asked(number, cells, 0, "a time")
    if others and not any(_BYTE.fullmatch(cells[i].strip(" \"'")) for i in others):
        return _asked(number, cells, others[0], "a byte or a level")
    return ""


def _is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell.strip(" \"'")) is not None


def _asked(number: int, cells: list[str], column: int, what: str) -> str:
    cell = sanitize(cells[column].strip().strip("\"'"), most=30)
    return f'line {number}, column {column + 1}, "{cell}" as {what}?'
