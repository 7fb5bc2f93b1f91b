"""Outages of a session that goes on."""

from __future__ import annotations

import numpy as np

from busbench.model import Clock, ClockKind, Rejects
from busbench.tui.events import Events, GrowingOutages
from busbench.tui.store import FrameStore
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_LOST
from busbench.wire.table import AlignmentResult, FrameTable

FRAMES = 12_000
SLOW_NS = 200_000_000  # no receiver's period


def add(growing: GrowingOutages, store: FrameStore, table: FrameTable) -> None:
    store.add(table)
    growing.add(AlignmentResult(table, Rejects.empty()))


def test_frames_that_keep_no_beat_are_settled_all_the_same() -> None:
    rows = np.arange(FRAMES, dtype=np.int64)
    raw = pack_frames(np.full((FRAMES, 16), 992), np.where(rows == 700, FLAG_LOST, 0).astype(np.uint8))
    store = FrameStore(clock=Clock(ClockKind.PER_READ, 1))
    growing = GrowingOutages(store, start_ns=0)
    for start in range(0, FRAMES, 1000):
        part = slice(start, start + 1000)
        zeros = np.zeros(1000, np.int32)
        add(growing, store, FrameTable(rows[part] * SLOW_NS, zeros, rows[part] * 25, raw[part], zeros.astype(np.uint8)))
        growing.update(int(rows[part][-1]) * SLOW_NS)
    assert growing.losses.period_s is None
    assert (growing.losses.frames, growing.losses.missed) == (FRAMES, 1)
    assert [(event.kind, event.offset) for event in growing.events.items] == [("lost", 700 * 25)]
    assert growing._row > FRAMES - 4096 - 1024


def test_what_was_settled_stays_where_it_was_placed() -> None:
    rows = np.arange(FRAMES, dtype=np.int64)
    is_lost = (rows % 1999 == 5) | (rows % 3001 < 2)
    raw = pack_frames(np.full((FRAMES, 16), 992), np.where(is_lost, FLAG_LOST, 0).astype(np.uint8))
    came_ns = 7_000_000 * (rows + rows // 2500)  # a frame is missing now and then
    store = FrameStore(clock=Clock(ClockKind.PER_READ, 1))
    growing = GrowingOutages(store, start_ns=0)
    for start in range(0, FRAMES, 500):
        part = slice(start, start + 500)
        zeros = np.zeros(500, np.int32)
        add(growing, store, FrameTable(came_ns[part], zeros, rows[part] * 25, raw[part], zeros.astype(np.uint8)))
        growing.update(int(came_ns[part][-1]))
        anew = Events.of(growing.events.items, store=store, start_ns=0)
        assert growing.events.start.tolist() == anew.start.tolist()
        assert growing.events.end.tolist() == anew.end.tolist()
    assert [(event.kind, event.offset // 25) for event in growing.events.items] == [
        *(("lost", row) for row in (0, 5, 2004)),
        ("gap", 2500),
        *(("lost", row) for row in (3001, 4003)),
        ("gap", 5000),
        ("lost", 6002),
        ("gap", 7500),
        *(("lost", row) for row in (8001, 9003)),
        ("gap", 10_000),
        *(("lost", row) for row in (10_000, 11_999)),
    ]
    assert growing.losses.bursts
