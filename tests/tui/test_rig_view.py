"""The plan on the screen."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.cli.running import CAPTURES
from tests.tui.ports import Live
from tests.tui.screens import SIZES, check, shown, text_of

HERON = CAPTURES / "heron.toml"


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize(("case", "keys"), [("moving", "8"), ("stalled", "8 left left")])
async def test_tree(size: tuple[int, int], case: str, keys: str) -> None:
    async with shown(Live().session, size, keys=keys, rig=HERON) as (app, _):
        check(f"rig-{case}-{size[0]}x{size[1]}", app)


async def test_plain_characters() -> None:
    async with shown(Live().session, (120, 40), keys="8", rig=HERON, is_ascii=True) as (app, _):
        assert text_of(app).isascii()
        assert "   |  `-  3 left flap" in text_of(app)


async def test_the_diagram_in_plain_characters() -> None:
    async with shown(Live().session, (160, 48), keys="8", rig=HERON, is_ascii=True) as (app, _):
        text = text_of(app)
        assert text.isascii()
        (tail,) = (line for line in text.splitlines() if "hub tail 6.72 V" in line)
        words = " ".join(re.sub("==+", "==", re.sub("--+", "--", tail)).split())
        assert words == "#= 1.80 A == hub tail 6.72 V ==#- 0.50 A -- 5 right elevator 6.69 V"


async def test_the_diagram_is_there_in_all_cases_or_in_none() -> None:
    for width in (120, 130, 140):
        async with shown(Live().session, (width, 40), keys="8", rig=HERON) as (app, pilot):
            kinds = set()
            for _ in range(12):
                await pilot.press("right")
                kinds.add("on the tree" in text_of(app))
            assert len(kinds) == 1


async def test_cases_go_round_and_say_in_words_what_is_amiss() -> None:
    async with shown(Live().session, (160, 48), keys="8", rig=HERON) as (app, pilot):
        assert "case 2 of 12, 6.02 A drawn: all moving" in text_of(app)
        assert "no warnings" in text_of(app)
        await pilot.press("left", "left")
        await pilot.pause()
        text = text_of(app)
        assert "case 12 of 12, 24.12 A drawn: all stalled" in text
        assert "14 warnings" in text
        assert "hub tail 4.62 V LOW, OVER" in text
        (gear,) = (line for line in text.splitlines() if "7 gear" in line)
        assert "LOW" not in gear
        assert "OVER" not in gear


async def test_rows_scroll_to_the_last_warning_and_not_beyond() -> None:
    async with shown(Live().session, keys="8 left left", rig=HERON) as (app, pilot):
        await pilot.press(*["down"] * 60)
        await pilot.pause()
        assert text_of(app).splitlines()[-3] == " ! right flap: 5.45 V is below the minimum of 5.5 V"
        await pilot.press("up")
        await pilot.pause()
        assert "more lines: down scrolls" in text_of(app)


async def test_without_a_plan_it_says_how_to_open_one() -> None:
    async with shown(Live().session, keys="8 left down") as (app, _):
        assert "a rig file: s opens one; or start with\n `busbench watch SOURCE --rig RIG.toml`." in text_of(app)


async def test_a_plan_that_is_no_tree_says_so(tmp_path: Path) -> None:
    path = tmp_path / "ring.toml"
    text = HERON.read_text(encoding="utf-8").replace('name = "tail"\nfrom = "receiver"', 'name = "tail"\nfrom = "tail"')
    path.write_text(text, encoding="utf-8")
    async with shown(Live().session, keys="8 left down", rig=path) as (app, _):
        assert "hubs form a ring: tail → tail" in text_of(app)
