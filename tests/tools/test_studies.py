"""The studies in a short form: what their texts say holds, and their pictures draw."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest
import soak
import study_align
import study_timing
from make_pictures import ROOT
from study_pictures import Bar, Curve, draw_bars, draw_curves

SVG = "{http://www.w3.org/2000/svg}"


def test_what_is_claimed_of_jitter_holds_for_adapters_of_every_kind() -> None:
    some = list(study_timing.cases(frames=400, seeds=3))
    assert len(some) == 3 * len(study_timing.rows())
    for kind in study_timing.rows():
        assert sum(not case.holds for case in some if case.kind == kind) <= 1, kind
    assert study_timing.share_held(some) >= 0.95
    exact = [case.jitter for case in some if case.kind == study_timing.EXACT]
    assert all(jitter is not None and jitter.floor_s == pytest.approx(5e-8) for jitter in exact)
    claims = {case.jitter.kind for case in some if case.kind == "whole, calm" and case.jitter is not None}
    assert claims == {"at most"}


def test_a_short_soak_has_the_totals_of_what_was_sent(capsys: pytest.CaptureFixture[str]) -> None:
    assert soak.week(0.2, 2)
    assert "| 0 of 2 totals differ |" in capsys.readouterr().out


def test_a_bad_line_read_three_ways() -> None:
    rows = {(name, rate): tallies for name, rate, tallies in study_align.by_rate(1500)}
    assert len(rows) == 2 * len(study_align.RATES)
    for (name, rate), tallies in rows.items():
        best = tallies["none"]
        assert best.missed <= tallies["rescanning"].missed, (name, rate)
        assert best.false <= tallies["rescanning"].false, (name, rate)
        assert best.whole > 400
    assert study_align.cell(rows["plain", 0.0]["none"]) == "0/0"
    assert rows["plain", 1e-2]["plain reader"].missed > 0.1 * rows["plain", 1e-2]["plain reader"].whole


def texts(svg: str) -> list[str | None]:
    return [text.text for text in ET.fromstring(svg).iter(f"{SVG}text")]


def test_curves_are_told_apart_by_dash_and_mark_and_name() -> None:
    curves = [Curve(name, [(1e-3, 0.0), (1e-2, share)]) for name, share in (("a", 0.1), ("b", 0.1), ("c", 0.01))]
    svg = draw_curves([("panel", curves)], x_title="errors", title="t")
    assert texts(svg) == ["panel", "none", "1e-2", "1e-1", "1e-3", "1e-2", "errors", "a", "b", "c"]
    ends = [float(text.get("y") or 0) for text in ET.fromstring(svg).iter(f"{SVG}text")][-3:]
    assert abs(ends[0] - ends[1]) >= 13  # names of lines that end together are apart
    assert len(re.findall(r"<polyline[^>]*stroke-dasharray=", svg)) == 2
    assert svg.count("http://") == 1


def test_bars_reach_as_far_as_the_floor_and_no_further_than_the_picture() -> None:
    page = ET.fromstring(draw_bars([("way", [Bar(10, 10, 9), Bar(100, 500, 5000)])], title="t"))
    upright = [line for line in page.iter(f"{SVG}line") if line.get("x1") == line.get("x2")]
    assert [(line.get("y1"), line.get("y2")) for line in upright if line.get("stroke-width") == "1.6"] == [
        ("212", "140.4"),  # from 1 to 19
        ("268", "44"),  # from none to the top
    ]


@pytest.mark.parametrize("name", ["align_study", "timing_study"])
def test_the_pictures_kept_are_shown(name: str) -> None:
    kind = name.removesuffix("_study")
    text = (ROOT / "tools" / f"study_{kind}.md").read_text(encoding="utf-8")
    assert f"(../captures/pictures/{name}.svg)" in text
    assert f"python tools/study_{kind}.py --full" in text
