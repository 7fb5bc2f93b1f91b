"""Frames of a program: soft start, end states, faults, and never past the limits."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.drive.frame_generator import EndState, FrameGenerator, pack_limited
from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.program import Part, Program
from busbench.drive.shapes import Hold
from busbench.model import I64
from tests.drive.helpers import counts_of, make, sent

HOLD = {"channel": 1, "shape": "hold", "level": 1100, "duration": 0.07}
SINE = {"channel": 2, "shape": "sine", "low": 592, "high": 1392, "period": 4, "cycles": 3}


def test_every_shape_leaves_as_its_closed_form() -> None:
    span = {"low": 500, "high": 1500, "period": 2, "cycles": 2}
    names = ("ramp", "triangle", "sine", "square", "staircase", "wander")
    parts = [{"channel": number, "shape": name, **span} for number, name in enumerate(names, 1)]
    parts.append({"channel": 7, "shape": "steps", "levels": [500, 1500, 700], "period": 3})
    parts.append({"channel": 8, "shape": "chirp", **span, "period_end": 0.5})
    program = make(*parts)
    got = counts_of(sent(program).raw)[-program.slots :]
    for part in program.parts:
        t_s = np.arange(int(part.end_s / 0.007 - 1e-6) + 1, dtype=np.float64) * 0.007
        assert np.array_equal(got[: t_s.size, part.channel], np.rint(part.shape.counts(t_s)).astype(np.int64))
    assert (got[:, 8:] == 992).all()


def test_a_soft_start_comes_before_the_programs_own_time() -> None:
    got = counts_of(sent(make(HOLD, limits={"rate": 1000})).raw)[:, 0].tolist()
    ramp = [min(992 + 7 * step, 1100) for step in range(17)]
    assert got == ramp + [1100] * 10
    assert ramp[0] == 992
    assert ramp[15:] == [1097, 1100]


def test_start_from_a_last_position() -> None:
    feed = FrameGenerator(make(HOLD, limits={"rate": 1000}), last=(1120,) * 16, end=EndState.SILENCE)
    got = counts_of(np.concatenate([feed.take(4).raw, feed.take(1).raw]))
    assert got[:5, 0].tolist() == [1120, 1113, 1106, 1100, 1100]
    assert got[:5, 1].tolist() == [1120, 1113, 1106, 1099, 1092]


def test_end_states() -> None:
    program = make(HOLD, limits={"rate": 1000})
    neutral = counts_of(sent(program, end=EndState.REST).raw)[27:, 0].tolist()
    assert neutral == [max(1100 - 7 * step, 992) for step in range(1, 17)] + [992] * 3
    hold = counts_of(sent(program, end=EndState.HOLD).raw)[27:, 0].tolist()
    assert hold == [1100] * 143  # one second
    assert len(sent(program, end=EndState.SILENCE).raw) == 27


def test_hold_keeps_the_switches() -> None:
    program = make({"channel": 17, "shape": "hold", "level": "on", "duration": 0.07})
    assert set(sent(program, end=EndState.HOLD).raw[:, 23].tolist()) == {0x01}
    assert sent(program, end=EndState.REST).raw[-4:, 23].tolist() == [0x01, 0, 0, 0]


def test_flags_end_bytes_and_drops_over_their_times() -> None:
    faults = [
        {"kind": "lost", "start": 0.1, "duration": 0.2},
        {"kind": "failsafe", "start": 0.2, "duration": 0.2},
        {"kind": "gap", "start": 0.5, "duration": 0.1},
    ]
    program = make({**HOLD, "level": 992, "duration": 1}, fault=faults, end_byte="slots", frame_period=0.1)
    block = sent(program)
    assert block.raw[:, 23].tolist() == [0, 4, 12, 8, 0, 0, 0, 0, 0, 0]
    assert block.is_sent.tolist() == [True] * 5 + [False] + [True] * 4
    assert block.raw[:5, 24].tolist() == [0x04, 0x14, 0x24, 0x34, 0x04]


def test_noise_strikes_the_share_asked_for_and_the_same_bytes_each_time() -> None:
    noise = {"kind": "flips", "start": 3, "duration": 6, "flips": 0.02, "seed": 5}
    clean, noisy = sent(make(SINE)).raw, sent(make(SINE, fault=[noise])).raw
    is_heard = noisy[:, 0] == 0x0F  # what is not heard says again what was
    struck = (clean != noisy)[is_heard]
    t_s = np.arange(len(clean))[is_heard] * 0.007
    assert not struck[(t_s < 3) | (t_s > 9)].any()
    assert struck[(t_s >= 3) & (t_s < 9)].mean() == pytest.approx(0.02, abs=0.003)
    assert set(np.bitwise_count(clean ^ noisy)[is_heard][struck].tolist()) == {1}
    assert np.array_equal(noisy, sent(make(SINE, fault=[noise]), block=7).raw)


def test_noise_on_a_live_line_leaves_no_frame_that_says_other_counts() -> None:
    noise = {"kind": "flips", "duration": 12, "flips": 0.3}
    feed = FrameGenerator(make(SINE, fault=[noise]), reach="header", end=EndState.SILENCE)
    raw = np.concatenate([feed.take(100).raw for _ in range(10)])
    clean = sent(make(SINE)).raw[:1000]
    is_heard = raw[:, 0] == 0x0F
    assert np.array_equal(raw[is_heard][1:], clean[is_heard][1:])  # the first one says where the channels are
    assert is_heard.mean() == pytest.approx(0.7, abs=0.05)


@pytest.mark.parametrize("fault", [{"kind": "gap"}, {"kind": "flips", "flips": 1}], ids=str)
def test_frames_that_nobody_hears_move_nothing(fault: dict[str, object]) -> None:
    ramp: dict[str, object] = {"channel": 1, "shape": "ramp", "low": 200, "high": 1800, "period": 2}
    program = make(ramp, limits={"rate": 1000}, fault=[{**fault, "start": 0.5, "duration": 1}])
    feed = FrameGenerator(program, reach="header", end=EndState.SILENCE)
    blocks = []
    while not feed.is_over:
        blocks.append(feed.take(17))
    raw = np.concatenate([block.raw for block in blocks])
    is_heard = np.concatenate([block.is_sent for block in blocks]) & (raw[:, 0] == 0x0F)
    moves = np.diff(counts_of(raw[is_heard])[:, 0])
    assert (~is_heard).sum() == 143
    assert np.abs(moves).max() == 7  # 1000 counts/s in frames of 7 ms
    assert (np.diff(counts_of(raw)[:, 0])[~is_heard[1:]] == 0).all()


def test_blocks_may_be_cut_anywhere() -> None:
    program = make(SINE, HOLD, limits={"rate": 300})
    assert np.array_equal(sent(program, end=EndState.REST).raw, sent(program, end=EndState.REST, block=3).raw)


def test_packing_takes_limited_counts_alone() -> None:
    block = sent(make(HOLD))
    flags = np.zeros(len(block.limited), np.uint8)
    with pytest.raises(TypeError, match="frames are made of LimitedCounts, not of ndarray"):
        pack_limited(block.limited.channels, flags=flags, end=flags)  # type: ignore[arg-type]


LEVEL = st.integers(0, 2047)
TIMES = st.sampled_from([0.02, 0.1, 0.31, 0.7])


@st.composite
def any_part(draw: st.DrawFn) -> dict[str, object]:
    low, high = sorted((draw(LEVEL), draw(LEVEL)))
    shape = draw(st.sampled_from(["ramp", "triangle", "sine", "square", "staircase", "chirp", "wander", "hold"]))
    part: dict[str, object] = {
        "channel": draw(st.lists(st.integers(1, 16), min_size=1, max_size=16, unique=True)),
        "shape": shape,
        "delay": draw(st.sampled_from([0.0, 0.05])),
    }
    if shape == "hold":
        return {**part, "level": low, "duration": draw(TIMES)}
    part |= {"low": low, "high": high, "period": draw(TIMES), "cycles": draw(st.sampled_from([0.5, 1, 3]))}
    part |= {"phase": draw(st.sampled_from([0, 90, -33]))}
    return {**part, "period_end": draw(TIMES)} if shape == "chirp" else part


@st.composite
def any_limits(draw: st.DrawFn) -> Limits:
    def one() -> ChannelLimit:
        low, idle, high = sorted((draw(LEVEL), draw(LEVEL), draw(LEVEL)))
        rate = draw(st.sampled_from([30.0, 500.0, 1000.0, 3.1e4]))
        return ChannelLimit(low, high, idle, rate, draw(st.integers(0, 3)) == 0)

    few = [one() for _ in range(3)]
    return Limits(tuple(few[draw(st.integers(0, 2))] for _ in range(16)))


def keeps(limits: Limits, counts: I64, period_s: float) -> None:
    """Assert that no frame leaves the limits, moves too fast or moves what is locked."""
    for channel, limit in enumerate(limits.channels):
        moved = counts[:, channel]
        if limit.is_locked:
            assert (moved == limit.rest).all()
        else:
            assert limit.low <= moved.min()
            assert moved.max() <= limit.high
            assert np.abs(np.diff(moved)).max(initial=0) <= max(limit.rate * period_s * (1 + 1e-9), 1)


@settings(max_examples=60, deadline=None)
@given(
    parts=st.lists(any_part(), min_size=1, max_size=4),
    limits=any_limits(),
    order=st.sampled_from(["together", "in turn"]),
    end=st.sampled_from(list(EndState)),
    stop=st.integers(0, 400),
    drops=st.booleans(),
)
def test_no_program_gets_past_the_limits_nor_does_its_stop(
    parts: list[dict[str, object]], limits: Limits, order: str, end: EndState, stop: int, drops: bool
) -> None:
    fault = [{"kind": "gap", "start": 0.1, "duration": 0.1}] if drops else []
    program = replace(make(*parts, order=order, fault=fault), limits=limits)
    feed = FrameGenerator(program, end=end, hold_s=0.1)
    frames: list[I64] = []
    taken = 0
    while not feed.is_over and taken < stop:
        block = feed.take(17)
        taken += len(block)
        frames.append(counts_of(block.raw[block.is_sent]))
    feed.stop()
    while not feed.is_over:
        frames.append(counts_of(feed.take(50).raw))
    if frames:
        counts = np.concatenate(frames)
        keeps(limits, counts, program.period_s)
        if end is EndState.REST:
            assert counts[-1].tolist() == [limit.rest for limit in limits.channels]
    else:
        assert stop == 0


def test_a_motor_channel_that_every_part_tries_to_move_stays() -> None:
    limits = list(make(HOLD).limits.channels)
    limits[2] = replace(limits[2], is_locked=True, rest=172)
    parts = tuple(Part(channel, Hold(1500.0, 1.0), 0.0) for channel in range(16))
    program = Program("Heron", parts, Limits(tuple(limits)), make(HOLD).scale)
    raw = sent(program, end=EndState.REST).raw
    assert set(counts_of(raw)[:, 2].tolist()) == {172}
    assert 1500 in counts_of(raw)[:, 3].tolist()
