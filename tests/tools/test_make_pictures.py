"""The README's pictures: as the commands print today, readable by themselves, and small."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import make_pictures
import pytest
from make_pictures import Run, draw
from wiring_pictures import draw_wiring

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("name", [*make_pictures.PICTURES, *make_pictures.WIRING])
def test_a_picture_shows_what_the_program_prints_today(name: str) -> None:
    kept = (make_pictures.FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    assert make_pictures.picture(name) == kept, "draw it again with tools/make_pictures.py and look at it"


def test_every_picture_kept_is_drawn_and_shown() -> None:
    kept = {path.stem for path in make_pictures.FOLDER.iterdir() if not path.stem.endswith("_study")}
    readme = (Path(make_pictures.ROOT) / "README.md").read_text(encoding="utf-8")
    assert kept == {*make_pictures.PICTURES, *make_pictures.WIRING}
    assert kept == set(re.findall(r"\(captures/pictures/(\w+)\.svg\)", readme))


@pytest.mark.parametrize("path", sorted(make_pictures.FOLDER.iterdir()), ids=lambda path: str(path.name))
def test_a_picture_is_small_and_fetches_nothing(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.encode()) < 60_000
    assert re.findall(r"https?://[^\"]*", text) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"@font-face|@import|<script|<image|href", text)


def test_cells_stand_under_one_another() -> None:
    page = ET.fromstring(draw([[Run("ab  c")], [Run("<&"), Run("x", ground="#ffff00", is_bold=True)]], title="t"))
    texts = [(text.text, text.get("x"), text.get("y")) for text in page.iter(f"{SVG}text")]
    assert texts == [("ab", "14.0", "27"), ("c", "45.2", "27"), ("<&", "14.0", "44"), ("x", "29.6", "44")]
    assert [rect.get("x") for rect in page.iter(f"{SVG}rect")] == ["0.5", "29.6"]


def test_a_wiring_drawing_joins_its_lines_and_keeps_its_words() -> None:
    page = draw_wiring([" a ─┬─► b", "    └── 1 kΩ"], title="t")
    (lines,) = re.findall(r'<path d="([^"]*)" fill="none"', page)
    assert lines == (
        "M41.3 22.5H37.4M41.3 22.5H45.2"
        "M49.1 22.5H45.2M49.1 22.5H53.0M49.1 22.5V31.0"
        "M56.9 22.5H53.0M56.9 22.5H60.8"
        "M64.7 22.5H60.8"
        "M49.1 39.5H53.0M49.1 39.5V31.0"
        "M56.9 39.5H53.0M56.9 39.5H60.8M64.7 39.5H60.8M64.7 39.5H68.6"
    )
    assert re.findall(r">([^<]+)</text>", page) == ["a", "b", "1 kΩ"]
    assert page.count('l-7 -4v8z"') == 1
