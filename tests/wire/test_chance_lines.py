"""What is read from lines put together by chance: of any settings and clock, damaged, cut, whole and in pieces.

Every figure is literal, so that a changed limit shows. Where a change is meant, take the new ones after a look at both.
"""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from busbench.line import LineSettings
from busbench.model import I64
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.uart import LineBytes, LineDecoder, decode_fixed, decode_line, encode_line

Rng = np.random.Generator


def settings(rng: Rng) -> LineSettings:
    parity, stops = str(rng.choice(["E", "E", "O", "N"])), int(rng.choice([1, 2, 2]))
    return LineSettings(parity=parity, stop_bits=stops, inverted=bool(rng.random() < 0.5))


def line_of(rng: Rng, line: LineSettings, bit_ns: float) -> Edges:
    """Some characters or frames, with pauses, faults, a wandering clock, spikes and lost changes."""
    count = int(rng.choice([1, 5, 30, 60, 400]))
    data = (
        rng.integers(0, 256, count).astype(np.uint8)
        if rng.random() < 0.5
        else pack_frames(900 + rng.integers(0, 9, (-(-count // 25), 16))).ravel()
    )
    pauses = rng.choice([0, 0, 0, 900, 20_000, 4_000_000], data.size)
    t_ns = np.rint(np.arange(data.size) * line.character_bits * bit_ns + np.cumsum(pauses) + 500_000).astype(np.int64)
    bad = (rng.random(data.size) < rng.choice([0.0, 0.0, 0.03, 0.4])).astype(np.uint8) * int(rng.integers(1, 4))
    if rng.random() < 0.4:
        return encode_line(data, t_ns, line=line, bit_ns=bit_ns)
    edges = encode_line(data, t_ns, line=line, bit_ns=bit_ns, bad=bad)
    times = edges.t_ns + rng.integers(-1, 2, len(edges)) * int(rng.choice([0, 300, 2500]))
    if rng.random() < 0.3:
        times = times[rng.random(times.size) > 0.01]
    if rng.random() < 0.3:
        at = rng.integers(0, int(times[-1]) if times.size else 1, 4)
        times = np.concatenate([times, at, at + rng.integers(200, 8000, 4)])
    times = np.unique(times)
    return Edges(times, edges.initial, edges.start_ns, max(edges.end_ns, int(times[-1]) if times.size else 0))


def cut(rng: Rng, edges: Edges) -> Edges:
    """The record, or a part of it; its end may not be known."""
    start_ns, end_ns = edges.start_ns, edges.end_ns
    if rng.random() < 0.5:
        start_ns = int(rng.integers(start_ns, end_ns))
    if rng.random() < 0.5:
        end_ns = int(rng.integers(start_ns, end_ns + 1))
    inside = (edges.t_ns > start_ns) & (edges.t_ns <= end_ns)
    initial = edges.initial ^ (int(np.count_nonzero(edges.t_ns <= start_ns)) & 1)
    times = edges.t_ns[inside]
    if times.size and rng.random() < 0.3:
        end_ns = int(times[-1])
    return Edges(times, initial, start_ns, end_ns)


def pieces(rng: Rng, edges: Edges) -> list[Edges]:
    """The same in pieces, each of which ends with a change."""
    places = sorted({0, *rng.integers(0, len(edges) + 1, 4).tolist(), len(edges)})
    parts: list[Edges] = []
    for first, last in itertools.pairwise(places):
        times = edges.t_ns[first:last]
        initial = parts[-1].final if parts else edges.initial
        start_ns = parts[-1].end_ns if parts else edges.start_ns
        parts.append(Edges(times, initial, start_ns, edges.end_ns if last == len(edges) else int(times[-1])))
    return parts or [edges]


def in_pieces(edges: Edges, line: LineSettings, rng: Rng) -> list[LineBytes]:
    decoder = LineDecoder(line=line)
    found = [decoder.feed(part) for part in pieces(rng, edges)]
    found.append(decoder.flush())
    found[-1] = replace(found[-1], inverted=decoder.inverted, bit_ns=decoder.bit_ns, fits=decoder.fits)
    return found


WAYS: dict[str, Callable[[Edges, LineSettings, Rng], list[LineBytes]]] = {
    "whole": lambda edges, line, _: [decode_line(edges, line=line)],
    "in pieces": in_pieces,
    "fixed": lambda edges, line, _: [decode_fixed(edges, line=line)],
}
READ: dict[str, tuple[int, int, int, int, int]] = {
    "whole": (6024, 2239, 66, 9, 876196505),
    "in pieces": (6024, 2239, 66, 9, 876196505),
    "fixed": (5945, 3380, 72, 0, 1804195594),
}


def column(parts: list[LineBytes], name: str) -> I64:
    return np.concatenate([getattr(part, name) for part in parts]).astype(np.int64)


@pytest.mark.parametrize("way", WAYS)
def test_what_is_read_from_lines_put_together_by_chance(way: str) -> None:
    """Characters, bad ones, inverted lines, lines that other settings explain; a checksum of all and of the clocks."""
    said, size, bad, inverted, fits = [], 0, 0, 0, 0
    for seed in range(150):
        rng = np.random.default_rng(seed)
        line = settings(rng)
        bit_ns = float(rng.choice([10_000, 10_000, 10_010, 9_950, 10_300, 9_300, 9_190, 10_790, 10_830, 8_680]))
        edges = cut(rng, line_of(rng, line, bit_ns))
        asked = line if rng.random() < 0.6 else settings(rng)
        found = WAYS[way](edges, asked, rng)
        last = found[-1]
        size, bad = size + column(found, "data").size, bad + int(np.count_nonzero(column(found, "bad")))
        inverted, fits = inverted + last.inverted, fits + (last.fits is not None)
        columns = [column(found, name).tolist() for name in ("data", "t_ns", "bad")]
        said.append((columns, last.inverted, last.fits, round(last.bit_ns, 2)))
    assert (size, bad, inverted, fits, zlib.crc32(repr(said).encode())) == READ[way]


@pytest.mark.parametrize("seed", range(12))
def test_undamaged_lines_are_read_as_they_were_sent(seed: int) -> None:
    """Where the settings are those asked for and the clock is off by 7 % at most."""
    rng = np.random.default_rng(1000 + seed)
    line, bit_ns = settings(rng), float(rng.uniform(9_300, 10_700))
    data = rng.integers(0, 256, 500).astype(np.uint8)
    t_ns = np.rint(np.arange(500) * line.character_bits * bit_ns + np.cumsum(rng.choice([0, 0, 5_000_000], 500)))
    t_ns = t_ns.astype(np.int64) + 500_000
    found = in_pieces(encode_line(data, t_ns, line=line, bit_ns=bit_ns), line, rng)
    assert column(found, "data").tolist() == data.tolist()
    assert column(found, "t_ns").tolist() == t_ns.tolist()
    assert not column(found, "bad").any()
    assert (found[-1].inverted, found[-1].fits) == (line.inverted, None)
    assert found[-1].bit_ns == pytest.approx(bit_ns, rel=1e-4)
