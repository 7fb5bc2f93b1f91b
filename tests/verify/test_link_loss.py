"""The time without a link: none, short, silent, several, cut off at either end, as annotated or not."""

from __future__ import annotations

from collections.abc import Sequence

import heron
import msgspec
import numpy as np
import pytest

from busbench.model import NO_CLOCK, ByteLog, Clock
from busbench.rig.model import Rig
from busbench.verify.inputs import VerifyInputs
from busbench.verify.link_loss import LinkLoss, find_link_loss
from busbench.verify.result import Verdict
from busbench.verify.verify import verify
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from tests.verify.rounds import RIG, recorded

PERIOD_S = 0.015
FLAGS = {"good": 0, "lost": FLAG_LOST, "failsafe": FLAG_LOST | FLAG_FAILSAFE}
Part = tuple[str, float]


def inputs_of(*parts: Part, marks: Sequence[tuple[float, str]] = (), clock: Clock = heron.PER_READ) -> VerifyInputs:
    """A recording of parts, each for a time: good, lost, failsafe, or silent."""
    at_s, flags = [], []
    start = 0
    for kind, lasts_s in parts:
        slots = round(lasts_s / PERIOD_S)
        if kind in FLAGS:
            at_s += [(start + slot) * PERIOD_S for slot in range(slots)]
            flags += [FLAGS[kind]] * slots
        start += slots
    raw = pack_frames(np.full((len(at_s), 16), 992, np.uint16), np.array(flags, np.uint8))
    t_ns = (np.array([*at_s, start * PERIOD_S]) * 1e9).round().astype(np.int64)
    data = np.append(raw.ravel(), np.uint8(0))  # a stray byte at the end: the recording ran up to there
    ends = np.append(np.arange(1, len(at_s) + 1) * 25, raw.size + 1)
    annotated = [(round(t_s * 1e9), text) for t_s, text in marks]
    return VerifyInputs(recorded(ByteLog(0, data, ends, t_ns), clock=clock, marks=annotated), RIG)


def loss_of(*parts: Part, marks: Sequence[tuple[float, str]] = ()) -> LinkLoss:
    found = find_link_loss(inputs_of(*parts, marks=marks))
    assert found is not None
    return found


GOOD: Part = ("good", 3.0)


def test_without_a_loss_there_is_none() -> None:
    assert find_link_loss(inputs_of(("good", 6.0))) is None
    assert find_link_loss(inputs_of(("good", 1.5), ("lost", 0.3), ("good", 1.5))) is None


@pytest.mark.parametrize("kind", ["lost", "failsafe"])
def test_a_second_from_good_frame_to_good_frame_is_a_loss(kind: str) -> None:
    # The frame before is 15 ms earlier than the first bad one.
    assert find_link_loss(inputs_of(GOOD, (kind, 0.96), GOOD)) is None
    found = loss_of(GOOD, (kind, 0.99), GOOD)
    assert (round(found.start_s, 3), round(found.end_s, 3)) == (2.985, 3.99)
    assert (found.has_begun, found.has_ended, found.first, found.stop) == (True, True, 200, 266)
    assert (found.off_s, found.on_s, found.silent_s, found.is_silent) == (None, None, 0.0, False)
    assert found.failsafe_s == (pytest.approx(3.0) if kind == "failsafe" else None)


def test_silence_counts_if_it_is_certain_for_more_than_a_period_and_a_half() -> None:
    # A frame read after silence may have come up to a second earlier.
    assert find_link_loss(inputs_of(GOOD, ("silent", 0.99), GOOD)) is None
    found = loss_of(GOOD, ("silent", 1.02), GOOD)
    assert (round(found.start_s, 3), round(found.end_s, 3)) == (2.985, 4.02)
    assert (found.has_begun, found.has_ended, found.first, found.stop) == (True, True, 200, 200)
    assert (found.failsafe_s, round(found.silent_s, 3), found.is_silent) == (None, 1.035, True)


def test_failsafe_comes_after_flagged_frames_and_after_silence() -> None:
    found = loss_of(GOOD, ("lost", 0.6), ("silent", 1.05), ("failsafe", 1.5), GOOD)
    assert (round(found.start_s, 3), round(found.end_s, 3)) == (2.985, 6.15)
    assert found.failsafe_s == pytest.approx(4.65)
    assert found.silent_s == pytest.approx(1.065)
    assert not found.is_silent


@pytest.mark.parametrize(("lost_s", "is_silent"), [(0.9, True), (1.2, False)])
def test_it_is_silent_if_no_frame_came_for_most_of_it(lost_s: float, is_silent: bool) -> None:
    found = loss_of(GOOD, ("lost", lost_s), ("silent", 1.05), GOOD)
    assert found.silent_s == pytest.approx(1.065)
    assert found.is_silent is is_silent


def test_a_link_that_is_not_back_lasts_to_the_end_of_the_recording() -> None:
    found = loss_of(GOOD, ("failsafe", 2.1))
    assert (round(found.start_s, 3), round(found.end_s, 3)) == (2.985, 5.1)
    assert (found.first, found.stop, found.has_begun, found.has_ended) == (200, 340, True, False)
    found = loss_of(GOOD, ("silent", 2.1))
    assert (round(found.start_s, 3), round(found.end_s, 3), found.is_silent) == (2.985, 5.1, True)
    assert (found.first, found.stop, found.has_ended) == (200, 200, False)


def test_silence_at_the_end_is_certain_at_once() -> None:
    """No frame that came after it may have been late."""
    assert find_link_loss(inputs_of(GOOD, ("silent", 0.96))) is None
    assert loss_of(GOOD, ("silent", 0.99)).silent_s == pytest.approx(1.005)


def test_a_loss_whose_begin_was_seen_comes_before_a_longer_one() -> None:
    found = loss_of(("failsafe", 3.0), GOOD, ("lost", 1.2), GOOD)
    assert (round(found.start_s, 3), found.has_begun) == (5.985, True)
    found = loss_of(("failsafe", 3.0), GOOD)
    assert (found.start_s, round(found.end_s, 3), found.has_begun) == (0.0, 3.0, False)


def test_failsafe_comes_before_length_and_length_before_order() -> None:
    assert loss_of(GOOD, ("failsafe", 1.2), GOOD, ("lost", 2.1), GOOD).start_s == pytest.approx(2.985)
    assert loss_of(GOOD, ("lost", 1.2), GOOD, ("lost", 2.1), GOOD).start_s == pytest.approx(7.185)
    assert loss_of(GOOD, ("lost", 2.1), GOOD, ("lost", 1.2), GOOD).start_s == pytest.approx(2.985)


def test_a_loss_ends_where_it_does_though_another_lasts_to_the_end() -> None:
    found = loss_of(GOOD, ("failsafe", 2.1), GOOD, ("failsafe", 1.2))
    assert (round(found.start_s, 3), round(found.end_s, 3), found.stop, found.has_ended) == (2.985, 5.1, 340, True)
    found = loss_of(GOOD, ("failsafe", 1.2), GOOD, ("failsafe", 2.1))
    assert (round(found.start_s, 3), round(found.end_s, 3), found.stop, found.has_ended) == (7.185, 9.3, 620, False)


@pytest.mark.parametrize(("good_s", "end_s"), [(0.27, 6.27), (0.33, 4.5)])
def test_good_frames_for_a_moment_do_not_part_two_losses(good_s: float, end_s: float) -> None:
    assert loss_of(GOOD, ("lost", 1.5), ("good", good_s), ("lost", 1.5), GOOD).end_s == pytest.approx(end_s)


def test_single_lost_frames_before_it_are_a_poor_link() -> None:
    single = (("lost", 0.015), ("good", 0.045))
    assert loss_of(GOOD, *single * 5, ("failsafe", 1.5), GOOD).start_s == pytest.approx(3.285)
    near = (("lost", 0.015), ("good", 0.015))  # these are nearer to one another than a frame is long
    assert loss_of(GOOD, *near * 5, ("failsafe", 1.5), GOOD).start_s == pytest.approx(2.985)


def test_an_annotated_switching_off_says_which_loss_is_meant() -> None:
    parts = (GOOD, ("failsafe", 2.1), GOOD, ("failsafe", 1.2), GOOD)
    found = loss_of(*parts, marks=[(8.0, "Transmitter Off"), (9.2, "transmitter on")])
    assert found.start_s == pytest.approx(8.085)
    assert (found.off_s, found.on_s) == (8.0, 9.2)
    # Signs may come up to a second before the annotation, and one that ended earlier is another.
    assert loss_of(*parts, marks=[(6.0, "transmitter off")]).start_s == pytest.approx(2.985)
    late = loss_of(*parts, marks=[(6.2, "transmitter off"), (7.0, "transmitter on")])
    assert (late.start_s, late.end_s, late.failsafe_s, late.has_ended) == (6.2, 7.0, None, True)
    assert (late.first, late.stop) == (414, 467)


def test_annotated_but_never_seen_and_never_back() -> None:
    found = loss_of(("good", 6.0), marks=[(2.0, "transmitter off")])
    assert (found.start_s, round(found.end_s, 3), found.has_begun, found.has_ended) == (2.0, 6.0, True, False)
    assert (found.silent_s, found.is_silent) == (0.0, False)
    found = loss_of(("good", 6.0), marks=[(2.0, "transmitter off"), (4.0, "receiver on")])
    assert (found.start_s, found.end_s) == (2.0, 4.0)


def test_what_is_repeated_from_the_controls_on_does_not_count() -> None:
    parts = (GOOD, ("failsafe", 2.1), GOOD)
    assert find_link_loss(inputs_of(*parts, marks=[(3.0, "transmitter off"), (7.0, "controls held away")])) is None
    assert loss_of(*parts, marks=[(2.0, "controls held away"), (3.0, "transmitter off")]).off_s == 3.0


@pytest.mark.parametrize("text", ["controls held away", "transmitter on", "receiver on"])
def test_what_is_annotated_at_the_same_moment_does_not_come_after_it(text: str) -> None:
    parts, off = (GOOD, ("failsafe", 2.1), GOOD), (3.0, "transmitter off")
    found = loss_of(*parts, marks=[off, (3.0, text)])
    assert found == loss_of(*parts, marks=[off])
    assert (found.off_s, found.on_s, round(found.end_s, 3)) == (3.0, None, 5.1)


def test_losses_before_the_annotated_step_are_faults_of_their_own() -> None:
    # Half a second of good frames less 0.3 s would part them; with a step of the sequence between, any time does.
    parts = (GOOD, ("lost", 1.5), ("good", 0.15), ("failsafe", 2.1), GOOD)
    assert loss_of(*parts).start_s == pytest.approx(2.985)
    assert loss_of(*parts, marks=[(5.5, "transmitter off")]).start_s == pytest.approx(4.635)


def test_no_frames_and_no_clock() -> None:
    assert find_link_loss(inputs_of(("silent", 3.0))) is None
    untimed = inputs_of(GOOD, ("silent", 2.1), ("lost", 1.2), GOOD, clock=NO_CLOCK)
    found = find_link_loss(untimed)
    assert found is not None
    assert found.silent_s == 0.0
    assert found.stop - found.first == 80


FLOWN = heron.fly_round(RIG)
FAILSAFE = np.flatnonzero(FLOWN.flags & FLAG_FAILSAFE)


def judged(*, stop: int | None = None, silent: slice = slice(0), rig: Rig = RIG) -> dict[str, tuple[Verdict, int, str]]:
    """Verdict of each check that did not pass, by its name: how many there are, and the words of the first."""
    is_sent = FLOWN.is_sent.copy()
    is_sent[silent] = False
    rows = slice(stop)
    part = heron.Round(FLOWN.t_ns[rows], FLOWN.counts[rows], FLOWN.flags[rows], is_sent[rows], ())
    found: dict[str, tuple[Verdict, int, str]] = {}
    for check in verify(recorded(heron.read_by_adapter(RIG, part)), rig).checks:
        if check.verdict is not Verdict.PASS:
            verdict, count, said = found.get(check.name, (check.verdict, 0, check.sentence))
            found[check.name] = verdict, count + 1, said
    return found


@pytest.mark.parametrize("stop", [FAILSAFE[-1] - 20, FAILSAFE[0] + 30])
def test_of_a_link_that_is_not_back_nothing_after_it_is_tested(stop: int) -> None:
    why = "the link did not come back before the recording ends"
    assert judged(stop=stop) == {
        "after return": (Verdict.NOT_TESTED, 9, why),
        "recovery": (Verdict.NOT_TESTED, 1, why),
    }


def test_without_a_switching_off_no_failsafe_is_tested() -> None:
    found = judged(stop=2000)
    why = "the transmitter was not switched off for 1 s or more in this recording"
    assert {name: found[name] for name in ("how it shows", "delay", "flag stays up", "recovery")} == dict.fromkeys(
        ("how it shows", "delay", "flag stays up", "recovery"), (Verdict.NOT_TESTED, 1, why)
    )
    assert found["failsafe value"] == found["after return"] == (Verdict.NOT_TESTED, 9, why)


def test_no_frame_for_a_while_of_failsafe_is_a_flag_that_was_down() -> None:
    silent = slice(FAILSAFE[0] + 50, FAILSAFE[0] + 150)
    said = "no frame came for 1.51 s from 34.545 s on, after frames flagged failsafe"
    assert judged(silent=silent) == {"flag stays up": (Verdict.FAIL, 1, said)}


def test_one_frame_missing_in_failsafe_is_no_flag_that_was_down_whatever_the_limit_of_outages() -> None:
    """30 ms are two periods: a flag is down after three."""
    limits = msgspec.structs.replace(RIG.limits, outage_s=0.02)
    rig = msgspec.structs.replace(RIG, limits=limits)
    at = int(FAILSAFE[0]) + 50
    assert "flag stays up" not in judged(silent=slice(at, at + 1), rig=rig)
    assert judged(silent=slice(at, at + 3), rig=rig)["flag stays up"][0] is Verdict.FAIL


def test_no_frame_while_a_stick_moves_fails_the_line_and_leaves_that_stick_untested() -> None:
    found = judged(silent=slice(1000, 1080))
    assert found["missing frames"][0] is found["longest outage"][0] is Verdict.FAIL
    assert found["longest outage"][2].startswith(
        "the longest outage lasted 1.215 s besides the failsafe test; it began"
    )
    not_moved = (Verdict.NOT_TESTED, 1, '"rudder stick" was not moved by itself in this recording')
    assert found["low end"] == found["high end"] == found["direction"] == found["moves alone"] == not_moved
    assert set(found) == {
        "missing frames", "longest outage", "rest", "low end", "high end", "direction", "moves alone",
    }  # fmt: skip
