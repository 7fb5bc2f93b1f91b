"""Layout of pcapng blocks, and busbench's own comments in them.

Source: IETF draft-ietf-opsawg-pcapng, "PCAP Now Generic (pcapng) Capture File Format".
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.capture.base import NO_ORIGIN, Origin
from busbench.errors import sanitize
from busbench.line import WAKE_EDGES_US, LineSettings
from busbench.model import I64, NO_CLOCK, TIME_MAX_NS, TIME_MIN_NS, Clock, ClockKind

SECTION_HEADER = 0x0A0D0D0A  # equal in both byte orders
INTERFACE = 1
PACKET_OBSOLETE = 2
PACKET_SIMPLE = 3
PACKET = 6
MAGIC = 0x1A2B3C4D

OPT_END = 0
OPT_COMMENT = 1
OPT_NAME = 2  # of an interface
OPT_FLAGS = 2  # of a packet
OPT_DESCRIPTION = 3
OPT_USER_APPLICATION = 4
OPT_TSRESOL = 9
OPT_TSOFFSET = 14
OPT_HARDWARE = 15  # of an interface

SECTION_BYTES_MIN = 28
PACKET_HEADER_BYTES = 28  # up to the packet's data
PACKET_FRAME_BYTES = 32  # the same and the trailing length
LINK_SERIAL = 147  # reserved for private use: the meaning is busbench's own
LINKS_USER = range(147, 163)
LINKS_USB = (186, 189, 220, 249)

DIRECTION_MASK = 3
INBOUND = 1
OUTBOUND = 2

OWN_DESCRIPTION = "busbench serial line:"
_ADAPTER, _UNIT, _NOTE = "adapter serial number ", "unit: ", "note: "
_COMMENT_BYTES_MAX = 60_000  # an option's length is 16 bits
_WORDS_MOST = 2000
_OFFSET_S_MAX = 1 << 33  # larger offsets are not dates


def padded(size: int) -> int:
    """Size rounded up to whole 32-bit words."""
    return (size + 3) & ~3


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface described in a capture."""

    section: int  # number of its section in the file, from 0
    number: int  # its number in that section
    link_type: int  # what its packets hold (147 here; 220 and 249 USB)
    snaplen: int = 0  # longest packet kept, 0 for no limit
    name: str = ""  # name, description: as written, "" where absent
    description: str = ""
    tsresol: int = 6  # the option's byte: a power of ten, or of two with bit 7 set
    tsoffset_s: int = 0  # seconds to add to its timestamps
    index: int = 0  # its number in the file
    origin: Origin = NO_ORIGIN  # what was recorded, with which adapter, where our writer described it

    @property
    def resolution_ns(self) -> int:
        """The step of its timestamps, rounded up to whole nanoseconds."""
        power = self.tsresol & 0x7F
        units = 1 << power if self.tsresol & 0x80 else 10**power
        return -(-1_000_000_000 // units)

    @property
    def label(self) -> str:
        """Its name for people."""
        return sanitize(self.name or self.description or f"interface {self.number}", most=60)

    @property
    def title(self) -> str:
        """Its number, label and origin, to choose from."""
        return f"{self.index} ({', '.join(filter(None, (self.label, sanitize(self.origin.unit, most=40))))})"

    @property
    def is_serial(self) -> bool:
        """True for a link type reserved for private use, like busbench's."""
        return self.link_type in LINKS_USER

    def is_same(self, other: Interface) -> bool:
        """True for the same interface described again in another section."""
        return (
            (self.link_type, self.name, self.is_outbound) == (other.link_type, other.name, other.is_outbound)
            and (self.section != other.section or self.number == other.number)
            and (bool(self.name) or self.number == other.number)
        )

    @property
    def is_own(self) -> bool:
        """True if busbench's writer described it."""
        return self.description.startswith(OWN_DESCRIPTION)

    @property
    def is_outbound(self) -> bool:
        """True if it is described as the sent bytes."""
        return self.is_own and _fields(self.description).get("direction") == "out"

    @property
    def clock(self) -> Clock:
        """Its clock; files of other programs count as one timestamp per read."""
        fields = _fields(self.description) if self.is_own else {}
        try:
            kind = ClockKind(fields.get("clock", ClockKind.PER_READ))
        except ValueError:
            kind = ClockKind.PER_READ
        if kind is ClockKind.NONE:
            return NO_CLOCK
        step = fields.get("resolution_ns", "")
        return Clock(kind, int(step) if re.fullmatch(r"[0-9]{1,15}", step) else self.resolution_ns)

    @property
    def has_wall_clock(self) -> bool:
        """False if busbench's writer knew no date."""
        return not (self.is_own and _fields(self.description).get("epoch") == "none")

    @property
    def is_signed(self) -> bool:
        """True if busbench's writer knew no date: timestamps are ns, two's complement before zero."""
        return (self.tsresol, self.tsoffset_s) == (9, 0) and not self.has_wall_clock

    def to_ns(self, ticks: NDArray[np.uint64]) -> I64:
        """Times in ns of raw timestamps, at most TIME_MAX_NS, int64 (N,); see to_ns of the module."""
        if self.is_signed:
            return signed_ns(ticks)
        times = to_ns(ticks, self.tsresol)
        if not self.tsoffset_s:
            return times
        return add_offset(times, np.array([self.tsoffset_s]))


def add_offset(times: I64, offset_s: I64) -> I64:
    """Times of at least 0 ns with an offset of at most _OFFSET_S_MAX added, between TIME_MIN_NS and TIME_MAX_NS.

    Times at TIME_MAX_NS stay there: they are unknown.
    """
    offset_ns = np.where(times < TIME_MAX_NS, offset_s * 1_000_000_000, 0)
    later = np.minimum(times, TIME_MAX_NS - np.maximum(offset_ns, 0)) + offset_ns
    return np.asarray(np.maximum(later, TIME_MIN_NS), np.int64)


def signed_ns(ticks: NDArray[np.uint64]) -> I64:
    """Raw timestamps in ns, two's complement, clipped to TIME_MIN_NS … TIME_MAX_NS, int64 (N,)."""
    return np.clip(ticks.view(np.int64), TIME_MIN_NS, TIME_MAX_NS)


def to_ns(ticks: NDArray[np.uint64], tsresol: int) -> I64:
    """Raw timestamps in ns, exact to 1 ns.

    Args:
        ticks: 64-bit timestamps as written, uint64 (N,).
        tsresol: the interface's option: a power of ten, or of two with bit 7 set.

    Returns:
        int64 (N,), without the interface's offset; TIME_MAX_NS for what lies beyond.
    """
    power = tsresol & 0x7F
    giga = np.uint64(1_000_000_000)
    if tsresol & 0x80:
        # seconds and remainder apart, since the product would exceed 64 bits
        if power > 63:
            ns = np.zeros_like(ticks)
        else:
            seconds = ticks >> np.uint64(power)
            is_beyond = seconds > TIME_MAX_NS // 1_000_000_000
            seconds = np.where(is_beyond, 0, seconds)
            rest = ticks & np.uint64((1 << power) - 1)
            spare = max(power - 33, 0)
            ns = seconds * giga + ((rest >> np.uint64(spare)) * giga >> np.uint64(power - spare))
            ns[is_beyond] = TIME_MAX_NS
    elif power == 9:
        ns = ticks
    elif power < 9:
        unit = 10 ** (9 - power)
        ns = np.where(ticks > TIME_MAX_NS // unit, np.uint64(TIME_MAX_NS), ticks * np.uint64(unit))
    else:
        ns = ticks // np.uint64(10 ** (power - 9)) if power < 29 else np.zeros_like(ticks)
    return np.minimum(ns, np.uint64(TIME_MAX_NS)).view(np.int64)


def option(code: int, value: bytes) -> bytes:
    """One option with its padding."""
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def block(kind: int, body: bytes, options: bytes = b"") -> bytes:
    """One whole block, little-endian; the body must be padded already."""
    if options:
        options += bytes(4)
    size = struct.pack("<I", 12 + len(body) + len(options))
    return b"".join((struct.pack("<I", kind), size, body, options, size))


def read_options(data: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    """Options of a block up to the end mark or the first invalid one; the byte order is "<" or ">"."""
    at = 0
    while at + 4 <= len(data):
        code, size = struct.unpack_from(order + "HH", data, at)
        if code == OPT_END or at + 4 + size > len(data):
            return
        yield code, data[at + 4 : at + 4 + size]
        at += 4 + padded(size)


def text_of(value: bytes) -> str:
    """Text of an option, safe to show."""
    return sanitize(value.strip(b"\0 \t\r\n"))


def listed(words: Sequence[str]) -> str:
    """A short list for people."""
    return ", ".join(words if len(words) <= 8 else [*words[:8], f"and {len(words) - 8} more"])


def read_interface(body: bytes, order: str, *, section: int, number: int, index: int) -> Interface:
    """Parse the body of an interface block."""
    link_type, _, snaplen = struct.unpack_from(order + "HHI", body)
    name = description = hardware = ""
    comments: list[str] = []
    tsresol, tsoffset_s = 6, 0
    for code, value in read_options(body[8:], order):
        if code == OPT_NAME:
            name = text_of(value)
        elif code == OPT_DESCRIPTION:
            description = text_of(value)
        elif code == OPT_HARDWARE:
            hardware = text_of(value)
        elif code == OPT_COMMENT:
            comments += [text_of(line) for line in value.split(b"\n")]
        elif code == OPT_TSRESOL and value:
            tsresol = value[0]
        elif code == OPT_TSOFFSET and len(value) == 8:
            (tsoffset_s,) = struct.unpack(order + "q", value)
    if abs(tsoffset_s) > _OFFSET_S_MAX:
        tsoffset_s = 0
    origin = _origin(hardware, comments) if description.startswith(OWN_DESCRIPTION) else NO_ORIGIN
    return Interface(section, number, link_type, snaplen, name, description, tsresol, tsoffset_s, index, origin)


def origin_options(origin: Origin) -> bytes:
    """The interface options that hold the origin: what was recorded, and with which adapter."""
    lines = [mark + text for mark, text in ((_UNIT, origin.unit), (_NOTE, origin.note)) if text]
    comment = "\n".join(sanitize(line, most=_WORDS_MOST) for line in lines).encode()
    hardware = f"{_ADAPTER}{sanitize(origin.adapter_serial)}".encode() if origin.adapter_serial else b""
    return b"".join(option(code, text) for code, text in ((OPT_COMMENT, comment), (OPT_HARDWARE, hardware)) if text)


def _origin(hardware: str, comments: list[str]) -> Origin:
    unit, note = (
        next((line.removeprefix(mark) for line in comments if line.startswith(mark)), "") for mark in (_UNIT, _NOTE)
    )
    return Origin(unit, note, hardware.removeprefix(_ADAPTER) if hardware.startswith(_ADAPTER) else "")


def describe(line: LineSettings, clock: Clock, *, outbound: bool, wall_clock: bool) -> str:
    """The if_description of our recordings: the line and the clock as key=value text."""
    return (
        f"{OWN_DESCRIPTION} baud={line.baud} parity={line.parity} stop_bits={line.stop_bits}"
        f" inverted={'yes' if line.inverted else 'no'} direction={'out' if outbound else 'in'}"
        f" clock={clock.kind.value} resolution_ns={clock.resolution_ns}"
        f" epoch={'unix' if wall_clock else 'none'}"
    )


def _fields(description: str) -> dict[str, str]:
    return dict(re.findall(r"(\w+)=(\S+)", description))


def bad_comments(bad: Iterable[int]) -> Iterator[str]:
    """Comments such as "bad=3,7-9": positions in a packet, from 0, of bytes marked on the line."""
    runs: list[list[int]] = []
    for place in bad:
        if runs and place == runs[-1][1] + 1:
            runs[-1][1] = place
        else:
            runs.append([place, place])
    words = [str(first) if first == last else f"{first}-{last}" for first, last in runs]
    per_comment = _COMMENT_BYTES_MAX // 22
    for at in range(0, len(words), per_comment):
        yield "bad=" + ",".join(words[at : at + per_comment])


def mark_comment(text: str) -> str:
    """The comment that holds an annotation."""
    return "mark=" + text.encode()[:_COMMENT_BYTES_MAX].decode("utf-8", "ignore")


def wake_comment(counts: Sequence[int]) -> str:
    """The comment with the computer's lateness during one second: counts by WAKE_EDGES_US, as "woke=0,3,47"."""
    last = max((i for i, count in enumerate(counts) if count), default=0)
    return "woke=" + ",".join(str(count) for count in counts[: last + 1])


def read_wakes(comment: str) -> tuple[int, ...] | None:
    """What such a comment says, None if it is none."""
    classes = len(WAKE_EDGES_US) + 1
    if not re.fullmatch(r"woke=[0-9]{1,6}(,[0-9]{1,6})*", comment) or comment.count(",") >= classes:
        return None
    counts = [int(word) for word in comment[5:].split(",")]
    return tuple(counts + [0] * (classes - len(counts)))


def read_bad(comment: str, size: int) -> list[slice] | None:
    """Runs of marked bytes, inside the packet, that a comment names; None if it is no such comment."""
    if not re.fullmatch(r"bad=[0-9]{1,9}(-[0-9]{1,9})?(,[0-9]{1,9}(-[0-9]{1,9})?)*", comment):
        return None
    runs = []
    for word in comment[4:].split(","):
        first, _, last = word.partition("-")
        runs.append(slice(min(int(first), size), min(int(last or first) + 1, size)))
    return runs
