"""The 25-byte servo frame as it is written: the specification, one frame at a time.

Source: common practice, no published standard. Tests pin wire/codec.py equal to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import construct as cs

from busbench.wire.codec import CHANNELS, COUNTS_MAX, END_BYTES, END_PLAIN, FRAME_BYTES, HEADER

# The 22 payload bytes are one little-endian number with channel 1 in its lowest
# 11 bits; read from its top bit down, channel 16 comes first.
FRAME = cs.Struct(
    "header" / cs.Const(bytes([HEADER])),
    "payload" / cs.ByteSwapped(cs.BitStruct("falling" / cs.Array(CHANNELS, cs.BitsInteger(11)))),
    "flags"
    / cs.BitStruct(
        "zero" / cs.Const(0, cs.Nibble),
        "failsafe" / cs.Flag,
        "lost" / cs.Flag,
        "falling" / cs.Array(2, cs.Flag),  # channels 18 and 17
    ),
    "end" / cs.OneOf(cs.Byte, END_BYTES),
)


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame.

    Args:
        channels: counts of channels 1-16, each 0-2047.
        states: channels 17 and 18, which are on or off.
        is_lost: the receiver missed the frame on the air and repeats old values.
        is_failsafe: the receiver has lost the link and sends its failsafe values.
        end: byte 24, one of 0x00, 0x04, 0x14, 0x24, 0x34.
    """

    channels: tuple[int, ...]
    states: tuple[bool, bool] = (False, False)
    is_lost: bool = False
    is_failsafe: bool = False
    end: int = END_PLAIN


def decode_frame(data: bytes) -> Frame:
    """Read one frame.

    Args:
        data: exactly 25 bytes.

    Returns:
        The frame.

    Raises:
        ValueError: the bytes are no frame; names the byte that says so.
    """
    if len(data) != FRAME_BYTES:
        raise ValueError(f"a frame has {FRAME_BYTES} bytes, not {len(data)}")
    if data[0] != HEADER:
        raise ValueError(f"byte 0 is 0x{data[0]:02X}, not the header 0x{HEADER:02X}")
    if data[23] & 0xF0:
        raise ValueError(f"byte 23 is 0x{data[23]:02X}: its bits 4-7 must be zero")
    if data[24] not in END_BYTES:
        raise ValueError(f"byte 24 is 0x{data[24]:02X}, no end byte")
    parsed: Any = FRAME.parse(data)
    return Frame(
        channels=tuple(reversed(parsed.payload.falling)),
        states=(parsed.flags.falling[1], parsed.flags.falling[0]),
        is_lost=parsed.flags.lost,
        is_failsafe=parsed.flags.failsafe,
        end=parsed.end,
    )


def encode_frame(frame: Frame) -> bytes:
    """Write one frame.

    Args:
        frame: what it shall say.

    Returns:
        Its 25 bytes.

    Raises:
        ValueError: a value out of range, with its channel, or a wrong number of channels.
    """
    _check(frame.channels, frame.end)
    built: bytes = FRAME.build(
        {
            "payload": {"falling": list(reversed(frame.channels))},
            "flags": {
                "failsafe": frame.is_failsafe,
                "lost": frame.is_lost,
                "falling": list(reversed(frame.states)),
            },
            "end": frame.end,
        }
    )
    return built


def _check(channels: Sequence[int], end: int) -> None:
    if len(channels) != CHANNELS:
        raise ValueError(f"a frame has {CHANNELS} channels, not {len(channels)}")
    for number, counts in enumerate(channels, 1):
        if isinstance(counts, bool) or not isinstance(counts, int):
            raise ValueError(f"channel {number} is {counts!r}, not a whole number")
        if not 0 <= counts <= COUNTS_MAX:
            raise ValueError(f"channel {number} is {counts}, not 0-{COUNTS_MAX}")
    if end not in END_BYTES:
        raise ValueError(f"end is {end}, not one of {', '.join(map(str, END_BYTES))}")
