"""When a control was moved: its runs away from rest, which of them is its move, and what moved beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pytest

from busbench.verify.control_moves import (
    Also,
    ControlMove,
    Rows,
    best_move,
    excursions,
    find_control_moves,
    find_moved,
    find_runs,
    lasts_until,
    own_runs,
    rest_levels,
)
from busbench.verify.inputs import VerifyInputs
from busbench.verify.link_loss import LinkLoss
from busbench.verify.windows import Window
from busbench.wire.frame_spec import FLAG_LOST
from tests.rig.rigs import device, rig
from tests.verify.exact_frames import HIGH, LOW, NEUTRAL, STEP_S, held, inputs, limited, plans

AILERON, ELEVATOR, FLAP, MOTOR, SWITCH = 1, 2, 3, 8, 17


def loss_at(first: int, *, has_begun: bool = True) -> LinkLoss:
    return LinkLoss(first * STEP_S, 9.0, first, 999, None, 0.0, None, None, has_begun, has_ended=False)


def window(word: str, first: int, done: int, stop: int, *, is_repeated: bool = False) -> Window:
    return Window(word, first * STEP_S, first, done, stop, is_repeated)


def runs_of(evidence: VerifyInputs) -> dict[str, list[Rows]]:
    return find_runs(evidence, list(plans(evidence.rig).values()), rest_levels(evidence))


def test_a_channel_rests_where_it_is_most_often_while_controls_are_not_held() -> None:
    evidence = inputs({AILERON: held(1000, (10, 15, 900), (20, 40, 1500), count=60)}, flags={50: FLAG_LOST})
    assert rest_levels(evidence)[:3] == (1000, NEUTRAL, LOW)
    assert rest_levels(evidence)[16:] == (LOW, LOW)
    for word, rest in (
        ("controls held away", 900), ("transmitter off", 900), ("transmitter on", 900), ("controls let go", 900),
        ("rest", 1000),
    ):  # fmt: skip
        # Of the rows 10-39 there are 5 at 900 and 5 at 1000; of a tie the lower one is taken.
        held_away = [window(word, 0, 10, 10), window(word, 20, 40, 60)]
        assert rest_levels(evidence, held_away)[0] == rest, word
    everything = [window("transmitter off", 0, 60, 60)]
    assert rest_levels(evidence, everything)[0] == 1000  # all of it was held: then all counts
    assert rest_levels(inputs({AILERON: [1000] * 3}, damaged=range(3))) == (0,) * 18


@pytest.mark.parametrize(
    ("frames", "level", "is_moved"),
    [(2, 1033, True), (2, 1032, False), (2, 951, True), (2, 952, False), (1, 1033, False), (0, 1000, False)],
)
def test_a_channel_moved_if_two_frames_are_more_than_40_counts_from_its_rest(
    frames: int, level: int, is_moved: bool
) -> None:
    evidence = inputs({9: held(NEUTRAL, (10, 10 + frames, level), count=60)})
    assert find_moved(evidence) == ((9,) if is_moved else ())


def test_frames_that_were_flagged_are_no_movement() -> None:
    evidence = inputs({9: held(NEUTRAL, (10, 12, HIGH), count=60)}, flags={10: FLAG_LOST, 11: FLAG_LOST})
    assert find_moved(evidence) == ()
    assert find_moved(inputs({9: [NEUTRAL] * 3}, damaged=range(3))) == ()


@pytest.mark.parametrize(("level", "found"), [(213, []), (214, [(30, 40)]), (133, []), (132, [(30, 40)])])
def test_a_motor_is_away_if_it_is_more_than_40_counts_from_rest_in_a_frame(level: int, found: list[Rows]) -> None:
    """It rests at 173; the run is as long as it is more than 8 counts away."""
    side = 9 if level > LOW else -9
    for far in (30, 35, 39):
        values = held(LOW, (29, 30, LOW + 8), (30, 40, LOW + side), (far, far + 1, level), (40, 41, LOW - 8), count=60)
        assert runs_of(inputs({MOTOR: values}))["m"] == found


@pytest.mark.parametrize(("level", "is_far"), [(NEUTRAL + 40, False), (NEUTRAL + 41, True), (NEUTRAL - 41, True)])
def test_a_control_is_away_if_two_frames_are_more_than_40_counts_from_rest(level: int, is_far: bool) -> None:
    """The run is as long as the mean of seven frames is more than 8 counts away: 3 frames beside it at each end."""
    evidence = inputs({AILERON: held(NEUTRAL, (30, 32, level), count=60)})
    assert runs_of(evidence) == {"a": [(28, 34)] if is_far else [], "e": [], "f": [], "m": [], "s": []}
    single = inputs({AILERON: held(NEUTRAL, (30, 31, HIGH), count=60)})
    assert runs_of(single)["a"] == []


def test_a_motor_is_away_from_its_rest_in_the_plan_and_a_stick_from_where_it_rests() -> None:
    evidence = inputs({MOTOR: held(HIGH, (0, 20, LOW), count=60), AILERON: held(900, (30, 40, 1000), count=60)})
    runs = runs_of(evidence)
    assert (runs["m"], runs["a"]) == ([(20, 60)], [(27, 43)])


@pytest.mark.parametrize(("mean", "found"), [(8, []), (9, [(30, 60)])])
def test_the_first_and_the_last_frames_count_in_the_mean(mean: int, found: list[Rows]) -> None:
    """For a control that is far in a frame or two of them; before the last 30 frames it is at rest."""
    evidence = inputs({AILERON: held(NEUTRAL, (30, 60, NEUTRAL + mean), (50, 52, NEUTRAL + 50), count=60)})
    runs = runs_of(evidence)["a"]
    assert [stop for _, stop in runs] == ([55] if mean == 8 else [60])


def test_of_few_frames_each_counts_by_itself() -> None:
    """Less than seven."""
    assert runs_of(inputs({AILERON: [NEUTRAL] * 4 + [HIGH] * 2}))["a"] == [(4, 6)]
    assert runs_of(inputs({AILERON: [NEUTRAL] * 5 + [HIGH] * 2}))["a"] == [(2, 7)]


@pytest.mark.parametrize(("channel", "pause_ms"), [(MOTOR, 150), (SWITCH, 800)])
@pytest.mark.parametrize("beyond_ms", [0, 1])
def test_rests_are_bridged_up_to_a_limit(channel: int, pause_ms: int, beyond_ms: int) -> None:
    """0.15 s for a motor, 0.8 s for others; the runs of a switch are by the mean of seven frames."""
    is_on = held(0, (20, 40, 1), (60, 80, 1), count=100)
    values = is_on if channel == SWITCH else [HIGH if on else LOW for on in is_on]
    # Rows are 1 ms apart, but for the pause: from the last row that is away to the first one after it.
    last = 39 if channel == MOTOR else 42
    t_ms = [row if row <= last else row + 200 for row in range(100)]
    first = 60 if channel == MOTOR else 57
    t_ms = [row if row <= last else row - first + last + pause_ms + beyond_ms for row in range(100)]
    t_ms[last + 1 : first] = [last + row for row in range(1, first - last)]
    runs = runs_of(inputs({channel: values}, t_s=[t / 1000 for t in t_ms]))["m" if channel == MOTOR else "s"]
    begin, end = (20, 80) if channel == MOTOR else (17, 83)
    assert runs == ([(begin, last + 1), (first, end)] if beyond_ms else [(begin, end)])


@pytest.mark.parametrize("beyond_ms", [0, 1])
def test_excursions_of_a_motor_are_bridged_up_to_150_ms(beyond_ms: int) -> None:
    values = held(LOW, (2, 4, LOW + 9), (6, 8, LOW - 9), (8, 9, LOW + 8), (9, 10, LOW - 8), count=12)
    t_ms = [0, 1, 2, 3, 4, 5, 153 + beyond_ms, *range(160, 165)]
    evidence = inputs({MOTOR: values}, t_s=[t / 1000 for t in t_ms])
    assert excursions(evidence, 7, 173.0, 8.0) == ([(2, 4), (6, 8)] if beyond_ms else [(2, 8)])
    assert excursions(evidence, 6, 992.0, 8.0) == []
    assert excursions(inputs({MOTOR: values}, flags={2: FLAG_LOST, 7: FLAG_LOST}), 7, 173.0, 8.0) == [(3, 7)]


@pytest.mark.parametrize(("gap_ms", "is_own"), [(200, True), (201, False)])
def test_a_move_begins_at_rest(gap_ms: int, is_own: bool) -> None:
    """A good frame came within 0.2 s before it."""
    evidence = inputs({AILERON: held(NEUTRAL, (2, 9, HIGH), count=12)}, flags={1: FLAG_LOST},
                      t_s=[0, 0.1, *(gap_ms / 1000 + row / 100 for row in range(10))])  # fmt: skip
    assert own_runs(evidence, [(2, 9)], None) == ([(2, 9)] if is_own else [])
    assert own_runs(evidence, [(0, 9)], None) == []  # nothing came before it


@pytest.mark.parametrize(("stop", "is_until"), [(85, False), (86, True), (90, True), (200, True)])
def test_what_was_away_until_14_frames_before_the_loss_is_held_for_it(stop: int, is_until: bool) -> None:
    """The last good frame is row 99 of those before row 102, where the link was lost."""
    flags = dict.fromkeys((100, 101), FLAG_LOST)
    evidence = inputs({AILERON: held(NEUTRAL, (70, stop, HIGH), count=200)}, flags=flags)
    assert lasts_until(evidence, loss_at(102), 70, stop) is is_until
    assert own_runs(evidence, [(70, stop)], loss_at(102)) == ([] if is_until else [(70, stop)])
    assert lasts_until(evidence, loss_at(102), 101, 200)
    assert not lasts_until(evidence, loss_at(102), 102, 200)  # it began when the link was gone
    assert not lasts_until(evidence, loss_at(102, has_begun=False), 70, stop)
    assert not lasts_until(evidence, None, 70, stop)
    damaged = inputs({AILERON: [NEUTRAL] * 200}, damaged=range(110))
    assert not lasts_until(damaged, loss_at(102), 70, stop)  # no good frame came before it


def best(evidence: VerifyInputs, control: str, rows: Sequence[Rows], *, is_marked: bool = False) -> ControlMove | None:
    channels = list(plans(evidence.rig).values())
    rests = (NEUTRAL, NEUTRAL, LOW, *(NEUTRAL,) * 4, LOW, *(NEUTRAL,) * 8, LOW, LOW)
    return best_move(evidence, channels, control, rests=rests, rows=rows, is_marked=is_marked)


def rows_of(turn: ControlMove | None) -> Rows | None:
    return None if turn is None else (turn.first, turn.stop)


def test_two_tenths_of_a_second_beside_a_move_are_judged() -> None:
    """Of rows 0.1 s apart, the two before it and the one after it."""
    evidence = inputs({AILERON: held(NEUTRAL, (4, 6, HIGH), count=9)}, t_s=[0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
    assert rows_of(best(evidence, "a", [(4, 6)])) == (2, 7)
    assert rows_of(best(evidence, "a", [(4, 6)], is_marked=True)) == (4, 6)
    assert best(evidence, "a", []) is None


@pytest.mark.parametrize("others", [0, 1, 3, 4])
def test_more_than_three_other_channels_are_several_controls_at_once(others: int) -> None:
    moved = held(NEUTRAL, (40, 60, HIGH), count=100)
    evidence = inputs({AILERON: moved, **dict.fromkeys(range(10, 10 + others), moved)})
    found, marked = best(evidence, "a", [(40, 60)]), best(evidence, "a", [(30, 70)], is_marked=True)
    assert marked is not None
    assert [one.channel for one in marked.also] == list(range(10, 10 + others))
    assert (found is None) is (others == 4)


def test_the_best_run_is_far_then_alone_then_wide_then_long() -> None:
    def chosen(first: tuple[int, int, bool], second: tuple[int, int, bool]) -> int | None:
        """Of two runs: how far, for how many frames, whether another channel moved as well."""
        levels = {AILERON: [float(NEUTRAL)] * 200, ELEVATOR: [float(NEUTRAL)] * 200}
        for begin, (reach, frames, has_other) in ((40, first), (120, second)):
            levels[AILERON][begin : begin + frames] = [NEUTRAL + reach] * frames
            if has_other:
                levels[ELEVATOR][begin : begin + frames] = [1200] * frames
        rows = [(40, 40 + first[1]), (120, 120 + second[1])]
        for order in (rows, rows[::-1]):
            turn = best(inputs(levels), "a", order)
            assert turn is not None
            found = {28: 0, 108: 1}[turn.first]
            if order == rows:
                index = found
        return index if index == found else None  # None: it depends on their order

    assert chosen((160, 20, False), (161, 10, True)) == 1  # 160 counts are not far
    assert chosen((161, 20, False), (162, 20, False)) == 1
    assert chosen((161, 10, False), (800, 20, True)) == 0
    assert chosen((-170, 10, False), (169, 20, False)) == 0
    assert chosen((500, 21, False), (500, 20, False)) == 0
    assert chosen((500, 20, True), (499, 20, True)) == 0
    single = inputs({AILERON: held(NEUTRAL, (45, 46, HIGH), (120, 140, NEUTRAL + 150), count=200)})
    assert rows_of(best(single, "a", [(40, 60), (120, 140)])) == (108, 152)  # one wild frame is not far


def also_of(evidence: VerifyInputs, *, control: str = "a", rows: Rows = (40, 60)) -> dict[int, Also]:
    found = best(evidence, control, [rows], is_marked=True)
    assert found is not None
    return {one.channel: one for one in found.also}


MOVED = held(NEUTRAL, (42, 50, HIGH), (50, 58, LOW), count=100)


@pytest.mark.parametrize(("level", "is_moved"), [(1000, False), (1001, True), (984, False), (983, True)])
def test_a_channel_moved_as_well_if_it_is_more_than_8_counts_from_rest(level: int, is_moved: bool) -> None:
    other = held(NEUTRAL, (44, 46, level), (39, 40, HIGH), (60, 61, HIGH), count=62)
    found = also_of(inputs({AILERON: MOVED[:62], ELEVATOR: other}))
    distance = abs(level - NEUTRAL)
    assert found == ({2: Also(2, distance, follows=False, row=44, frames=2)} if is_moved else {})


def test_a_channel_of_the_same_control_is_not_another() -> None:
    two = rig(device("left", 1, 'control = "a"'), device("right", 2, 'control = "a"'), device("rudder", 4))
    evidence = inputs({1: MOVED, 2: MOVED, 4: MOVED}, plan=two)
    assert list(also_of(evidence)) == [4]
    assert also_of(evidence)[4].follows
    half = inputs({1: MOVED, 2: [NEUTRAL] * 100, 4: MOVED}, plan=two)
    assert also_of(half)[4].follows  # one of them is enough


def test_a_channel_without_a_device_moves_from_where_it_was() -> None:
    evidence = inputs({AILERON: MOVED, 12: held(300, (45, 48, 320), count=100), ELEVATOR: held(300, count=100)})
    found = also_of(evidence)
    assert found[12] == Also(12, 20, follows=False, row=45, frames=3)
    assert found[ELEVATOR] == Also(2, 692, follows=False, row=40, frames=20)  # its rest is 992 in these tests
    assert list(found) == [2, 12]
    for channel in (7, 12, 16):
        found = also_of(inputs({AILERON: MOVED, channel: held(320, (40, 41, 300), count=100)}))
        assert found == {channel: Also(channel, 20, follows=False, row=41, frames=19)}
    assert also_of(inputs({AILERON: MOVED, FLAP: [300] * 100}))[FLAP].moved_counts == 300 - LOW


def test_noise_of_a_channel_that_is_still_is_no_movement() -> None:
    """By four times its rms: 3 counts to and fro are 6 from frame to frame, 6 / sqrt(2) rms; 8 + 16.97 counts."""
    noisy = [NEUTRAL + 3 * (-1) ** row for row in range(300)]
    for level, is_moved in ((1016, False), (1017, True)):
        values = [*noisy]
        values[142:144] = [level] * 2
        evidence = inputs({AILERON: held(NEUTRAL, (142, 158, HIGH), count=300), ELEVATOR: values})
        assert (2 in also_of(evidence, rows=(140, 160))) is is_moved


def test_glitches_and_bad_frames_are_no_movement() -> None:
    """Not even where a plan lets others move for less than a count."""
    strict = limited(others_counts=0.5)
    other = held(NEUTRAL, (44, 45, HIGH), (47, 48, HIGH), (50, 51, HIGH), count=100)
    evidence = inputs({AILERON: MOVED, ELEVATOR: other}, plan=strict, flags={47: FLAG_LOST}, damaged=[50])
    assert also_of(evidence) == {}
    for damaged in (range(100), range(40, 60)):
        assert also_of(inputs({AILERON: MOVED, 12: MOVED}, damaged=damaged)) == {}


def test_a_channel_follows_if_it_moves_in_proportion_either_way() -> None:
    against = [2 * NEUTRAL - value for value in MOVED]
    other = held(NEUTRAL, (42, 58, 1200), count=100)
    found = also_of(inputs({AILERON: MOVED, ELEVATOR: against, 4: MOVED, 5: other}))
    assert {channel: one.follows for channel, one in found.items()} == {2: True, 4: True, 5: False}
    still = also_of(inputs({AILERON: [NEUTRAL] * 100, ELEVATOR: MOVED}))
    assert not still[2].follows  # nothing moved that it could follow
    shifted = also_of(inputs({AILERON: MOVED, ELEVATOR: [1200] * 100}))
    assert not shifted[2].follows


def moves(evidence: VerifyInputs, windows: Sequence[Window], runs: Mapping[str, Sequence[Rows]]) -> dict[str, Rows]:
    channels = list(plans(evidence.rig).values())
    some = {name: runs.get(name, ()) for name in "aefms"}
    found = find_control_moves(evidence, channels, windows=windows, runs=some, loss=loss_at(190))
    assert {turn.is_marked for turn in found.values()} <= {bool(windows)}
    return {name: (turn.first, turn.stop) for name, turn in found.items()}


def test_an_annotated_step_is_the_move_without_the_pause_after_it() -> None:
    evidence = inputs({AILERON: held(NEUTRAL, (140, 150, HIGH), (184, 190, HIGH), count=200)})
    runs: dict[str, list[Rows]] = {"a": [(140, 150), (184, 190)], "m": [(100, 110)]}
    assert moves(evidence, [], runs) == {"a": (128, 162)}  # not the one that lasts until the link is lost
    first, again = window("a", 20, 30, 40, is_repeated=True), window("a", 60, 80, 99)
    assert moves(evidence, [first, again], runs) == {"a": (60, 80)}
    assert moves(evidence, [window("m", 60, 80, 99)], {}) == {"m": (60, 80)}
    assert moves(evidence, [], {"m": [(100, 110)]}) == {}  # see motor_moves


def test_the_rest_of_channels_is_not_sought_while_controls_are_held_away() -> None:
    """The elevator, at 1300 for most of the time, is so only while all is held away."""
    values = held(NEUTRAL, (100, 200, 1300), count=200)
    evidence = inputs({AILERON: held(NEUTRAL, (50, 70, HIGH), count=200), ELEVATOR: values})
    channels = list(plans().values())
    runs = {name: [(50, 70)] for name in "aefms"}
    found = find_control_moves(evidence, channels, windows=[window("controls held away", 99, 200, 200)], runs=runs,
                               loss=None)  # fmt: skip
    assert found["a"].also == ()
    assert not found["a"].is_marked
