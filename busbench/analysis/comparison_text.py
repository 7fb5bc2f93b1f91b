"""A comparison for people: its rows, its sentences and its bars, the same on the terminal and on a page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from busbench.analysis.change import Doubt, Figure
from busbench.analysis.comparison import Comparison
from busbench.errors import pluralize

_UNITS = {"s": ("ms", 1e3)}
_DECIMALS_MOST = 4
DOUBTS: dict[Doubt, str] = {
    "not in both": "in one of the recordings only",
    "no floor": "no floor, as seen too few times",
    "below the floor": "below the floor",
}
# What gives a figure a floor, or a lower one.
_REMEDIES = (
    (("endpoint low", "endpoint high", "centre"), "move each control to both ends three times or more"),
    (("failsafe delay",), "switch the transmitter off twice or more"),
    (("bursts of outages", "frames missed per burst", "noise at rest"), "record for longer"),
    (("latency",), "move the control of each pulse output both ways, by jerks"),
    (("period jitter rms",), "record with a logic analyser"),
)


@dataclass(frozen=True, slots=True)
class Bar:
    """Where a change and its interval lie, in parts of the change that matters, below 0 on the low side."""

    low: float  # low, high: the interval
    change: float | None  # None if a recording does not show the figure
    high: float


def bar_of(figure: Figure) -> Bar | None:
    """The bar of a figure; None if no interval is known."""
    if figure.low is None or figure.high is None:
        return None

    def part(value: float) -> float:
        return value / (abs(figure.tolerance[value > 0]) or 1.0)

    change = None if figure.old is None or figure.new is None else part(figure.new - figure.old)
    return Bar(part(figure.low), change, part(figure.high))


def unit_of(figure: Figure) -> str:
    """The unit of the values in words."""
    return _UNITS.get(figure.unit, (figure.unit, 1.0))[0]


def values_of(figure: Figure) -> tuple[str, str, str]:
    """Old, new and floor, with the digits that the floor leaves room for; "-" where there is none."""
    factor = _UNITS.get(figure.unit, (figure.unit, 1.0))[1]
    decimals = _decimals(None if figure.floor is None else figure.floor * factor)
    floor = figure.floor and max(figure.floor, 10**-decimals / factor)
    old, new, least = (
        "-" if value is None else f"{value * factor:.{decimals}f}" for value in (figure.old, figure.new, floor)
    )
    return old, new, least


def interval_of(figure: Figure) -> str:
    """Between what the change lies, in the unit of the values, as in "-1.2 to +3.4"; "-" where that is not known."""
    if figure.low is None or figure.high is None or figure.floor is None:
        return "-"
    factor = _UNITS.get(figure.unit, (figure.unit, 1.0))[1]
    decimals = _decimals(figure.floor * factor)
    return f"{figure.low * factor:+.{decimals}f} to {figure.high * factor:+.{decimals}f}"


def _decimals(floor: float | None) -> int:
    """One below the first digit of the floor."""
    return 1 if floor is None else 0 if not floor else min(_DECIMALS_MOST, max(0, 1 - math.floor(math.log10(floor))))


def to_list(found: Comparison) -> list[Figure]:
    """Figures that are different or look so, each for itself; sentences say the rest."""
    return [
        figure for figure in found.figures if figure.verdict == "different" or (figure.doubt and figure.looks_changed)
    ]


def unlisted(found: Comparison, shown: Sequence[Figure]) -> list[str]:
    """How many figures a list leaves out, and why; nothing if it has all of them."""
    left = len(found.figures) - len(shown)
    unsure = sum(figure.verdict == "cannot tell" for figure in found.figures if figure not in shown)
    why = [f"{left - unsure} changed too little to matter"] * (unsure < left)
    why += [f"{unsure} cannot be judged"] * (unsure > 0)
    return [f"not listed: {pluralize(left, 'figure')} (--all lists them): {', '.join(why)}"] * (left > 0)


def sentences(found: Comparison) -> list[str]:
    """Why figures cannot be judged, and what would help; the verdict comes last."""
    lines, doubtful = [], [figure for figure in found.figures if figure.doubt]
    for doubt, words in DOUBTS.items():
        some = [figure for figure in doubtful if figure.doubt == doubt]
        if some:
            lines.append(f"{words}: {_grouped(some)}")
    unsure = {figure.what for figure in doubtful if figure.doubt != "not in both"}
    helps = [remedy for names, remedy in _REMEDIES if unsure & set(names)]
    if helps:
        lines.append(f"to judge more of them, for both recordings: {'; '.join(helps)}")
    return [*lines, summary(found)]


def summary(found: Comparison) -> str:
    """The verdict with its counts."""
    different, same, unsure = (found.count(verdict) for verdict in ("different", "same", "cannot tell"))
    of = pluralize(len(found.figures), "figure")
    if different:
        rest = [_same(same)] * bool(same) + [f"{unsure} cannot be judged"] * bool(unsure)
        return "; ".join([f"different: {different} of {of}", *[", ".join(rest)] * bool(rest)])
    if not unsure:
        return f"same: {of}" if same else "cannot tell: no figure is in both recordings"
    looks = sum(figure.looks_changed for figure in found.figures if figure.doubt)
    if looks:
        said = f"nothing is surely different; {looks} of {of} may be, {unsure - looks} more cannot be judged"
    else:
        said = f"no difference found; {unsure} of {of} cannot be judged"
    return f"cannot tell: {said}" + (f", {_same(same)}" if same else "")


def _same(count: int) -> str:
    return f"{count} is the same" if count == 1 else f"{count} are the same"


def _grouped(figures: Sequence[Figure]) -> str:
    """Names of figures, those of channels together: endpoint low (ch1 ch2), failsafe delay."""
    grouped: dict[str, list[str]] = {}
    for figure in figures:
        grouped.setdefault(figure.what, []).append(figure.subject)
    return ", ".join(f"{what} ({' '.join(subjects)})" if all(subjects) else what for what, subjects in grouped.items())
