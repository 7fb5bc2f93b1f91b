"""Pictures by hand: escaping, ticks, and nothing reported by colour."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from busbench.report.svg import Drawing, ticks


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0, 38.8, 8, [0, 5, 10, 15, 20, 25, 30, 35]),
        (0, 1, 5, [0, 0.2, 0.4, 0.6, 0.8, 1]),
        (14.71, 15.29, 6, [14.8, 14.9, 15, 15.1, 15.2]),
        (-3, 3, 4, [-2, 0, 2]),
        (5, 5, 8, [5]),
    ],
)
def test_ticks_are_round(low: float, high: float, most: int, expected: list[float]) -> None:
    assert list(ticks(low, high, most=most)) == pytest.approx(expected)


def test_any_words_are_words() -> None:
    drawing = Drawing(100, 50, title='a "b" <c> & d')
    drawing.text(1, 2, "</text><script>alert(1)</script>&\x00")
    root = ET.fromstring(drawing.svg())
    texts = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert texts == ["</text><script>alert(1)</script>&"]
    assert root.attrib["aria-label"] == 'a "b" <c> & d'


def test_all_is_drawn_in_the_colour_of_the_text() -> None:
    drawing = Drawing(100, 50, title="x")
    drawing.line(0, 0, 10, 10, dash="dash")
    drawing.path([(0, 0), (1.25, 2), (3, 4)], dash="dot")
    for fill in ("none", "solid", "hatch"):
        drawing.box(1, 1, 30, 20, fill=fill)
    text = drawing.svg()
    colours = {
        value
        for element in ET.fromstring(text).iter()
        for key, value in element.attrib.items()
        if key in ("stroke", "fill")
    }
    assert colours == {"currentColor", "none"}
    assert 'points="0,0 1.2,2 3,4"' in text


def test_hatching_stays_inside_its_box() -> None:
    drawing = Drawing(200, 100, title="x")
    drawing.box(20, 30, 50, 40, fill="hatch")
    path = next(ET.fromstring(drawing.svg()).iter("{http://www.w3.org/2000/svg}path")).attrib["d"]
    numbers = [tuple(map(float, part.split())) for part in path.replace("L", "M").split("M") if part]
    assert len(numbers) > 20
    assert all(20 <= x <= 70 and 30 <= y <= 70 for x, y in numbers)
