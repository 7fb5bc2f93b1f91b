"""One frame by its specification, many by words: pinned equal to each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.wire.codec import are_slot_gaps, pack_frames, unpack_channels
from busbench.wire.frame_spec import (
    END_BYTES,
    BitRun,
    Frame,
    channel_bits,
    decode_frame,
    encode_frame,
    is_slot_gap,
    take_apart,
)

RESTING = tuple([992] * 16)


@pytest.mark.parametrize("channel", range(16))
def test_every_value_of_every_channel(channel: int) -> None:
    counts = np.full((2048, 16), 0b10101010101, np.int64)
    counts[:, channel] = np.arange(2048)
    raw = pack_frames(counts)
    assert [encode_frame(Frame(tuple(row))) for row in counts.tolist()] == [row.tobytes() for row in raw]
    assert np.array_equal(unpack_channels(raw), counts)


@pytest.mark.parametrize("flags", range(16))
@pytest.mark.parametrize("end", END_BYTES)
def test_every_flag_and_end_byte(flags: int, end: int) -> None:
    frame = Frame(RESTING, (bool(flags & 1), bool(flags & 2)), bool(flags & 4), bool(flags & 8), end)
    raw = pack_frames([RESTING], flags, end)[0]
    assert encode_frame(frame) == raw.tobytes()
    assert decode_frame(raw.tobytes()) == frame


@given(st.lists(st.integers(0, 2047), min_size=16, max_size=16), st.integers(0, 15), st.sampled_from(END_BYTES))
def test_random_frames(counts: list[int], flags: int, end: int) -> None:
    raw = pack_frames([counts], flags, end)
    frame = decode_frame(raw[0].tobytes())
    assert list(frame.channels) == counts
    assert encode_frame(frame) == raw[0].tobytes()
    assert unpack_channels(raw).tolist() == [counts]


@pytest.mark.parametrize("dtype", [np.uint16, np.int32, np.int64, np.uint64])
@pytest.mark.parametrize("order", ["C", "F"])
def test_many_rows_of_any_integer_type_and_order(dtype: type[np.integer], order: str) -> None:
    rng = np.random.default_rng(1)
    counts = np.array(rng.integers(0, 2048, (20_011, 16)), dtype=dtype, order=order)  # type: ignore[call-overload]
    flags = rng.integers(0, 16, 20_011)
    raw = pack_frames(counts, flags, 4)
    assert np.array_equal(unpack_channels(raw), counts)
    assert np.array_equal(raw[:, 23], flags)
    assert set(raw[:, 24].tolist()) == {4}
    assert decode_frame(raw[17_000].tobytes()).channels == tuple(counts[17_000].tolist())


@pytest.mark.parametrize("end", range(256))
def test_gaps_that_can_be_sensor_replies(end: int) -> None:
    for first in (0x03, 0x0F):
        length = np.arange(-30, 60)
        ends, firsts = np.full(length.size, end, np.uint8), np.full(length.size, first, np.uint8)
        expected = [is_slot_gap(end, size, first) for size in length.tolist()]
        assert are_slot_gaps(ends, length, firsts).tolist() == expected
        assert sum(expected) == (0 if end not in (0x04, 0x14, 0x24, 0x34) else 7 if first == 0x03 else 6)


def test_rows_that_do_not_lie_together_are_unpacked() -> None:
    raw = pack_frames(np.arange(160).reshape(10, 16))
    assert unpack_channels(raw[::3]).tolist() == unpack_channels(raw)[::3].tolist()


def test_no_rows() -> None:
    assert pack_frames(np.empty((0, 16), np.uint16)).shape == (0, 25)
    assert unpack_channels(np.empty((0, 25), np.uint8)).shape == (0, 16)


@pytest.mark.parametrize(
    ("counts", "flags", "end", "says"),
    [
        ([[0] * 15], 0, 0, "channels must have the shape (N, 16), not (1, 15)"),
        ([0] * 16, 0, 0, "channels must have the shape (N, 16), not (16,)"),
        ([[0.5] * 16], 0, 0, "channels must be integers, not float64"),
        ([[0] * 16, [0] * 4 + [2048] + [0] * 11], 0, 0, "channel 5 of frame 1 is 2048, not 0-2047"),
        ([[0] * 15 + [-1]], 0, 0, "channel 16 of frame 0 is -1, not 0-2047"),
        ([[0] * 16], 16, 0, "flags of frame 0 is 16, not one of 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15"),
        ([[0] * 16], 0, 3, "end of frame 0 is 3, not one of 0, 4, 20, 36, 52"),
        ([[0] * 16], 0, 255, "end of frame 0 is 255, not one of 0, 4, 20, 36, 52"),
        ([[0] * 16] * 2, 0, [0, 256], "end of frame 1 is 256, not one of 0, 4, 20, 36, 52"),
        ([[0] * 16], 0, -252, "end of frame 0 is -252, not one of 0, 4, 20, 36, 52"),
        ([[0] * 16], [0, 0], 0, "flags must be one value or have the shape (1,), not (2,)"),
        ([[0] * 16], 0.0, 0, "flags must be integers, not float64"),
    ],
)
def test_packing_says_what_is_wrong(counts: object, flags: object, end: object, says: str) -> None:
    with pytest.raises(ValueError) as caught:
        pack_frames(counts, flags, end)  # type: ignore[arg-type]
    assert str(caught.value) == says


@pytest.mark.parametrize(
    ("channels", "end", "says"),
    [
        ((1, 2), 0, "a frame has 16 channels, not 2"),
        ((*RESTING[:3], 2048, *RESTING[4:]), 0, "channel 4 is 2048, not 0-2047"),
        ((*RESTING[:3], 2.0, *RESTING[4:]), 0, "channel 4 is 2.0, not a whole number"),
        ((True, *RESTING[1:]), 0, "channel 1 is True, not a whole number"),
        (RESTING, 1, "end is 1, not one of 0, 4, 20, 36, 52"),
    ],
)
def test_encoding_says_what_is_wrong(channels: tuple[int, ...], end: int, says: str) -> None:
    with pytest.raises(ValueError) as caught:
        encode_frame(Frame(channels, end=end))
    assert str(caught.value) == says


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [
        (0, 0x0E, "byte 0 is 0x0E, not the header 0x0F"),
        (23, 0x14, "byte 23 is 0x14: its bits 4-7 must be zero"),
        (24, 0x0F, "byte 24 is 0x0F, no end byte"),
    ],
)
def test_decoding_says_what_is_wrong(place: int, value: int, says: str) -> None:
    data = bytearray(encode_frame(Frame(RESTING)))
    data[place] = value
    with pytest.raises(ValueError) as caught:
        decode_frame(bytes(data))
    assert str(caught.value) == says


def test_decoding_wants_25_bytes() -> None:
    with pytest.raises(ValueError, match="a frame has 25 bytes, not 24"):
        decode_frame(bytes(24))


@pytest.mark.parametrize(
    ("changed", "faults"),
    [
        ({}, []),
        ({24: 0x14}, []),
        ({23: 0x0F}, []),
        ({23: 0x10}, ["byte 23 is 0x10: its bits 4-7 must be zero"]),
        ({0: 0x0E, 23: 0xF5, 24: 0x0F}, [
            "byte 0 is 0x0E, not the header 0x0F",
            "byte 23 is 0xF5: its bits 4-7 must be zero",
            "byte 24 is 0x0F, no end byte",
        ]),
    ],
)  # fmt: skip
def test_25_bytes_are_taken_apart_whatever_they_are(changed: dict[int, int], faults: list[str]) -> None:
    data = bytearray(pack_frames([range(100, 1700, 100)])[0].tobytes())
    for place, value in changed.items():
        data[place] = value
    found = take_apart(bytes(data))
    assert found.faults == tuple(faults)
    assert found.frame.channels == tuple(range(100, 1700, 100))
    flags = data[23] & 0x0F
    assert found.frame.states == (bool(flags & 1), bool(flags & 2))
    assert (found.frame.is_lost, found.frame.is_failsafe) == (bool(flags & 4), bool(flags & 8))
    assert found.frame.end == data[24]
    with pytest.raises(ValueError, match="a frame has 25 bytes, not 26"):
        take_apart(bytes(26))


@pytest.mark.parametrize("channel", range(16))
def test_the_bits_of_each_channel(channel: int) -> None:
    """Those of the frame that turn with its counts, from the least up."""
    rest, full = (pack_frames([[0] * channel + [counts] + [0] * (15 - channel)])[0] for counts in (0, 2047))
    bits = [(byte, bit) for byte in range(25) for bit in range(8) if (int(rest[byte]) ^ int(full[byte])) >> bit & 1]
    runs = channel_bits(channel)
    assert [(run.byte, bit) for run in runs for bit in range(run.low, run.high + 1)] == bits
    assert all(isinstance(run, BitRun) for run in runs)
    assert len({run.byte for run in runs}) == len(runs)
