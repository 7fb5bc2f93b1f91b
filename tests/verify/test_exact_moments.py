"""The frame that shows what a check found: the farthest from the plan, the first of two as far, or that of its step."""

from __future__ import annotations

import msgspec
import pytest

from busbench.verify.moments import channel_of, moment_of
from busbench.verify.verify import Verification
from tests.verify.exact import BACK, FAILSAFE, FIN, GEAR, OFF, PLAN, PROP, SEQUENCE, Level, found_in

# Away by 3 and 4 counts, the farthest twice, at rest and in failsafe; in failsafe what was held is 1811.
AWAY: tuple[Level, ...] = (
    (FIN, 995, 40, 41), (FIN, 996, 50, 51), (FIN, 988, 70, 71), (FIN, 996, 180, 181), (PROP, 170, 191, 192),
    (FIN, 990, 290, 291), (FIN, 995, 300, 301), (FIN, 989, 310, 311), (GEAR, 1808, 320, 321), (GEAR, 1813, 330, 331),
)  # fmt: skip
LINK = ("how it shows", "delay", "flag stays up")


def moments(found: Verification) -> dict[tuple[int | None, str], int | None]:
    return {(check.channel, check.name): moment_of(check, found) for check in found.checks}


@pytest.mark.parametrize(("channel", "name", "row"), [
    (FIN, "rest", 50), (FIN, "noise at rest", 50), (PROP, "rest", 191), (GEAR, "rest", 0),
    (FIN, "failsafe value", 300), (GEAR, "failsafe value", 320), (PROP, "failsafe value", FAILSAFE),
    (FIN, "while lost", OFF), (FIN, "after return", BACK), (None, "recovery", BACK),
    *((None, name, OFF) for name in LINK), (FIN, "low end", None), (FIN, "moves alone", None),
])  # fmt: skip
def test_the_frame_of_a_check(channel: int | None, name: str, row: int | None) -> None:
    assert moments(found_in(*AWAY))[channel, name] == row


def test_a_value_that_is_not_planned_is_shown_by_the_first_frame_of_failsafe() -> None:
    devices = tuple(msgspec.structs.replace(one, failsafe=None if one.channel == FIN else one.failsafe)
                    for one in PLAN.devices)  # fmt: skip
    found = found_in(*AWAY, rig=msgspec.structs.replace(PLAN, devices=devices))
    assert moments(found)[FIN, "failsafe value"] == FAILSAFE


def test_silence_shows_nothing_but_the_return() -> None:
    shown = moments(found_in(parts=(("good", OFF), ("silent", 160), ("good", 256))))
    assert [shown[None, name] for name in (*LINK, "recovery")] == [None, None, None, OFF]
    assert (shown[FIN, "failsafe value"], shown[FIN, "after return"]) == (None, OFF)


def test_a_move_is_shown_by_its_ends_and_what_moved_with_it() -> None:
    levels: tuple[Level, ...] = (
        (FIN, 1805, 70, 74), (FIN, 1811, 75, 78), (FIN, 180, 80, 82), (FIN, 173, 84, 88), (GEAR, 190, 79, 81),
    )  # fmt: skip
    found = found_in(*levels, steps={"stick": 1.0, "done": 2.0})
    shown = moments(found)
    assert [shown[FIN, name] for name in ("high end", "low end", "direction", "moves alone")] == [75, 84, 64, 79]


@pytest.mark.parametrize(("first", "rows"), [((), set()), ((("failsafe", 20),), {0})])
def test_a_power_up_is_shown_by_its_first_frame(first: tuple[tuple[str, int], ...], rows: set[int]) -> None:
    found = found_in(parts=(*first, *SEQUENCE))
    assert {moment_of(check, found) for check in found.checks if check.part == "power-up"} == rows
    assert {channel_of(check, found) for check in found.checks} == {None, FIN, GEAR, PROP}
