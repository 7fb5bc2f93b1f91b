"""The specification of the 25-byte servo frame, and a codec for one frame at a time.

Source: common practice, no published standard. Tests pin wire/codec.py equal to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

FRAME_BYTES = 25
CHANNELS = 16
ON_OFF_CHANNELS = 2  # channels 17 and 18, which are bits of byte 23
ALL_CHANNELS = CHANNELS + ON_OFF_CHANNELS
HEADER = 0x0F
CHANNEL_BITS = 11
COUNTS_MAX = 2047
FLAG_CH17, FLAG_CH18, FLAG_LOST, FLAG_FAILSAFE = 0x01, 0x02, 0x04, 0x08
FLAGS_MAX = 0x0F  # bits 4-7 of byte 23 are zero
END_PLAIN = 0x00
END_SLOTS = (0x04, 0x14, 0x24, 0x34)  # in turn, from receivers that leave slots for sensors
END_BYTES = (END_PLAIN, *END_SLOTS)
SLOT_BYTES = 3
SLOTS_MAX = 7  # max replies between two frames: eight are as long as a frame that lost a byte
SLOT_GAPS = tuple(SLOT_BYTES * replies for replies in range(1, SLOTS_MAX + 1))  # bytes between two frames


def is_slot_gap(end: int, length: int, first: int) -> bool:
    """True if the bytes between two frames can be sensor replies.

    Args:
        end: end byte of the frame before.
        first: the first of them; the longest gap that begins with a header is a frame that lost bytes.
    """
    return end in END_SLOTS and length in SLOT_GAPS and (length < SLOT_GAPS[-1] or first != HEADER)


@cache
def _frame_struct() -> Any:
    import construct as cs  # importing it takes longer than most commands run

    # The 22 payload bytes are one little-endian number with channel 1 in its lowest
    # 11 bits; read from its top bit down, channel 16 comes first.
    return cs.Struct(
        "header" / cs.Const(bytes([HEADER])),
        "payload" / cs.ByteSwapped(cs.BitStruct("falling" / cs.Array(CHANNELS, cs.BitsInteger(CHANNEL_BITS)))),
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
    """One frame."""

    channels: tuple[int, ...]  # counts of channels 1-16, each 0-2047
    states: tuple[bool, bool] = (False, False)  # channels 17 and 18, which are on or off
    is_lost: bool = False  # the receiver missed the radio frame and repeats old values
    is_failsafe: bool = False  # the receiver lost the link and sends its failsafe values
    end: int = END_PLAIN  # byte 24, one of 0x00, 0x04, 0x14, 0x24, 0x34


def decode_frame(data: bytes) -> Frame:
    """Read one frame (raises ValueError: the bytes are no frame; names the first wrong byte)."""
    if len(data) != FRAME_BYTES:
        raise ValueError(f"a frame has {FRAME_BYTES} bytes, not {len(data)}")
    if data[0] != HEADER:
        raise ValueError(f"byte 0 is 0x{data[0]:02X}, not the header 0x{HEADER:02X}")
    if data[23] & 0xF0:
        raise ValueError(f"byte 23 is 0x{data[23]:02X}: its bits 4-7 must be zero")
    if data[24] not in END_BYTES:
        raise ValueError(f"byte 24 is 0x{data[24]:02X}, no end byte")
    parsed: Any = _frame_struct().parse(data)
    return Frame(
        channels=tuple(reversed(parsed.payload.falling)),
        states=(parsed.flags.falling[1], parsed.flags.falling[0]),
        is_lost=parsed.flags.lost,
        is_failsafe=parsed.flags.failsafe,
        end=parsed.end,
    )


@dataclass(frozen=True, slots=True)
class BitRun:
    """Neighbouring bits of one channel within one byte, its lower bits first."""

    byte: int  # 1-22 in the frame
    low: int  # low, high: first and last bit in that byte, 0 the least
    high: int


def channel_bits(channel: int) -> tuple[BitRun, ...]:
    """Where the 11 bits of a channel (0-15) lie, from its least bit up."""
    runs, bit, end = [], channel * CHANNEL_BITS, (channel + 1) * CHANNEL_BITS
    while bit < end:
        stop = min(end, (bit // 8 + 1) * 8)
        runs.append(BitRun(1 + bit // 8, bit % 8, (stop - 1) % 8))
        bit = stop
    return tuple(runs)


@dataclass(frozen=True, slots=True)
class FrameParts:
    """The fields of 25 bytes, valid frame or not."""

    frame: Frame  # the decoded fields; the end byte unchecked
    faults: tuple[str, ...]  # what is invalid in a frame, one line each


def take_apart(data: bytes) -> FrameParts:
    """Read 25 bytes as a frame, and list what is invalid (raises ValueError: more or fewer than 25 bytes)."""
    if len(data) != FRAME_BYTES:
        raise ValueError(f"a frame has {FRAME_BYTES} bytes, not {len(data)}")
    faults = []
    if data[0] != HEADER:
        faults.append(f"byte 0 is 0x{data[0]:02X}, not the header 0x{HEADER:02X}")
    if data[23] > FLAGS_MAX:
        faults.append(f"byte 23 is 0x{data[23]:02X}: its bits 4-7 must be zero")
    if data[24] not in END_BYTES:
        faults.append(f"byte 24 is 0x{data[24]:02X}, no end byte")
    sound = decode_frame(bytes([HEADER]) + data[1:23] + bytes([data[23] & FLAGS_MAX, END_PLAIN]))
    return FrameParts(replace(sound, end=data[24]), tuple(faults))


def encode_frame(frame: Frame) -> bytes:
    """Write one frame.

    Returns:
        Its 25 bytes.

    Raises:
        ValueError: a value out of range, with its channel, or a wrong number of channels.
    """
    _check(frame.channels, frame.end)
    built: bytes = _frame_struct().build(
        {
            "payload": {"falling": list(reversed(frame.channels))},
            "flags": {"failsafe": frame.is_failsafe, "lost": frame.is_lost, "falling": list(reversed(frame.states))},
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
