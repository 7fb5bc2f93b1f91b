"""A page that compares with an earlier recording: its table, its words, its figures as data."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import html5lib
import pytest

from busbench.analysis.change import Figure
from busbench.analysis.comparison import Comparison
from busbench.report.compared import Compared, draw_change
from busbench.report.page_data import figures_of
from tests.cli.running import CAPTURES, call

Capfd = pytest.CaptureFixture[str]
FLIGHT, BENCH, ROUND = (CAPTURES / f"heron-{name}.pcapng" for name in ("flight", "bench", "round"))
MOVED = Figure("endpoint low", "counts", 173.0, 190.0, 6.0, 11.0, 23.0, (-4.0, 4.0), "ch2", "<aileron>")
PERIOD = Figure("period", "s", 0.007, 0.007, 1.2e-6, -1.2e-6, 1.2e-6, (-3.6e-6, 3.6e-6))
ONCE = Figure("endpoint high", "counts", 1811.0, 1811.0, None, None, None, (-4.1, 4.1), "ch1")


def test_a_page_of_two_recordings_is_checked_with_both(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert call(capfd, "report", BENCH, "--baseline", FLIGHT, "-o", page).code == 0
    compared = figures_of(page.read_text("utf-8"))["compared"]
    found = json.loads(call(capfd, "compare", FLIGHT, BENCH, "--format", "json").out)
    assert compared == {"old_sha256": hashlib.sha256(FLIGHT.read_bytes()).hexdigest(), **found}
    checked = call(capfd, "report", BENCH, "--baseline", FLIGHT, "--check", page)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")
    text = page.read_text(encoding="utf-8")
    assert "<h2>Compared with <span data-own>heron-flight.pcapng</span></h2>" in text
    html5lib.HTMLParser(strict=True).parse(text)
    other = call(capfd, "report", BENCH, "--baseline", ROUND, "--check", page)
    assert (other.code, ": compared.old_sha256 is " in other.out) == (1, True)
    page.write_text(text.replace('"old":0.01499', '"old":0.01399', 1), encoding="utf-8")
    changed = call(capfd, "report", BENCH, "--baseline", FLIGHT, "--check", page)
    assert (changed.code, ": compared.figures[0].old is 0.01399" in changed.out) == (1, True)


def test_rows_say_in_words_what_their_bars_show() -> None:
    rows = list(Compared("somewhere/old.pcapng", Comparison((PERIOD, ONCE, MOVED))).rows())
    assert [row[:5] + row[6:] for row in rows] == [
        ("endpoint low, ch2 <aileron>, counts", "173.0", "190.0", "6.0", "+11.0 to +23.0", "✗ different"),
        ("endpoint high, ch1, counts", "1811.0", "1811.0", "-", "-", "○ cannot tell"),
        ("period, ms", "7.0000", "7.0000", "0.0012", "-0.0012 to +0.0012", "= same"),
    ]
    assert [bool(row[5]) for row in rows] == [True, False, True]


def test_a_bar_has_its_marks_its_interval_and_arrows_where_it_goes_on() -> None:
    svg = draw_change(PERIOD)
    # 66 is no change, 36 and 96 are what matters: a third of that is 10.
    assert '<line x1="56" y1="7" x2="76" y2="7"' in svg
    assert '<rect x="63.5" y="4.5" width="5" height="5"' in svg
    assert re.findall(r'x1="(\d+)" y1="0"', svg) == ["36", "66", "96"]
    assert "<polyline" not in svg
    assert draw_change(MOVED).count("<polyline") == 2  # both ends are off the scale
    assert draw_change(ONCE) == ""


def test_sentences_begin_with_the_verdict() -> None:
    assert Compared("old.pcapng", Comparison((PERIOD, ONCE, MOVED))).sentences == [
        "Different: 1 of 3 figures; 1 is the same, 1 cannot be judged.",
        "No floor, as seen too few times: endpoint high (ch1).",
        "To judge more of them, for both recordings: move each control to both ends three times or more.",
    ]


def test_a_page_to_sign_says_what_changed_since(capfd: Capfd, tmp_path: Path) -> None:
    page, rig, later = tmp_path / "page.html", CAPTURES / "heron.toml", CAPTURES / "heron-round-faulty.pcapng"
    words = ("verify", later, "--rig", rig, "--baseline", ROUND, "--report", page, "--format", "json")
    done = call(capfd, *words)
    assert done.code == 1
    checks = {one["name"]: one for one in json.loads(done.out)["checks"] if one["part"] == "change"}
    assert checks["period"]["verdict"] == "pass"
    assert checks["period"]["subject"] == "since heron-round.pcapng"
    assert checks["endpoint low"]["verdict"] == "not tested"
    assert checks["endpoint low"]["sentence"] == (
        "no floor, as seen too few times: ch1, ch2, ch5 255.0 to 550.0 counts, ch6"
    )
    text = page.read_text(encoding="utf-8")
    assert "<h3>Since the earlier recording</h3>" in text
    assert "<h2>Compared with <span data-own>heron-round.pcapng</span></h2>" in text
    html5lib.HTMLParser(strict=True).parse(text)
    checked = call(capfd, "report", later, "--check", page, "--rig", rig, "--baseline", ROUND)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")
