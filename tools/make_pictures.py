"""Draw the pictures of README: what commands print on the shipped recordings, as SVG with text in it.

    python tools/make_pictures.py [FOLDER]      into captures/pictures by default

A picture is a function without arguments that returns rows of runs: add it to PICTURES under the name of its file. For
a screen of the terminal UI make a run of each segment of its lines, with the segment's colours.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

from wiring_pictures import CELL_HEIGHT, CELL_WIDTH, INK, MARGIN, draw_wiring, drawing, page_head

if TYPE_CHECKING:
    from rich.segment import Segment

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "captures" / "pictures"
FAINT = "#6b7075"
# Words with single spaces between them, or signs that may come from a font of another width.
PIECES = re.compile(r"[\u2500-\u28ff]+|[^\s\u2500-\u28ff]+(?: [^\s\u2500-\u28ff]+)*")
SCREEN = (100, 30)


@dataclass(frozen=True, slots=True)
class Run:
    """Adjacent cells of one row with the same look.

    Args:
        text: one character per cell.
        ink, ground: colours; no ground if it is the paper's.
        is_bold: heavier letters.
    """

    text: str
    ink: str = INK
    ground: str | None = None
    is_bold: bool = False


Row = Sequence[Run]


def draw(rows: Sequence[Row], *, title: str) -> str:
    """Rows of cells as an SVG page, the same for the same rows.

    Args:
        rows: top first.
        title: description for people who cannot see the picture.
    """
    columns = max(sum(len(run.text) for run in row) for row in rows)
    width, height = columns * CELL_WIDTH + 2 * MARGIN, len(rows) * CELL_HEIGHT + 2 * MARGIN
    page = page_head(width, height, title=title)
    for number, row in enumerate(rows):
        page += _row(row, MARGIN + number * CELL_HEIGHT)
    return "\n".join([*page, "</svg>", ""])


def _row(row: Row, top: int) -> Iterator[str]:
    column = 0
    for run in row:
        left, width = MARGIN + column * CELL_WIDTH, len(run.text) * CELL_WIDTH
        if run.ground:
            yield f'<rect x="{left:.1f}" y="{top}" width="{width:.1f}" height="{CELL_HEIGHT}" fill="{run.ground}"/>'
        weight = ' font-weight="bold"' if run.is_bold else ""
        for piece in PIECES.finditer(run.text):
            # A place and a length for each: columns stay under one another in fonts of any width.
            yield (
                f'<text x="{left + piece.start() * CELL_WIDTH:.1f}" y="{top + CELL_HEIGHT - 4}" '
                f'textLength="{len(piece.group()) * CELL_WIDTH:.1f}" fill="{run.ink}"{weight}>'
                f"{escape(piece.group(), quote=False)}</text>"
            )
        column += len(run.text)


def printed(line: str, *, first: int | None = None, last: int = 0) -> Callable[[], list[Row]]:
    """The output of a command line, below the line itself.

    Args:
        line: words after the program's name, as typed in the project's folder.
        first: how many lines to show; all by default.
        last: how many more to show, of the last.
    """

    def run() -> list[Row]:
        ran = subprocess.run(
            [sys.executable, "-m", "busbench", *line.split()],
            cwd=ROOT,
            env=os.environ | {"PYTHONUTF8": "1", "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            check=True,
        )
        lines: list[Row] = [[Run(text)] for text in ran.stdout.decode("utf-8").splitlines()]
        if first is not None and first + last < len(lines):
            lines = [*lines[:first], [Run("…", FAINT)], *lines[len(lines) - last :]]
        return [[Run("$ ", FAINT), Run(f"busbench {line}", is_bold=True)], [], *lines]

    return run


def watched(keys: str, *, at_s: float) -> Callable[[], list[Row]]:
    """A screen of the terminal UI on the shipped flight.

    Args:
        keys: pressed keys, separated by spaces.
        at_s: the position in the recording.
    """

    def run() -> list[Row]:
        import asyncio

        return asyncio.run(_screen(keys, at_s))

    return run


async def _screen(keys: str, at_s: float) -> list[Row]:
    from busbench.capture.open import open_capture
    from busbench.rig.load import read_rig
    from busbench.tui.main import make_app
    from busbench.tui.opening import Opened, rig_names
    from busbench.tui.replay import ReplaySession

    rig = read_rig(ROOT / "captures" / "heron.toml")
    capture = open_capture(str(ROOT / "captures" / "heron-flight.pcapng"))
    session = ReplaySession(capture, names=rig_names(rig), scale=rig.scale)
    session.load()
    session.source = "heron-flight.pcapng"
    session.seek(session.start + round(at_s * 1e9))
    session.reset_row = 0
    session.refresh()
    with mock.patch.dict(os.environ, {"TERM": "xterm-256color"}):  # the same colours wherever it is drawn
        os.environ.pop("NO_COLOR", None)
        app = make_app(Opened(session), opener=lambda source, rig_path: Opened(session), is_timed=False)  # noqa: ARG005
    async with app.run_test(size=SCREEN) as pilot:
        await pilot.pause()
        await pilot.press(*keys.split())
        app.draw()
        await pilot.pause()
        strips = app.screen._compositor.render_strips()
        rows: list[Row] = [[_run(segment) for segment in strip] for strip in strips]
    session.close()
    return rows


def _run(segment: Segment) -> Run:
    """One stretch of a screen's row with its colours."""
    style = segment.style
    ink, ground = (style.color, style.bgcolor) if style else (None, None)
    if style and style.reverse:
        ink, ground = ground, ink
    return Run(
        segment.text,
        ink.get_truecolor().hex if ink and not ink.is_default else INK,
        ground.get_truecolor().hex if ground and not ground.is_default else None,
        bool(style and style.bold),
    )


PICTURES: dict[str, Callable[[], list[Row]]] = {
    "outages": printed("outages captures/heron-flight.pcapng"),
    "power": printed("rig power captures/heron.toml", first=19, last=5),
    "channels": watched("1", at_s=30.9),
    "events": watched("3 n n n", at_s=30.9),
    "preview": printed("drive sweep --channel 1 --low -50 --high 50 --period 4 --cycles 3 --preview"),
}


# Drawings of `busbench help wiring`, by their headings.
WIRING = {"wiring_listen": "Listening", "wiring_drive": "Driving"}


def picture(name: str) -> str:
    """The SVG page of a picture."""
    if name in WIRING:
        return draw_wiring(drawing(WIRING[name]), title=f"Wiring: {WIRING[name].lower()}")
    return draw(PICTURES[name](), title=name)


def make(folder: Path) -> None:
    """Write every picture into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in (*PICTURES, *WIRING):
        path = folder / f"{name}.svg"
        path.write_text(picture(name), encoding="utf-8", newline="\n")
        print(f"{path.name}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER, metavar="FOLDER")
    make(parser.parse_args().folder)
