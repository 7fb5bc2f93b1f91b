"""Failsafe, recovery and return at their limits of time and counts exactly, and just beyond them."""

from __future__ import annotations

import msgspec
import pytest

from busbench.verify.failsafe_checks import expects_silence
from busbench.verify.result import Verdict
from tests.verify.exact import (
    BACK,
    END,
    FAILSAFE,
    FIN,
    GEAR,
    HELD,
    LET_GO,
    OFF,
    PLAN,
    PROP,
    SEQUENCE,
    Level,
    Part,
    judged,
)

P, F, N = Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED
DELAY, LASTS, LOST, VALUE, RETURN, RECOVERY = (
    "delay", "flag stays up", "while lost", "failsafe value", "after return", "recovery",
)  # fmt: skip
LAST_GOOD_S = (OFF - 1) / 64
FRAME_S = 1 / 64


def test_the_sequence_passes_all_that_it_shows() -> None:
    found = {key: check.verdict for key, check in judged().items() if key[1] in (
        "how it shows", DELAY, LASTS, LOST, VALUE, RETURN, RECOVERY, "rest",
    )}  # fmt: skip
    assert set(found.values()) == {P}
    assert len(found) == 4 + 4 * 3
    assert judged()[None, RECOVERY].measured == 0.0


@pytest.mark.parametrize(("early_s", "limit_s", "verdict"), [
    (1.0, 1.5, P), (1.0 + FRAME_S, 1.5, N),  # the flag comes 33/64 s after the last good frame
    (1.25, 1.25 + 33 / 64, P), (1.25, 1.25 + 32 / 64, N),
    (0.0, 33 / 64, P), (0.0, 32 / 64, F), (1.25, 32 / 64, F),
])  # fmt: skip
def test_an_annotation_up_to_a_second_early_leaves_the_delay_as_seen(
    early_s: float, limit_s: float, verdict: Verdict
) -> None:
    steps = {"controls held away": 2.5, "transmitter off": LAST_GOOD_S - early_s}
    check = judged(steps=steps, failsafe_after_s=limit_s)[None, DELAY]
    assert check.verdict is verdict
    assert (check.measured, check.limit) == (None if verdict is N else 33 / 64, limit_s)
    after = f", {early_s + 33 / 64:.2f} s after switching off, as annotated" if early_s else ""
    assert f"0.52 s after the last good frame{after}" in check.sentence


@pytest.mark.parametrize(("early_s", "verdict"), [(1.5, P), (1.5 + FRAME_S, F), (-0.5, P)])
def test_silence_begins_after_the_annotation(early_s: float, verdict: Verdict) -> None:
    parts: tuple[Part, ...] = (("good", OFF), ("silent", 160), ("good", 256))
    steps = {"controls held away": 2.0, "transmitter off": LAST_GOOD_S - early_s}
    check = judged(parts=parts, steps=steps)[None, DELAY]
    assert (check.verdict, check.measured) == (verdict, max(0.0, early_s))


@pytest.mark.parametrize(("silent", "outage_s", "verdict"), [
    (2, 0.01, P), (3, 0.01, F),  # three periods from frame to frame, and four
    (3, 4 / 64, P), (4, 4 / 64, F),
])  # fmt: skip
def test_a_pause_of_failsafe_at_the_limit_of_outages_and_at_three_periods(
    silent: int, outage_s: float, verdict: Verdict
) -> None:
    parts: tuple[Part, ...] = (
        ("good", OFF), ("lost", 32), ("failsafe", 50), ("silent", silent), ("failsafe", 78 - silent), ("good", 256),
    )  # fmt: skip
    check = judged(parts=parts, outage_s=outage_s)[None, LASTS]
    assert check.verdict is verdict
    said = f"no frame came for {(silent + 1) / 64:.2f} s from 5.266 s on, after frames flagged failsafe"
    assert check.sentence == (said if verdict is F else f"the failsafe flag stayed up in all {128 - silent} frames")


@pytest.mark.parametrize(("row", "verdict"), [(OFF - 1 + 96, P), (OFF + 96, F)])
def test_without_the_flag_it_is_in_failsafe_after_the_limit_of_its_delay(row: int, verdict: Verdict) -> None:
    """96 frames are 1.5 s: a frame that comes just then may still be as it was before."""
    levels: tuple[Level, ...] = ((FIN, 992, FAILSAFE, BACK), (FIN, 1402, row, row + 1))
    parts: tuple[Part, ...] = (("good", OFF), ("lost", 160), ("good", 256))
    check = judged(*levels, parts=parts)[FIN, VALUE]
    assert check.verdict is verdict
    assert check.measured == (1402 if verdict is F else 992)


@pytest.mark.parametrize(("good", "verdict"), [(33, P), (32, N)])
def test_half_a_second_of_good_frames_shows_that_the_link_is_back(good: int, verdict: Verdict) -> None:
    check = judged(parts=(*SEQUENCE[:3], ("good", good)))[None, RECOVERY]
    assert check.verdict is verdict
    assert ("the recording ends less than 0.5 s after" in check.sentence) is (verdict is N)


@pytest.mark.parametrize(("parts", "verdict"), [
    ((("good", 8), ("lost", 4), ("good", 244)), P),  # 4/64 s is as long as an outage may be
    ((("good", 8), ("lost", 5), ("good", 243)), F),
    ((("good", 28), ("lost", 5), ("good", 223)), P),  # the fifth comes half a second after the first good one
    ((("good", 27), ("lost", 5), ("good", 224)), F),
])  # fmt: skip
def test_frames_lost_in_half_a_second_after_the_return_are_an_outage(parts: tuple[Part, ...], verdict: Verdict) -> None:
    check = judged(parts=(*SEQUENCE[:3], *parts), outage_s=4 / 64)[None, RECOVERY]
    assert check.verdict is verdict
    assert (check.sentence == "the link came back and was lost again at once") is (verdict is F)


@pytest.mark.parametrize(("took_s", "verdict"), [(2.0, P), (2.0 + FRAME_S, N), (3.0, N), (3.0 + FRAME_S, F)])
def test_switching_on_may_be_annotated_a_second_early(took_s: float, verdict: Verdict) -> None:
    parts: tuple[Part, ...] = (("good", OFF), ("lost", 32), ("failsafe", 384), ("good", 256))  # back at 10.5 s
    levels: tuple[Level, ...] = ((FIN, 1402, 672, 800), (GEAR, 1811, 544, 800), (FIN, 992, 416, 544))
    steps = {"transmitter on": 10.5 - took_s, "controls let go": 12.5}
    check = judged(*levels, parts=parts, steps=steps)[None, RECOVERY]
    assert check.verdict is verdict
    assert (check.measured, check.limit) == (None if verdict is N else took_s, 2.0)


AT = BACK + 32  # half a second after the return each channel must be where its control is


@pytest.mark.parametrize(("row", "verdict"), [(AT - 1, P), (AT, F)])
def test_a_channel_may_be_on_its_way_until_half_a_second_after_the_return(row: int, verdict: Verdict) -> None:
    check = judged((FIN, 1200, row, row + 1))[FIN, RETURN]
    assert check.verdict is verdict
    said = f"1200 counts at {row / 64:.3f} s (link back), 0.5 s after the link came back neither where it was held"
    assert check.sentence.startswith(said) is (verdict is F)


@pytest.mark.parametrize(("level", "verdict"), [(1483, P), (1484, F), (911, P), (910, F)])
def test_on_its_way_it_is_between_failsafe_and_held_but_for_a_hand(level: int, verdict: Verdict) -> None:
    """A hand may add 10 % of 819 counts, 81.9."""
    check = judged((FIN, level, BACK + 5, BACK + 6))[FIN, RETURN]
    assert check.verdict is verdict
    assert check.sentence.endswith("on its way back") is (verdict is F)


@pytest.mark.parametrize(("frames", "verdict"), [(97, P), (98, F)])
def test_letting_go_takes_up_to_a_second_and_a_half(frames: int, verdict: Verdict) -> None:
    """From the first frame on the way to the last one 96 periods."""
    levels: tuple[Level, ...] = ((FIN, 1200, LET_GO, LET_GO + frames), (GEAR, 900, LET_GO, LET_GO + frames))
    found = judged(*levels)
    assert (found[FIN, RETURN].verdict, found[GEAR, RETURN].verdict) == (verdict, verdict)


def test_what_does_not_come_to_rest_is_named_though_it_was_held_before() -> None:
    check = judged((FIN, 1200, LET_GO, END), parts=(*SEQUENCE[:3], ("good", 130)))[FIN, RETURN]
    assert check.verdict is F
    assert check.sentence == (
        "1200 counts at 8.500 s (link back), 2 frames until 8.516 s, 0.5 s after the link came back neither where it"
        " was held (1402 counts) nor at rest"
    )


@pytest.mark.parametrize(("level", "row", "damaged", "verdict", "said"), [
    (181, 2, (0, 1), P, "35 frames without link before failsafe held the last good value"),
    (182, 2, (0, 1), N, "182 counts at 0.031 s (at rest); no good frame came before"),
    (182, 2, (0,), F, "182 counts at 0.031 s (at rest); the last good value was 173 counts"),
    (1811, OFF + 3, (0, 1), F, "1811 counts at 4.047 s (transmitter off, before failsafe); the last good value was"),
])  # fmt: skip
def test_what_a_motor_did_in_lost_frames_after_damaged_ones_alone_is_not_known(
    level: int, row: int, damaged: tuple[int, ...], verdict: Verdict, said: str
) -> None:
    """Its rest may be 8 counts beside the plan, 173; other channels may be anywhere."""
    parts: tuple[Part, ...] = (("good", 2), ("lost", 1), ("good", 1), ("lost", 3), ("good", 249), *SEQUENCE[1:])
    levels: tuple[Level, ...] = ((PROP, level, row, row + 1), (FIN, 1500, 2, 3))
    found = judged(*levels, parts=parts, damaged=damaged)
    assert found[PROP, LOST].verdict is verdict
    assert found[PROP, LOST].sentence.startswith(said)
    assert found[FIN, LOST].verdict is (P if 1 in damaged else F)


@pytest.mark.parametrize(("row", "level", "is_known"), [
    (OFF, 1410, True), (OFF, 1411, False), (OFF, 1393, False), (FAILSAFE - 1, 181, True), (FAILSAFE - 1, 182, False),
    (FAILSAFE, 181, True), (FAILSAFE, 182, False), (FAILSAFE, 1402, False), (BACK - 1, 165, True),
    (BACK - 1, 164, False),
])  # fmt: skip
def test_a_motor_in_a_damaged_frame_without_link_is_where_it_was_or_in_failsafe(
    row: int, level: int, is_known: bool
) -> None:
    """Held at 1402 counts before failsafe, then at 173; 8 counts beside either are allowed."""
    levels: tuple[Level, ...] = ((PROP, level, row, row + 1), (FIN, 700, row, row + 1))
    found = judged(*levels, damaged=(HELD + 8, row, BACK + 8))
    check = found[PROP, VALUE]
    assert (check.verdict, found[FIN, VALUE].verdict, found[FIN, LOST].verdict) == (P if is_known else N, P, P)
    word = "in failsafe" if row >= FAILSAFE else "transmitter off, before failsafe"
    said = f"{level} counts at {row / 64:.3f} s ({word}), in frames with bytes that the line marked as damaged"
    assert (check.sentence == said) is not is_known


@pytest.mark.parametrize("off_s", [LAST_GOOD_S, None])
def test_held_values_at_their_limit(off_s: float | None) -> None:
    levels: tuple[Level, ...] = ((FIN, 1402 + 8, OFF + 3, OFF + 4), (GEAR, 1811 - 9, OFF + 3, OFF + 4))
    found = judged(*levels, steps={"transmitter off": off_s})
    assert (found[FIN, LOST].verdict, found[FIN, LOST].measured) == (P, 8)
    assert (found[GEAR, LOST].verdict, found[GEAR, LOST].measured) == (F, 9)


@pytest.mark.parametrize(("held", "verdict"), [(HELD, P), (OFF - 1, P)])
def test_the_last_good_frame_says_what_is_held(held: int, verdict: Verdict) -> None:
    levels: tuple[Level, ...] = ((GEAR, 173, HELD, BACK), (GEAR, 1811, held, BACK))
    assert judged(*levels)[GEAR, VALUE].verdict is verdict
    # What the lost frames between sent is not what must be held.
    assert judged(*levels, (GEAR, 1700, FAILSAFE - 1, BACK))[GEAR, VALUE].measured == 1700
    assert judged(*levels, (GEAR, 1700, FAILSAFE - 1, BACK))[GEAR, VALUE].expected == 1811


@pytest.mark.parametrize(("held", "verdict"), [(1000, N), (1001, P), (984, N), (983, P)])
def test_what_was_held_as_near_to_failsafe_as_its_limit_looks_as_if_it_did_not_move(
    held: int, verdict: Verdict
) -> None:
    """In failsafe at 992 counts, 8 either side."""
    check = judged((FIN, held, HELD, FAILSAFE), (FIN, held, BACK, LET_GO))[FIN, RETURN]
    assert check.verdict is verdict
    assert check.sentence.startswith(
        f"{held} counts 0.5 s after the link came back, where it was held" if verdict is P
        else "it did not move after the link came back (992 counts)"
    )  # fmt: skip


@pytest.mark.parametrize(("planned", "kinds", "is_expected"), [
    (("silence", "silence"), ("servo", "servo"), True), (("silence", 0.0), ("servo", "servo"), False),
    (("silence", None), ("servo", "servo"), False), (("silence", 0.0), ("servo", "off-bus"), True),
    (("silence", "silence"), ("off-bus", "off-bus"), False),
])  # fmt: skip
def test_silence_is_expected_where_every_device_on_the_bus_gets_it(
    planned: tuple[float | str | None, ...], kinds: tuple[str, ...], is_expected: bool
) -> None:
    devices = tuple(
        msgspec.structs.replace(one, failsafe=failsafe, kind=kind)
        for one, failsafe, kind in zip(PLAN.devices, planned, kinds, strict=False)
    )
    assert expects_silence(msgspec.structs.replace(PLAN, devices=devices)) is is_expected


@pytest.mark.parametrize(("still", "verdict"), [(600, P), (None, F)])
def test_each_move_after_the_return_may_take_a_second_and_a_half(still: int | None, verdict: Verdict) -> None:
    """Between where it was held and its rest for 106 frames, but for one in which it is where it was held."""
    levels: list[Level] = [(FIN, 1200, LET_GO, LET_GO + 106)]
    if still is not None:
        levels.append((FIN, 1402, still, still + 1))
    assert judged(*levels)[FIN, RETURN].verdict is verdict


@pytest.mark.parametrize(("back", "verdict"), [(545, P), (546, F)])
def test_what_was_let_go_is_at_rest_in_the_last_frame(back: int, verdict: Verdict) -> None:
    check = judged((FIN, 1200, LET_GO, back), parts=(*SEQUENCE[:3], ("good", 130)))[FIN, RETURN]
    assert check.verdict is verdict


@pytest.mark.parametrize(("moved", "verdict"), [(671, P), (704, F)])
def test_what_moves_as_the_receiver_is_powered_up_did_not_come_back_before(moved: int, verdict: Verdict) -> None:
    """The last frame of the sequence is row 671, and the receiver is on again from row 672 on."""
    parts: tuple[Part, ...] = (*SEQUENCE, ("silent", 32), ("failsafe", 64), ("good", 128))
    levels: tuple[Level, ...] = ((GEAR, 1811, LET_GO, 864), (GEAR, 173, moved, 864))
    check = judged(*levels, parts=parts, more_steps=(("receiver on", 11.0),))[GEAR, RETURN]
    assert check.verdict is verdict
    assert check.sentence == (
        "1811 counts 0.5 s after the link came back, where it was held" if verdict is P
        else "it did not move after the link came back (1811 counts), though its control was let go:"
        " it stays in its failsafe position"
    )  # fmt: skip
