"""Which excursions of a motor may be its move without annotations: at each limit, and just beyond."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import pytest

from busbench.verify.control_moves import ControlMove, Rows, rest_levels
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.link_loss import LinkLoss
from busbench.verify.motor_moves import find_motor_moves
from busbench.verify.windows import Window
from busbench.wire.frame_spec import FLAG_LOST
from tests.rig.rigs import device, rig
from tests.verify.exact_frames import HIGH, LOW, NEUTRAL, PLAN, STEP_S, held, inputs, limited, plans

Found = tuple[dict[str, ControlMove], dict[str, tuple[Rows, ...]]]


def find(
    evidence: VerifyInputs,
    runs: Mapping[str, Sequence[Rows]],
    turns: Mapping[str, Rows] = {},
    *,
    windows: Sequence[Window] = (),
    loss: LinkLoss | None = None,
    is_marked: bool = False,
) -> Found:
    channels: Sequence[ChannelPlan] = list(plans(evidence.rig).values())
    moves = {name: ControlMove(name, *rows, (), is_marked) for name, rows in turns.items()}
    rests = rest_levels(evidence)
    return find_motor_moves(evidence, channels, windows=windows, rests=rests, runs=runs, loss=loss, turns=moves)


def possible(evidence: VerifyInputs, runs: Mapping[str, Sequence[Rows]], **more: object) -> tuple[Rows, ...]:
    """The excursions of the motor that may be its move, where no other control moved."""
    moves, unknown = find(evidence, runs, **more)  # type: ignore[arg-type]
    assert moves == {}
    return unknown["m"]


@pytest.mark.parametrize(("frames", "is_long"), [(32, False), (33, True), (40, True)])
def test_a_move_lasts_half_a_second_or_more(frames: int, is_long: bool) -> None:
    rows = (64, 64 + frames)  # 33 frames are 32 steps of 1/64 s
    evidence = inputs({8: held(LOW, (*rows, HIGH), count=128)})
    assert possible(evidence, {"m": [rows]}) == ((rows,) if is_long else ())


@pytest.mark.parametrize(
    ("level", "is_sound", "is_reached"),
    [(NEUTRAL, True, True), (NEUTRAL - 1, True, False), (HIGH, True, True), (HIGH, False, False)],
)
def test_a_move_reaches_the_far_end_in_a_good_frame(level: int, is_sound: bool, is_reached: bool) -> None:
    """Within 100 % of full command, 819 counts."""
    rows = (64, 104)
    values = held(LOW, (*rows, NEUTRAL - 100), (80, 81, level), count=128)
    evidence = inputs({8: values}, plan=limited(end_pct=100.0), flags={} if is_sound else {80: FLAG_LOST})
    assert possible(evidence, {"m": [rows]}) == ((rows,) if is_reached else ())


def test_an_excursion_without_a_good_frame_is_no_move() -> None:
    evidence = inputs({8: held(LOW, (64, 104, HIGH), count=128)}, damaged=range(64, 104))
    assert possible(evidence, {"m": [(64, 104)]}) == ()


TIMES_S = [row * 0.1 for row in range(40)]  # the motor runs from 1.6 s to 2.4 s; 0.8 s beside that are free


@pytest.mark.parametrize(
    ("other", "is_alone"),
    [((5, 8), True), ((5, 9), False), ((32, 34), True), ((31, 34), False), ((18, 20), False), ((0, 40), False)],
)
def test_a_move_is_alone_for_eight_tenths_of_a_second_on_either_side(other: Rows, is_alone: bool) -> None:
    times_s = [round(time_s, 1) for time_s in TIMES_S]
    evidence = inputs({8: held(LOW, (16, 25, HIGH), count=40), 1: held(NEUTRAL, (*other, HIGH), count=40)}, t_s=times_s)
    runs = {"a": [other], "m": [(16, 25)]}
    assert possible(evidence, runs) == (((16, 25),) if is_alone else ())


THROTTLE = rig(
    device("aileron", 1, 'control = "a"', 'gimbal = "left"'),
    device("elevator", 2, 'control = "e"', 'gimbal = "right"'),
    device("tip", 4, 'control = "e"', 'gimbal = "right"'),
    device("fan", 8, 'control = "m"', 'motor = "electric"', 'gimbal = "left"', failsafe="-100"),
)


@pytest.mark.parametrize(
    ("levels", "is_alone"),
    [
        ({1: 0}, True),  # 992 counts of 819 that a hand may move on the same gimbal
        ({1: 173}, True),
        ({1: 172}, False),
        ({1: HIGH}, True),
        ({1: HIGH + 1}, False),
        ({2: 1000}, False),
        ({4: 1000}, False),
    ],
)
def test_a_stick_of_the_same_gimbal_may_move_as_far_as_a_hand_does(levels: dict[int, int], is_alone: bool) -> None:
    (channel, level), *_ = levels.items()
    flags = {70: FLAG_LOST} if level == 0 else {}  # a value of no good frame
    values = {channel: held(NEUTRAL, (69, 72, 1000), (70, 71, level), count=128)}
    values[8] = held(LOW, (64, 104, HIGH), count=128)
    evidence = inputs(values, plan=limited(THROTTLE, hands_pct=100.0), flags=flags)
    runs = {"a" if channel == 1 else "e": [(69, 72)], "m": [(64, 104)]}
    assert possible(evidence, runs) == (((64, 104),) if is_alone else ())


@pytest.mark.parametrize(
    ("word", "step", "is_move"),
    [("a", (50, 64), True), ("a", (50, 65), False), ("a", (104, 120), True), ("a", (103, 120), False),
     ("m", (70, 80), False), ("rest", (70, 80), True)],
)  # fmt: skip
def test_an_excursion_in_the_step_of_a_control_is_no_move(word: str, step: Rows, is_move: bool) -> None:
    """The pause after a step is not part of it."""
    evidence = inputs({8: held(LOW, (64, 104, HIGH), count=128)})
    window = Window(word, step[0] * STEP_S, *step, 128, is_repeated=False)
    found = possible(evidence, {"a": [], "m": [(64, 104)]}, windows=[window])
    assert found == (((64, 104),) if is_move else ())


def test_two_other_moves_decide() -> None:
    """Those that annotations name are not counted."""
    evidence = inputs({8: held(LOW, (200, 250, HIGH), count=320)})
    runs: dict[str, list[Rows]] = {"a": [], "e": [], "f": [], "m": [(200, 250)]}
    assert find(evidence, runs, {"f": (0, 90)}) == ({}, {"m": ((200, 250),)})
    assert find(evidence, runs, {"f": (0, 90), "a": (90, 180)}, is_marked=True) == ({}, {"m": ((200, 250),)})
    moves, unknown = find(evidence, runs, {"f": (0, 90), "a": (90, 190)})
    assert (list(moves), unknown) == (["m"], {})
    # 0.2 s, 12.8 frames, are judged before its first frame and after its last, 249.
    assert moves["m"] == ControlMove("m", 188, 262, (), is_marked=False)


@pytest.mark.parametrize(("steps", "is_alike"), [(49, False), (50, True), (128, True), (129, False)])
def test_a_move_lasts_from_five_eighths_to_eight_fifths_of_the_others(steps: int, is_alike: bool) -> None:
    """Levers were away for 1.25 s at one end each, with 0.2 s beside that: 0.78125 s and 2 s are the limits."""
    times_s = [0.0, 1.65, *(2 + row * STEP_S for row in range(300))]
    rows = (100, 101 + steps)
    evidence = inputs({8: held(LOW, (*rows, HIGH), count=302)}, t_s=times_s)
    moves, unknown = find(evidence, {"f": [], "s": [], "m": [rows]}, {"f": (0, 2), "s": (0, 2)})
    assert (list(moves), unknown) == (["m"] if is_alike else [], {})


@pytest.mark.parametrize(
    ("times_s", "turns", "alike"),
    [
        ((0.4, 1.65, 3.0), {"f": (1, 3), "s": (0, 3)}, (65, 161)),  # 0.95 s and 2.2 s: 1.575 s, 0.984 s to 2.52 s
        ((0.0, 2.9, 3.0), {"a": (0, 2), "e": (0, 2)}, (50, 128)),  # sticks visit both ends: 1.25 s
    ],
)
def test_the_usual_time_is_the_middle_of_the_others_per_end(
    times_s: tuple[float, ...], turns: dict[str, Rows], alike: tuple[int, int]
) -> None:
    at_s = [*times_s, *(4 + row * STEP_S for row in range(300))]
    for steps in (alike[0] - 2, *alike, alike[1] + 1):
        rows = (103, 104 + steps)
        evidence = inputs({8: held(LOW, (*rows, HIGH), count=303)}, t_s=at_s)
        moves, _ = find(evidence, {**dict.fromkeys(turns, ()), "m": [rows]}, turns)
        assert (list(moves) == ["m"]) is (steps in alike), steps


@pytest.mark.parametrize(
    ("earlier", "later", "is_move"),
    [((0, 100), (170, 270), True), ((1, 101), (170, 270), False), ((0, 100), (169, 269), False),
     ((0, 100), None, True), (None, (170, 270), True), (None, (169, 269), False)],
)  # fmt: skip
def test_a_move_comes_at_its_place_in_the_order_of_the_plan(
    earlier: Rows | None, later: Rows | None, is_move: bool
) -> None:
    """Between the move of the control before it and that of the one after it, of those that moved."""
    turns = {"f": earlier, "s": later, "e": (0, 95), "z": (205, 300)}
    known = {name: rows for name, rows in turns.items() if rows is not None}
    runs: dict[str, list[Rows]] = {"a": [], "e": [], "f": [], "m": [(100, 170)], "s": [], "z": []}
    evidence = inputs({8: held(LOW, (100, 170, HIGH), count=300)}, plan=SIX)
    moves, _ = find(evidence, runs, known)
    assert (list(moves) == ["m"]) is is_move


SIX = rig(
    device("aileron", 1, 'control = "a"'),
    device("elevator", 2, 'control = "e"', "rest_pct = -100"),
    device("flap", 3, 'control = "f"', "rest_pct = -100"),
    device("fan", 8, 'control = "m"', 'motor = "electric"', failsafe="-100"),
    device("release", 17, 'control = "s"'),
    device("lamp", 18, 'control = "z"'),
)


def loss_at(first: int, *, has_begun: bool = True) -> LinkLoss:
    return LinkLoss(first * STEP_S, 4.5, first, 299, None, 0.0, None, None, has_begun, has_ended=True)


@pytest.mark.parametrize(
    ("first", "has_begun", "is_move"),
    [(79, True, True), (80, True, False), (99, True, False), (100, True, True), (90, False, True)],
)
def test_no_move_follows_another_over_a_loss_of_the_link(first: int, has_begun: bool, is_move: bool) -> None:
    """The move of the control before it ends at row 80, its own begins at 100."""
    evidence = inputs({8: held(LOW, (100, 170, HIGH), count=300)}, plan=SIX)
    runs: dict[str, list[Rows]] = {"e": [], "f": [], "m": [(100, 170)]}
    moves, _ = find(evidence, runs, {"e": (0, 70), "f": (0, 80)}, loss=loss_at(first, has_begun=has_begun))
    assert (list(moves) == ["m"]) is is_move


def test_a_control_that_has_its_move_is_not_asked_again() -> None:
    evidence = inputs({8: held(LOW, (100, 170, HIGH), count=300)}, plan=PLAN)
    assert find(evidence, {"m": [(100, 170)], "a": [(0, 9)]}, {"m": (90, 180)}) == ({}, {})


ENGINE = rig(
    device("flap", 3, 'control = "f"', "rest_pct = -100"),
    device("engine", 8, 'control = "m"', 'motor = "engine"', 'ignition_kill = "hand switch"', "idle_pct = -80",
           failsafe="-80"),
    device("release", 17, 'control = "s"'),
)  # fmt: skip


@pytest.mark.parametrize(
    ("low", "end_pct", "steps", "is_alike"),
    [
        (LOW, 3.0, 99, False), (LOW, 3.0, 100, True), (LOW, 3.0, 256, True), (LOW, 3.0, 257, False),
        (LOW + 24, 3.0, 256, True), (LOW + 25, 3.0, 256, False), (LOW + 25, 3.0, 128, True),
        (LOW, 21.0, 128, True), (LOW, 21.0, 129, False),  # its idle, 164 counts above that end, is at it as well
    ],
)  # fmt: skip
def test_an_engine_that_was_closed_and_opened_visited_both_ends(
    low: int, end_pct: float, steps: int, is_alike: bool
) -> None:
    """Others were away for 1.25 s at one end: 0.78125 s to 2 s for each end."""
    times_s = [0.0, 1.65, *(2 + row * STEP_S for row in range(400))]
    rows = (100, 101 + steps)
    values = held(337, (*rows, HIGH), (100, 110, low), count=402)
    evidence = inputs({8: values}, plan=limited(ENGINE, end_pct=end_pct), t_s=times_s)
    moves, _ = find(evidence, {"f": [], "s": [], "m": [rows]}, {"f": (0, 2), "s": (0, 2)})
    assert (list(moves) == ["m"]) is is_alike


@pytest.mark.parametrize(("end_pct", "is_alike"), [(50.0, False), (49.0, True)])
def test_an_end_as_near_to_idle_as_an_end_may_be_off_is_not_visited_by_itself(end_pct: float, is_alike: bool) -> None:
    """Idle at half the travel, 409.5 counts: the run of 3 s is one for two ends of 1.25 s each, but not for one."""
    devices = (ENGINE.devices[0], msgspec.structs.replace(ENGINE.devices[1], idle_pct=-50.0), ENGINE.devices[2])
    plan = msgspec.structs.replace(limited(ENGINE, end_pct=end_pct), devices=devices)
    values = held(582, (100, 293, HIGH), (100, 110, LOW), count=402)
    evidence = inputs({8: values}, plan=plan, t_s=[0.0, 1.65, *(2 + row * STEP_S for row in range(400))])
    moves, _ = find(evidence, {"f": [], "s": [], "m": [(100, 293)]}, {"f": (0, 2), "s": (0, 2)})
    assert (list(moves) == ["m"]) is is_alike


@pytest.mark.parametrize(("level", "is_move"), [(LOW, True), (LOW + 25, False)])
def test_a_motor_that_rests_high_goes_low(level: int, is_move: bool) -> None:
    plan = rig(
        device("flap", 3, 'control = "f"', "rest_pct = -100"),
        device("fan", 8, 'control = "m"', 'motor = "electric"', "reversed = true", "rest_pct = 100", failsafe="100"),
    )
    evidence = inputs({8: held(HIGH, (64, 104, level), count=128)}, plan=plan)
    assert possible(evidence, {"f": [], "m": [(64, 104)]}) == (((64, 104),) if is_move else ())
