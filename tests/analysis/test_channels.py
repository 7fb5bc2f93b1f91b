"""The glider Heron on the bench: what its channels did."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busbench.analysis.channels import Channels, ChannelStats, summarise_channels
from busbench.analysis.reversals import Travels, turning_points
from busbench.model import MARKED, NO_CLOCK, ByteLog, Clock, ClockKind, Reason
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.framing import find_frames
from busbench.wire.table import FrameTable

PER_BYTE = Clock(ClockKind.PER_BYTE, 1)
MS = 1_000_000
AILERON, FLAP, ELEVATOR = 1, 3, 5  # channels, as people count


def table(
    counts: dict[int, list[int]],
    *,
    flags: dict[int, int] | None = None,
    extra: dict[int, int] | None = None,
    end: int = 0,
    marked: tuple[int, ...] = (),
) -> FrameTable:
    """Frames 7 ms apart, 992 on all channels not named; `extra` bytes before a frame, `flags` of a frame."""
    size = max(len(values) for values in counts.values())
    channels = np.full((size, 16), 992)
    for channel, values in counts.items():
        channels[:, channel - 1] = values
    byte = np.zeros(size, np.int64)
    for row, value in (flags or {}).items():
        byte[row] = value
    offset = np.arange(size) * FRAME_BYTES
    for row, more in (extra or {}).items():
        offset[row:] += more
    t_ns = 3 * MS + np.arange(size) * 7 * MS
    line_marks = np.zeros(size, np.uint8)
    line_marks[list(marked)] = MARKED
    return FrameTable(t_ns, np.zeros(size, np.int32), offset, pack_frames(channels, byte, end), line_marks)


def stats(frames: FrameTable, *, clock: Clock = PER_BYTE, start_ns: int | None = 0) -> Channels:
    collector = ChannelStats(clock=clock, period_ns=7.0 * MS, start_ns=start_ns)
    collector.feed(frames)
    return collector.result()


def glitches(values: list[int], **more: Any) -> list[int]:
    """Frames with a glitch on the elevator."""
    return [one.frame for one in stats(table({ELEVATOR: values}, **more)).glitches]


def test_range_of_a_channel() -> None:
    one = stats(table({AILERON: [992, 1000, 1100, 1100, 900, 950]})).channels[AILERON - 1]
    assert (one.channel, one.min_counts, one.max_counts, one.span_counts) == (1, 900, 1100, 200)
    assert one.mean_counts == pytest.approx(6042 / 6)
    assert (one.first_counts, one.last_counts, one.changes) == (992, 950, 4)


def test_a_channel_at_rest() -> None:
    one = stats(table({AILERON: [992] * 200})).channels[1]
    assert (one.span_counts, one.moves, one.glitches, one.changes) == (0, 0, 0, 0)
    assert (one.still_noise_counts, one.still_frames) == (0.0, 192)


def test_one_frame_away_and_back() -> None:
    found = stats(table({ELEVATOR: [992] * 5 + [1400] + [990] * 5})).glitches
    assert [one.frame for one in found] == [5]
    assert (found[0].channel, found[0].value_counts, found[0].size_counts) == (5, 1400, 408)
    assert found[0].time_s == pytest.approx(0.003 + 5 * 0.007)
    assert found[0].offset == 125


def test_times_count_from_the_first_frame_where_the_start_is_not_known() -> None:
    found = stats(table({ELEVATOR: [992] * 5 + [1400] + [990] * 5}), start_ns=None).glitches
    assert found[0].time_s == pytest.approx(5 * 0.007)


def test_no_clock_no_times() -> None:
    found = stats(table({ELEVATOR: [992] * 5 + [1400] + [990] * 5}), clock=NO_CLOCK).glitches
    assert [(one.frame, one.time_s) for one in found] == [(5, None)]


def test_what_is_no_glitch() -> None:
    assert glitches([992] * 5 + [1400] * 2 + [992] * 5) == []  # a flick that two frames saw
    assert glitches([992] * 5 + [1032] + [992] * 5) == []  # 40 counts: not more than the threshold
    assert glitches([992, 992, 1300, 1600, 1811, 1811]) == []  # a fast move
    assert glitches([992, 992, 1811, 1500, 1500]) == []  # there and half-way back
    assert glitches([1400, 992, 992, 992, 1400]) == []  # the ends have one neighbour only


def test_just_over_the_threshold() -> None:
    assert glitches([992] * 5 + [1033] + [992] * 5) == [5]
    assert glitches([992] * 5 + [951] + [992] * 5) == [5]


def test_the_frames_around_a_glitch_agree() -> None:
    assert glitches([992] * 3 + [1055] + [1012] * 3) == [3]  # within 20 counts
    assert glitches([992] * 3 + [1055] + [1013] * 3) == []
    assert glitches([992] * 3 + [1400] + [1074] * 3) == []  # or within a quarter of 326
    assert glitches([992] * 3 + [1400] + [1073] * 3) == [3]


CHUNK = 8192  # frames worked at once


def test_at_the_seam_of_two_chunks() -> None:
    for row in (CHUNK - 1, CHUNK, CHUNK + 1):
        values = [992] * row + [1400] + [992] * 9 + [1200] * 30
        result = stats(table({ELEVATOR: values}))
        one = result.channels[ELEVATOR - 1]
        assert [(g.frame, g.offset) for g in result.glitches] == [(row, row * FRAME_BYTES)]
        assert (one.changes, one.moves, one.max_counts) == (3, 1, 1400)
        for near in (row - 1, row, row + 1):
            assert glitches(values, flags={near: 0x04}) == []
        for near in (row, row + 1):
            assert glitches(values, extra={near: 25}) == []
    assert stats(table({FLAP: [992] * CHUNK + [1000] * 9})).channels[FLAP - 1].changes == 1


def test_flagged_frames_leave_no_trace_in_moves() -> None:
    values = [992] * 20 + [975] + [992] * CHUNK + [1005] * 50
    assert stats(table({FLAP: values}, flags={20: 0x08})).channels[FLAP - 1].moves == 0
    assert stats(table({FLAP: values})).channels[FLAP - 1].moves == 1


def test_a_glitch_while_the_stick_moves() -> None:
    assert glitches([900, 930, 960, 1700, 1020, 1050]) == [3]


def test_every_other_frame() -> None:
    assert glitches([992, 992, 1400, 992, 1400, 992, 992]) == [2, 4]


def test_a_glitch_needs_its_neighbours() -> None:
    values = [992] * 5 + [1400] + [992] * 5
    assert glitches(values, extra={5: 25}) == []  # damaged bytes before
    assert glitches(values, extra={6: 4}) == []  # and after
    assert glitches(values, extra={5: 3, 6: 6}, end=0x14) == [5]  # replies of sensors are no damage
    assert glitches(values, extra={5: 3, 6: 6}) == []  # a receiver with this end byte has no sensors
    assert glitches(values, flags={5: 0x04}) == []  # the receiver said so
    assert glitches(values, flags={6: 0x08}) == []
    late = table({ELEVATOR: values})
    t_ns = late.t_ns.copy()
    t_ns[5:] += 7 * MS  # one frame is missing
    moved = FrameTable(t_ns, late.slack_ns, late.offset, late.raw, late.line_marks)
    assert stats(moved).glitches == ()
    loose = FrameTable(t_ns, np.full(11, 8 * MS, np.int32), late.offset, late.raw, late.line_marks)
    assert len(stats(loose).glitches) == 1  # perhaps none is missing


@pytest.mark.parametrize("end", [0x00, 0x24])
@pytest.mark.parametrize("size", range(30))
def test_damaged_bytes_beside_a_frame_make_no_glitch(size: int, end: int) -> None:
    """Only what the search for frames calls replies of sensors parts no neighbours."""
    counts = np.full((40, 16), 992)
    counts[20] = 1200
    frames = pack_frames(counts, 0, end).tobytes()
    junk = bytes([0x55] * size) if size < 21 else bytes([0x0F]) + bytes([0x55] * (size - 1))
    cut = 20 * FRAME_BYTES
    found = find_frames(ByteLog.from_bytes(frames[:cut] + junk + frames[cut:]), clock=NO_CLOCK)
    is_damaged = Reason.DAMAGED in found.rejects.reason.tolist()
    result = summarise_channels(found.frames, found.rejects, clock=NO_CLOCK)
    assert len(found.frames) == 40
    assert is_damaged is (size > 0 and (end == 0x00 or size % 3 > 0 or size >= 21))
    assert result.glitch_frames == (0 if is_damaged else 1)


def test_frames_with_marked_bytes_hold_no_values() -> None:
    values = [992] * 5 + [1400] + [992] * 5 + [100] + [1300] * 5
    result = stats(table({ELEVATOR: values}, marked=(5, 11)))
    one = result.channels[ELEVATOR - 1]
    assert (result.frames, result.damaged, result.glitches) == (17, 2, ())
    assert (one.min_counts, one.max_counts, one.changes, one.moves) == (992, 1300, 1, 1)
    assert one.mean_counts == pytest.approx((10 * 992 + 5 * 1300) / 15)


def test_a_glitch_is_numbered_among_all_frames() -> None:
    values = [992] * 20 + [1400] + [992] * 9
    assert glitches(values, marked=(3, 4, 11)) == [20]
    assert glitches(values, marked=(21,)) == []  # what comes after it is not known


def test_all_frames_marked() -> None:
    result = stats(table({ELEVATOR: [992] * 3}, marked=(0, 1, 2)))
    assert (result.frames, result.damaged, result.channels) == (3, 3, ())


def test_glitches_of_one_frame_on_two_channels() -> None:
    jump = [992] * 3 + [100] + [992] * 3
    result = stats(table({FLAP: jump, ELEVATOR: jump}))
    assert [(one.frame, one.channel, one.size_counts) for one in result.glitches] == [(3, 3, -892), (3, 5, -892)]
    assert (result.glitch_frames, result.channels[2].glitches, result.channels[4].glitches) == (1, 1, 1)


def test_the_list_of_glitches_is_bounded_and_the_count_is_not() -> None:
    result = stats(table({FLAP: [992, 992, 1400, 992] * 1500}))
    assert len(result.glitches) == 1000
    assert result.channels[FLAP - 1].glitches == 1500
    assert result.to_json()["glitches_total"] == 1500


def test_noise_while_still() -> None:
    # Steps of 2 counts each frame: sd 1 about the middle, sqrt(2) by steps over sqrt(2).
    one = stats(table({FLAP: [991, 993] * 320})).channels[FLAP - 1]
    assert one.still_noise_counts == pytest.approx(2**0.5)
    assert one.still_frames == 640


def test_slow_drift_is_hardly_noise() -> None:
    drift = [900 + i // 16 for i in range(1280)]
    noise = stats(table({FLAP: drift})).channels[FLAP - 1].still_noise_counts
    assert noise == pytest.approx((3 / 63 / 2) ** 0.5)  # three steps of one in each run of 64


def test_noise_leaves_out_moves_and_flagged_frames_but_not_glitches() -> None:
    quiet = [992] * 64
    one = stats(table({FLAP: quiet + [992] * 32 + [1400] * 32 + [1400] * 64})).channels[FLAP - 1]
    assert (one.still_frames, one.still_noise_counts) == (128, 0.0)
    one = stats(table({FLAP: [992] * 128}, flags={70: 0x08})).channels[FLAP - 1]
    assert one.still_frames == 64
    one = stats(table({FLAP: [992] * 30 + [1500] + [992] * 33})).channels[FLAP - 1]
    assert (one.still_frames, one.still_noise_counts, one.glitches, one.moves) == (64, 0.0, 1, 0)
    one = stats(table({FLAP: [992, 993] * 64}, extra={70: 25})).channels[FLAP - 1]
    assert one.still_frames == 64  # not across a gap


def test_moves() -> None:
    def moves(values: list[int], **more: Any) -> int:
        return stats(table({AILERON: values}, **more)).channels[AILERON - 1].moves

    assert moves([992] * 9 + [1400] * 9) == 1
    assert moves([992] * 9 + [1400] * 9 + [992] * 9) == 2
    assert moves([992] * 9 + [1013] * 9) == 1
    assert moves([992] * 9 + [971] * 9) == 1
    assert moves([992] * 9 + [1012] * 9) == 0  # 20 counts: not more than the threshold
    assert moves([992, 1000, 1008, 1016, 1400, 1395, 1402, 1811]) == 1  # wavers on its way
    assert moves([992] * 9 + [1400] * 2 + [992] * 9) == 2  # a flick
    assert moves([992] * 9 + [1400] + [992] * 9) == 0  # a glitch
    assert moves([992] * 9 + [172] * 3 + [992] * 9, flags=dict.fromkeys(range(9, 12), 0x0C)) == 0  # failsafe


def test_two_state_channels() -> None:
    on = dict.fromkeys([*range(10, 20), 30], 0x01)
    result = stats(table({AILERON: [992] * 40}, flags=on))
    one, other = result.channels[16], result.channels[17]
    assert (one.channel, one.min_counts, one.max_counts, one.moves, one.glitches) == (17, 0, 1, 2, 1)
    assert one.mean_counts == pytest.approx(11 / 40)
    assert one.still_noise_counts is None
    assert (other.channel, other.span_counts, other.moves) == (18, 0, 0)


def test_no_frames() -> None:
    result = ChannelStats(clock=PER_BYTE).result()
    assert (result.frames, result.channels, result.glitches) == (0, (), ())


def test_one_frame() -> None:
    one = stats(table({AILERON: [1000]})).channels[0]
    assert (one.min_counts, one.max_counts, one.mean_counts, one.moves) == (1000, 1000, 1000.0, 0)


def test_json() -> None:
    got = stats(table({ELEVATOR: [992] * 5 + [1400] + [990] * 5}, flags={0: 4})).to_json()
    assert (got["frames"], got["damaged"], got["flagged"], got["glitch_threshold_counts"]) == (11, 0, 1, 40)
    channels = got["channels"]
    assert isinstance(channels, list)
    assert channels[0] == {
        "channel": 1,
        "min_counts": 992,
        "max_counts": 992,
        "span_counts": 0,
        "mean_counts": 992.0,
        "still_noise_counts": None,
        "still_frames": 0,
        "moves": 0,
        "glitches": 0,
        "first_counts": 992,
        "last_counts": 992,
        "changes": 0,
    }
    assert got["glitches"] == [
        {
            "frame": 5,
            "time_s": 0.038,
            "offset": 125,
            "channel": 5,
            "value_counts": 1400,
            "size_counts": 408,
        }
    ]


@functools.cache
def long_table(seed: int) -> FrameTable:
    """Some 20 000 frames of all that can happen."""
    rng = np.random.default_rng(seed)
    size = 20_000
    counts = {}
    for channel in range(1, 15):
        wave = 992 + 500 * np.sin(np.arange(size) / rng.uniform(20, 400)) * (np.arange(size) // 3000 % 2)
        values = (wave + rng.integers(-2, 3, size)).astype(np.int64)
        values[rng.integers(0, size, 40)] = rng.integers(0, 2048, 40)
        values[8190:8196] = rng.integers(0, 2048, 6)  # at the seam of two chunks
        counts[channel] = np.clip(values, 0, 2047).tolist()
    flags = {
        int(row): int(value) for row, value in zip(rng.integers(0, size, 90), rng.integers(0, 16, 90), strict=True)
    }
    marked = tuple(rng.integers(0, size, 60).tolist())
    return table(counts, flags=flags, extra={int(row): 9 for row in rng.integers(0, size, 30)}, marked=marked)


@settings(max_examples=25)
@given(st.lists(st.sampled_from([1, 2, 3, 63, 64, 65, 700, 8191, 8192, 8193]), max_size=12), st.integers(0, 1))
def test_cutting_does_not_matter(sizes: list[int], seed: int) -> None:
    whole = long_table(seed)
    collector = ChannelStats(clock=PER_BYTE, period_ns=7.0 * MS, start_ns=0)
    start = 0
    for size in sizes:
        collector.feed(whole[start : start + size])
        collector.result()  # looking on does not disturb
        start += size
    collector.feed(whole[start:])
    result = collector.result()
    assert result == stats(whole)
    assert result.glitch_frames > 100


def plain_glitches(values: list[int]) -> list[int]:
    """The definition, frame by frame."""
    found: list[int] = []
    for i in range(1, len(values) - 1):
        out, back = values[i] - values[i - 1], values[i] - values[i + 1]
        least = min(abs(out), abs(back))
        agree = abs(values[i - 1] - values[i + 1]) <= max(20, least // 4)
        if least > 40 and (out > 0) == (back > 0) and agree and i - 1 not in found:
            found.append(i)
    return found


@given(st.lists(st.sampled_from([900, 940, 941, 950, 1000, 1400, 1500]), min_size=3, max_size=60))
def test_glitches_follow_the_definition(values: list[int]) -> None:
    assert glitches(values) == plain_glitches(values)


def plain_travels(values: list[int], hysteresis: int) -> int:
    """The definition, value by value."""
    count = way = 0
    low = high = values[0]
    for value in values:
        low, high = min(low, value), max(high, value)
        if way <= 0 and value - low > hysteresis:
            count, way, high = count + 1, 1, value
        elif way >= 0 and high - value > hysteresis:
            count, way, low = count + 1, -1, value
    return count


@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 3, 12, 40]), st.sampled_from([0, 1, 5, 20]), st.integers(1, 400))
def test_travels_follow_the_definition(seed: int, step: int, hysteresis: int, cut: int) -> None:
    rng = np.random.default_rng(seed)
    values = np.cumsum(rng.integers(-step, step + 1, 400)).astype(np.int16)
    travels = Travels(np.array([hysteresis], np.int16))
    for part in filter(len, (values[:cut], values[cut:])):
        travels.feed(part[None], part.min(keepdims=True), part.max(keepdims=True))
    assert travels.count[0] == plain_travels(values.tolist(), hysteresis)


@pytest.mark.parametrize(("values", "count"), [([5, 26], 2), ([5, 25], 1), ([-1, 19], 1), ([-1, 20], 2), ([9], 1)])
def test_travels_go_on_over_a_seam(values: list[int], count: int) -> None:
    travels = Travels(np.array([20], np.int16))
    for part in ([100, 5], values):
        row = np.array(part, np.int16)
        travels.feed(row[None], row.min(keepdims=True), row.max(keepdims=True))
    assert travels.count[0] == count


@pytest.mark.parametrize("lead", [[], [50]])
@pytest.mark.parametrize("tail", [[100, 95, 100, 0], [95, 100, 95, 100, 0], [0, 5, 0, 5, 0, 100]])
def test_thinning_loses_no_extreme(lead: list[int], tail: list[int]) -> None:
    values = lead + [0, 100] * 40 + tail
    points = turning_points(np.array(values, np.int16), 20).tolist()
    assert plain_travels(points, 20) == plain_travels(values, 20)
    assert len(points) < len(values)


def test_thinning_keeps_few_points() -> None:
    wave = [int(1000 * np.sin(i / 50)) + 3 * (-1) ** i for i in range(8000)]
    points = turning_points(np.array(wave, np.int16), 20)
    assert len(points) < 120  # 51 turns and what is small at its ends
