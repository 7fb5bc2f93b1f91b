"""Steps that are repeated or end without switching off: what counts of them, from and up to which frame."""

from __future__ import annotations

import pytest

from busbench.rig.load import parse_rig
from busbench.verify.inputs import channel_plans
from busbench.verify.phases import _joined, find_phases
from busbench.verify.result import Verdict
from busbench.verify.verify import Verification
from busbench.verify.windows import find_windows
from tests.rig.rigs import device
from tests.verify.exact import BACK, FIN, GEAR, HELD, OFF, PLAN, PROP, SEQUENCE, Level, Part, exact, found_in, judged
from tests.verify.test_exact_phases import begins

P, F, N = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED
REST, LOST, VALUE, RETURN = "rest", "while lost", "failsafe value", "after return"
# All is held away once more from row 672 on, off from 736 on, in failsafe from 768, back at 896, let go at 1024.
AGAIN: tuple[Part, ...] = (*SEQUENCE, ("good", 64), ("lost", 32), ("failsafe", 128), ("good", 256))
AGAIN_LEVELS: tuple[Level, ...] = (
    (FIN, 1402, 672, 768), (FIN, 1402, 896, 1024), (GEAR, 1811, 672, 1024), (PROP, 1402, 672, 768),
)  # fmt: skip
AGAIN_STEPS = (
    ("stick", 0.5), ("switch", 1.0), ("slider", 1.5), ("done", 2.0),
    ("controls held away", 10.5), ("transmitter off", 11.5), ("transmitter on", 14.0), ("controls let go", 16.0),
)  # fmt: skip


def repeated(*levels: Level) -> Verification:
    return found_in(*AGAIN_LEVELS, *levels, parts=AGAIN, more_steps=AGAIN_STEPS)


def verdict_of(found: Verification, channel: int, name: str) -> Verdict:
    (check,) = (one for one in found.checks if (one.channel, one.name) == (channel, name))
    return check.verdict


@pytest.mark.parametrize(
    ("words", "which"),
    [
        (["transmitter off", "controls let go"], []),  # nothing follows that they are effects of
        (["transmitter off", "controls held away"], [0]),
        (["controls let go", "controls let go", "controls let go"], [0, 1]),
        (["transmitter on after the receiver", "receiver on", "transmitter on after the receiver"], [0]),
    ],
)
def test_a_step_is_repeated_where_it_or_its_cause_comes_again(words: list[str], which: list[int]) -> None:
    windows = find_windows(exact(("good", 640), marks=list(enumerate(words, 1))), ())
    assert [at for at, window in enumerate(windows) if window.is_repeated] == which


def test_phases_of_a_repeated_sequence() -> None:
    phases = repeated().phases
    assert phases is not None
    assert begins(phases) == [
        (0, "AT_REST"), (32, "MOVE"), (128, "BETWEEN"), (HELD, "HELD_AWAY"), (OFF, "OFF"),
        (288, "FAILSAFE"), (BACK, "BACK"), (672, "HELD_AWAY"), (736, "OFF"), (768, "FAILSAFE"), (896, "BACK"),
    ]  # fmt: skip
    assert phases.is_repeated.nonzero()[0][[0, -1]].tolist() == [HELD, 671]
    # Without link from the last good frame to the first: all the repeated steps, from the frame before to that after.
    assert phases.excused_s == ((255 / 64, 8.5), (735 / 64, 14.0))


@pytest.mark.parametrize(("channel", "row", "name", "verdict"), [
    (PROP, HELD - 1, REST, F), (PROP, HELD, REST, P), (PROP, OFF - 1, REST, P),
    (PROP, 300, VALUE, F), (FIN, 300, VALUE, P), (FIN, 800, VALUE, F),
    (PROP, 270, LOST, F), (FIN, 270, LOST, P), (FIN, 750, LOST, F),
    (FIN, 671, REST, P), (PROP, 671, REST, F), (PROP, 672, REST, P), (FIN, 672, REST, P),
])  # fmt: skip
def test_what_a_repetition_replaces_is_judged_for_motors_alone(
    channel: int, row: int, name: str, verdict: Verdict
) -> None:
    assert verdict_of(repeated((channel, 1300, row, row + 1)), channel, name) is verdict


STILL = {"transmitter off": None, "transmitter on": None, "controls let go": None}


@pytest.mark.parametrize(("rows", "verdict"), [
    ((HELD, OFF), P), ((HELD - 1, OFF), F), ((HELD, OFF + 1), F), ((HELD - 10, HELD), F), ((OFF, OFF + 9), F),
])  # fmt: skip
def test_without_switching_off_a_motor_may_run_in_the_step_of_holding_away_alone(
    rows: tuple[int, int], verdict: Verdict
) -> None:
    levels: tuple[Level, ...] = ((PROP, 173, 0, 672), (PROP, 1402, *rows))
    found = judged(*levels, parts=(("good", 672),), steps={**STILL, "stick": 4.0})
    assert found[PROP, REST].verdict is verdict


def test_times_that_touch_are_one() -> None:
    assert _joined([(2.0, 3.0), (1.0, 2.0), (3.5, 4.0)]) == ((1.0, 3.0), (3.5, 4.0))
    assert _joined([(1.0, 4.0), (2.0, 3.0)]) == ((1.0, 4.0),)
    assert _joined([]) == ()


@pytest.mark.parametrize(("steps", "excused_s"), [
    # All of it is repeated in a step that begins after the last frame, at 671/64 s.
    ({"controls held away": 10.6, "controls let go": None}, ((255 / 64, 671 / 64),)),
    # It was switched off before the first frame.
    ({"controls held away": 10.0, "controls let go": 8.5, "transmitter off": -0.5}, ((0.0, 8.5),)),
])  # fmt: skip
def test_repeated_steps_at_either_end_of_the_recording(
    steps: dict[str, float | None], excused_s: tuple[tuple[float, float], ...]
) -> None:
    phases = found_in(steps=steps).phases
    assert phases is not None
    assert phases.loss is None
    assert phases.excused_s == excused_s


def test_steps_without_link_of_which_no_begin_was_seen_are_no_phase() -> None:
    steps = {"controls held away": None, "transmitter off": 0.5, "transmitter on": 1.0, "controls let go": 3.0}
    phases = found_in(parts=(("failsafe", 128), ("good", 544)), steps=steps).phases
    assert phases is not None
    assert begins(phases)[:3] == [(0, "POWER_UP"), (128, "BACK"), (192, "AT_REST")]


def test_without_annotations_nothing_is_held_away_before_the_last_move_is_done() -> None:
    """The fin is moved in rows 100 to 129; its mean over seven frames is at rest from 133 on, 0.2 s of rest follow."""
    levels: tuple[Level, ...] = ((FIN, 1700, 100, 130), (PROP, 1402, 110, HELD))
    phases = found_in(*levels, steps={"controls held away": None}).phases
    assert phases is not None
    assert phases.control_moves["stick"].stop == 145
    assert phases.held_row == 145


@pytest.mark.parametrize(("silent", "start_s"), [(31, 0.0), (19, 0.0)])
def test_a_receiver_switched_on_after_the_first_frame(silent: int, start_s: float) -> None:
    steps = dict.fromkeys(("controls held away", "transmitter off", "transmitter on", "controls let go"))
    parts: tuple[Part, ...] = (("good", 1), ("silent", silent), ("failsafe", 64), ("good", 128))
    phases = found_in(parts=parts, steps={**steps, "receiver on": 0.75}).phases
    assert phases is not None
    assert [(one.first, one.start_s, one.link) for one in phases.power_ups] == [(1, start_s, 65)]
    phases = found_in(parts=parts[2:], steps={**steps, "receiver on": -0.5}).phases
    assert phases is not None
    assert [(one.first, one.start_s, one.link) for one in phases.power_ups] == [(0, 0.0, 64)]


@pytest.mark.parametrize(("apart_s", "first"), [(0.3, 33), (0.300000001, 1)])
def test_three_tenths_of_a_second_exactly_are_no_silence_of_a_receiver_that_was_off(apart_s: float, first: int) -> None:
    at_s = [0.0, *(apart_s + row / 64 for row in range(192))]
    found = exact(("good", 1), ("failsafe", 64), ("good", 128), at_s=at_s, marks=[(0.8, "receiver on")], rig=PLAN)
    (one,) = find_phases(found, channel_plans(PLAN)).power_ups
    assert one.first == first


def test_frames_lost_as_the_recording_begins_after_the_annotated_return_are_a_power_up() -> None:
    steps = {"controls held away": None, "controls let go": None, "transmitter off": -2.0, "transmitter on": -1.0}
    found = found_in(parts=(("failsafe", 10), ("good", 662)), steps=steps)
    assert found.phases is not None
    assert [(one.first, one.link, one.is_annotated) for one in found.phases.power_ups] == [(0, 10, False)]


def test_after_the_return_a_step_of_rest_is_between_moves() -> None:
    phases = found_in(more_steps=(("rest", 9.5),)).phases
    assert phases is not None
    assert begins(phases)[-2:] == [(BACK, "BACK"), (608, "BETWEEN")]


def test_a_motor_may_be_held_away_alone_from_the_first_frame_on() -> None:
    levels: tuple[Level, ...] = ((FIN, 992, 0, 672), (GEAR, 173, 0, 672), (PROP, 1402, 0, 288))
    phases = found_in(*levels, steps={"controls held away": None}).phases
    assert phases is not None
    assert phases.held_row == 0


TWINS = parse_rig(
    '[rig]\nname = "twins"\nperiod_ms = 15.625\n[supply]\nvoltage_v = 6\n'
    + device("fin", FIN, 'control = "stick"')
    + device("gear", GEAR, 'control = "switch"', "rest_pct = -100")
    + device("prop", PROP, 'control = "slider"', 'motor = "electric"', "rest_pct = -100", failsafe="-100")
    + device("twin", 4, 'control = "slider"', 'motor = "electric"', "rest_pct = -100", failsafe="-100")
)
ALONE = dict.fromkeys(("controls held away", "transmitter off", "transmitter on", "controls let go"))


@pytest.mark.parametrize(("more", "count", "said"), [
    ((), 600, "rests at 173 counts"), ((), 412, "rests at 173 counts"),  # which is the row after its last
    ((PROP, 300, 336, 338), 600, "300 counts at 5.250 s (while \"slider\" is moved), 2 frames until 5.266 s"),
    ((PROP, 300, 421, 423), 600, "300 counts at 6.578 s (while \"slider\" is moved), 2 frames until 6.594 s"),
])  # fmt: skip
def test_of_two_motors_on_one_control_neither_may_run_beside_its_own_move(
    more: Level | tuple[()], count: int, said: str
) -> None:
    """The move lasts from row 348 to 411, and for 0.2 s on either side; 0.15 s of rest part what is not of it."""
    moves: tuple[Level, ...] = (
        (FIN, 992, 0, 672), (GEAR, 173, 0, 672), (PROP, 173, 0, 672),
        (FIN, 1811, 64, 128), (GEAR, 1811, 200, 264), (PROP, 1811, 348, 412), (4, 1811, 360, 400),
    )  # fmt: skip
    levels = (*moves, more) if more else moves
    found = found_in(*levels, parts=(("good", count),), steps=ALONE, rig=TWINS)
    assert found.phases is not None
    assert found.phases.control_moves["slider"].first == 336
    (prop, twin) = (one for one in found.checks if one.name == REST and one.channel in (PROP, 4))
    assert prop.sentence.startswith(said)
    assert twin.sentence.startswith("rests at 173 counts")
