"""The one word for the link in large letters, and the figures below it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from busbench.analysis.ongoing_outages import Losses
from busbench.tui.events import Events
from busbench.tui.widgets.big_digits import CAPTIONS, figures_of, verdict
from tests.tui.test_plain_figures import events_of


def link(**more: Any) -> Any:
    """A link that is well, but for what is given."""
    well = {
        "link": "in sync",
        "is_live": True,
        "is_moving": True,
        "flag_words": "none",
        "progress": "",
        "recent_losses": lambda *_: (0, 100),
        "flags": 0,
        "losses": Losses(frames=500, period_s=0.007),
        "clock": SimpleNamespace(is_known=True),
        "events": events_of(),
    }
    return SimpleNamespace(**(well | more))


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({}, "OK"),
        ({"link": "ended"}, "OK"),
        ({"recent_losses": lambda seconds: (int(seconds == 1.0), 9)}, "LOSS"),
        ({"progress": "reading: 5 frames"}, "READ"),
        *(({"link": one, "progress": "reading"}, "DEAD") for one in ("silent", "out of sync", "no frame", "reading")),
        ({"link": "ambiguous", "progress": "reading"}, "?"),
        ({"flag_words": "LOST", "link": "ambiguous"}, "LOST"),
        ({"flag_words": "FAILSAFE LOST 17 on"}, "GONE"),
        ({"flag_words": "damaged frame"}, "BAD"),
        ({"flag_words": "17 on 18 on"}, "OK"),
        ({"flag_words": "no frame"}, "DEAD"),
        ({"is_moving": False, "flag_words": "no frame"}, "PAST"),
        ({"is_moving": False, "is_live": False}, "OK"),
        ({"link": "unplugged", "is_moving": False}, "OFF"),
        ({"link": "port lost", "flag_words": "no frame"}, "OFF"),
    ],
)
def test_the_worst_that_is_known_is_the_word(more: dict[str, Any], word: str) -> None:
    assert verdict(link(**more)) == word
    assert word in CAPTIONS


def outages(*spans: tuple[float, float]) -> Events:
    return events_of(*((round(first * 1e9), round(last * 1e9), "gap", 3) for first, last in spans))


@pytest.mark.parametrize(
    ("more", "texts"),
    [
        ({}, ["0", "0", "0"]),
        ({"recent_losses": lambda: (7, 100)}, ["7", "0", "0"]),
        ({"recent_losses": lambda: (0, 0)}, ["-", "0", "0"]),
        ({"progress": "reading"}, ["-", "0", "0"]),
        ({"events": outages((1, 10.994), (20, 21))}, ["0", "9.99", "2"]),
        ({"events": outages((1, 11))}, ["0", "10", "1"]),
        ({"events": outages((1, 62.4))}, ["0", "61", "1"]),
        ({"flags": None}, ["1", "-", "1"]),  # what is due now has not come
        ({"flags": None, "losses": Losses(frames=5)}, ["-", "-", "1"]),
        ({"flags": None, "recent_losses": lambda: (5, 9), "events": outages((1, 2))}, ["5", "1.00", "1"]),
        ({"flags": None, "losses": Losses()}, ["-", "-", "-"]),
        ({"losses": Losses()}, ["0", "-", "-"]),
        ({"clock": SimpleNamespace(is_known=False), "events": outages((1, 11))}, ["0", "3", "1"]),
        ({"clock": SimpleNamespace(is_known=False)}, ["0", "0", "0"]),
    ],
)
def test_figures_are_dashes_where_they_cannot_be_known(more: dict[str, Any], texts: list[str]) -> None:
    figures = figures_of(link(**more))
    assert [text for _, text, _ in figures] == texts
    assert [style for _, _, style in figures] == ["good" if texts[0] == "0" else "gap", "ink", "ink"]


def test_captions_say_of_when_and_in_what() -> None:
    captions = [caption for caption, _, _ in figures_of(link())]
    assert captions == ["MISSED, LAST 10 S", "LONGEST OUTAGE, S", "OUTAGES SO FAR"]
    untimed = link(clock=SimpleNamespace(is_known=False), is_live=False, recent_losses=lambda: (0, 1013))
    captions = [caption for caption, _, _ in figures_of(untimed)]
    assert captions == ["MISSED, LAST 1,013", "LONGEST OUTAGE, FRAMES", "OUTAGES IN ALL"]
