"""A time without link that meets each limit of its finding exactly, and one that is just beyond it."""

from __future__ import annotations

from collections.abc import Sequence

import heron
import numpy as np
import pytest

from busbench.model import ByteLog
from busbench.verify.link_loss import LinkLoss, find_link_loss
from busbench.verify.verify import verify_controls
from tests.verify.exact import SECOND, Part, exact
from tests.verify.rounds import RIG, not_passed, recorded

GOOD: Part = ("good", 2 * SECOND)


def loss_of(*parts: Part, marks: Sequence[tuple[float, str]] = ()) -> LinkLoss:
    found = find_link_loss(exact(*parts, marks=marks))
    assert found is not None
    return found


def test_a_second_exactly_is_a_failsafe_test() -> None:
    """Of 63 lost frames the last good one before is 64 periods earlier than the first good one after."""
    assert find_link_loss(exact(GOOD, ("lost", 62), GOOD)) is None
    found = loss_of(GOOD, ("lost", 63), GOOD)
    assert found.end_s - found.start_s == 1.0


@pytest.mark.parametrize(("off_s", "is_seen"), [(4.0, False), (4.0 - 1 / 64, True)])
def test_a_loss_that_ended_a_second_before_the_annotation_is_another(off_s: float, is_seen: bool) -> None:
    parts: tuple[Part, ...] = (GOOD, ("failsafe", SECOND), ("good", 3 * SECOND))
    found = loss_of(*parts, marks=[(off_s, "transmitter off")])  # good frames from 3.0 s on
    assert (found.failsafe_s, found.start_s) == ((2.0, 2 - 1 / 64) if is_seen else (None, off_s))


@pytest.mark.parametrize(("on_s", "is_seen"), [(3.0, False), (3.0 + 1 / 64, True)])
def test_a_loss_that_begins_as_it_is_switched_on_is_another(on_s: float, is_seen: bool) -> None:
    parts: tuple[Part, ...] = (("good", 3 * SECOND + 1), ("failsafe", SECOND), GOOD)  # the last good one at 3.0 s
    found = loss_of(*parts, marks=[(2.5, "transmitter off"), (on_s, "transmitter on")])
    assert (found.failsafe_s, found.start_s) == ((3 + 1 / 64, 3.0) if is_seen else (None, 2.5))


@pytest.mark.parametrize(
    ("lost", "good", "ends"),
    [
        (16, 17, 1), (16, 18, 2),  # from good to good 17 periods without the one that is due: good ones for 16
        (100, 20, 1), (100, 21, 2),  # never for more than 0.3 s, which are 19.2 periods
    ],
)  # fmt: skip
def test_good_frames_for_as_long_as_each_loss_do_not_part_two(lost: int, good: int, ends: int) -> None:
    parts: tuple[Part, ...] = (GOOD, ("lost", lost), ("good", good), ("lost", 100), GOOD)
    found = loss_of(*parts)
    first = 2 * SECOND if ends == 1 or lost == 100 else 2 * SECOND + lost + good
    assert found.first == first
    assert found.stop == (2 * SECOND + lost + (good + 100 if ends == 1 or lost == 16 else 0))


@pytest.mark.parametrize(("good", "ends"), [(17, 1), (18, 2)])
def test_the_shorter_of_two_losses_says_how_long_good_frames_part_them(good: int, ends: int) -> None:
    found = loss_of(GOOD, ("lost", 100), ("good", good), ("lost", 16), GOOD)
    assert (found.first, found.stop) == (2 * SECOND, 2 * SECOND + 100 + (good + 16 if ends == 1 else 0))


@pytest.mark.parametrize(("late_s", "first"), [(0.0, 2 * SECOND), (0.25 / 64, 2 * SECOND + 16 + 17)])
def test_good_frames_for_a_quarter_of_a_period_longer_part_two(late_s: float, first: int) -> None:
    parts: tuple[Part, ...] = (GOOD, ("lost", 16), ("good", 17), ("lost", 100), GOOD)
    at_s = [row / 64 + late_s * (row >= 2 * SECOND + 24) for row in range(4 * SECOND + 133)]
    found = find_link_loss(exact(*parts, at_s=at_s, end_s=at_s[-1]))
    assert found is not None
    assert found.first == first


@pytest.mark.parametrize(("text", "first"), [("receiver on", 324), ("transmitter on", 228), ("controls let go", 228)])
def test_only_a_step_without_link_parts_what_comes_before_it(text: str, first: int) -> None:
    """The last good frame between the two losses comes at 323/64 s, and the step a second later."""
    parts: tuple[Part, ...] = (("good", 228), ("lost", 90), ("good", 6), ("lost", 100), GOOD)
    assert loss_of(*parts, marks=[(323 / 64 + 1.0, text)]).first == first


def test_of_two_losses_while_it_is_off_the_longer_one_is_meant() -> None:
    parts: tuple[Part, ...] = (GOOD, ("lost", 100), GOOD, ("lost", 70), GOOD)
    assert loss_of(*parts, marks=[(2.0, "transmitter off")]).first == 2 * SECOND


def test_frames_that_come_just_a_period_and_a_half_apart_are_no_silence() -> None:
    step_s, flags = 1.5 / 64, (("good", 10), ("failsafe", 60), ("good", 10))
    spaced = exact(*flags, at_s=[row * step_s for row in range(80)], end_s=80 * step_s)
    farther = exact(*flags, at_s=[row * (step_s + 1e-9) for row in range(80)], end_s=80 * (step_s + 1e-9))
    first, second = find_link_loss(spaced), find_link_loss(farther)
    assert first is not None
    assert second is not None
    assert first.silent_s == 0.0
    assert second.silent_s == pytest.approx(80 * step_s)


@pytest.mark.parametrize(("slack_s", "silent_s"), [(0.0, 3 / 64), (1 / 64, 3 / 64), (1.5 / 64, 0.0)])
def test_a_silence_is_certain_for_as_long_as_it_is_longer_than_reads_may_be_late(
    slack_s: float, silent_s: float
) -> None:
    found = find_link_loss(exact(GOOD, ("lost", 80), ("silent", 2), ("lost", 80), GOOD, slack_s=slack_s))
    assert found is not None
    assert found.silent_s == silent_s


@pytest.mark.parametrize(("text", "at_s", "end_s"), [
    ("receiver on", 3.0, 3.0), ("receiver on", 2.0, 6.0), ("controls let go", 3.0, 6.0), ("transmitter on", 1.0, 6.0),
])  # fmt: skip
def test_a_transmitter_that_is_off_by_the_annotation_alone_is_off_until_the_receiver_is_switched_on(
    text: str, at_s: float, end_s: float
) -> None:
    found = loss_of(("good", 6 * SECOND), marks=[(2.0, "transmitter off"), (at_s, text)])
    assert (found.start_s, found.end_s, found.on_s, found.has_ended) == (2.0, end_s, None, False)


def test_a_time_without_frames_elsewhere_is_no_part_of_it() -> None:
    parts: tuple[Part, ...] = (GOOD, ("silent", 32), GOOD, ("lost", 80), ("silent", 32), GOOD, ("silent", 32), GOOD)
    found = loss_of(*parts)
    assert (found.first, found.stop, found.silent_s) == (4 * SECOND, 4 * SECOND + 80, 33 / 64)


@pytest.mark.parametrize(("silent_s", "is_silent"), [(1.0, False), (1.0 + 1 / 64, True)])
def test_half_of_a_loss_without_frames_is_not_most_of_it(silent_s: float, is_silent: bool) -> None:
    assert LinkLoss(2.0, 4.0, 128, 192, None, silent_s, None, None, True, True).is_silent is is_silent
    assert not LinkLoss(2.0, 4.0, 128, 192, 3.5, silent_s, None, None, True, True).is_silent


def test_frames_of_one_read_that_holds_either_edge_of_a_loss() -> None:
    """An adapter hands over two frames at once, with one time: the last good and the first lost one, or the reverse."""
    kinds: tuple[Part, ...] = (("good", 129), ("failsafe", 100), ("good", 129))
    at_s = [(row // 2 * 2 + 1) / 64 for row in range(358)]
    found = find_link_loss(exact(*kinds, at_s=at_s, end_s=at_s[-1], slack_s=1 / 64))
    assert found is not None
    assert (found.first, found.stop, found.has_begun, found.has_ended) == (129, 229, True, True)
    assert (found.start_s, found.end_s, found.failsafe_s) == (129 / 64, 229 / 64, 129 / 64)


@pytest.mark.parametrize("first", [0, 1])
@pytest.mark.parametrize("has_marks", [True, False])
def test_an_adapter_that_hands_over_two_frames_at_once_fails_no_good_aircraft(first: int, has_marks: bool) -> None:
    """Whichever come with one time: those about the switching off, the begin of failsafe and the return among them."""
    flown = heron.fly_round(RIG)
    log = heron.read_by_adapter(RIG, flown)
    keep = np.zeros(log.mark_end.size, np.bool_)
    keep[2 * first + 1 :: 4] = keep[-1] = True  # with the reply of a sensor after each frame
    reads = ByteLog(log.offset, log.data, log.mark_end[keep], log.mark_t_ns[keep])
    recording = recorded(reads, marks=flown.marks if has_marks else ())
    assert not_passed(verify_controls(recording, RIG, findings=())) == {}


def test_a_silence_among_lost_frames_is_part_of_their_loss_whenever_it_was_switched_off() -> None:
    """A poor link was down already; the receiver says nothing for a while after that."""
    parts: tuple[Part, ...] = (GOOD, ("lost", 3 * SECOND), ("silent", 2 * SECOND), ("lost", SECOND), GOOD)
    found = loss_of(*parts, marks=[(4.0, "transmitter off"), (7.5, "transmitter on")])
    assert (found.start_s, found.end_s, found.silent_s) == (2 - 1 / 64, 8.0, 2 + 1 / 64)
    assert (found.first, found.stop, found.has_begun, found.has_ended) == (128, 384, True, True)
