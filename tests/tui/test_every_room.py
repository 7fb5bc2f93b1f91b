"""What widgets draw in rooms of every width and many heights, and where clicks on it do something.

The states that fill them are in filled.py, a checksum for each in `drawn.json`, as screens.py says.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.cells import cell_len

from busbench.tui.widgets.driving import DriveLines
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.walk import WalkLines
from tests.tui.filled import FILLED
from tests.tui.screens import check_drawn, styled

EDGES = (
    *(58, 60, 61, 69, 70, 71, 83, 95, 96, 97, 99, 100, 101, 109, 110, 111, 117, 118, 119, 120, 139, 140, 141),
    *(155, 156),
)  # widths at which something is drawn in another way, and those beside them
ROOMS = [
    *((width, 50) for width in EDGES),
    *((width, 12) for width in (60, 70, 96, 100, 110, 118, 120, 140, 156)),
    *(((66, 112, 164)[height % 3], height) for height in (*range(4, 36), 38, 41, 44, 48, 57)),
]
NARROW = [(24, 20), (34, 30), (44, 12), (52, 40)]  # in which what moves is shown nevertheless


def drawn_in_all(widget: LineWidget, rooms: list[tuple[int, int]]) -> str:
    """All that a widget draws, and the places of its clicks; what it draws keeps to its room."""
    out = []
    for width, height in rooms:
        widget._spots = []
        lines = widget.lines(width, height)[:height]
        spots = [spot[:3] for spot in widget._spots]
        out.append(styled(lines, f"in {width}x{height}, clicks on {spots}"))
        texts = ["".join(text for text, _ in line).rstrip() for line in lines]
        assert not [text for text in texts if cell_len(text) > width >= 60], f"in {width}x{height}"
    return "\n".join(out)


@pytest.mark.parametrize("name", FILLED)
def test_what_is_drawn_in_rooms_of_every_size(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    widget = FILLED[name](tmp_path)
    rooms = [*ROOMS[::3], (95, 18), (96, 17)] if "large" in name else ROOMS
    drawn = drawn_in_all(widget, [*NARROW, *rooms] if isinstance(widget, DriveLines | WalkLines) else rooms)
    check_drawn(f"{name}, everywhere", {f"{name}, everywhere": drawn})
    if widget.ui.session is not None:
        for session in (widget.ui.session, *widget.ui.beside):
            session.close()
