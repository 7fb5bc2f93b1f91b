"""The page of a recording of several receivers: a timeline each, when all were out, and what coincides."""

from __future__ import annotations

import json
import re
from pathlib import Path

import html5lib
import pytest

from busbench.analysis.recording import read_recordings
from busbench.analysis.several import lay_beside
from busbench.report.page_data import figures_of
from busbench.report.pictures import draw_receivers
from tests.cli.running import CAPTURES, call

Capfd = pytest.CaptureFixture[str]
PAIR = CAPTURES / "heron-pair.pcapng"


def test_its_figures_are_those_of_outages(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    made = call(capfd, "report", PAIR, "-o", page)
    assert (made.code, "passed over" in made.err) == (0, False)
    assert figures_of(page.read_text("utf-8"))["several"] == json.loads(
        call(capfd, "outages", PAIR, "--format", "json").out
    )
    checked = call(capfd, "report", PAIR, "--check", page)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")
    text = page.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert "<li>No receiver: 1.138 s in all, 406.043 ms at most at once; 48.798 ms expected by chance.</li>" in text
    assert call(capfd, "report", PAIR, "--svg", "receivers").out.strip() in text
    assert '<tr><td>right</td><td class="n">4,210</td><td class="n">96</td><td class="n">2.24</td>' in text


def test_one_of_its_receivers_has_a_page_alone(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert call(capfd, "report", PAIR, "--interface", "1", "-o", page).code == 0
    assert "several" not in figures_of(page.read_text("utf-8"))
    assert "Receivers at once" not in page.read_text(encoding="utf-8")
    alone = call(capfd, "report", CAPTURES / "heron-flight.pcapng", "--svg", "receivers")
    assert (alone.code, "there is no picture receivers of this recording" in alone.err) == (2, True)


def test_each_receiver_has_a_lane_and_the_last_is_when_all_were_out() -> None:
    svg = draw_receivers(lay_beside(read_recordings(PAIR)))
    assert re.findall(r">([^<>]+)</text>", svg)[:3] == ["left", "right", "no receiver"]
    lanes = [float(y) for y in re.findall(r'<rect x="[^"]+" y="([^"]+)"', svg)]
    # Lanes are 20 apart from 28 on; an outage is 9 high, one of all receivers 11.
    assert [lanes.count(y) for y in (19, 39, 57)] == [12, 10, 7]
