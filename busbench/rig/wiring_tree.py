"""The wiring tree laid out row by row, and drawn in text."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.rig.conductor import lead_text
from busbench.rig.model import RECEIVER, SUPPLY, Device, Hub, Rig
from busbench.rig.power import Case
from busbench.rig.topology import children, require_tree

LINES = {"bar": "│  ", "tee": "├─ ", "end": "└─ ", "gap": "   "}
LINES_ASCII = {"bar": "|  ", "tee": "+- ", "end": "`- ", "gap": "   "}


@dataclass(frozen=True, slots=True)
class TreeRow:
    """One row of the tree, from top to bottom.

    Args:
        name: of supply, receiver, hub or device.
        kind: "supply", "receiver", "hub" or the device's kind.
        depth: 0 for the supply.
        parent: row of what it hangs on, -1 for the supply.
        is_last: True where nothing more hangs on the same parent below it.
        channel: of a device.
        lead: the lead to it in few words, "" where there is none.
        voltage_v, current_a: under load, None without a case.
    """

    name: str
    kind: str
    depth: int
    parent: int
    is_last: bool
    channel: int | None
    lead: str
    voltage_v: float | None
    current_a: float | None


def layout_tree(rig: Rig, *, case: Case | None = None) -> tuple[TreeRow, ...]:
    """Lay out the tree, rows from top to bottom.

    Args:
        rig: the plan.
        case: load case whose volts and amperes stand beside the nodes.

    Returns:
        The rows; each stands below its parent.

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

    def hang(name: str, row: int) -> None:
        hubs, devices = children(rig, name)
        below: list[Hub | Device] = [*devices, *hubs]
        for index, entry in enumerate(below):
            is_last = index == len(below) - 1
            if isinstance(entry, Hub):
                hang(entry.name, add(entry.name, "hub", row, is_last, None, _fed_by(rig, entry)))
            else:
                add(entry.name, entry.kind, row, is_last, entry.channel, lead_text(entry.lead))

    top = add(SUPPLY, "supply", -1, True, None, f"{rig.supply.voltage_v:g} V")
    lead = lead_text(rig.supply.lead) if rig.supply.lead is not None else ""
    hang(RECEIVER, add(RECEIVER, "receiver", top, True, None, lead))
    return tuple(rows)


def _fed_by(rig: Rig, hub: Hub) -> str:
    feeds = [f"second feed {lead_text(feed.lead)}" for feed in rig.feeds if feed.to == hub.name]
    return ", ".join([lead_text(hub.lead), *feeds])


def draw_tree(rows: tuple[TreeRow, ...], *, title: str = "", is_ascii: bool = False) -> str:
    """Draw a tree in text.

    Args:
        rows: from layout_tree.
        title: head of the first column; without one no column has a head.
        is_ascii: draw lines and units with plain ASCII; names stay as they are.

    Returns:
        Lines without trailing blanks, joined by newlines.
    """
    lines = LINES_ASCII if is_ascii else LINES
    heads = [(title, "lead", "volts", "amperes")] if title else []
    cells = [*heads, *(_cells(rows, index, lines) for index in range(len(rows)))]
    widths = [max(len(row[column]) for row in cells) for column in range(4)]
    text = [
        "  ".join(
            (row[0].ljust(widths[0]), row[1].ljust(widths[1]), row[2].rjust(widths[2]), row[3].rjust(widths[3]))
        ).rstrip()
        for row in cells
    ]
    drawn = "\n".join(text)
    return drawn.replace("mΩ", "mohm").replace("mm²", "mm2") if is_ascii else drawn


def _cells(rows: tuple[TreeRow, ...], index: int, lines: dict[str, str]) -> tuple[str, str, str, str]:
    row = rows[index]
    volts = f"{row.voltage_v:.2f} V" if row.voltage_v is not None else ""
    amps = f"{row.current_a:.2f} A" if row.current_a is not None else ""
    return branch_title(rows, index, lines=lines), row.lead, volts, amps


def branch_title(rows: tuple[TreeRow, ...], index: int, *, lines: dict[str, str] = LINES) -> str:
    """A row's name behind the lines that lead to it.

    Args:
        rows: from layout_tree.
        index: of the row.
        lines: LINES or LINES_ASCII.
    """
    row = rows[index]
    prefix = ""
    if row.parent >= 0:
        prefix = lines["end" if row.is_last else "tee"]
        above = row.parent
        while rows[above].parent >= 0:
            prefix = lines["gap" if rows[above].is_last else "bar"] + prefix
            above = rows[above].parent
    title = row.name
    if row.kind == "hub":
        title = f"hub {row.name}"
    elif row.kind == "sensor":
        title = f"{row.name} (sensor)"
    elif row.channel is not None:
        title = f"{row.channel:>2} {row.name}" + (" (off-bus)" if row.kind == "off-bus" else "")
    return prefix + title
