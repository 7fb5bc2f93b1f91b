"""Frames by row: columns, values, and the spans of any run of them."""

from __future__ import annotations

import tempfile
from typing import Any

import numpy as np
import pytest

from busbench.model import NO_CLOCK, Clock, ClockKind
from busbench.tui import growing_array
from busbench.tui import store as module
from busbench.tui.channels import between
from busbench.tui.store import FrameStore
from busbench.wire.codec import pack_frames
from busbench.wire.table import FrameTable

PER_READ = Clock(ClockKind.PER_READ, 1)


def table(counts: np.ndarray[Any, Any], *, first: int = 0, flags: int = 0) -> FrameTable:
    size = len(counts)
    rows = np.arange(first, first + size, dtype=np.int64)
    raw = pack_frames(np.repeat(counts[:, None], 16, axis=1), flags)
    return FrameTable(rows * 7_000_000, np.zeros(size, np.int32), rows * 25, raw, np.zeros(size, np.uint8))


@pytest.fixture
def walk() -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(3)
    levels: np.ndarray[Any, Any] = np.clip(992 + np.cumsum(rng.integers(-9, 10, 9000)), 0, 2047)
    return levels


@pytest.mark.parametrize("long_bytes", [200, 1 << 20])  # columns in files, and in memory
def test_span_of_any_run_is_that_of_its_values(
    long_bytes: int, walk: np.ndarray[Any, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(growing_array, "_LONG_BYTES", long_bytes)
    monkeypatch.setattr(growing_array, "_FIRST", 36)
    frames = FrameStore(clock=PER_READ)
    for start in range(0, 9000, 37):  # the size of the pieces does not matter
        frames.add(table(walk[start : start + 37], first=start))
    rng = np.random.default_rng(4)
    for lo, hi in [(0, 9000), (0, 1), (63, 65), (64, 128), (4096, 8192), *rng.integers(0, 4500, (40, 2))]:
        hi = max(int(hi), int(lo) + 1) if hi <= lo else int(hi)
        low, high = frames.span(int(lo), hi)
        assert (int(low[0]), int(high[15])) == (walk[lo:hi].min(), walk[lo:hi].max())
    frames.close()


def test_a_span_that_grows_is_still_right(walk: np.ndarray[Any, Any]) -> None:
    frames = FrameStore(clock=PER_READ)
    frames.add(table(walk))
    for hi in (10, 11, 300, 200, 5000, 9000):
        low, high = frames.span(5, hi)
        assert (int(low[3]), int(high[3])) == (walk[5:hi].min(), walk[5:hi].max())


def test_spans_of_many_runs_begin_and_end_at_the_nearest_block(walk: np.ndarray[Any, Any]) -> None:
    frames = FrameStore(clock=PER_READ)
    frames.add(table(walk))
    starts, stops = np.array([0, 31, 100, 700, 4000, 8000]), np.array([31, 97, 700, 4000, 8000, 9000])
    low, high = frames.spans(starts, stops)
    # Short runs and those beyond the last whole block as they are, long ones from block to block of 64.
    seen = [(0, 31), (31, 97), (128, 704), (704, 4032), (4032, 8000), (8000, 9000)]
    assert low[3].tolist() == [walk[lo:hi].min() for lo, hi in seen]
    assert high[3].tolist() == [walk[lo:hi].max() for lo, hi in seen]


def test_no_span_of_no_frames() -> None:
    with pytest.raises(ValueError, match="no row"):
        FrameStore(clock=PER_READ).span(0, 0)


@pytest.mark.parametrize("held", [100, 5000, 1 << 22])
def test_bytes_come_back_from_the_file_and_from_memory(
    held: int, walk: np.ndarray[Any, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_HELD_BYTES", held)
    frames = FrameStore(clock=PER_READ)
    for start in range(0, 9000, 90):
        frames.add(table(walk[start : start + 90], first=start, flags=1))
    for lo, hi in ((0, 9000), (4, 5), (8990, 9000), (100, 4000)):
        values = frames.values(lo, hi)
        assert values[0].tolist() == walk[lo:hi].tolist()
        assert values[16].tolist() == [1] * (hi - lo)
        assert values[17].tolist() == [0] * (hi - lo)
    frames.close()


def test_without_room_for_a_file_all_stays_in_memory(
    walk: np.ndarray[Any, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "_HELD_BYTES", 1000)
    monkeypatch.setattr(tempfile, "TemporaryFile", full)
    frames = FrameStore(clock=PER_READ)
    for start in range(0, 9000, 90):
        frames.add(table(walk[start : start + 90], first=start))
    assert frames.values(100, 8000)[7].tolist() == walk[100:8000].tolist()


def test_rows_by_time_and_by_number() -> None:
    counts = np.full(5, 992)
    timed, untimed = FrameStore(clock=PER_READ), FrameStore(clock=NO_CLOCK)
    timed.add(table(counts))
    untimed.add(table(counts))
    assert [timed.row_at(t) for t in (-1, 0, 6_999_999, 7_000_000, 10**12)] == [-1, 0, 0, 1, 4]
    assert [untimed.row_at(n) for n in (-1, 0, 3, 99)] == [-1, 0, 3, 4]
    assert (timed.axis(2), untimed.axis(2)) == (14_000_000, 2)


def test_values_between_two_places_are_blank_where_no_frame_came() -> None:
    store = FrameStore(clock=PER_READ)
    store.add(table(np.array([100, 200, 300, 400]), first=0))
    store.add(table(np.array([500, 600]), first=100))
    drawn = between(store, -7_000_000 * 50, 7_000_000 * 150, points=20)
    assert drawn.shape == (18, 20)
    assert [(at, value) for at, value in enumerate(drawn[0].tolist()) if value >= 0] == [
        (5, 400),
        (15, 600),
    ]
    assert between(store, 0, 7_000_000 * 4, points=4)[0].tolist() == [100, 200, 300, 400]
    assert (between(FrameStore(clock=PER_READ), 0, 9, points=3) == -1).all()
