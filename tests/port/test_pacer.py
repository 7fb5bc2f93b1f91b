"""Absolute deadlines; a late slot is skipped and counted, and the program waits for it."""

import pytest

from busbench.port.pacer import Pacer, Transmission
from tests.port.sources import Counting, Failing

MS = 1_000_000


def pacer(source: object, *, start_ns: int = 0) -> Pacer:
    return Pacer(source, start_ns=start_ns, character_ns=120_000)  # type: ignore[arg-type]


def send(pacer: Pacer, now_ns: int) -> bytes | None:
    frame = pacer.step(now_ns)
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
    # 3.5 ms late would stand too close to the next.
    assert send(run, 28 * MS + 3_500_000) is None
    assert send(run, 35 * MS) == bytes([2]) * 25
    assert run.state == Transmission(frames=3, late=1, skipped=3, worst_late_ns=1_500_000)


def test_a_frame_never_goes_out_behind_a_torn_one() -> None:
    run = pacer(Counting(2))
    assert run.step(0, is_free=False) is None
    assert run.state.skipped == 1
    assert send(run, 7 * MS) == bytes([0]) * 25


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
