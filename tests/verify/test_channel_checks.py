"""Endpoints, direction, other channels and noise of a channel, from literal moves: each limit met, and exceeded."""

from __future__ import annotations

import dataclasses

import pytest

from busbench.rig.model import Rig
from busbench.verify.channel_checks import check_channels, shares_gimbal
from busbench.verify.control_moves import Also, ControlMove
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.result import Check, Verdict
from busbench.wire.frame_spec import FLAG_LOST
from tests.rig.rigs import device, rig
from tests.verify.exact_frames import HIGH, LOW, NEUTRAL, held, inputs, limited, move, phases, plans

PASS, FAIL, NOT_TESTED = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED
UP = 'above_neutral = "up"'
PLAN = rig(
    device("aileron", 1, 'control = "a"', 'gimbal = "right"', 'high_when = "left"', UP),
    device("elevator", 2, 'control = "e"', 'gimbal = "right"'),
    device("flap", 3, 'control = "f"', "rest_pct = -100", 'high_when = "down"', 'above_neutral = "down"'),
    device("fan", 8, 'control = "m"', 'motor = "electric"', 'gimbal = "right"', failsafe="-100"),
    device("release", 17, 'control = "s"', 'high_when = "on"', 'gimbal = "right"'),
)


def judged(
    evidence: VerifyInputs, channel: int = 1, turn: ControlMove | None = None, *, rest: int = NEUTRAL,
    mapped: ChannelPlan | None = None,
) -> dict[str, Check]:  # fmt: skip
    """The checks of one channel, with other endpoints if they are given."""
    known = plans(evidence.rig) | ({} if mapped is None else {channel: mapped})
    found = phases(moves=[] if turn is None else [turn], rests={channel: rest}, count=evidence.counts.shape[1])
    checks = check_channels(evidence, list(known.values()), found)
    return {one.name: one for one in checks if one.channel == channel}


WHOLE = held(NEUTRAL, (20, 30, HIGH), (40, 50, LOW), count=64)
TURN = move("a", 10, 60)


def test_a_channel_that_did_not_move_has_no_ends_no_direction_and_no_others() -> None:
    evidence = inputs({1: WHOLE}, plan=PLAN)
    why = '"a" was not moved by itself in this recording'
    for turn, words in ((None, why), (move("a", 0, 0), "no frame in which it was moved can be used")):
        found = judged(evidence, turn=turn)
        for name, unit, limit in (
            ("low end", "counts", 24.57), ("high end", "counts", 24.57), ("direction", "", None),
            ("moves alone", "counts", 8),
        ):  # fmt: skip
            check = found[name]
            assert (check.verdict, check.sentence, check.unit) == (NOT_TESTED, words, unit)
            assert check.limit == (None if limit is None else pytest.approx(limit))


ENGINE = ('motor = "engine"', 'ignition_kill = "cut"', 'control = "m"')


@pytest.mark.parametrize(
    ("keys", "rest", "ends", "verdict", "words"),
    [
        (("idle_pct = -80",), 337, (337, HIGH), PASS,
         "reached 337 counts (1091 µs), planned idle 337 counts (1090 µs)"),
        (("idle_pct = -80",), 337, (LOW, HIGH), PASS, "reached 173 counts (988 µs), planned 173 counts (988 µs)"),
        (("idle_pct = -80",), 337, (313, HIGH), PASS,
         "reached 313 counts (1076 µs), planned idle 337 counts (1090 µs)"),
        (("idle_pct = -80",), 337, (312, HIGH), FAIL,
         "reached 312 counts (1075 µs), planned idle 337 counts (1090 µs): neither at idle nor at its end,"
         " 173 counts (988 µs)"),
        (("idle_pct = -80",), 362, (362, HIGH), FAIL,
         "reached 362 counts (1106 µs), planned idle 337 counts (1090 µs): neither at idle nor at its end,"
         " 173 counts (988 µs)"),
        (("idle_pct = -80",), 337, (198, HIGH), FAIL,
         "reached 198 counts (1004 µs), planned 173 counts (988 µs): short by 25 counts"),
        (("idle_pct = 80", "reversed = true"), 1647, (1647, LOW), PASS,
         "reached 1647 counts (1909 µs), planned idle 1647 counts (1910 µs)"),
        (("idle_pct = -20", "rest_pct = -20"), 828, (828, HIGH), FAIL,
         "reached 828 counts (1398 µs), planned 173 counts (988 µs): short by 655 counts"),  # that is no idle
    ],
)  # fmt: skip
def test_the_closed_end_of_an_engine_is_its_endpoint_or_its_idle(
    keys: tuple[str, ...], rest: int, ends: tuple[int, int], verdict: Verdict, words: str
) -> None:
    values = held(rest, (20, 30, ends[0]), (40, 50, ends[1]), count=64)
    evidence = inputs({3: values}, plan=rig(device("engine", 3, *ENGINE, *keys, failsafe="-80")))
    checks = judged(evidence, 3, move("m", 10, 60), rest=rest)
    closed, opened = ("high end", "low end") if rest > NEUTRAL else ("low end", "high end")
    assert (checks[closed].verdict, checks[closed].sentence) == (verdict, words)
    assert checks[opened].verdict is PASS


@pytest.mark.parametrize(
    ("low", "high", "verdicts", "words"),
    [
        (LOW, HIGH, (PASS, PASS), ("reached 173 counts (988 µs)", "reached 1811 counts (2012 µs)")),
        (LOW + 24, HIGH - 24, (PASS, PASS), ("reached 197", "reached 1787")),
        (LOW - 24, HIGH + 24, (PASS, PASS), ("reached 149", "reached 1835")),
        (LOW + 25, HIGH - 25, (FAIL, FAIL), (": short by 25 counts", ": short by 25 counts")),
        (LOW - 25, HIGH + 25, (FAIL, FAIL), (": beyond it", ": beyond it")),
        (NEUTRAL - 20, NEUTRAL + 21, (FAIL, FAIL), (": short by 799 counts", ": short by 798 counts")),
        (NEUTRAL - 20, NEUTRAL + 20, (FAIL, FAIL), (": it did not move", ": it did not move")),
    ],
)
def test_the_ends_are_within_3_percent_of_full_command(
    low: int, high: int, verdicts: tuple[Verdict, Verdict], words: tuple[str, str]
) -> None:
    """24.57 counts."""
    evidence = inputs({1: held(NEUTRAL, (20, 30, high), (40, 50, low), count=64)}, plan=PLAN)
    found = judged(evidence, turn=TURN)
    for name, measured, plan, verdict, said in zip(
        ("low end", "high end"), (low, high), (LOW, HIGH), verdicts, words, strict=True
    ):
        check = found[name]
        assert (check.verdict, check.measured, check.expected, check.unit) == (verdict, measured, plan, "counts")
        assert check.limit == pytest.approx(24.57)
        planned = f", planned {plan} counts ({988 if plan == LOW else 2012} µs)"
        assert check.sentence.endswith(planned if verdict is PASS else planned + said)
        assert verdict is FAIL or check.sentence.startswith(said)


def test_an_end_is_at_its_limit_in_words_too() -> None:
    """100 % of full command are 819 counts."""
    plan = limited(PLAN, end_pct=100.0)
    for high, verdict in ((NEUTRAL, PASS), (NEUTRAL - 1, FAIL)):
        check = judged(inputs({1: [high] * 64}, plan=plan), turn=TURN)["high end"]
        assert check.verdict is verdict
        assert ("it did not move" in check.sentence) is (verdict is FAIL)


def test_flagged_frames_and_glitches_reach_no_end() -> None:
    values = held(NEUTRAL, (20, 21, HIGH), (40, 42, LOW), (5, 7, HIGH), (60, 62, HIGH), count=64)
    evidence = inputs({1: values}, plan=PLAN, flags={40: FLAG_LOST, 41: FLAG_LOST})
    found = judged(evidence, turn=TURN)
    assert (found["low end"].measured, found["high end"].measured) == (NEUTRAL, NEUTRAL)


@pytest.mark.parametrize(
    ("also", "words"),
    [
        ([(4, 161)], ": it did not move, channel 4 moved in its place"),
        ([(4, 160)], ": it did not move"),
        ([(4, 161), (5, 160), (6, 800)], ": it did not move, channel 4 and channel 6 moved in its place"),
    ],
)
def test_another_channel_that_moved_far_moved_in_its_place(also: list[tuple[int, int]], words: str) -> None:
    turn = move("a", 10, 60, *(Also(channel, counts, False, 12, 9) for channel, counts in also))
    found = judged(inputs({1: [NEUTRAL] * 64}, plan=PLAN), turn=turn)
    for name, planned in (("low end", "173 counts (988 µs)"), ("high end", "1811 counts (2012 µs)")):
        assert found[name].sentence == f"reached 992 counts (1500 µs), planned {planned}{words}"


def with_reach(channel: int, counts: float, plan: Rig = PLAN) -> ChannelPlan:
    mapped = plans(plan)[channel]
    ends = dataclasses.replace(mapped.ends, low_counts=NEUTRAL - counts, high_counts=NEUTRAL + counts)
    return dataclasses.replace(mapped, ends=ends)


@pytest.mark.parametrize(
    ("first", "then", "verdict", "words"),
    [
        (410, -410, PASS, '"a" to "left" first took it above neutral (aileron up), planned above neutral (aileron up)'),
        (-410, 410, FAIL,
         '"a" to "left" first took it below neutral (aileron down), planned above neutral (aileron up): reversed'),
        (-409, 410, PASS, '"a" to "left" first took it above neutral (aileron up), planned above neutral (aileron up)'),
        (409, -410, FAIL,
         '"a" to "left" first took it below neutral (aileron down), planned above neutral (aileron up): reversed'),
        (409, -409, NOT_TESTED, "it did not move far enough to show a direction"),
    ],
)  # fmt: skip
def test_the_first_move_from_half_the_travel_on_shows_the_direction(
    first: int, then: int, verdict: Verdict, words: str
) -> None:
    """Of 820 counts."""
    values = held(NEUTRAL, (20, 30, NEUTRAL + first), (40, 50, NEUTRAL + then), count=64)
    check = judged(inputs({1: values}, plan=PLAN), turn=TURN, mapped=with_reach(1, 820.0))["direction"]
    assert (check.verdict, check.sentence) == (verdict, words)


def test_a_single_frame_beyond_half_the_travel_shows_the_direction() -> None:
    values = held(NEUTRAL, (20, 30, NEUTRAL - 400), (25, 26, NEUTRAL - 410), (40, 50, NEUTRAL + 400), count=64)
    check = judged(inputs({1: values}, plan=PLAN), turn=TURN, mapped=with_reach(1, 820.0))["direction"]
    assert check.verdict is FAIL


def test_without_high_when_no_direction_is_judged() -> None:
    check = judged(inputs({2: WHOLE}, plan=PLAN), 2, move("e", 10, 60))["direction"]
    assert check.verdict is NOT_TESTED
    assert check.sentence == "the plan does not say at which end the channel is high: state high_when"


@pytest.mark.parametrize(
    ("rest", "verdict", "words"),
    [
        (LOW, PASS, 'is at its low end (flap up) while "f" is left alone, away from "down"'),
        (NEUTRAL - 410, PASS, 'is at its low end (flap up) while "f" is left alone, away from "down"'),
        (NEUTRAL - 409, NOT_TESTED, "it rests at neither end, so the first move shows no direction"),
        (NEUTRAL + 409, NOT_TESTED, "it rests at neither end, so the first move shows no direction"),
        (NEUTRAL + 410, FAIL, 'is at its high end (flap down) while "f" is left alone, away from "down": reversed'),
        (HIGH, FAIL, 'is at its high end (flap down) while "f" is left alone, away from "down": reversed'),
    ],
)
def test_what_rests_at_an_end_shows_its_direction_there(rest: int, verdict: Verdict, words: str) -> None:
    evidence = inputs({3: held(rest, (20, 40, HIGH), count=64)}, plan=PLAN)
    found = judged(evidence, 3, move("f", 10, 60), rest=rest, mapped=with_reach(3, 820.0))
    assert (found["direction"].verdict, found["direction"].sentence) == (verdict, words)


def test_a_control_that_rests_at_the_high_end_is_right_there() -> None:
    plan = rig(device("tab", 1, 'control = "a"', "rest_pct = 100", 'high_when = "in"'),
               *(device(name, 1 + number, f'control = "{name}"') for number, name in enumerate("efs", 1)))  # fmt: skip
    for rest, verdict in ((HIGH, PASS), (LOW, FAIL)):
        found = judged(inputs({1: held(rest, (20, 40, NEUTRAL), count=64)}, plan=plan), turn=TURN, rest=rest)
        end = "high" if rest == HIGH else "low"
        said = f'is at its {end} end while "a" is left alone, away from "in"'
        check = found["direction"]
        assert (check.verdict, check.sentence) == (verdict, said if verdict is PASS else f"{said}: reversed")


def also(channel: int, counts: int, *, follows: bool = True, row: int = 32, frames: int = 1) -> Also:
    return Also(channel, counts, follows, row, frames)


def alone(*others: Also, is_marked: bool = False, channel: int = 1, plan: Rig = PLAN, has_clock: bool = True) -> Check:
    control = plans(plan)[channel].control
    values = held(0, (20, 40, 1), count=64) if channel == 17 else WHOLE
    evidence = inputs({channel: values}, plan=plan, has_clock=has_clock)
    return judged(evidence, channel, move(control, 10, 60, *others, is_marked=is_marked))["moves alone"]


def test_no_other_channel_moved() -> None:
    check = alone()
    assert (check.verdict, check.sentence) == (PASS, 'no other channel moved with "a"')
    assert (check.measured, check.limit, check.unit) == (0, 8, "counts")


def test_what_moved_as_well_is_named_with_its_time() -> None:
    check = alone(also(3, 30), also(5, 41, row=16, frames=2))
    assert (check.verdict, check.measured, check.limit, check.unit) == (FAIL, 41, 8, "counts")
    assert check.sentence == (
        'with "a" moved also channel 3 by 30 counts (from 0.500 s, 1 frame),'
        " channel 5 by 41 counts (from 0.250 s, 2 frames)"
    )
    check = alone(also(3, 30), has_clock=False)
    assert check.sentence == 'with "a" moved also channel 3 by 30 counts (from frame 33, 1 frame)'
    check = alone(also(3, 41, follows=False), also(5, 30))
    assert (check.measured, check.sentence) == (
        30,
        'with "a" moved also channel 5 by 30 counts (from 0.500 s, 1 frame)',
    )
    check = alone(also(3, 41, follows=False), also(5, 30), is_marked=True)
    assert (check.verdict, check.measured) == (FAIL, 41)


def test_what_moved_at_the_same_time_only_fails_in_an_annotated_step() -> None:
    others = (also(3, 41, follows=False), also(5, 30, follows=False))
    check = alone(*others)
    assert check.verdict is NOT_TESTED
    assert check.sentence == "others were moved at the same time (channel 3, 5): move one control at a time"
    assert (check.unit, check.limit) == ("counts", 8)
    assert alone(*others, is_marked=True).verdict is FAIL


@pytest.mark.parametrize(("counts", "is_by_hand"), [(819, True), (820, False)])
@pytest.mark.parametrize("channel", [2, 3, 8, 17])
def test_the_other_stick_of_a_gimbal_may_move_as_far_as_a_hand_does(
    channel: int, counts: int, is_by_hand: bool
) -> None:
    """Here 100 % of full command; a motor and a switch never may, nor a lever beside the gimbal."""
    plan = limited(PLAN, hands_pct=100.0)
    check = alone(also(channel, counts), plan=plan)
    if channel == 2 and is_by_hand:
        assert (check.verdict, check.measured, check.limit) == (PASS, 819, 819)
        assert check.sentence == (
            'with "a" moved a little, on the same gimbal: channel 2 by 819 counts (from 0.500 s, 1 frame)'
        )
    else:
        assert (check.verdict, check.measured, check.limit) == (FAIL, counts, 8)
    # With another that moved by more than that, the stick is not named.
    both = alone(also(2, 800), also(4, 830), plan=plan)
    assert both.sentence == 'with "a" moved also channel 4 by 830 counts (from 0.500 s, 1 frame)'


def test_the_largest_movement_by_hand_is_the_figure() -> None:
    plan = rig(device("aileron", 1, 'control = "a"', 'gimbal = "right"'), device("one", 2, 'control = "e"'),
               device("two", 4, 'control = "e"', 'gimbal = "right"'), device("three", 5, 'control = "f"'),
               device("four", 6, 'control = "s"'))  # fmt: skip
    check = alone(also(2, 20), also(4, 30), plan=plan)
    assert (check.verdict, check.measured, check.unit) == (PASS, 30, "counts")
    assert check.limit == pytest.approx(81.9)
    assert check.sentence == (
        'with "a" moved a little, on the same gimbal: channel 2 by 20 counts (from 0.500 s, 1 frame),'
        " channel 4 by 30 counts (from 0.500 s, 1 frame)"
    )


def test_which_channels_share_a_gimbal() -> None:
    known = plans(PLAN)
    for one, other, shares in ((1, 2, True), (2, 1, True), (1, 1, False), (8, 1, False), (1, 8, True), (17, 1, False),
                               (1, 17, True), (3, 1, False), (1, 3, False)):  # fmt: skip
        assert shares_gimbal(known[one], known[other]) is shares, (one, other)
    lone = rig(device("a", 1), device("b", 2))
    assert not shares_gimbal(*plans(lone).values())


@pytest.mark.parametrize(("counts", "verdict"), [(2, PASS), (3, FAIL)])
def test_noise_at_rest(counts: int, verdict: Verdict) -> None:
    """From frame to frame: rms over the root of two; 2 / 1.414 and 3 / 1.414, of which 2 are the limit."""
    values = [NEUTRAL + counts * (row % 2) for row in range(128)]
    check = judged(inputs({1: values}, plan=PLAN))["noise at rest"]
    assert (check.verdict, check.limit, check.unit) == (verdict, 2, "counts rms")
    assert check.measured == pytest.approx(counts / 2**0.5)
    assert check.sentence == f"{counts / 2**0.5:.2f} counts rms over 128 frames at rest"


def test_noise_needs_a_channel_that_is_still_and_has_more_than_two_states() -> None:
    check = judged(inputs({1: [NEUTRAL] * 63}, plan=PLAN))["noise at rest"]
    assert (check.verdict, check.unit, check.limit) == (NOT_TESTED, "counts rms", 2)
    assert check.sentence == "it was never still for long enough"
    assert "noise at rest" not in judged(inputs({17: [0] * 128}, plan=PLAN), 17, rest=LOW)


def test_an_on_off_channel_is_said_to_be_on_or_off() -> None:
    found = judged(inputs({17: held(0, (20, 40, 1), count=64)}, plan=PLAN), 17, move("s", 10, 60), rest=LOW)
    assert [found[name].sentence for name in ("rest", "low end", "high end")] == [
        "it never rests for long: leave the controls alone for some seconds",
        "reached off, planned off", "reached on, planned on",
    ]  # fmt: skip
    assert found["direction"].sentence == 'is at its low end while "s" is left alone, away from "on"'
