"""Checks of what changed since an earlier recording: one for each kind of figure, over all channels."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.analysis.change import Figure
from busbench.analysis.comparison import Comparison
from busbench.analysis.comparison_text import DOUBTS, unit_of, values_of
from busbench.verify.result import Check, CheckFactory


def check_changes(found: Comparison, *, old: str) -> Iterator[Check]:
    """A kind of figure fails if one of them is different; if one cannot be judged, it is not tested.

    Args:
        found: the earlier recording against this one.
        old: name of the earlier one.
    """
    factory = CheckFactory("change", f"since {old}")
    if not found.figures:
        yield factory.not_tested("change", "no figure is in both recordings")
    for what in dict.fromkeys(figure.what for figure in found.figures):
        figures = [figure for figure in found.figures if figure.what == what]
        different = [figure for figure in figures if figure.verdict == "different"]
        doubtful = [figure for figure in figures if figure.doubt]
        if different:
            rest = f"; {_doubts(doubtful)}" if doubtful else ""
            yield factory.is_so(what, f"changed: {', '.join(map(_change, different))}{rest}", good=False)
        elif doubtful:
            yield factory.not_tested(what, _doubts(doubtful))
        else:
            yield factory.is_so(what, f"unchanged: {', '.join(map(_value, figures))}", good=True)


def _change(figure: Figure) -> str:
    old, new, floor = values_of(figure)
    return f"{_subject(figure)}{old} to {new} {unit_of(figure)} (floor {floor})"


def _value(figure: Figure) -> str:
    return f"{_subject(figure)}{values_of(figure)[1]} {unit_of(figure)}"


def _subject(figure: Figure) -> str:
    return f"{figure.subject} " if figure.subject else ""


def _doubts(figures: Sequence[Figure]) -> str:
    """Why some cannot be judged, with the values of those that look changed."""
    parts = []
    for doubt in dict.fromkeys(figure.doubt for figure in figures):
        some = [figure for figure in figures if figure.doubt == doubt]
        named = [_seen(figure) for figure in some]
        parts.append(DOUBTS[doubt] + (f": {', '.join(filter(None, named))}" if any(named) else ""))
    return "; ".join(parts)


def _seen(figure: Figure) -> str:
    old, new, _ = values_of(figure)
    if old == new or not figure.looks_changed:  # to the digits that the floor leaves
        return figure.subject
    if figure.old is None or figure.new is None:
        value, when = (new, "now") if figure.old is None else (old, "earlier")
        return f"{_subject(figure)}{value} {unit_of(figure)} {when} only"
    return f"{_subject(figure)}{old} to {new} {unit_of(figure)}"
