"""Single checks at their edges, on rounds changed by hand."""

from __future__ import annotations

from collections.abc import Callable

import heron
import msgspec
import numpy as np
import pytest

from busbench.analysis import period
from busbench.analysis.read_slots import ReadSlots, number_reads
from busbench.analysis.recording import read_recording
from busbench.model import I64, U16, Bools
from busbench.rig.model import Rig
from busbench.verify import control_moves
from busbench.verify.control_moves import middle_of_three
from busbench.verify.inputs import VerifyInputs, channel_plans
from busbench.verify.link_loss import find_link_loss
from busbench.verify.moments import moment_of
from busbench.verify.result import Check, CheckFactory, Part, Verdict
from busbench.verify.verify import verify, verify_controls
from tests.cli.running import CAPTURES
from tests.verify.rounds import RIG, recorded, round_of, without_times

OFF = slice(2214, 2454)  # frames without link: 33.2 s to 36.8 s
FAILSAFE = slice(2254, 2454)


def changed(change: Callable[[U16], None], *, rig: Rig = RIG) -> dict[tuple[str, str], Check]:
    """All checks of a round whose counts, (N, 16), were changed in place."""
    flown = heron.fly_round(RIG)
    counts = flown.counts.copy()
    change(counts)
    changed_round = heron.Round(flown.t_ns, counts, flown.flags, flown.is_sent, ())
    found = verify(recorded(heron.read_by_adapter(rig, changed_round)), rig)
    return {(check.subject, check.name): check for check in found.checks}


def test_the_frames_of_a_recording_are_numbered_once(monkeypatch: pytest.MonkeyPatch) -> None:
    recording, sizes = round_of(), list[int]()

    def counted(t_ns: I64, cut: Bools, *, period_ns: float | None, cut_min: int) -> ReadSlots | None:
        sizes.append(t_ns.size)
        return number_reads(t_ns, cut, period_ns=period_ns, cut_min=cut_min)

    monkeypatch.setattr(period, "number_reads", counted)
    verify(recording, RIG)
    assert sizes.count(len(recording.frames)) == 1


def with_device(name: str, **values: object) -> Rig:
    """The Heron with other values of one device."""
    devices = tuple(msgspec.structs.replace(d, **values) if d.name == name else d for d in RIG.devices)
    return msgspec.structs.replace(RIG, devices=devices)


def test_a_lever_that_rests_at_the_wrong_end_is_reversed() -> None:
    def reverse(counts: U16) -> None:
        counts[:, 2] = 1984 - counts[:, 2]

    check = changed(reverse)["channel 3 (left flap)", "direction"]
    assert check.verdict is Verdict.FAIL
    assert (
        check.sentence
        == 'is at its high end (left flap down) while "flap lever" is left alone, away from "down": reversed'
    )


def test_a_channel_that_rests_beside_the_plan_fails_though_it_was_right_for_a_while() -> None:
    """The plan has 1024 counts, ±8; most of the time it is 9 beside that, for the first 1.5 s where it belongs."""

    def trim(counts: U16) -> None:
        counts[100:, 5] += 9

    def touch(counts: U16) -> None:
        trim(counts)
        counts[700:710, 5] = 1400

    check = changed(trim)["channel 6 (rudder)", "rest"]
    assert (check.verdict, check.measured, check.margin) == (Verdict.FAIL, 1033, -1)
    assert check.sentence == (
        "rests at 1033 counts (1526 µs), planned 1024 counts (1520 µs); 1024 counts at 0.000 s (at rest), 100 frames"
        " until 1.485 s"
    )
    check = changed(touch)["channel 6 (rudder)", "rest"]
    assert (check.verdict, check.measured) == (Verdict.FAIL, 1033)


def test_a_poor_link_is_no_test_of_the_failsafe() -> None:
    # Every fourth frame flagged lost for 4.5 s, but the transmitter was never off.
    assert find_link_loss(VerifyInputs(round_of("lost frames", "no switching off"), RIG)) is None


def test_a_failsafe_that_still_moves_is_none() -> None:
    def wander(counts: U16) -> None:
        counts[FAILSAFE, 5] = 1024 + 20 * (np.arange(200) % 2) - 10

    check = changed(wander)["channel 6 (rudder)", "failsafe value"]
    assert check.verdict is Verdict.FAIL
    assert check.sentence == (
        "1014 counts at 33.810 s (in failsafe), 200 frames until 36.795 s, planned 0 % = 1024: a wrong value"
    )


def test_what_shall_hold_and_goes_elsewhere_fails() -> None:
    def go(counts: U16) -> None:
        counts[FAILSAFE, 6] = 992

    check = changed(go)["channel 7 (gear)", "failsafe value"]
    assert [check.measured, check.expected] == [992, 1811]
    assert check.verdict is Verdict.FAIL


@pytest.mark.parametrize("level", [173, 190, 193])  # at rest as the plan has it, and as the limit of rest lets it be
def test_what_shall_hold_at_rest_is_not_seen_to(level: int) -> None:
    def rest(counts: U16) -> None:
        counts[FAILSAFE.start - 200 : OFF.stop, 6] = level  # as a failsafe value at rest would look

    limits = msgspec.structs.replace(RIG.limits, rest_counts=20)
    check = changed(rest, rig=msgspec.structs.replace(RIG, limits=limits))["channel 7 (gear)", "failsafe value"]
    assert check.verdict is Verdict.NOT_TESTED
    assert check.sentence == (
        f"it was at rest ({level} counts) before, so a failsafe value there would look the same:"
        " switch off with the control held away from rest (propeller off)"
    )


def test_what_shall_hold_beside_its_rest_is_seen_to() -> None:
    def beside(counts: U16) -> None:
        counts[FAILSAFE.start - 200 : OFF.stop, 6] = 194

    limits = msgspec.structs.replace(RIG.limits, rest_counts=20)
    check = changed(beside, rig=msgspec.structs.replace(RIG, limits=limits))["channel 7 (gear)", "failsafe value"]
    assert (check.verdict, check.measured, check.expected) == (Verdict.PASS, 194, 194)


@pytest.mark.parametrize(("before", "verdict"), [(984, Verdict.NOT_TESTED), (1000, Verdict.NOT_TESTED),
                                                 (983, Verdict.PASS), (1001, Verdict.PASS)])  # fmt: skip
def test_a_failsafe_value_as_near_as_its_limit_looks_like_holding(before: int, verdict: Verdict) -> None:
    def hold(counts: U16) -> None:
        counts[OFF.start - 100 : FAILSAFE.start, 4] = before  # planned 0 % = 992, within 8

    check = changed(hold)["channel 5 (left elevator, right elevator)", "failsafe value"]
    assert check.verdict is verdict
    assert ("so holding would look the same" in check.sentence) is (verdict is Verdict.NOT_TESTED)


def test_after_the_link_came_back_it_must_stand_where_its_control_does() -> None:
    def stay(counts: U16) -> None:
        counts[OFF.stop :, 5] = 400

    def let_go(counts: U16) -> None:
        counts[OFF.stop :, 5] = 1024

    check = changed(stay)["channel 6 (rudder)", "after return"]
    assert check.verdict is Verdict.FAIL
    assert check.sentence == "400 counts at 36.810 s (link back), 34 frames until 37.305 s, on its way back"
    # Its rest is its failsafe position: whether it was let go or stays there cannot be seen.
    check = changed(let_go)["channel 6 (rudder)", "after return"]
    assert check.verdict is Verdict.NOT_TESTED
    assert check.sentence.endswith("which is its rest too: hold the control away until the link is back")


@pytest.mark.parametrize(("percent", "verdict"), [
    (-100, Verdict.FAIL), (0, Verdict.FAIL), (1, Verdict.NOT_TESTED), (100, Verdict.NOT_TESTED),
])  # fmt: skip
def test_failsafe_of_a_channel_of_two_states(percent: float, verdict: Verdict) -> None:
    # The release was and stays on: closed is wrong, and open looks the same as holding.
    checks = changed(lambda counts: None, rig=with_device("tow release", failsafe=percent))
    assert checks["channel 17 (tow release)", "failsafe value"].verdict is verdict


def test_a_failsafe_that_the_plan_does_not_state_is_not_tested() -> None:
    check = changed(lambda counts: None, rig=with_device("rudder", failsafe=None))[
        "channel 6 (rudder)", "failsafe value"
    ]
    assert (check.verdict, check.sentence) == (Verdict.NOT_TESTED, "the plan states no failsafe")


@pytest.mark.parametrize(("limit_ms", "verdict"), [(0.03, Verdict.PASS), (0.01, Verdict.NOT_TESTED)])
def test_jitter_passes_with_what_the_adapter_adds_and_fails_only_beyond_that(limit_ms: float, verdict: Verdict) -> None:
    """Whole frames and no log of the computer's lateness: 0.0242 ms rms seen, of which none need be the receiver's."""
    limited = msgspec.structs.replace(RIG, limits=msgspec.structs.replace(RIG.limits, jitter_ms=limit_ms))
    check = changed(lambda counts: None, rig=limited)["line", "jitter"]
    assert check.verdict is verdict
    assert check.sentence.startswith("0.0242 ms rms seen, adapter and computer included; ")
    assert ("; judged as seen, the receiver's own may be above" in check.sentence) == (verdict is Verdict.PASS)
    how = "record with a logic analyser, or with an adapter whose latency timer is short"
    assert check.sentence.endswith(how) == (verdict is Verdict.NOT_TESTED)


@pytest.mark.parametrize(
    ("limit_ms", "verdict"), [(0.00905, Verdict.FAIL), (0.00906, Verdict.NOT_TESTED), (0.00907, Verdict.PASS)]
)
def test_jitter_that_an_analyser_measured_fails_beyond_its_bounds(limit_ms: float, verdict: Verdict) -> None:
    """Ticks of 1 ns: 9.0601 µs rms were seen, of which 9.0596 at least are the receiver's."""
    limited = msgspec.structs.replace(RIG, limits=msgspec.structs.replace(RIG.limits, jitter_ms=limit_ms))
    checks = verify(read_recording(CAPTURES / "heron-line.vcd"), limited).checks
    (check,) = (one for one in checks if one.name == "jitter")
    assert check.verdict is verdict
    assert check.sentence.startswith("0.0091 ms rms; ")


def test_frames_without_link_are_none_of_the_lost() -> None:
    # 2687 frames, of which 240 came while the transmitter was off; 1 - 0.05 ** (1 / 2447) = 0.122 %
    check = changed(lambda counts: None)["line", "frames flagged lost"]
    assert check.sentence == "0 of 2,447; 95 % upper confidence limit 0.122 %"


def test_where_channels_rest_unless_the_plan_says_otherwise() -> None:
    rig = msgspec.structs.replace(RIG, devices=tuple(msgspec.structs.replace(d, rest_pct=None) for d in RIG.devices))
    rests = {mapped.channel: mapped.rest_counts for mapped in channel_plans(rig)}
    assert rests == {1: 992, 2: 992, 3: 992, 4: 992, 5: 992, 6: 1024, 7: 992, 17: 173, 8: 173}
    assert {mapped.channel: mapped.rest_side for mapped in channel_plans(RIG)} == {
        1: 0, 2: 0, 3: -1, 4: -1, 5: 0, 6: 0, 7: -1, 17: -1, 8: -1,
    }  # fmt: skip


def test_a_channel_of_two_states_is_planned_apart_from_scale_and_travel() -> None:
    """Off and on are -100 and 100 % of the usual scale, 173 and 1811 counts, whatever a servo would make of them."""
    scaling = msgspec.structs.replace(RIG.scaling, centre_counts=1024, centre_us=1520.0)
    for rest_pct, rest in ((None, 173), (-100.0, 173), (100.0, 1811), (40.0, 173), (60.0, 1811)):
        rig = with_device("tow release", travel_pct=60.0, neutral_us=1400.0, rest_pct=rest_pct)
        rig = msgspec.structs.replace(rig, scaling=scaling)
        (plan,) = (one for one in channel_plans(rig) if one.channel == 17)
        assert (plan.ends.low_counts, plan.ends.neutral_counts, plan.ends.high_counts) == (173, 992, 1811)
        assert plan.rest_counts == rest


def test_devices_of_one_channel_share_control_gimbal_and_motor() -> None:
    """The first device names the control; a gimbal and a motor may be stated by any of them."""
    first = {"control": None, "group": "tail", "gimbal": None}
    devices = tuple(
        msgspec.structs.replace(d, **first) if d.name == "left elevator"
        else msgspec.structs.replace(d, control="tail", gimbal="left stick") if d.name == "right elevator"
        else msgspec.structs.replace(d, channel=0 if d.name == "gear" else 19) if d.name in ("gear", "rudder")
        else msgspec.structs.replace(d, control=None) if d.name == "left aileron"
        else d
        for d in RIG.devices
    )  # fmt: skip
    plans = {plan.channel: plan for plan in channel_plans(msgspec.structs.replace(RIG, devices=devices))}
    assert list(plans) == [1, 2, 3, 4, 5, 17, 8]  # 0 and 19 are no channels of the frame
    assert (plans[5].control, plans[5].gimbal, plans[5].subject) == (
        "tail", "left stick", "channel 5 (left elevator, right elevator)",
    )  # fmt: skip
    assert (plans[1].control, plans[3].control, plans[8].motor_kind) == ("left aileron", "flap lever", "electric")
    assert [plan.must_rest for plan in plans.values()] == [False] * 6 + [True]


def test_levels_for_people() -> None:
    plans = {plan.channel: plan for plan in channel_plans(RIG)}
    assert [plans[17].level(counts) for counts in (173.0, 992.0, 993.0, 1811.0)] == ["off", "off", "on", "on"]
    assert (plans[6].level(991.6), plans[6].level(991.6, has_unit=False)) == ("992 counts", "992")


def test_one_wild_value_of_three_is_passed_over() -> None:
    assert middle_of_three(np.array([5.0, 900.0, 7.0])).tolist() == [5.0, 7.0, 7.0]
    assert middle_of_three(np.array([5.0, 900.0])).tolist() == [5.0, 900.0]


@pytest.mark.parametrize(("left_alone_s", "is_rest"), [(9.6, False), (9.8, True)])
def test_without_annotations_three_tenths_of_the_frames_make_a_rest(left_alone_s: float, is_rest: bool) -> None:
    """Of 2,448 good frames 87 are at rest at the end; before that it wanders, with no level for more than 0.6 s."""
    first, stop = round(left_alone_s / 0.015), 2100

    def wander(counts: U16) -> None:
        counts[first:stop, 5] = 1100 + np.arange(stop - first) // 40 * 12

    check = changed(wander)["channel 6 (rudder)", "rest"]
    assert check.sentence.startswith("it never rests for long") is not is_rest


@pytest.mark.parametrize(
    ("rest_pct", "side"),
    [(-100.0, -1), (-50.0, -1), (-49.9, 0), (-40.0, 0), (40.0, 0), (49.9, 0), (50.0, 1), (100.0, 1)],
)
def test_a_control_rests_at_the_side_that_it_is_nearer_to_than_to_neutral(rest_pct: float, side: int) -> None:
    rig = with_device("left flap", rest_pct=rest_pct)
    assert next(plan.rest_side for plan in channel_plans(rig) if plan.channel == 3) == side


def test_a_period_that_is_known_is_not_sought_again() -> None:
    """A guided check found it in an earlier step; bytes without times have none."""
    recording = round_of()
    inputs = VerifyInputs(recording, RIG, 14.9e6)
    assert (inputs.found_period_ns, inputs.period_ns) == (14.9e6, 14.9e6)
    found_ns = VerifyInputs(recording, RIG).found_period_ns
    assert found_ns == pytest.approx(15e6, rel=1e-5)
    untimed = without_times(recording.frames.raw.tobytes())
    assert VerifyInputs(untimed, RIG, 14.9e6).found_period_ns is None
    assert VerifyInputs(untimed, RIG, 14.9e6).period_ns == RIG.plan.period_ms * 1e6
    assert verify_controls(recording, RIG, period_ns=14.9e6).evidence.found_period_ns == 14.9e6


@pytest.mark.parametrize(("frames", "row"), [(0, None), (1, None), (2, 0), (3, 1), (60, 58)])
def test_the_longest_gap_is_shown_by_the_frame_before_it(frames: int, row: int | None) -> None:
    flown = heron.fly_round(RIG)
    t_ns = flown.t_ns[:frames].copy()
    t_ns[-1:] += 10**9
    few = heron.Round(t_ns, flown.counts[:frames], flown.flags[:frames], flown.is_sent[:frames], ())
    found = verify(recorded(heron.read_by_adapter(RIG, few)), RIG)
    shown = {moment_of(check, found) for check in found.checks if check.name in ("missing frames", "longest outage")}
    assert shown == ({row} if frames else set())
    assert {moment_of(check, found) for check in found.checks if check.part == "channel"} <= {None, 0}


@pytest.mark.parametrize("part", ["plan", "line", "channel", "failsafe", "pulse", "walk", "change"])
def test_a_check_about_nothing_in_the_recording_has_no_moment(part: Part) -> None:
    """As that of a pulse output that follows no channel, or of a channel that is not in the plan."""
    found = verify(round_of("no switching off"), RIG)
    for channel in (None, 12):
        assert moment_of(CheckFactory(part, "it", channel).is_so("any", "so", good=True), found) is None


@pytest.mark.parametrize(("correlation", "verdict"), [(0.8, Verdict.FAIL), (-0.8, Verdict.FAIL),
                                                      (0.79, Verdict.NOT_TESTED)])  # fmt: skip
def test_a_channel_follows_another_from_four_fifths_of_correlation_on(
    monkeypatch: pytest.MonkeyPatch, correlation: float, verdict: Verdict
) -> None:
    """Below that it may have been moved by hand at the same time, where no annotation says which control was."""
    monkeypatch.setattr(control_moves, "_correlation", lambda *_: correlation)
    found = verify(round_of("rudder moves with elevator"), RIG)
    (check,) = (one for one in found.checks if (one.channel, one.name) == (5, "moves alone"))
    assert check.verdict is verdict
