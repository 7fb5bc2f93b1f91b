"""The pages of many recordings: which rows and sentences there are with none, one and very many."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.analysis.ranking import Ranked
from busbench.analysis.trend import History
from busbench.report.page_data import figures_of
from busbench.report.survey_page import digits, history_html, ranking_html
from tests.report.test_whole_pages import words_of

ONE = Ranked("one.pcapng", "left", None, None, 1234, 56789, 0.02, 1000, 0.01, 0.03, "ab" * 32)


def test_a_page_of_no_recordings_has_neither_picture_nor_table() -> None:
    shown = words_of(ranking_html([], [], recordings_sha256="ef" * 32))
    assert "0 serial lines, 0 with missed frames." in shown
    assert " | " not in shown
    assert "[" not in shown
    assert "Not read" not in shown


def test_one_recording_without_unit_and_date() -> None:
    shown = words_of(ranking_html([ONE], [("a", "b"), ("c", "d")], recordings_sha256="ef" * 32))
    assert "1 serial line, 1 with missed frames; 2 files could not be read." in shown
    assert "\none.pcapng [left] | - | - | 56,789 | 1,234 | 1,000 | 2.0 | 1.0 | 3.0\n" in shown
    assert "recording | error\na | b\nc | d\n" in shown


@pytest.mark.parametrize(("many", "has_sentence"), [(200, False), (201, True)])
def test_a_page_shows_the_first_two_hundred_and_says_so(many: int, has_sentence: bool) -> None:
    shown = words_of(ranking_html([ONE] * many, [("a", "b")] * many, recordings_sha256="ef" * 32))
    assert shown.count("one.pcapng [left] |") == 200
    assert shown.count("a | b") == 200
    assert ("which is lower. The first 200 are shown." in shown) is has_sentence
    assert f"{many} serial lines, {many} with missed frames" in shown


def test_its_figures_are_in_the_page(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text(ranking_html([ONE], [("a", "b")], recordings_sha256="ef" * 32), encoding="utf-8")
    assert figures_of(page.read_text("utf-8")) == {
        "kind": "ranking",
        "recordings": 1,
        "recordings_sha256": "ef" * 32,
        "not_read": 1,
        "ranking": [
            {"path": "one.pcapng", "interface": "left", "unit": None, "start_utc": None, "missed": 1234,
             "expected": 56789, "missed_ratio": 0.02, "bursts": 1000, "ratio_low": 0.01, "ratio_high": 0.03,
             "sha256": "ab" * 32}
        ],
    }  # fmt: skip
    page.write_text(history_html(History("Heron", 3, 0, "cd" * 32, ())), encoding="utf-8")
    assert figures_of(page.read_text("utf-8")) == {
        "kind": "history", "unit": "Heron", "recordings": 3, "without_time": 0,
        "recordings_sha256": "cd" * 32, "trends": [],
    }  # fmt: skip


def test_a_history_with_all_dates_leaves_the_sentence_out() -> None:
    assert ". 1 recording.\n" in words_of(history_html(History("Heron", 1, 0, "cd" * 32, ())))
    assert ". 3 recordings. 2 recordings have no date and are in no trend.\n" in words_of(
        history_html(History("Heron", 3, 2, "cd" * 32, ()))
    )


@pytest.mark.parametrize(
    ("value", "factor", "sign", "shown"),
    [
        (None, 1.0, "", "-"), (0.0, 1.0, "+", "0"), (0.0123, 100.0, "", "1.2"), (-0.0123, 1.0, "+", "-0.012"),
        (123.4, 1.0, "+", "+123"), (9.96, 1.0, "", "10.0"), (10.0, 1.0, "", "10"), (1.0, 1.0, "", "1.0"),
        (1.2e-12, 1.0, "", "0.000000000"),
    ],
)  # fmt: skip
def test_two_digits_count(value: float | None, factor: float, sign: str, shown: str) -> None:
    assert digits(value, factor=factor, sign=sign) == shown
