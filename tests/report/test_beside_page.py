"""The page of an adapter's recording beside a logic analyser's: clocks and lateness as tables, and as a picture."""

from __future__ import annotations

import json
import re
from pathlib import Path

import html5lib
import pytest

from busbench.report.page_data import figures_of
from tests.cli.running import CAPTURES, call

Capfd = pytest.CaptureFixture[str]
ADAPTER, ANALYSER = CAPTURES / "heron-late.pcapng", CAPTURES / "heron-outputs.vcd"


def test_its_figures_are_those_of_timing(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert call(capfd, "report", ADAPTER, "--against", ANALYSER, "-o", page).code == 0
    figures = figures_of(page.read_text("utf-8"))
    said = call(capfd, "timing", ADAPTER, "--against", ANALYSER, "--format", "json").out
    assert figures["timing"] == json.loads(said)
    text = page.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    late = re.findall(r"<td>lateness of the adapter, ms</td>(.*)</tr>", text)
    printed = call(capfd, "timing", ADAPTER, "--against", ANALYSER).out.splitlines()[-1].split()[-4:]
    assert late == ["".join(f'<td class="n">{cell}</td>' for cell in printed)]
    assert call(capfd, "report", ADAPTER, "--against", ANALYSER, "--svg", "lateness").out.strip() in text


def test_it_is_checked_with_both_recordings(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    call(capfd, "report", ADAPTER, "--against", ANALYSER, "-o", page)
    checked = call(capfd, "report", ADAPTER, "--against", ANALYSER, "--check", page)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")
    alone = call(capfd, "report", ADAPTER, "--check", page)
    assert (alone.code, alone.err) == (
        2, f"busbench: {page}: shows the lateness of an adapter: name the logic analyser's recording with --against\n"
    )  # fmt: skip
    other = tmp_path / "other.vcd"
    other.write_text(ANALYSER.read_text(encoding="utf-8").replace("$end", "$end ", 1), encoding="utf-8")
    checked = call(capfd, "report", ADAPTER, "--against", other, "--check", page)
    assert (checked.code, checked.out[: len(f"{page}: analyser_sha256 is")]) == (1, f"{page}: analyser_sha256 is")


def test_what_cannot_be_told_is_said_without_a_picture(capfd: Capfd, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert call(capfd, "report", CAPTURES / "heron-tty.pcapng", "--against", ANALYSER, "-o", page).code == 0
    text = page.read_text(encoding="utf-8")
    assert "0 frames in both recordings. Cannot tell: the two recordings have too few changes" in text
    assert "Lateness of the adapter over time" not in text
