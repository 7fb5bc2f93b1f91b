"""What widgets draw in rooms of every width and many heights, and where clicks on it do something.

The states that fill them are in filled.py, a checksum for each in `drawn.json`, as screens.py says.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.tui.widgets.channels import ChannelLines
from busbench.tui.widgets.driving import DriveLines
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outages import OutageLines
from busbench.tui.widgets.rig import RigLines
from busbench.tui.widgets.timing import TimingLines
from busbench.tui.widgets.walk import WalkLines
from tests.tui.filled import FILLED
from tests.tui.screens import check_drawn, check_room, styled

# Widths at which a widget draws in another way, with the one before each.
EDGES: dict[type[LineWidget], tuple[int, ...]] = {
    ChannelLines: (95, 96, 97, 99, 100),
    OutageLines: (62, 63, 74, 75, 113, 114, 119, 120, 147, 148),
    TimingLines: (139, 140),
    RigLines: (117, 118, 155, 156),
    DriveLines: (109, 110),
    WalkLines: (99, 100, 139, 140),
}
NARROW = [(24, 20), (34, 30), (44, 12), (52, 40)]  # in which what moves is shown nevertheless
HEIGHTS = [((66, 112, 164)[height % 3], height) for height in (*range(4, 32), 35, 38, 41, 44, 48, 57)]


def rooms_of(widget: LineWidget, *, is_large: bool) -> list[tuple[int, int]]:
    """Rooms of the widths that matter, high and low, and of many heights; fewer for plots of one channel."""
    widths = (58, 60, 71, 83, 101, 130, *next((edges for kind, edges in EDGES.items() if isinstance(widget, kind)), ()))
    narrow = NARROW if isinstance(widget, DriveLines | WalkLines) else []
    heights = [*HEIGHTS[::4], (95, 18), (96, 17)] if is_large else HEIGHTS
    low = () if is_large else widths[1::2]
    return [*narrow, *((width, 50) for width in widths), *((width, 12) for width in low), *heights]


def drawn_in_all(widget: LineWidget, rooms: list[tuple[int, int]]) -> str:
    """All that a widget draws, and the places of its clicks; what it draws keeps to its room."""
    out = []
    for width, height in rooms:
        widget._spots = []
        lines = widget.lines(width, height)[:height]
        spots = [spot[:3] for spot in widget._spots]
        out.append(styled(lines, f"in {width}x{height}, clicks on {spots}"))
        check_room(lines, width, height, least=60)
    return "\n".join(out)


@pytest.mark.parametrize("name", FILLED)
def test_what_is_drawn_in_rooms_of_every_size(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    widget = FILLED[name](tmp_path)
    drawn = drawn_in_all(widget, rooms_of(widget, is_large="large" in name))
    check_drawn(f"{name}, everywhere", {f"{name}, everywhere": drawn})
    if widget.ui.session is not None:
        for session in (widget.ui.session, *widget.ui.beside):
            session.close()
