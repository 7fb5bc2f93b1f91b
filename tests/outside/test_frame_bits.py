"""decode and encode against bitstring, a general-purpose library for bits, which knows nothing of the frame."""

from __future__ import annotations

import random

import pytest
from bitstring import Bits

from busbench.wire.frame_spec import END_BYTES, Frame, channel_bits, encode_frame, take_apart


def read_by_bitstring(data: bytes) -> tuple[list[int], list[bool]]:
    """Channels and the four flags, by the table in common practice: 16 x 11 bits, least significant bit first."""
    payload = Bits(hex=data[1:23][::-1].hex())  # one little-endian number
    channels = [payload[len(payload) - 11 * (n + 1) : len(payload) - 11 * n].uint for n in range(16)]
    return channels, [Bits(hex=data[23:24].hex())[7 - bit] for bit in range(4)]


@pytest.mark.parametrize("seed", range(50))
def test_frames_of_any_content_agree(seed: int) -> None:
    draw = random.Random(seed)
    frame = Frame(
        tuple(draw.randrange(2048) for _ in range(16)),
        (draw.random() < 0.5, draw.random() < 0.5),
        draw.random() < 0.5,
        draw.random() < 0.5,
        draw.choice(END_BYTES),
    )
    data = encode_frame(frame)
    channels, flags = read_by_bitstring(data)
    assert channels == list(frame.channels)
    assert flags == [*frame.states, frame.is_lost, frame.is_failsafe]
    assert take_apart(data).frame == frame
    for channel in range(16):
        runs = channel_bits(channel)
        bits = "".join(Bits(hex=f"{data[run.byte]:02x}").bin[::-1][run.low : run.high + 1] for run in runs)
        assert int(bits[::-1], 2) == channels[channel]
