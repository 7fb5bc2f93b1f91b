"""Simple SVG pictures: lines and text, in the colour of the surrounding text.

Elements differ by position, dash, thickness, hatching or letter, never by colour.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

PAGE_WIDTH = 720.0  # width of a picture that fills the page
DASHES = {"solid": "", "dash": "7 4", "dot": "1.5 3.5", "dash-dot": "8 3 1.5 3"}


def number(value: float) -> str:
    """A coordinate in as few characters as possible."""
    return f"{value:.1f}".removesuffix(".0")


class Drawing:
    """A picture; x to the right, y down, in CSS pixels.

    Args:
        title: description for people who cannot see it.
    """

    def __init__(self, width: float, height: float, *, title: str) -> None:
        self._size, self._title = (width, height), title
        self._parts: list[str] = []

    def line(self, x1: float, y1: float, x2: float, y2: float, *, dash: str = "solid", width: float = 1) -> None:
        """A straight line."""
        ends = f'x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}"'
        self._parts.append(f"<line {ends}{_stroke(dash, width)}/>")

    def path(self, points: Iterable[tuple[float, float]], *, dash: str = "solid", width: float = 1) -> None:
        """A line through points."""
        places = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        if places:
            self._parts.append(f'<polyline points="{places}" fill="none"{_stroke(dash, width)}/>')

    def box(self, x: float, y: float, width: float, height: float, *, fill: str = "none") -> None:
        """A rectangle; `fill` is "none", "solid" or "hatch"."""
        place = f'x="{number(x)}" y="{number(y)}" width="{number(max(0, width))}" height="{number(max(0, height))}"'
        if fill == "solid":
            self._parts.append(f'<rect {place} fill="currentColor"/>')
        elif fill == "none":
            self._parts.append(f'<rect {place} fill="none"{_stroke("solid", 1)}/>')
        else:
            self._hatch(x, y, max(0, width), max(0, height))

    def _hatch(self, x: float, y: float, width: float, height: float) -> None:
        # Drawn line by line, since pattern ids would clash between pictures of one page.
        step, marks = 6.0, []
        start = x - height
        while start < x + width:
            x1, x2 = max(x, start), min(x + width, start + height)
            if x2 > x1:
                marks.append(f"M{number(x1)} {number(y + height - (x1 - start))}L{number(x2)} "
                             f"{number(y + height - (x2 - start))}")  # fmt: skip
            start += step
        self._parts.append(f'<path d="{"".join(marks)}" fill="none" stroke-opacity="0.45"{_stroke("solid", 1)}/>')
        self._parts.append(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}" fill="none"'
            f"{_stroke('dot', 1)}/>"
        )

    def text(
        self, x: float, y: float, words: str, *, anchor: str = "start", size: float = 11, bold: bool = False
    ) -> None:
        """Text, which is escaped; y is the base line."""
        more = f' text-anchor="{anchor}"' if anchor != "start" else ""
        more += ' font-weight="bold"' if bold else ""
        kept = "".join(letter for letter in words if letter.isprintable())
        self._parts.append(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}"{more}>{escape(kept)}</text>'
        )

    def svg(self) -> str:
        """The whole element, for a page."""
        return self._element("", "")

    def file(self) -> str:
        """The same as a separate file: with size, font and white background."""
        width, height = (number(side) for side in self._size)
        more = f' width="{width}" height="{height}" color="#000" font-family="system-ui, sans-serif"'
        return self._element(more, f'<rect width="{width}" height="{height}" fill="#fff"/>') + "\n"

    def _element(self, more: str, paper: str) -> str:
        width, height = (number(side) for side in self._size)
        head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}"{more} role="img"'
        label = escape(self._title, quote=True)
        body = f"<title>{label}</title>{paper}{''.join(self._parts)}"
        return f'{head} aria-label="{label}" fill="currentColor">{body}</svg>'


def _stroke(dash: str, width: float) -> str:
    pattern = f' stroke-dasharray="{DASHES[dash]}"' if DASHES[dash] else ""
    return f' stroke="currentColor" stroke-width="{number(width)}"{pattern}'


def ticks(low: float, high: float, *, most: int = 8) -> Sequence[float]:
    """Round numbers within a range, at most a given number."""
    if not high > low:
        return [low]
    rough = (high - low) / most
    decade = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * decade for factor in (1, 2, 5, 10) if factor * decade >= rough * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(step * i, 12) for i in range(first, last + 1)]
