"""The UART line: bytes <-> level changes, and the effect of wrong settings.

A character is a start bit (space), 8 data bits with the least significant
first, parity if any, and stop bits (mark). Mark is the idle level: high, or low
on an inverted line. Source: common practice of asynchronous start-stop lines;
the settings of the bus are in line.LineSettings.

A receiver finds the falling edge (mark to space) of the start bit and looks at
the level in the middle of each bit from there on. Here that is turned round:
each edge is given to the bit boundary it is nearest to, which is the same
and goes through whole arrays at once.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from busbench.line import BUS_LINE, LineSettings
from busbench.model import I64, U8, U16, set_readonly
from busbench.wire.bit_clock import BitTime
from busbench.wire.character_chain import followers, walk, walk_all
from busbench.wire.edges import Edges

DATA_BITS = 8
_JUDGED_EDGES = 2_000  # changes used to find polarity and bit time
_MISFIT = 0.1  # share of bad characters above which other settings are tried
_FIT = 0.1  # max share of them that another setting may leave
_NO_FIT = 0.3  # share of bad characters above which the idle level decides the polarity
_FIT_CHARACTERS = 20  # min number for a conclusion
_NO_EDGES = np.empty(0, np.int64)
set_readonly(_NO_EDGES)


class LineFault(enum.IntFlag):
    """Fault bits of a character; the values of a `bad` mask."""

    PARITY = 1
    FRAMING = 2  # a stop bit at the wrong level
    BREAK = 4  # space from start to end, always with FRAMING


@dataclass(frozen=True, slots=True, eq=False)
class LineBytes:
    """Characters read from a line, as columns of equal length."""

    data: U8  # the values, uint8 (B,)
    t_ns: I64  # falling edge of each start bit, int64 (B,)
    bad: U8  # LineFault bits, uint8 (B,), 0 for good characters
    inverted: bool  # True if the line idles low
    bit_ns: float  # the bit time that was used
    line: LineSettings  # the settings that were asked for
    fits: LineSettings | None = None  # other settings that explain the line if those do not; see LineDecoder

    def __len__(self) -> int:
        return int(self.data.size)

    @property
    def ppm(self) -> float:
        """How far the bit time is above nominal, in millionths."""
        return (self.bit_ns / nominal_bit_ns(self.line) - 1) * 1e6


def nominal_bit_ns(line: LineSettings) -> float:
    """Bit time of the settings: 10 000 ns on the bus."""
    return 1e9 / line.baud


@lru_cache
def _sent(line: LineSettings) -> U16:
    """The bits of each byte as sent (bit 0 first, mark is 1), uint16 (256,)."""
    value = np.arange(256, dtype=np.uint16)
    word: U16 = value << np.uint16(1)
    at = 1 + DATA_BITS
    if line.parity != "N":
        odd = (value[:, None] >> np.arange(8)).sum(axis=1).astype(np.uint16) & 1
        word |= (odd ^ np.uint16(line.parity == "O")) << np.uint16(at)
        at += 1
    word |= np.uint16(((1 << line.stop_bits) - 1) << at)
    return word


@lru_cache
def _judged(line: LineSettings) -> U8:
    """LineFault bits of each possible word, uint8 (2 ** bits,)."""
    words = np.arange(1 << line.character_bits, dtype=np.uint16)
    right = _sent(line)[(words >> 1) & 0xFF]
    stops = np.uint16(((1 << line.stop_bits) - 1) << (line.character_bits - line.stop_bits))
    bad = np.where((words ^ right) & ~stops & ~np.uint16(1), LineFault.PARITY, 0)
    bad = np.where(words & stops != stops, bad | LineFault.FRAMING, bad)
    return np.where(words == 0, LineFault.BREAK | LineFault.FRAMING, bad).astype(np.uint8)


def encode_line(
    data: bytes | U8,
    t_ns: I64 | None = None,
    *,
    line: LineSettings = BUS_LINE,
    bit_ns: float | None = None,
    bad: U8 | None = None,
) -> Edges:
    """The level of a line that carries these bytes.

    Args:
        data: the bytes to send, uint8 (B,).
        t_ns: when each start bit begins, int64 (B,); back to back from 0 if None.
        bit_ns: bit time, if other than that of the settings.
        bad: LineFault bits to send, uint8 (B,): PARITY inverts the parity bit,
            FRAMING puts the first of two stop bits at space. Faults that the settings have
            no bit for are not sent.

    Returns:
        The changes; the record begins and ends one idle character before and after.

    Raises:
        ValueError: a character begins before the last stop bit of the one before.
    """
    values = np.frombuffer(data, np.uint8) if isinstance(data, bytes) else data
    bits = line.character_bits
    bit = nominal_bit_ns(line) if bit_ns is None else bit_ns
    idle_ns = round(bits * bit)
    idle = int(not line.inverted)
    if t_ns is None:
        t_ns = np.rint(np.arange(values.size) * (bits * bit)).astype(np.int64)
    if t_ns.shape != values.shape:
        raise ValueError(f"{values.size} bytes but {t_ns.size} times")
    if not values.size:
        return Edges(np.empty(0, np.int64), idle, 0, 0)
    early = np.flatnonzero(np.diff(t_ns) < round((bits - 1) * bit))
    if early.size:
        at = int(early[0]) + 1
        raise ValueError(f"byte {at} begins {t_ns[at] - t_ns[at - 1]} ns after the one before, inside it")
    words = _sent(line)[values]
    if bad is not None:
        parity = (bad & LineFault.PARITY) != 0 if line.parity != "N" else np.zeros(bad.size, np.bool_)
        framing = (bad & LineFault.FRAMING) != 0 if line.stop_bits == 2 else np.zeros(bad.size, np.bool_)
        words ^= (parity.astype(np.uint16) << np.uint16(9)) ^ (framing.astype(np.uint16) << np.uint16(bits - 2))
    changes = words ^ (words << 1 | 1)  # bit k set: the level changes at the start of bit k; mark is before
    is_edge = (changes[:, None] >> np.arange(bits, dtype=np.uint16) & 1).astype(np.bool_)
    places = np.rint(np.arange(bits) * bit).astype(np.int64)
    times = (t_ns[:, None] + places)[is_edge]
    return Edges(times, idle, int(t_ns[0]) - idle_ns, int(t_ns[-1]) + 2 * idle_ns)


def decode_line(edges: Edges, *, line: LineSettings = BUS_LINE) -> LineBytes:
    """Read the characters of a whole record; its polarity is found in it. See LineDecoder."""
    decoder = LineDecoder(line=line)
    read = _joined([decoder.feed(edges), decoder.flush()])
    return replace(read, inverted=decoder.inverted, bit_ns=decoder.bit_ns, fits=decoder.fits)


def _joined(parts: Sequence[LineBytes]) -> LineBytes:
    """Join consecutive characters; line settings are those of the last part."""
    if len(parts) == 1:
        return parts[0]
    data, t_ns, bad = (np.concatenate([getattr(part, name) for part in parts]) for name in ("data", "t_ns", "bad"))
    return replace(parts[-1], data=data, t_ns=t_ns, bad=bad)


def decode_fixed(edges: Edges, *, line: LineSettings) -> LineBytes:
    """Decode with fixed settings, as a receiver would: nothing is adapted. The line keeps its level after the end."""
    bit_ns = nominal_bit_ns(line)
    held = Edges(edges.t_ns, edges.initial, edges.start_ns, edges.end_ns + 2 * line.character_ns)
    return _Characters(held, line, inverted=line.inverted, bit_ns=bit_ns).read()


class LineDecoder:
    """Reads the characters of a record that arrives in pieces.

    Polarity: that which leaves fewer bad characters among the first 20 000 changes;
    where both leave as many or most, the level at which the line is longest is idle.
    Parity and stop bits: as asked for, always. Where most characters contradict them
    and another setting explains the line, `fits` says which, and polarity is judged by it.
    Bit time: measured on the changes, within 8 % of nominal. A record that begins
    inside a character: that piece is passed over. One that ends inside a character:
    so is that piece, but mark is taken to last where the record's end is not known.

    Args:
        line: settings of the line; its polarity is not used.

    Attributes:
        inverted: True if the line was found to idle low.
        fits: parity and stop bits that explain the line; None if those asked for do, or if none do.
    """

    def __init__(self, *, line: LineSettings = BUS_LINE) -> None:
        self._line = line
        self._rest: Edges | None = None
        self._has_begun = False
        self._bit_time = BitTime(nominal_bit_ns(line))
        self.inverted = line.inverted
        self.fits: LineSettings | None = None

    @property
    def bit_ns(self) -> float:
        """Bit time as measured so far."""
        return self._bit_time.bit_ns

    def feed(self, edges: Edges) -> LineBytes:
        """The characters that ended in the next piece of the record; none until polarity and bit time are known."""
        if self._rest is not None:
            edges = Edges.join([self._rest, edges])
        if not self._has_begun and len(edges) < _JUDGED_EDGES:
            self._rest = edges
            return self._characters(Edges(_NO_EDGES, edges.initial, 0, 0)).read()
        return self._read(edges)

    def _read(self, edges: Edges) -> LineBytes:
        is_first = not self._has_begun and len(edges) > 0
        if is_first:
            self._has_begun = True
            self._bit_time.find(edges.t_ns)
            self.inverted, self.fits = _judge(edges, self._line, self.bit_ns)
        found = self._characters(edges)
        if is_first:
            found.skip_partial()
        read = found.read()
        self._bit_time.add(found.spans(read))
        self._rest = found.rest()
        return read

    def flush(self) -> LineBytes:
        """Read what is left: the record has ended."""
        read = [self._read(self._rest)] if self._rest is not None and not self._has_begun else []
        edges = self._rest or Edges(_NO_EDGES, int(not self.inverted), 0, 0)
        self._rest = None
        if len(edges) and edges.end_ns == edges.t_ns[-1] and edges.final != self.inverted:
            edges = Edges(edges.t_ns, edges.initial, edges.start_ns, edges.end_ns + 2 * self._line.character_ns)
        elif len(edges):
            # The second stop bit may be cut off if the first was seen.
            last_ns = round((self._line.stop_bits - 1) * self.bit_ns)
            edges = Edges(edges.t_ns, edges.initial, edges.start_ns, edges.end_ns + last_ns)
        found = self._characters(edges)
        read.append(found.read())
        self._bit_time.add(found.spans(read[-1]))
        return _joined(read)

    def _characters(self, edges: Edges) -> _Characters:
        return _Characters(edges, self._line, inverted=self.inverted, bit_ns=self.bit_ns)


class _Characters:
    """The characters in a piece of a record with known polarity and bit time."""

    def __init__(self, edges: Edges, line: LineSettings, *, inverted: bool, bit_ns: float) -> None:
        self._edges, self._line, self._inverted, self._bit_ns = edges, line, inverted, bit_ns
        t = edges.t_ns
        falls = np.arange(edges.initial == inverted, t.size, 2)
        # A start bit is low in its middle; shorter pulses are noise.
        is_short = np.append(np.diff(t), 1 << 62)[falls] < round(bit_ns / 2)
        self._falls = falls[~is_short] if is_short.any() else falls
        self._first = 0
        # Look for the next start from the middle of the first stop bit on.
        reach_ns = round((line.character_bits - line.stop_bits + 0.5) * bit_ns)
        self._reach_ns = reach_ns
        self._next = followers(t[self._falls], reach_ns)
        self._chain: I64 | None = None

    def skip_partial(self) -> None:
        """Skip a character that the start of the record cut."""
        bits, trial = self._line.character_bits, 64
        times = self._edges.t_ns[self._falls]
        until_ns = self._edges.start_ns + round(bits * self._bit_ns)
        count = min(int(np.searchsorted(times, until_ns)), bits)
        # a second stop bit cut short by the next character is no sign of another start
        faults = [
            np.count_nonzero(self._read(walk(self._next, first, trial), crowds=False)[1]) for first in range(count + 1)
        ]
        self._first = int(np.argmin(faults))

    def _whole(self) -> tuple[I64, int]:
        """All characters from the first, and how many of them end before the record."""
        if self._chain is None:
            self._chain = walk_all(self._next, self._edges.t_ns[self._falls], self._first, self._reach_ns)
        last_ns = self._edges.end_ns - round((self._line.character_bits - 0.5) * self._bit_ns)
        times = self._edges.t_ns[self._falls[self._chain[-3:]]]
        return self._chain, len(self._chain) - int(np.count_nonzero(times > last_ns))

    def read(self) -> LineBytes:
        """The characters that end before the record."""
        chain, count = self._whole()
        words, bad = self._read(chain)
        starts = self._edges.t_ns[self._falls[chain[:count]]]
        data = (words[:count] >> 1).astype(np.uint8)
        return LineBytes(data, starts, bad[:count], self._inverted, self._bit_ns, self._line)

    def spans(self, read: LineBytes) -> I64:
        """From each start edge to the last falling edge before the stop bits, ns; empty if most are bad."""
        times, starts = self._edges.t_ns[self._falls], read.t_ns[read.bad == 0]
        if 2 * starts.size <= len(read):
            return np.empty(0, np.int64)
        before_stop_ns = round((self._line.character_bits - self._line.stop_bits - 0.5) * self._bit_ns)
        last = np.searchsorted(times, starts + before_stop_ns) - 1
        spans: I64 = times[last] - starts
        return spans

    def rest(self) -> Edges:
        """The record from the first unfinished character."""
        chain, count = self._whole()
        edges = self._edges
        if not len(edges):
            return edges
        if count == len(chain):
            return Edges(np.empty(0, np.int64), edges.final, edges.end_ns, edges.end_ns)
        at = int(self._falls[chain[count]])
        start_ns = int(edges.t_ns[at])
        return Edges(edges.t_ns[at:].copy(), int(not self._inverted), start_ns, edges.end_ns)

    def _read(self, chain: I64, *, crowds: bool = True) -> tuple[U16, U8]:
        """Words (bit 0 the start bit) and faults of characters.

        Args:
            crowds: False to accept a last stop bit that the next character cuts short.
        """
        if not chain.size:
            return np.empty(0, np.uint16), np.empty(0, np.uint8)
        bits = self._line.character_bits
        at = self._falls[chain]
        follow = int(self._next[chain[-1]])
        stop = int(self._falls[follow]) if follow < len(self._next) else self._edges.t_ns.size
        t = self._edges.t_ns[at[0] : stop]
        since = t - np.repeat(t[at - at[0]], np.diff(at, append=stop))
        boundary = np.minimum((since / self._bit_ns + 0.5).astype(np.int64), bits)
        after = np.array([(1 << bits) - (1 << k) for k in range(bits + 1)], np.uint16)  # bits from boundary k on
        words = np.bitwise_xor.reduceat(after[boundary], at - at[0]) ^ after[0]
        # If the next start bit covers the middle of the last stop bit, that stop bit is wrong.
        if not crowds:
            return words, _judged(self._line)[words]
        starts = self._edges.t_ns[np.append(at, stop) if stop < self._edges.t_ns.size else at]
        crowded = np.diff(starts) < round((bits - 0.5) * self._bit_ns)
        words[: crowded.size][crowded] &= np.uint16((1 << (bits - 1)) - 1)
        return words, _judged(self._line)[words]


def _judge(edges: Edges, line: LineSettings, bit_ns: float) -> tuple[bool, LineSettings | None]:
    """Polarity, and the settings that explain the line where those asked for do not."""
    few = Edges(edges.t_ns[:20_000], edges.initial, edges.start_ns, int(edges.t_ns[:20_000][-1]))
    upright, inverted = (_share_bad(few, replace(line, inverted=one), bit_ns) for one in (False, True))
    if min(upright, inverted) > _MISFIT and _is_on_grid(few.t_ns, bit_ns):
        # stop bits as asked for come first: two also pass as one
        stops = (line.stop_bits, 3 - line.stop_bits)
        tried = [replace(line, parity=p, stop_bits=s, inverted=i) for s in stops for p in "EON" for i in (False, True)]
        shares = [_share_bad(few, one, bit_ns, least=_FIT_CHARACTERS) for one in tried]
        if min(shares) <= _FIT * min(upright, inverted):
            fits = tried[int(np.argmin(shares))]
            return fits.inverted, fits
    if abs(upright - inverted) > 0.02 and min(upright, inverted) < _NO_FIT:
        return bool(inverted < upright), None
    end_ns = edges.end_ns if len(few) == len(edges) else few.end_ns
    spans = np.diff(few.t_ns, prepend=few.start_ns, append=end_ns)
    low_ns = int(spans[few.initial :: 2].sum())  # the first span is at the initial level
    return low_ns * 2 > int(spans.sum()), None


def _is_on_grid(t_ns: I64, bit_ns: float) -> bool:
    """True if distances between changes of one direction are whole bits; at a wrong rate few are."""
    bits = (t_ns[2:] - t_ns[:-2]) / bit_ns
    bits = bits[bits < DATA_BITS + 2]
    return bool(bits.size and (np.abs(bits - np.rint(bits)) < 0.2).mean() > 0.9)


def _share_bad(edges: Edges, line: LineSettings, bit_ns: float, *, least: int = 1) -> float:
    """Share of bad characters; 1 if there are too few to judge."""
    read = _Characters(edges, line, inverted=line.inverted, bit_ns=bit_ns).read()
    return float(np.count_nonzero(read.bad)) / len(read) if len(read) >= least else 1.0
