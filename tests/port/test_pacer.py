"""Absolute deadlines; a late slot is skipped and counted, and the program waits for it."""

import pytest

from busbench.port.pacer import Pacer, Transmission
from tests.port.sources import Counting, Failing

MS = 1_000_000


def pacer(source: object, *, start_ns: int = 0) -> Pacer:
    return Pacer(source, start_ns=start_ns, character_ns=120_000, real_ns=start_ns)  # type: ignore[arg-type]


def send(pacer: Pacer, now_ns: int) -> bytes | None:
    frame = pacer.step(now_ns, real_ns=now_ns)
    if frame is not None:
        pacer.sent(now_ns)
    return frame


def test_deadlines_do_not_drift() -> None:
    run = pacer(Counting(100), start_ns=5)
    for slot in range(100):
        assert run.deadline_ns == 5 + slot * 7 * MS
        assert send(run, run.deadline_ns + 900_000) == bytes([slot]) * 25
    assert run.state == Transmission(frames=100, worst_late_ns=900_000, is_over=True)


def test_late_slots_are_skipped_and_the_program_waits() -> None:
    run = pacer(Counting(4))
    assert send(run, 0) == bytes([0]) * 25
    # 3 slots and 1.5 ms on: slots 1 and 2 are gone, slot 3 is late and still far enough from slot 4.
    assert send(run, 22_500_000) == bytes([1]) * 25
    assert run.deadline_ns == 28 * MS
    # 3.5 ms late would be too close to the next.
    assert send(run, 28 * MS + 3_500_000) is None
    assert send(run, 35 * MS) == bytes([2]) * 25
    assert run.state == Transmission(frames=3, late=1, skipped=3, worst_late_ns=1_500_000)


def look(pacer: Pacer, now_ns: int, *, is_free: bool) -> bytes | None:
    frame = pacer.step(now_ns, real_ns=now_ns, is_free=is_free)
    if frame is not None:
        pacer.sent(now_ns)
    return frame


def test_no_frame_follows_one_that_has_not_left_and_none_one_that_has_just_left() -> None:
    run = pacer(Counting(9))
    assert look(run, 0, is_free=True) == bytes([0]) * 25
    assert [look(run, slot * 7 * MS, is_free=slot == 3) for slot in (1, 2, 3)] == [None, None, None]
    assert look(run, 28 * MS, is_free=True) == bytes([1]) * 25
    assert look(run, 35 * MS, is_free=True) == bytes([2]) * 25
    assert (run.state.frames, run.state.skipped) == (3, 3)


def test_half_a_second_without_room_ends_it() -> None:
    run = pacer(Counting(1000))
    look(run, 0, is_free=True)
    slots = [look(run, slot * 7 * MS, is_free=False) for slot in range(1, 73)]
    assert set(slots) == {None}
    assert not run.is_over  # 497 ms after it was first seen
    assert look(run, 73 * 7 * MS, is_free=False) is None
    assert run.state == Transmission(frames=1, skipped=72, is_over=True, reason="the port took nothing for 0.5 s")
    assert run.state.is_broken_off


def test_a_stop_does_not_hide_that_nothing_is_taken() -> None:
    run = pacer(Counting(1000))
    look(run, 0, is_free=True)
    run.stop("stopped")
    for slot in range(1, 80):
        look(run, slot * 7 * MS, is_free=False)
    assert (run.state.reason, run.state.is_broken_off) == ("the port took nothing for 0.5 s", True)


def test_a_port_that_takes_a_frame_now_and_then_is_no_stall() -> None:
    run = pacer(Counting(1000))
    frames = [look(run, slot * 7 * MS, is_free=slot % 70 < 2) for slot in range(700)]
    assert sum(frame is not None for frame in frames) == 2 + 9  # the first look with room leaves one more slot out
    assert not run.is_over


@pytest.mark.parametrize(
    ("now_s", "real_s", "reason"),
    [
        (1.002, 1.002, ""),
        (1.4, 1.4, "no frame went out for 1.4 s: busbench was stopped, or the computer or the port was busy"),
        (0.007, 3600.007, "the computer was suspended for 3600.0 s"),
        (0.5, 1.4, "the computer was suspended for 0.9 s"),
        (2.0, 2.3, "no frame went out for 2.0 s: busbench was stopped, or the computer or the port was busy"),
    ],
)
def test_a_pause_ends_it(now_s: float, real_s: float, reason: str) -> None:
    """By the clock that runs in suspend, and by the one that does not."""
    run = pacer(Counting(1000), start_ns=0)
    send(run, 0)
    frame = run.step(round(now_s * 1e9), real_ns=round(real_s * 1e9))
    assert (frame is None) == (reason != "")
    assert (run.state.reason, run.is_over) == (reason, reason != "")


def test_slots_left_empty_on_purpose_are_no_pause() -> None:
    run = pacer(Counting(1000, empty=tuple(range(1, 500))))
    for slot in range(501):
        assert send(run, slot * 7 * MS) is not None
    assert run.state.frames == 2


def test_an_empty_slot_is_no_frame() -> None:
    run = pacer(Counting(3, empty=(1,)))
    assert [send(run, slot * 7 * MS) for slot in range(3)] == [bytes(25), b"", bytes([2]) * 25]
    assert run.state == Transmission(frames=2, is_over=True)


def test_a_stop_goes_to_the_end_state_within_two_frames() -> None:
    source = Counting(1000)
    run = pacer(source)
    send(run, 0)
    run.stop("stopped")
    assert send(run, 7 * MS) == bytes([1]) * 25  # was asked for before
    assert send(run, 14 * MS) == b"\xee" * 25
    assert run.is_over
    assert run.state.reason == "stopped"
    assert source.stops == 1


def test_who_is_left_alone_stops_twice() -> None:
    source = Counting(1000)
    run = pacer(source)
    run.stop("gone", is_abandoned=True)
    assert source.stops == 2


@pytest.mark.parametrize("when", [0, 1])
def test_a_source_that_fails_ends_in_silence(when: int) -> None:
    run = pacer(Failing(when))
    while not run.is_over:
        send(run, run.deadline_ns)
    assert run.state.frames == when
    assert run.state.reason == "the frame source failed (RuntimeError: no more)"


@pytest.mark.parametrize(("period_s", "latest_ns"), [(0.004, 500_000), (0.005, 1_000_000), (0.007, 3_000_000)])
def test_how_late_a_frame_may_leave(period_s: float, latest_ns: int) -> None:
    source = Counting(3)
    source.period_s = period_s
    run = pacer(source)
    assert send(run, latest_ns) == bytes([0]) * 25
    assert send(run, run.deadline_ns + latest_ns + 1) is None
    assert send(run, run.deadline_ns) == bytes([1]) * 25


@pytest.mark.parametrize("period_s", [0.0, -0.007])
def test_a_period_that_is_none_is_refused(period_s: float) -> None:
    source = Counting(1)
    source.period_s = period_s
    with pytest.raises(ValueError, match="cannot be kept"):
        pacer(source)


@pytest.mark.parametrize(
    ("how", "text"),
    [
        (Transmission(3, 1, 2, 1_204_400, True), "3 frames sent, 1 late, 2 skipped, worst lateness 1.204 ms"),
        (Transmission(1, reason="gone"), "1 frame sent, 0 late, 0 skipped, worst lateness 0.000 ms (gone)"),
    ],
)
def test_a_result_has_its_reason_where_there_is_one(how: Transmission, text: str) -> None:
    assert how.result_text == text


@pytest.mark.parametrize(("late_ns", "late"), [(MS - 1, 0), (MS, 0), (MS + 1, 1)])
def test_a_frame_is_late_from_a_millisecond_on(late_ns: int, late: int) -> None:
    run = pacer(Counting(3))
    send(run, late_ns)
    assert (run.state.late, run.state.worst_late_ns) == (late, late_ns)


@pytest.mark.parametrize(("is_stopped", "words"), [(False, ""), (True, ", stopping")])
def test_how_far_it_is_counts_slots_that_were_skipped(is_stopped: bool, words: str) -> None:
    state = Transmission(1700, 2, 57, reason="stopped" if is_stopped else "")
    assert state.progress_text(0.007) == f"12.3 s, 1,700 frames, 2 late, 57 skipped{words}"


def test_the_first_slot_of_a_stall_is_the_one_that_found_no_room() -> None:
    run = pacer(Counting(1000), start_ns=0)
    send(run, 0)
    assert run.step(7 * MS, real_ns=7 * MS, is_free=False) is None
    assert run.step(506 * MS, real_ns=506 * MS, is_free=False) is None
    assert not run.is_over
    assert run.step(507 * MS, real_ns=507 * MS, is_free=False) is None
    assert run.state.reason == "the port took nothing for 0.5 s"


class Sulking(Counting):
    """Fails when it is asked to stop."""

    def request_stop(self) -> None:
        raise RuntimeError("no")


@pytest.mark.parametrize(
    ("reason", "said"), [("stopped", "the frame source failed (RuntimeError: no)"), ("gone", "gone")]
)
def test_a_source_that_cannot_stop_ends_at_once_and_the_first_grave_reason_stays(reason: str, said: str) -> None:
    run = pacer(Sulking(1000))
    send(run, 0)
    run.stop(reason)
    assert (run.is_over, run.state.reason) == (True, said)
    run.cut("later")
    run.stop("later")
    assert run.state.reason == said
