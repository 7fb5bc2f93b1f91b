"""Wiring drawings as SVG, made from the text drawings of `busbench help wiring`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import escape

from busbench.reference.topics import source_text

INK, PAPER, EDGE = "#1c1e21", "#fbfaf6", "#d9d6cc"
CELL_WIDTH, CELL_HEIGHT, FONT_SIZE, MARGIN = 7.8, 17, 13, 14
# Where the lines of a character lead from the middle of its cell: left, right, up, down.
LINES = {
    "─": "lr", "│": "ud", "┌": "rd", "┐": "ld", "└": "ru", "┘": "lu",
    "├": "rud", "┤": "lud", "┬": "lrd", "┴": "lru", "┼": "lrud", "►": "l", "◄": "r",
}  # fmt: skip
_PIECES = re.compile(rf"[^\s{''.join(LINES)}]+(?: [^\s{''.join(LINES)}]+)*")


def drawing(heading: str) -> list[str]:
    """The first drawing below a heading of the text."""
    _, _, below = source_text("wiring").partition(f"\n## {heading}\n")
    found = re.search(r"```\n(.*?)```", below, re.DOTALL)
    assert found, heading
    return found[1].splitlines()


def page_head(width: float, height: float, *, title: str) -> list[str]:
    """The start of an SVG page of text, up to its paper."""
    return [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
        f'height="{height:.0f}" role="img" font-family="ui-monospace, monospace" font-size="{FONT_SIZE}">',
        f"<title>{escape(title)}</title>",
        f'<rect x="0.5" y="0.5" width="{width - 1:.0f}" height="{height - 1:.0f}" rx="5" fill="{PAPER}" '
        f'stroke="{EDGE}"/>',
    ]


def draw_wiring(rows: list[str], *, title: str) -> str:
    """A text drawing as an SVG page: its line characters as lines, all else as text.

    Args:
        rows: of the drawing, top first.
        title: for people who do not see the picture.
    """
    width = max(map(len, rows)) * CELL_WIDTH + 2 * MARGIN
    height = len(rows) * CELL_HEIGHT + 2 * MARGIN
    lines = "".join(piece for number, row in enumerate(rows) for piece in _lines(row, number))
    page = [
        *page_head(width, height, title=title),
        f'<path d="{lines}" fill="none" stroke="{INK}" stroke-width="1.4" stroke-linecap="square"/>',
    ]
    for number, row in enumerate(rows):
        page += _texts(row, number)
    return "\n".join([*page, "</svg>", ""])


def _centre(column: int, number: int) -> tuple[float, float]:
    return MARGIN + (column + 0.5) * CELL_WIDTH, MARGIN + (number + 0.5) * CELL_HEIGHT


def _lines(row: str, number: int) -> Iterator[str]:
    """Path data of the lines of a row."""
    for column, sign in enumerate(row):
        x, y = _centre(column, number)
        for way in LINES.get(sign, ""):
            end = {
                "l": f"H{x - CELL_WIDTH / 2:.1f}",
                "r": f"H{x + CELL_WIDTH / 2:.1f}",
                "u": f"V{y - CELL_HEIGHT / 2:.1f}",
                "d": f"V{y + CELL_HEIGHT / 2:.1f}",
            }[way]
            yield f"M{x:.1f} {y:.1f}{end}"


def _texts(row: str, number: int) -> Iterator[str]:
    """Arrow heads and words of a row."""
    for column, sign in enumerate(row):
        if sign in "►◄":
            x, y = _centre(column, number)
            ahead = 1 if sign == "►" else -1
            yield f'<path d="M{x + 4 * ahead:.1f} {y:.1f}l{-7 * ahead} -4v8z" fill="{INK}"/>'
    for piece in _PIECES.finditer(row):
        left, words = MARGIN + piece.start() * CELL_WIDTH, escape(piece.group(), quote=False)
        yield (
            f'<text x="{left:.1f}" y="{MARGIN + (number + 1) * CELL_HEIGHT - 4:.0f}" '
            f'textLength="{len(piece.group()) * CELL_WIDTH:.1f}" fill="{INK}">{words}</text>'
        )
