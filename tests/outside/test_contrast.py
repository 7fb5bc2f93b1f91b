"""Words on the screens against their background.

Source: Web Content Accessibility Guidelines 2.2 (W3C recommendation): relative luminance and contrast ratio by its
definitions; success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (what a picture is made of, 3:1). The constants and the
two worked ratios are from memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.color import Color, ColorSystem
from rich.color_triplet import ColorTriplet
from rich.segment import Segment
from textual.theme import Theme

from busbench.tui.palette import THEMES, of_theme
from tests.tui.every import Mode, all_screens

TEXT, PICTURE = 4.5, 3.0
ON_PANEL = {"ink", "dim", "title", "good", "warn", "gap", "lost", "mark"}  # in the state above, and the place below


def luminance(colour: ColorTriplet) -> float:
    parts = (part / 255 for part in colour)
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: ColorTriplet, other: ColorTriplet) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def of_segment(segment: Segment) -> tuple[float, float] | None:
    """Its contrast and the least it must have; None if it shows nothing or its colours are the terminal's."""
    text, style = segment.text.strip().strip("\u2800"), segment.style
    if not text or style is None or style.color is None or style.bgcolor is None or style.color.is_default:
        return None
    ratio = contrast(style.color.get_truecolor(), style.bgcolor.get_truecolor())
    return ratio, TEXT if any(one.isalnum() for one in text) else PICTURE


def test_the_formula_gives_the_known_ratios() -> None:
    black, white, grey = ColorTriplet(0, 0, 0), ColorTriplet(255, 255, 255), ColorTriplet(119, 119, 119)
    assert contrast(black, white) == pytest.approx(21.0)
    assert contrast(grey, white) == pytest.approx(4.48, abs=0.005)  # the grey that just fails


@pytest.mark.parametrize("mode", [Mode(is_ascii=True), Mode((120, 40), is_ascii=True, shade="light")], ids=str)
async def test_every_word_stands_out_from_its_ground(mode: Mode, tmp_path: Path) -> None:
    weak: dict[str, float] = {}
    looked = 0
    for name, screen in (await all_screens(mode, tmp_path)).items():
        for segment in screen:
            found = of_segment(segment)
            looked += found is not None
            if found is not None and found[0] < found[1]:
                weak[f"{segment.text.strip()!r} as {segment.style} in {name}"] = round(found[0], 2)
    assert weak == {}
    assert looked > 1000


@pytest.mark.parametrize("theme", THEMES[:2], ids=lambda theme: str(theme.name))
def test_styles_stand_out_in_256_colours_too(theme: Theme) -> None:
    grounds = [Color.parse(one) for one in (theme.background, theme.panel) if one]
    weak = {}
    for name, style in of_theme(theme.name).styles.items():
        least = PICTURE if name in ("rule", "span") else TEXT
        for ground in [style.bgcolor] if style.bgcolor else grounds[: 1 + (name in ON_PANEL)]:
            assert style.color is not None
            one, other = (colour.downgrade(ColorSystem.EIGHT_BIT).get_truecolor() for colour in (style.color, ground))
            if (ratio := contrast(one, other)) < least:
                weak[name, ground.name] = round(ratio, 2)
    assert weak == {}
