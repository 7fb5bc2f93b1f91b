"""Pages of many recordings: the ranking, and one unit over time."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import takewhile
from typing import Any

from busbench.analysis.ranking import Ranked
from busbench.analysis.trend import SPAN_DAYS, History, Trend
from busbench.errors import pluralize
from busbench.report.page_data import data_element
from busbench.report.provenance import bare_name, gather
from busbench.report.survey_pictures import draw_ranking, draw_trend
from busbench.rig.html import html_template
from busbench.verify.result import CAUTION

RANKING, HISTORY = "ranking", "history"
KINDS = (RANKING, HISTORY)
_RANKED_MOST = 200
MONTH_DAYS = 30
Part = tuple[str, str, list[tuple[str, Any]], Sequence[str], list[list[str]]]


def ranking_figures(
    ranking: Sequence[Ranked], errors: Sequence[tuple[str, str]], *, recordings_sha256: str
) -> dict[str, object]:
    """The figures of the page of a ranking as plain values; files are named without their folders.

    Args:
        ranking: the worst first; as many as a page holds are kept.
        errors: path and error of the recordings that could not be read.
        recordings_sha256: one hash of all recordings, see combined_sha256.
    """
    shown = [one.to_json() | {"path": bare_name(one.path)} for one in ranking[:_RANKED_MOST]]
    counts = {"recordings": len(ranking), "not_read": len(errors)}
    return {"kind": RANKING, **counts, "recordings_sha256": recordings_sha256, "ranking": shown}


def history_figures(found: History) -> dict[str, object]:
    """The figures of the page of one unit over time as plain values."""
    return {"kind": HISTORY} | found.to_json()


def ranking_html(ranking: Sequence[Ranked], errors: Sequence[tuple[str, str]], *, recordings_sha256: str) -> str:
    """The page of a ranking; all words of files and people in it are escaped. Args as in ranking_figures."""
    shown = _in_folder(ranking)[:_RANKED_MOST]
    lead = f"{ranking_words(ranking, errors)}."
    note = (
        "Recordings without a good frame come first, then the worst by the lower 95 % confidence limit of the ratio of"
        " missed frames, which counts bursts of outages: what is certain. Those without missed frames follow by their"
        " upper limit. The limits are two-sided; a page of one recording has a one-sided upper limit, which is lower."
    )
    more = f" The first {_RANKED_MOST} are shown." if len(ranking) > _RANKED_MOST else ""
    head = ("recording", "unit", "begun", "frames due", "missed", "bursts", "missed, %", "at least, %", "at most, %")
    picture = [("Missed frames: the ratio seen (block) between its limits", draw_ranking(shown))] if shown else []
    parts: list[Part] = [("Ranking", note + more, picture, head, [_ranked_row(one) for one in shown])]
    if errors:
        rows = [[bare_name(path), error] for path, error in errors[:_RANKED_MOST]]
        parts.append(("Not read", "", [], ("recording", "error"), rows))
    figures = ranking_figures(ranking, errors, recordings_sha256=recordings_sha256)
    return _page("Recordings of the serial servo bus", lead, parts, figures)


def _in_folder(ranking: Sequence[Ranked]) -> list[Ranked]:
    """The same without the folders that all have in common, so that a page can be checked in any folder."""
    paths = [re.split(r"[/\\]", one.path) for one in ranking]
    levels = zip(*(path[:-1] for path in paths), strict=False)
    common = sum(1 for _ in takewhile(lambda level: len(set(level)) == 1, levels))
    return [replace(one, path="/".join(path[common:])) for one, path in zip(ranking, paths, strict=True)]


def ranking_words(ranking: Sequence[Ranked], errors: Sequence[tuple[str, str]]) -> str:
    """How many there are."""
    losing = sum(bool(one.missed) for one in ranking)
    silent = sum(not one.has_good_frame for one in ranking)
    without = f", {silent:,} without a good frame" if silent else ""
    not_read = f"; {pluralize(len(errors), 'file')} could not be read" if errors else ""
    return f"{pluralize(len(ranking), 'serial line')}, {losing:,} with missed frames{without}{not_read}"


def history_html(found: History) -> str:
    """The page of one unit over time; all words of files and people in it are escaped."""
    words = [pluralize(found.recordings, "recording"), *history_words(found)]
    lead = " ".join(f"{one[0].upper()}{one[1:]}." for one in words)
    note = (
        "The trend is the median of the slopes between all pairs of recordings. All limits together leave out the"
        " true slope with a chance of 5 %."
    )
    head = ("figure", "median", f"per {MONTH_DAYS} days", "at least", "at most", "trend")
    pictures = []
    for one in found.trends:
        unit, factor = people_unit(one)
        pictures.append((f"{one.name}: {one.direction}", draw_trend(one, unit=unit, factor=factor)))
    rows = [trend_cells(one) for one in found.trends]
    parts: list[Part] = [("Trends", note, [], head, rows), ("Over time", _PICTURE_NOTE, pictures, (), [])]
    return _page(f"{found.unit} over time", lead, parts, history_figures(found))


def history_words(found: History) -> list[str]:
    """Why recordings or figures have no trend, a sentence each."""
    words = []
    if found.without_time:
        verbs = ("has", "is") if found.without_time == 1 else ("have", "are")
        words.append("{} {} no date and {} in no trend".format(pluralize(found.without_time, "recording"), *verbs))
    if any(one.slope_per_day is None for one in found.trends):
        words.append(f"too short a span for a trend: {SPAN_DAYS} days from first to last are needed")
    return words


_PICTURE_NOTE = (
    "Each recording is a block between the limits of its true value, cut off at the edge of the picture; the dashed"
    " line is the trend."
)


def _page(title: str, lead: str, parts: list[Part], figures: Mapping[str, object]) -> str:
    from markupsafe import Markup  # only pages need it

    about = gather(source="", recording_path=None, rig_path="")
    marked = [
        (heading, note, [(words, Markup(picture)) for words, picture in pictures], head, rows)
        for heading, note, pictures, head, rows in parts
    ]
    return html_template("busbench.report", "survey.html").render(
        title=title, lead=lead, parts=marked, caution=CAUTION, made_at=about.made_at, versions=about.versions,
        recordings_sha256=figures["recordings_sha256"], data=Markup(data_element(figures)),
    )  # fmt: skip


def _ranked_row(one: Ranked) -> list[str]:
    begun = "-" if one.start_utc is None else one.start_utc[:16].replace("T", " ")
    ratios = [digits(ratio, factor=100) for ratio in (one.missed_ratio, one.ratio_low, one.ratio_high)]
    bursts = "-" if one.bursts is None else f"{one.bursts:,}"
    return [one.name, one.unit or "-", begun, f"{one.expected:,}", f"{one.missed:,}", bursts, *ratios]


def trend_cells(one: Trend) -> list[str]:
    """Figure, median, slope and its limits, and direction, in units for people."""
    unit, factor = people_unit(one)
    median = f"{one.median * factor:.2f}" if one.name == "period" else digits(one.median, factor=factor)
    slopes = [digits(slope, factor=factor * MONTH_DAYS, sign="+") for slope in (one.slope_per_day, one.low, one.high)]
    return [f"{one.name}, {unit}", median, *slopes, one.direction]


def people_unit(one: Trend) -> tuple[str, float]:
    """Unit of a figure for people, and the factor from its own."""
    return {"s": ("µs", 1e6), "ratio": ("%", 100.0)}.get(one.unit, (one.unit, 1.0))


def digits(value: float | None, *, factor: float = 1.0, sign: str = "") -> str:
    """A value with two digits that count, or all of those before the point.

    Args:
        factor: from its unit to that for people.
    """
    if not value:
        return "-" if value is None else "0"
    shown = value * factor
    return f"{shown:{sign}.{min(9, max(0, 1 - math.floor(math.log10(abs(shown)))))}f}"
