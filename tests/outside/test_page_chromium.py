"""The page in Chromium: it prints on A4 (ISO 216: 210 mm by 297 mm) and paints what it says."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from busbench.report.page import page_html
from busbench.report.provenance import Provenance
from busbench.rig.sheet import sheet_html
from busbench.verify.verify import verify
from tests.rig.rigs import HEAD, device, hub, rig
from tests.verify.rounds import RIG, round_of

FROM = Provenance("round.pcapng", "ab" * 32, "heron.toml", "cd" * 32, "2026-01-31 12:00 UTC", (("busbench", "9.9"),))


def chromium(tmp_path: Path, *arguments: str) -> str:
    tool = shutil.which("chromium") or shutil.which("chromium-browser")
    if tool is None:
        pytest.skip("outside tool missing: chromium")
    fixed = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}"]
    done = subprocess.run([tool, *fixed, *arguments], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_it_prints_on_a4(tmp_path: Path) -> None:
    page, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    page.write_text(page_html(verify(round_of("reversed aileron"), RIG), provenance=FROM), encoding="utf-8")
    chromium(tmp_path, f"--print-to-pdf={pdf}", "--no-pdf-header-footer", page.as_uri())
    data = pdf.read_bytes()
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert 3 <= len(boxes) <= 12
    points = [tuple(round(float(side) / 72 * 25.4) for side in box) for box in boxes]
    assert set(points) == {(210, 297)}


def test_labels_of_the_longest_names_stay_whole(tmp_path: Path) -> None:
    names = ["w" * 60, "W" * 60, " ".join(["inner flap"] * 5)]
    hubs = [hub("h0"), *(hub(f"h{n}", f'from = "h{n - 1}"') for n in range(1, 6))]
    plan = rig(*hubs, *(device(name, n, 'on = "h5"') for n, name in enumerate(names, 1)), head=HEAD)
    # The page reports which of its boxes are cut or reach beyond the paper.
    probe = """<script>addEventListener("load", () => {
      const cut = [...document.querySelectorAll(".label, td, th")].filter(
        (box) => box.scrollHeight > box.clientHeight + 1 || box.scrollWidth > box.clientWidth + 1);
      const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
      document.body.dataset.cut = `${cut.map((box) => box.textContent)} ${wide}`; })</script>"""
    page = tmp_path / "sheet.html"
    page.write_text(sheet_html(plan).replace("</head>", probe + "</head>"), encoding="utf-8")
    dom = chromium(tmp_path, "--window-size=794,1123", "--dump-dom", page.as_uri())  # A4 at 96 pixels an inch
    assert 'data-cut=" 0"' in dom


def test_its_parser_mends_nothing(tmp_path: Path) -> None:
    # What a browser makes of valid HTML has the elements that were written, in their order.
    text = page_html(verify(round_of("no failsafe flag"), RIG), provenance=FROM)
    page = tmp_path / "page.html"
    page.write_text(text, encoding="utf-8")
    seen = re.findall(r"<([a-z][a-z0-9]*)", chromium(tmp_path, "--dump-dom", page.as_uri()))
    assert seen == re.findall(r"<([a-z][a-z0-9]*)", text)
