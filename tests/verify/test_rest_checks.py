"""Whether a channel is at rest while its control is left alone, from literal phases: each limit met, and exceeded."""

from __future__ import annotations

import pytest

from busbench.verify.channel_checks import away_rows, check_channels
from busbench.verify.control_moves import Rows
from busbench.verify.inputs import VerifyInputs
from busbench.verify.phases import Phase, Phases
from busbench.verify.result import Check, Verdict
from busbench.wire.frame_spec import FLAG_LOST
from tests.rig.rigs import device, rig
from tests.verify.exact_frames import COUNT, HIGH, LOW, NEUTRAL, held, inputs, limited, move, phases, plans, step

PASS, FAIL, NOT_TESTED = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED


def rest(channel: int, evidence: VerifyInputs, found: Phases) -> Check:
    subject = plans(evidence.rig)[channel].subject
    checks = check_channels(evidence, list(plans(evidence.rig).values()), found)
    return next(one for one in checks if (one.subject, one.name) == (subject, "rest"))


def away(channel: int, evidence: VerifyInputs, found: Phases) -> list[int]:
    known = plans(evidence.rig)
    return [int(row) for row in away_rows(evidence, list(known.values()), known[channel], found)[1]]


@pytest.mark.parametrize(("level", "verdict"), [(1000, PASS), (984, PASS), (1001, FAIL), (983, FAIL)])
def test_a_frame_at_rest_is_within_8_counts(level: int, verdict: Verdict) -> None:
    evidence = inputs({1: held(NEUTRAL, (100, 102, level), count=COUNT)})
    check = rest(1, evidence, phases())
    assert (check.verdict, check.measured, check.expected, check.limit, check.unit) == (
        verdict, level, NEUTRAL, 8, "counts",
    )  # fmt: skip
    sides = "rests at 992 counts (1500 µs), planned 992 counts (1500 µs), at most 8 counts beside it"
    where = f"{level} counts at 1.562 s (at rest), 2 frames until 1.578 s, away from its rest at 992 counts (1500 µs)"
    assert check.sentence == (sides if verdict is PASS else where)


@pytest.mark.parametrize(
    ("rest_counts", "level", "rows"),
    [(1000, 984, []), (1000, 983, [100]), (1000, 1001, [100]), (1001, 993, []), (1001, 992, [100]), (1001, 1009, []),
     (1001, 1010, [100])],
)  # fmt: skip
def test_frames_are_held_against_the_plan_if_a_channel_rests_there(
    rest_counts: int, level: int, rows: list[int]
) -> None:
    """Else against where it is most of the time: that it is not as planned is judged once."""
    evidence = inputs({1: held(rest_counts, (100, 101, level), count=COUNT)})
    assert away(1, evidence, phases(rests={1: rest_counts})) == rows


def test_only_frames_in_which_a_control_is_left_alone_are_judged() -> None:
    every = [*range(0, COUNT, 64)]
    parts = {(64 * index, 64 * index + 64): phase for index, phase in enumerate(Phase)}
    values = [1200 if row in every or row - 1 in every else NEUTRAL for row in range(COUNT)]
    motor = [HIGH if row in every else LOW for row in range(COUNT)]
    evidence = inputs({1: values, 8: motor}, flags={512: FLAG_LOST, 513: FLAG_LOST}, damaged=[576, 577])
    found = phases(parts)
    # 0 at rest, 1 a move, 2 between moves, 3 held away, 4 off, 5 failsafe, 6 back, 7 powered up; then at rest
    assert away(1, evidence, found) == [0, 1, 128, 129]
    assert away(8, evidence, found) == [0, 64, 128, 192]  # but not in its own move; the rest is judged elsewhere
    again = phases(parts, repeated=[(0, 320), (384, 448)])
    assert away(1, evidence, again) == []
    # Controls held away in a step that is repeated are let go then; a motor without a link is judged here.
    assert away(8, evidence, again) == [0, 64, 128, 256, 384]


def test_a_glitch_is_judged_elsewhere_but_for_a_motor() -> None:
    evidence = inputs({1: held(NEUTRAL, (100, 101, HIGH), count=COUNT), 8: held(LOW, (100, 101, HIGH), count=COUNT)})
    assert away(1, evidence, phases()) == []
    assert away(8, evidence, phases()) == [100]


@pytest.mark.parametrize(("frames", "is_rest"), [(127, False), (128, True)])
@pytest.mark.parametrize("has_windows", [True, False])
def test_a_rest_lasts_two_seconds(frames: int, is_rest: bool, has_windows: bool) -> None:
    """Good frames within 8 counts of the usual level; the last of them is not."""
    values = [*held(NEUTRAL, (1, 2, 1000), (2, 3, 984), count=frames), *(1200 + 20 * row for row in range(20))]
    evidence = inputs({1: values}, flags=dict.fromkeys((frames, frames + 1), FLAG_LOST))
    found = phases({(frames, frames + 20): Phase.MOVE}, count=frames + 20,
                   windows=[step("rest", 0, 9)] if has_windows else [])  # fmt: skip
    check = rest(1, evidence, found)
    assert check.verdict is (PASS if is_rest else NOT_TESTED)
    if not is_rest:
        assert check.sentence == "it never rests for long: leave the controls alone for some seconds"
        assert (check.unit, check.limit) == ("counts", 8)


@pytest.mark.parametrize(("frames", "is_rest"), [(149, False), (150, True)])
@pytest.mark.parametrize("has_windows", [True, False])
def test_without_annotations_a_rest_is_three_tenths_of_the_good_frames(
    frames: int, is_rest: bool, has_windows: bool
) -> None:
    """Of 500 good frames; of 600 in all."""
    values = [NEUTRAL] * frames + [1100 + 12 * (row // 8) for row in range(500 - frames)] + [NEUTRAL] * 100
    evidence = inputs({1: values}, flags=dict.fromkeys(range(500, 600), FLAG_LOST))
    found = phases({(frames, 500): Phase.MOVE}, count=600, windows=[step("rest", 0, 9)] if has_windows else [])
    assert rest(1, evidence, found).verdict is (PASS if is_rest or has_windows else NOT_TESTED)


def test_away_from_rest_is_a_fault_of_what_rests_for_long_or_of_a_motor() -> None:
    short = held(NEUTRAL, (100, 110, 1200), count=130)  # 120 frames at rest are 1.875 s
    check = rest(1, inputs({1: short}), phases(count=130))
    assert check.sentence == "it never rests for long: leave the controls alone for some seconds"
    ran = inputs({8: held(LOW, (100, 110, HIGH), count=120)})
    assert rest(8, ran, phases(count=120)).verdict is FAIL


def test_a_rest_beside_the_plan_is_judged_with_what_leaves_it() -> None:
    evidence = inputs({1: held(1001, (100, 110, 1200), count=COUNT)})
    check = rest(1, evidence, phases(rests={1: 1001}))
    assert (check.verdict, check.measured) == (FAIL, 1001)
    assert check.sentence == (
        "rests at 1001 counts (1506 µs), planned 992 counts (1500 µs); 1200 counts at 1.562 s (at rest),"
        " 10 frames until 1.703 s"
    )
    still = rest(1, inputs({1: [1001] * COUNT}), phases(rests={1: 1001}))
    assert still.sentence == "rests at 1001 counts (1506 µs), planned 992 counts (1500 µs)"
    two = rest(1, inputs({1: held(1001, (9, 40, 1008), count=COUNT)}), phases(rests={1: 1001}))
    assert (two.measured, two.sentence) == (1008, still.sentence)
    near = rest(1, inputs({1: held(1000, (9, 40, 993), count=COUNT)}), phases(rests={1: 1000}))
    assert (near.measured, near.verdict) == (1000, PASS)
    assert near.sentence == "rests at 1000 counts (1505 µs), planned 992 counts (1500 µs)"
    everywhere = phases({(0, COUNT): Phase.MOVE})
    assert rest(1, evidence, everywhere).sentence.startswith("it never rests for long")


def test_a_rest_at_its_limit_is_as_planned() -> None:
    found = phases(rests={1: 1000})
    check = rest(1, inputs({1: held(1000, (100, 110, 1200), count=COUNT)}), found)
    assert (check.verdict, check.measured) == (FAIL, 1200)
    assert check.sentence.startswith("1200 counts at 1.562 s (at rest), 10 frames until 1.703 s, away from its rest")
    check = rest(1, inputs({1: held(1000, (0, 2, 984), count=COUNT)}), found)
    assert (check.verdict, check.measured) == (PASS, 984)
    assert check.sentence.endswith(", planned 992 counts (1500 µs), at most 8 counts beside it")


def test_a_motor_is_judged_beside_its_own_move_where_it_is_not_in_motion() -> None:
    """Seven frames before and after it may run on; where all is beside the move, all of it counts."""
    values = held(LOW, (192, 193, LOW + 5), (193, 199, LOW + 8), (200, 300, HIGH), (300, 307, LOW + 8), count=COUNT)
    found = phases({(190, 310): Phase.MOVE}, moves=[move("m", 190, 310)])
    check = rest(8, inputs({8: values}), found)
    assert (check.verdict, check.measured) == (PASS, LOW + 5)
    assert check.sentence == "rests at 173 counts (988 µs), planned 173 counts (988 µs), at most 5 counts beside it"
    late = held(LOW, (200, 300, HIGH), (307, 308, LOW - 7), count=COUNT)
    assert rest(8, inputs({8: late}), found).measured == LOW - 7
    # All frames but seven on either side are away from rest.
    few = [*[LOW + 3] * 7, *[HIGH] * 20, *[LOW] * 7]
    evidence = inputs({8: few})
    long = VerifyInputs(evidence.recording, evidence.rig, 1e9)
    found = phases({(0, 34): Phase.MOVE}, count=34, moves=[move("m", 0, 34)])
    check = rest(8, long, found)
    assert (check.verdict, check.measured) == (PASS, LOW + 3)


KILL = rig(
    device("fan", 8, 'control = "m"', 'motor = "engine"', "idle_pct = -80", 'ignition_kill = "kill"', failsafe="-80"),
    device("kill", 5, 'control = "a"', "rest_pct = -100"),
    *(device(name, number, f'control = "{name}"') for number, name in enumerate("efs", 1)),
)


def test_an_ignition_that_is_on_says_what_it_kills() -> None:
    evidence = inputs({5: held(LOW, (100, 101, HIGH), count=COUNT), 8: [337] * COUNT}, plan=KILL)
    found = phases(rests={5: LOW, 8: 337, 3: NEUTRAL})
    assert rest(5, evidence, found).sentence == (
        "1811 counts at 1.562 s (at rest), away from its rest at 173 counts (988 µs), where it kills the ignition"
    )
    ran = inputs({5: [LOW] * COUNT, 8: held(337, (100, 101, HIGH), count=COUNT)}, plan=KILL)
    assert (
        rest(8, ran, found).sentence == "1811 counts at 1.562 s (at rest), away from its rest at 337 counts (1090 µs)"
    )


@pytest.mark.parametrize(("others", "verdict"), [("ae", FAIL), ("aem", FAIL), ("aef", NOT_TESTED)])
@pytest.mark.parametrize("rows", [(90, 101), (100, 110), (101, 110), (90, 100)])
@pytest.mark.parametrize("has_windows", [True, False])
def test_a_motor_that_ran_with_three_others_was_moved_without_annotation(
    others: str, verdict: Verdict, rows: Rows, has_windows: bool
) -> None:
    evidence = inputs({8: held(LOW, (100, 101, HIGH), count=COUNT)})
    windows = [step("rest", 0, 9)] if has_windows else []
    check = rest(8, evidence, phases(runs=dict.fromkeys(others, (rows,)), windows=windows))
    is_with = rows in ((90, 101), (100, 110)) and not has_windows
    assert check.verdict is (verdict if is_with else FAIL)
    if check.verdict is NOT_TESTED:
        assert check.sentence == (
            "1811 counts at 1.562 s (at rest): others were moved at the same time, and no annotation says why: annotate"
            " the steps"
        )
        assert (check.unit, check.limit) == ("counts", 8)


@pytest.mark.parametrize(("rows", "verdict"), [((100, 102), NOT_TESTED), ((101, 102), FAIL), ((100, 101), FAIL)])
def test_a_motor_that_may_have_been_moved_is_not_judged(rows: Rows, verdict: Verdict) -> None:
    evidence = inputs({8: held(LOW, (100, 102, HIGH), count=COUNT)})
    check = rest(8, evidence, phases(unknown={"m": [(5, 6), rows]}))
    assert check.verdict is verdict
    said = "fewer than 2 other controls were moved, to know its own move by, and no annotation says why"
    assert (said in check.sentence) is (verdict is NOT_TESTED)


@pytest.mark.parametrize(("row", "verdict"), [(136, NOT_TESTED), (135, FAIL), (282, NOT_TESTED), (283, FAIL)])
@pytest.mark.parametrize("is_marked", [None, False, True])
def test_a_control_may_be_moved_twice_without_annotations(row: int, verdict: Verdict, is_marked: bool | None) -> None:
    """For a second before and after each time that it was away, from 200 to 219."""
    evidence = inputs({1: held(NEUTRAL, (row, row + 1, 1030), count=COUNT)})
    moves = [] if is_marked is None else [move("a", 500, 520, is_marked=is_marked)]
    found = phases({(500, 520): Phase.MOVE}, runs={"a": [(200, 220)]}, moves=moves)
    check = rest(1, evidence, found)
    assert check.verdict is (FAIL if is_marked else verdict)
    assert ("moved more than once, and no annotation says why" in check.sentence) is (check.verdict is NOT_TESTED)


@pytest.mark.parametrize(
    ("row", "level", "is_judged"),
    [
        (236, 1073, False), (236, 1074, True), (235, 1073, True), (236, 910, True), (236, 911, False),
        (412, 1073, False), (413, 1073, True), (412, 1074, True),
    ],
)  # fmt: skip
@pytest.mark.parametrize("is_step", [True, False])
def test_a_hand_may_add_a_little_for_a_second_beside_a_step(
    row: int, level: int, is_judged: bool, is_step: bool
) -> None:
    """A tenth of 819 counts, 81.9, from 1 s before row 300 to less than 1 s after row 349."""
    first = row if row < 300 else row - 1  # two frames, as one is a glitch
    evidence = inputs({1: held(NEUTRAL, (first, first + 2, level), count=COUNT)})
    windows, moves = [], []
    if is_step:
        windows = [step("a", 300, 350, 500), step("s", 20, 20)]
    else:
        moves = [move("a", 300, 350), move("s", 500, 510, is_marked=True)]
    found = phases({(300, 350): Phase.MOVE, (350, 352): Phase.BETWEEN}, windows=windows, moves=moves)
    assert (row in away(1, evidence, found)) is is_judged


def test_a_hand_may_add_as_much_as_its_share() -> None:
    plan = limited(hands_pct=100.0)
    for level, is_judged in ((HIGH, False), (HIGH + 1, True)):
        evidence = inputs({1: held(NEUTRAL, (290, 292, level), count=COUNT)}, plan=plan)
        assert bool(away(1, evidence, phases(windows=[step("a", 300, 350)]))) is is_judged
        # The other stick of the gimbal in its step, and the same of a lever that is on none.
        assert bool(away(1, evidence, phases(windows=[step("e", 300, 350)]))) is is_judged
        assert away(1, evidence, phases(windows=[step("f", 300, 350)])) == [290, 291]


@pytest.mark.parametrize(
    ("run", "free"),
    [
        ((290, 310), (283, 317)),  # from 7 frames before it to 7 after it
        ((240, 310), (236, 317)),  # but from a second before the step at the earliest
        ((340, 408), (333, 413)),  # and for less than a second after its last frame, 349
        ((280, 300), (0, 0)),  # before the step
        ((350, 370), (0, 0)),  # after it
        ((299, 301), (292, 308)),
        ((349, 351), (342, 358)),
    ],
)
def test_a_hand_may_be_early_or_late_in_the_run_of_its_own_step(run: Rows, free: Rows) -> None:
    """However far the control is from rest."""
    evidence = inputs({1: [1500] * COUNT})
    found = phases(windows=[step("a", 300, 350)], runs={"a": [run]}, rests={1: NEUTRAL})
    assert away(1, evidence, found) == [row for row in range(COUNT) if not free[0] <= row < free[1]]


DAMAGED = 60


@pytest.mark.parametrize(
    ("level", "phase", "verdict"),
    [
        (LOW + 8, Phase.AT_REST, PASS),
        (LOW - 8, Phase.AT_REST, PASS),
        (LOW + 9, Phase.AT_REST, NOT_TESTED),
        (LOW - 9, Phase.BETWEEN, NOT_TESTED),
        (HIGH, Phase.MOVE, NOT_TESTED),
        (HIGH, Phase.BACK, NOT_TESTED),
        (HIGH, Phase.POWER_UP, NOT_TESTED),
        (HIGH, Phase.HELD_AWAY, PASS),
        (HIGH, Phase.OFF, PASS),
        (HIGH, Phase.FAILSAFE, PASS),
    ],
)
def test_a_motor_in_a_damaged_frame_is_neither_running_nor_at_rest(level: int, phase: Phase, verdict: Verdict) -> None:
    evidence = inputs({8: held(LOW, (DAMAGED, DAMAGED + 1, level), count=COUNT)}, damaged=[DAMAGED])
    moves = [move("a", 50, 70)] if phase is Phase.MOVE else []
    check = rest(8, evidence, phases({(50, 70): phase}, moves=moves))
    assert check.verdict is verdict
    if verdict is NOT_TESTED:
        words = 'while "a" is moved' if moves else phase.words
        assert check.sentence == (
            f"{level} counts at 0.938 s ({words}), in frames with bytes that the line marked as damaged"
        )
        assert (check.unit, check.limit) == ("counts", 8)


def test_a_damaged_frame_of_a_motors_own_move_or_of_another_channel_is_no_concern() -> None:
    values = held(LOW, (200, 300, HIGH), count=COUNT)
    found = phases({(190, 310): Phase.MOVE}, moves=[move("m", 190, 310)])
    assert rest(8, inputs({8: values}, damaged=[250]), found).verdict is PASS
    stick = inputs({1: held(NEUTRAL, (60, 61, HIGH), count=COUNT)}, damaged=[60])
    assert rest(1, stick, phases()).verdict is PASS


def test_the_worst_of_several_frames_is_the_figure() -> None:
    evidence = inputs({1: held(NEUTRAL, (100, 102, 1010), (110, 112, 970), (120, 122, 1011), count=COUNT)})
    check = rest(1, evidence, phases())
    assert (check.measured, check.margin) == (970, -14)
    assert check.sentence.startswith("1010 counts at 1.562 s (at rest), 6 frames until 1.891 s")


@pytest.mark.parametrize("row", [100, COUNT])
@pytest.mark.parametrize("word", ["a", "e"])
def test_a_step_without_a_frame_gives_a_hand_no_time(word: str, row: int) -> None:
    """Such as the last one, begun after the last frame."""
    evidence = inputs({1: held(NEUTRAL, (row - 10, row - 8, 1050), count=COUNT)})
    assert away(1, evidence, phases(windows=[step(word, row, row)])) == [row - 10, row - 9]
