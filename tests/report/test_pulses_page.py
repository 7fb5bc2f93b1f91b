"""The page of a recording with servo pulse outputs beside the bus: their latency as a table and a picture each."""

from __future__ import annotations

import json
import re
from pathlib import Path

import html5lib
import numpy as np
import pytest

from busbench.analysis.latency import Latency
from busbench.report.page_data import figures_of
from busbench.report.pictures import draw_latency
from tests.cli.running import CAPTURES, call

Capfd = pytest.CaptureFixture[str]
OUTPUTS = CAPTURES / "heron-outputs.vcd"


def test_its_figures_are_those_of_pulses(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert call(capfd, "report", OUTPUTS, "-o", page).code == 0
    assert figures_of(page.read_text("utf-8"))["pulses"] == json.loads(
        call(capfd, "pulses", OUTPUTS, "--format", "json").out
    )
    checked = call(capfd, "report", OUTPUTS, "--check", page)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")
    text = page.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    row = '<tr><td>line.output_8</td><td class="n">8</td><td class="n">240</td>'
    assert row + 4 * '<td class="n">1.000</td>' + "<td></td></tr>" in text
    assert "<figcaption>How late the pulses of line.output_8 show frames.</figcaption>" in text
    assert call(capfd, "report", OUTPUTS, "--svg", "latency-1").out.strip() in text


def test_a_changed_latency_is_found(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    call(capfd, "report", OUTPUTS, "-o", page)
    text = page.read_text(encoding="utf-8")
    changed = re.sub(r'("median":)0\.001\b', r"\g<1>0.002", text)
    assert changed != text
    page.write_text(changed, encoding="utf-8")
    checked = call(capfd, "report", OUTPUTS, "--check", page)
    assert (checked.code, "pulses" in checked.out) == (1, True)


def test_a_page_without_pulses_has_no_such_section(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    call(capfd, "report", CAPTURES / "heron-line.vcd", "-o", page)
    assert "pulses" not in figures_of(page.read_text("utf-8"))
    assert "Servo pulse outputs" not in page.read_text(encoding="utf-8")


def test_the_picture_counts_from_zero_and_marks_the_median() -> None:
    late = np.array([2_000_000] * 3 + [4_000_000, 8_000_000], np.int64)
    svg = draw_latency("left aileron", Latency(np.arange(5) * 7_000_000, late))
    assert "<title>latency of left aileron</title>" in svg
    words = re.findall(r">([^<>]+)</text>", svg)
    assert words[:2] == ["0", "2"]
    assert "median 2.000 ms" in words
    heights = [float(h) for h in re.findall(r'<rect [^>]*height="([^"]+)"', svg)]
    # 48 bars of 8.4 ms in all: 2, 4 and 8 ms are three of them, the first three times as high.
    assert heights == [50.0, pytest.approx(50 / 3, abs=0.1), pytest.approx(50 / 3, abs=0.1)]
