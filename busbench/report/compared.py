"""The part of a page that says what changed from an earlier recording: a table with bars, and the same in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busbench.analysis.change import Change, Figure
from busbench.analysis.comparison import Comparison
from busbench.analysis.comparison_text import Bar, bar_of, interval_of, sentences, unit_of, values_of
from busbench.report.provenance import bare_name, sha256_of
from busbench.report.svg import Drawing

MARKS: dict[Change, str] = {"different": "✗ different", "cannot tell": "○ cannot tell", "same": "= same"}
_WIDTH, _HEIGHT, _MATTERS = 132.0, 14.0, 30.0  # of a bar; how far from its middle a change is that matters


@dataclass(frozen=True, slots=True)
class Compared:
    """A recording held against an earlier one."""

    old: str  # file of the earlier recording, as the person gave it
    found: Comparison  # what changed

    @property
    def name(self) -> str:
        """The file without its folders."""
        return bare_name(self.old)

    @property
    def sentences(self) -> list[str]:
        """What changed, and what cannot be judged and why; the verdict first."""
        *rest, verdict = sentences(self.found)
        return [f"{line[0].upper()}{line[1:]}." for line in (verdict, *rest)]

    def figures(self) -> dict[str, object]:
        """Plain values, and the hash of the earlier recording."""
        return {"old_sha256": sha256_of(self.old), **self.found.to_json()}

    def rows(self) -> Iterator[tuple[str, ...]]:
        """Name, old, new, floor, interval of the change, its bar as SVG, and the verdict; what is different first."""
        order = list(MARKS)
        for figure in sorted(self.found.figures, key=lambda one: order.index(one.verdict)):
            name = f"{figure.name}, {unit_of(figure)}"
            yield (name, *values_of(figure), interval_of(figure), draw_change(figure), MARKS[figure.verdict])


def draw_change(figure: Figure) -> str:
    """The interval of a change between dashed marks for what matters; arrows where it goes on; "" without one."""
    bar = bar_of(figure)
    return "" if bar is None else _drawn(bar, title=f"change of {figure.name}")


def _drawn(bar: Bar, *, title: str) -> str:
    drawing = Drawing(_WIDTH, _HEIGHT, title=title)
    middle, level = _WIDTH / 2, _HEIGHT / 2

    def x(part: float) -> float:
        return min(_WIDTH - 2, max(2.0, middle + _MATTERS * part))

    for part, dash in ((-1.0, "dash"), (0.0, "solid"), (1.0, "dash")):
        drawing.line(x(part), 0, x(part), _HEIGHT, dash=dash, width=0.7)
    drawing.line(x(bar.low), level, x(bar.high), level, width=2)
    for part, tip in ((bar.low, 4), (bar.high, -4)):
        if x(part) in (2.0, _WIDTH - 2):
            drawing.path(((x(part) + tip, level - 4), (x(part), level), (x(part) + tip, level + 4)), width=1.5)
    if bar.change is not None:
        drawing.box(x(bar.change) - 2.5, level - 2.5, 5, 5, fill="solid")
    return drawing.svg()
