"""The bus of a plan as a diagram: supply, receiver, hubs and devices from left to right, leads with their current."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass

from busbench.rig.wiring_tree import TreeRow
from busbench.tui.text import Line, by_cells, width_of
from busbench.tui.widgets.frame import joined

_LEFT, _RIGHT, _UP, _DOWN = 1, 2, 4, 8
_SHAPES = {
    _LEFT: "─", _RIGHT: "─", _LEFT | _RIGHT: "─", _UP: "│", _DOWN: "│", _UP | _DOWN: "│", _LEFT | _UP: "┘",
    _RIGHT | _UP: "└", _LEFT | _RIGHT | _UP: "┴", _LEFT | _DOWN: "┐", _RIGHT | _DOWN: "┌", _LEFT | _RIGHT | _DOWN: "┬",
    _LEFT | _UP | _DOWN: "┤", _RIGHT | _UP | _DOWN: "├", _LEFT | _RIGHT | _UP | _DOWN: "┼",
}  # fmt: skip
_THICK = dict(zip("─│┘└┴┐┌┬┤├┼", "━┃┛┗┻┓┏┳┫┣╋", strict=True))
_PLAIN, _PLAIN_THICK = {"─": "-", "│": "|"}, {"─": "=", "│": "#"}
_LEAST_LEAD = 10  # cells of a lead with its current
_LEAD_MOST = 34


@dataclass(frozen=True, slots=True)
class Node:
    """A node of the diagram as it is written."""

    text: str
    style: str
    cells: int  # that the text takes in the load case in which it is longest
    current: str  # in the lead to it, "" where there is none
    lead: str  # the lead in few words


def diagram_lines(
    rows: Sequence[TreeRow], nodes: Sequence[Node], width: int, height: int, *, way: Set[int], is_ascii: bool
) -> list[Line]:
    """The diagram, nothing where it does not fit.

    Args:
        rows: the tree.
        nodes: the same as written.
        width, height: cells there are.
        way: rows to which thick leads go.
        is_ascii: True keeps to plain characters.
    """
    leaves = sum(1 for at in range(len(rows)) if all(row.parent != at for row in rows))
    step = 2 if 2 * leaves <= height else 1
    depths = max(row.depth for row in rows)
    cells = [
        max(node.cells for row, node in zip(rows, nodes, strict=True) if row.depth == depth)
        for depth in range(depths + 1)
    ]
    lead = min(_LEAD_MOST, (width - 2 - sum(cells)) // max(1, depths))
    if step * leaves > height or lead < _LEAST_LEAD:
        return []
    columns = [1 + sum(cells[:depth]) + depth * lead for depth in range(depths + 1)]
    places = _places(rows, step)
    canvas: list[list[tuple[str, str]]] = [[(" ", "ink")] * width for _ in range(max(places) + step)]
    ends = [columns[row.depth] + width_of([(node.text, "")]) for row, node in zip(rows, nodes, strict=True)]
    bits: dict[tuple[int, int], int] = {}
    thick: set[tuple[int, int]] = set()
    for at, row in enumerate(rows):
        if row.parent >= 0:
            turn = columns[row.depth] - lead + 1
            cells_of = _way(ends[row.parent] + 1, places[row.parent], turn, columns[row.depth] - 1, places[at])
            for place, sides in cells_of.items():
                bits[place] = bits.get(place, 0) | sides
            thick |= set(cells_of) if at in way else set()
    for (x, y), sides in bits.items():
        shape, is_thick = _SHAPES[sides], (x, y) in thick
        plain = (_PLAIN_THICK if is_thick else _PLAIN).get(shape, "#" if is_thick else "+")
        canvas[y][x] = plain if is_ascii else _THICK[shape] if is_thick else shape, "warn" if is_thick else "rule"
    for at, (row, node) in enumerate(zip(rows, nodes, strict=True)):
        _write(canvas[places[at]], columns[row.depth], node.text, node.style)
        if row.parent >= 0:
            x, room = columns[row.depth] - lead + 3, lead - 5
            if 0 < len(node.current) <= room:
                _write(canvas[places[at]], x, f" {node.current} ", "ink")
            if step > 1 and 0 < len(node.lead) <= room and places[at] + 1 < len(canvas):
                _write(canvas[places[at] + 1], x + 1, node.lead, "dim")
    return [joined(line) for line in canvas]


def _places(rows: Sequence[TreeRow], step: int) -> list[int]:
    """Line of each row: leaves one below the other, others in the middle of what is connected to them."""
    places, free = [-1] * len(rows), 0
    for at in range(len(rows)):
        if all(row.parent != at for row in rows):
            places[at], free = free, free + step
    for at in reversed(range(len(rows))):
        if places[at] < 0:
            below = [places[one] for one, row in enumerate(rows) if row.parent == at]
            places[at] = (min(below) + max(below)) // 2
    return places


def _way(start: int, y: int, turn: int, end: int, y_end: int) -> dict[tuple[int, int], int]:
    """Cells of a lead that runs right, up or down at the turn, and right, with the sides that it leaves them by."""
    bits: dict[tuple[int, int], int] = {}
    for x in range(start, turn):
        bits[x, y] = _LEFT | _RIGHT
    for x in range(turn + 1, end):
        bits[x, y_end] = _LEFT | _RIGHT
    if y == y_end:
        bits[turn, y] = _LEFT | _RIGHT
        return bits
    first, last = (_DOWN, _UP) if y_end > y else (_UP, _DOWN)
    bits[turn, y], bits[turn, y_end] = _LEFT | first, last | _RIGHT
    for between in range(min(y, y_end) + 1, max(y, y_end)):
        bits[turn, between] = _UP | _DOWN
    return bits


def _write(line: list[tuple[str, str]], x: int, text: str, style: str) -> None:
    cells = by_cells(text)[: len(line) - x]
    line[x : x + len(cells)] = [(one, style) for one in cells]
