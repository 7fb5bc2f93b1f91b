"""The wiring tree as rows, and as text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busbench.rig.conductor import ascii_units, lead_text
from busbench.rig.model import RECEIVER, SUPPLY, Device, Hub, Rig
from busbench.rig.power import LoadCase
from busbench.rig.topology import children, require_tree

LINES = {"bar": "│  ", "tee": "├─ ", "end": "└─ ", "gap": "   "}
LINES_ASCII = {"bar": "|  ", "tee": "+- ", "end": "`- ", "gap": "   "}


@dataclass(frozen=True, slots=True)
class TreeRow:
    """One row of the tree, from top to bottom."""

    name: str  # name of the supply, receiver, hub or device
    kind: str  # "supply", "receiver", "hub" or the device's kind
    depth: int  # depth, 0 for the supply
    parent: int  # row of its parent, -1 for the supply
    is_last: bool  # True if it is the last child of its parent
    channel: int | None
    lead: str  # the lead to it in short, "" without one
    voltage_v: float | None  # voltage_v, current_a: under load, None without a case
    current_a: float | None

    @property
    def volts(self) -> str:
        """The voltage in words, "" without a case."""
        return "" if self.voltage_v is None else f"{self.voltage_v:.2f} V"

    @property
    def amps(self) -> str:
        """The current in words, "" without a case."""
        return "" if self.current_a is None else f"{self.current_a:.2f} A"


def layout_tree(rig: Rig, *, case: LoadCase | None = None) -> tuple[TreeRow, ...]:
    """Lay out the tree, rows from top to bottom.

    Args:
        case: load case whose voltages and currents are shown beside the nodes.

    Returns:
        The rows; each is below its parent.

    Raises:
        RigError: the leads form no tree.
    """
    require_tree(rig)
    loads = {node.name: node for node in case.nodes} if case is not None else {}
    rows: list[TreeRow] = []

    def add(name: str, kind: str, parent: int, is_last: bool, channel: int | None, lead: str) -> int:
        load = loads.get(name)
        depth = rows[parent].depth + 1 if parent >= 0 else 0
        volts, amps = (load.voltage_v, load.current_a) if load is not None else (None, None)
        rows.append(TreeRow(name, kind, depth, parent, is_last, channel, lead, volts, amps))
        return len(rows) - 1

    below, feeds = children(rig), _feeds(rig)

    def plugged_into(name: str, row: int) -> Iterator[tuple[Hub | Device, int, bool]]:
        hubs, devices = below[name]
        entries: list[Hub | Device] = [*devices, *hubs]
        return ((entry, row, index == len(entries) - 1) for index, entry in enumerate(entries))

    top = add(SUPPLY, "supply", -1, True, None, f"{rig.supply.voltage_v:g} V")
    lead = lead_text(rig.supply.lead) if rig.supply.lead is not None else ""
    open_levels = [plugged_into(RECEIVER, add(RECEIVER, "receiver", top, True, None, lead))]
    while open_levels:
        entry, row, is_last = next(open_levels[-1], (None, 0, False))
        if entry is None:
            open_levels.pop()
        elif isinstance(entry, Hub):
            fed_by = ", ".join([lead_text(entry.lead), *feeds.get(entry.name, ())])
            open_levels.append(plugged_into(entry.name, add(entry.name, "hub", row, is_last, None, fed_by)))
        else:
            add(entry.name, entry.kind, row, is_last, entry.channel, lead_text(entry.lead))
    return tuple(rows)


def _feeds(rig: Rig) -> dict[str, list[str]]:
    feeds: dict[str, list[str]] = {}
    for feed in rig.feeds:
        feeds.setdefault(feed.to, []).append(f"second feed {lead_text(feed.lead)}")
    return feeds


def draw_tree(rows: tuple[TreeRow, ...], *, title: str = "", is_ascii: bool = False) -> str:
    """Draw a tree in text.

    Args:
        title: head of the first column; without one no column has a head.
        is_ascii: draw lines and units in ASCII; names are unchanged.

    Returns:
        Lines without trailing blanks, joined by newlines.
    """
    lines = LINES_ASCII if is_ascii else LINES
    lead = ascii_units if is_ascii else str
    cells = [(title, "lead", "voltage", "current")] if title else []
    titles = branch_titles(rows, lines=lines)
    cells += [(name, lead(row.lead), row.volts, row.amps) for row, name in zip(rows, titles, strict=True)]
    widths = [max(len(row[column]) for row in cells) for column in range(4)]
    text = [
        "  ".join(
            (row[0].ljust(widths[0]), row[1].ljust(widths[1]), row[2].rjust(widths[2]), row[3].rjust(widths[3]))
        ).rstrip()
        for row in cells
    ]
    return "\n".join(text)


def branch_titles(rows: tuple[TreeRow, ...], *, lines: dict[str, str] = LINES) -> list[str]:
    """The name of each row with its branch lines."""
    titles: list[str] = []
    under: list[str] = []  # prefix of the branches below each row
    for row in rows:
        before = under[row.parent] if row.parent >= 0 else ""
        branch = lines["end" if row.is_last else "tee"] if row.parent >= 0 else ""
        under.append(before + lines["gap" if row.is_last else "bar"] if row.parent >= 0 else "")
        titles.append(before + branch + _title(row))
    return titles


def _title(row: TreeRow) -> str:
    if row.kind == "hub":
        return f"hub {row.name}"
    if row.kind == "sensor":
        return f"{row.name} (sensor)"
    if row.channel is not None:
        return f"{row.channel:>2} {row.name}" + (" (PWM device)" if row.kind == "off-bus" else "")
    return row.name
