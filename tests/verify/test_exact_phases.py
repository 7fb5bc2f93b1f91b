"""The phase of each frame at the very frame and time at which a step, a move, a hand or a silence begins or ends."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from busbench.verify.phases import Phase, Phases
from busbench.verify.result import Verdict
from tests.verify.exact import BACK, FAILSAFE, FIN, HELD, OFF, PROP, SECOND, SEQUENCE, Level, Part, found_in

P, F, N = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED
REST, RETURN, POWER_UP, LINK = "rest", "after return", "from the first frame on", "link"
FRAME_S = 1 / 64


def phases_of(
    *levels: Level, parts: tuple[Part, ...] = SEQUENCE, steps: Mapping[str, float | None] | None = None
) -> Phases:
    phases = found_in(*levels, parts=parts, steps=steps).phases
    assert phases is not None
    return phases


def begins(phases: Phases) -> list[tuple[int, str]]:
    """The first row of each phase, and its name."""
    rows = [0, *(np.flatnonzero(np.diff(phases.of_frame)) + 1).tolist()]
    return [(row, Phase(int(phases.of_frame[row])).name) for row in rows]


FROM_OFF = [(OFF, "OFF"), (FAILSAFE, "FAILSAFE"), (BACK, "BACK")]


def test_phases_of_the_sequence() -> None:
    phases = phases_of()
    assert begins(phases) == [(0, "AT_REST"), (HELD, "HELD_AWAY"), *FROM_OFF]
    assert (phases.held_row, phases.excused_s) == (HELD, (((OFF - 1) / 64, 6.5),))
    assert phases.back is not None
    assert (phases.back.first, phases.back.stop, phases.back.settled_s) == (BACK, 672, 7.0)


# The motor is moved in its own step, from 1.25 s (row 80) to 1.75 s (row 112), and is at rest before and after.
@pytest.mark.parametrize(("level", "begun_s", "done_s", "outside"), [
    ((PROP, 1811, 80, 112), 1.0, 2.0, 0),
    ((PROP, 1811, 20, 112), 1.0 + 20 / 64, 2.0, 0), ((PROP, 1811, 20, 112), 1.0 + 21 / 64, 2.0, 1),
    ((PROP, 1811, 80, 150), 1.0, 86.5 / 64, 0), ((PROP, 1811, 80, 150), 1.0, 85.5 / 64, 1),
])  # fmt: skip
def test_a_motor_may_run_a_second_before_its_step_and_a_second_after_it(
    level: Level, begun_s: float, done_s: float, outside: int
) -> None:
    """The last frame of its step comes before "done": 149 is a second less one frame after 86."""
    found = found_in(level, steps={"slider": begun_s, "done": done_s})
    (check,) = (one for one in found.checks if (one.channel, one.name) == (PROP, REST))
    assert check.verdict is (F if outside else P)
    assert ("frames until" in check.sentence) is False
    assert ("1811 counts" in check.sentence) is bool(outside)


@pytest.mark.parametrize(("on_s", "settled_s"), [(7.5, 7.0), (7.5 + FRAME_S, 9.0)])
def test_a_link_back_a_second_before_the_annotation_is_none(on_s: float, settled_s: float) -> None:
    """The first good frame at 6.5 s: a second earlier is a slow hand, more is a flag that dropped."""
    phases = phases_of(steps={"transmitter on": on_s})
    assert phases.back is not None
    row = BACK if on_s == 7.5 else 481  # the first row from then on
    assert begins(phases)[-2:] == [(FAILSAFE, "FAILSAFE"), (row, "BACK")]
    assert (phases.back.first, phases.back.settled_s) == (row, settled_s if row == BACK else row / 64 + 0.5 + 2.0)


def test_a_return_that_shows_nowhere_is_given_the_time_of_a_recovery() -> None:
    """No flag and no silence: the annotation alone says that the link is back at 6.5 s."""
    phases = phases_of(parts=(("good", 672),))
    assert phases.back is not None
    assert (phases.back.first, phases.back.settled_s) == (BACK, 6.5 + 0.5 + 2.0)
    silent = phases_of(parts=(("good", OFF), ("silent", 160), ("good", 256)))
    assert silent.back is not None
    assert (silent.back.first, silent.back.settled_s) == (OFF, 6.5 + 0.5)


@pytest.mark.parametrize(("away_s", "held"), [(4.0, OFF), (4.0 + FRAME_S, HELD - 3)])
def test_controls_are_held_away_from_the_annotation_on_that_came_in_time(away_s: float, held: int) -> None:
    """One that came late does not count: then it is from the motion on, whose mean over seven frames begins earlier."""
    assert phases_of(steps={"controls held away": away_s, "transmitter off": 4.5}).held_row == held


@pytest.mark.parametrize(("first", "held"), [(HELD - 60, HELD - 60), (HELD - 67, HELD - 67), (HELD - 68, HELD - 67)])
def test_without_an_annotation_a_motor_is_held_away_up_to_a_second_before_other_controls(first: int, held: int) -> None:
    """The mean over seven frames of the others leaves their rest three frames before they do."""
    assert phases_of((PROP, 1402, first, FAILSAFE), steps={"controls held away": None}).held_row == held


def test_a_step_at_the_first_good_frame_is_not_the_next_one() -> None:
    for at_s, stop in ((6.5, 672), (6.5 + FRAME_S, BACK + 1)):
        phases = phases_of(steps={"stick": at_s, "controls let go": None})
        assert phases.back is not None
        assert phases.back.stop == stop


# Power-up: the receiver is off from row 672 on for a while, then sends 64 frames in failsafe, and has the link.
def powered(
    *levels: Level, silent: int = 32, on_s: float | None = None, link_s: float | None = None,
    more: tuple[Part, ...] = (("failsafe", SECOND), ("good", 2 * SECOND)),
) -> tuple[Phases, dict[tuple[int | None, str], tuple[Verdict, str]]]:  # fmt: skip
    steps = {"receiver on": on_s, "transmitter on after the receiver": link_s}
    found = found_in(*levels, parts=(*SEQUENCE, ("silent", silent), *more), steps=steps)
    assert found.phases is not None
    return found.phases, {
        (one.channel, one.name): (one.verdict, one.sentence) for one in found.checks if one.part == "power-up"
    }


@pytest.mark.parametrize(("silent", "first"), [(19, 672), (18, 690)])
def test_more_than_three_tenths_of_silence_show_that_the_receiver_was_off(silent: int, first: int) -> None:
    """20 periods are 0.3125 s, 19 are 0.297 s: then the annotation alone says when it was on."""
    phases, _ = powered(silent=silent, on_s=(690 + silent) / 64)
    (one,) = phases.power_ups
    assert (one.first, one.start_s) == (first, (671 if first == 672 else 689 + silent) / 64)
    assert begins(phases)[-2:] == [(first, "POWER_UP"), (736, "BACK")]


@pytest.mark.parametrize(("on_s", "is_seen"), [(704 / 64 + 1.0, True), (705 / 64 + 1.0, False)])
def test_a_receiver_may_be_on_a_second_before_the_annotation(on_s: float, is_seen: bool) -> None:
    """Its first frame, row 672, comes at 704/64 s."""
    phases, _ = powered(on_s=on_s, more=(("failsafe", 2 * SECOND), ("good", SECOND)))
    assert [one.first == 672 for one in phases.power_ups] == [is_seen]


@pytest.mark.parametrize(("link_s", "link"), [(None, 682), (722 / 64 + 1.0, 690), (723 / 64 + 1.0, 736)])
def test_no_frame_is_good_more_than_a_second_before_the_transmitter_is_on(link_s: float | None, link: int) -> None:
    """Of the frames in failsafe that of row 682, and that of row 690 at 722/64 s, have no flag."""
    more: tuple[Part, ...] = (
        ("failsafe", 10),
        ("good", 1),
        ("failsafe", 7),
        ("good", 1),
        ("failsafe", 45),
        ("good", 128),
    )
    phases, _ = powered(on_s=11.0, link_s=link_s, more=more)
    assert phases.power_ups[0].link == link


@pytest.mark.parametrize(("row", "level", "verdict"), [
    (736 + 31, 1300, P), (736 + 32, 1300, F), (736 + 32, 1000, P), (736 + 32, 1001, F),
    (700, 1000, P), (700, 1001, F), (671, 1001, P), (672, 1001, F), (735, 1001, F), (736, 1001, P),
])  # fmt: skip
def test_values_from_the_first_frame_on_and_half_a_second_after_the_link(
    row: int, level: int, verdict: Verdict
) -> None:
    _, checks = powered((FIN, level, row, row + 1), on_s=11.0)
    assert checks[FIN, POWER_UP][0] is verdict
    assert (f"{level} counts" in checks[FIN, POWER_UP][1]) is (verdict is F)


@pytest.mark.parametrize(("link_s", "said"), [(13.0, "0.00 s"), (12.0, "0.00 s"), (11.75, "0.25 s")])
def test_the_time_from_switching_on_to_the_link(link_s: float, said: str) -> None:
    """The first good frame comes at 768/64 s."""
    _, checks = powered(on_s=11.0, link_s=link_s)
    assert checks[None, LINK] == (P, f"good frames came {said} after the transmitter was switched on")


@pytest.mark.parametrize(("row", "verdict", "said"), [
    (None, P, "all 64 frames before the link were flagged"),
    (672, F, "1 frame from frame 673 on had no flag, with the transmitter off"),
    (735, F, "1 frame from frame 736 on had no flag, with the transmitter off"),
])  # fmt: skip
def test_a_frame_without_flag_before_the_link_is_named(row: int | None, verdict: Verdict, said: str) -> None:
    more: tuple[Part, ...] = tuple(("good" if at == row else "failsafe", 1) for at in range(672, 736))
    _, checks = powered(on_s=11.0, link_s=13.0, more=(*more, ("good", 2 * SECOND)))
    assert checks[None, "flagged until the link"] == (verdict, said)


@pytest.mark.parametrize(("row", "level", "said"), [
    (672, 182, "182 counts at 11.000 s (powered up, no link yet), planned 173 counts"),
    (736, 182, "182 counts at 12.000 s (link back), planned 173 counts"),
    (863, 164, "164 counts at 13.984 s (link back), planned 173 counts"),
    (736, 181, "192 frames at 173 counts"), (671, 182, "192 frames at 173 counts"),
])  # fmt: skip
def test_a_motor_rests_from_the_first_frame_to_the_last(row: int, level: int, said: str) -> None:
    _, checks = powered((PROP, level, row, row + 1), on_s=11.0)
    assert checks[PROP, POWER_UP] == (P if "192" in said else F, said)


def test_a_receiver_that_has_the_link_in_its_first_frame_sent_nothing_before_it() -> None:
    _, checks = powered(on_s=11.0, link_s=11.5, more=(("good", 2 * SECOND),))
    nothing = (P, "no frame came before the link")
    assert checks[None, "flagged until the link"] == checks[FIN, POWER_UP] == nothing
    assert checks[PROP, POWER_UP] == (P, "128 frames at 173 counts")
    assert checks[None, LINK] == (P, "good frames came 0.00 s after the transmitter was switched on")
