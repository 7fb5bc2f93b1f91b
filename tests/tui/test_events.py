"""Outages of a session that goes on."""

from __future__ import annotations

import numpy as np

from busbench.model import Clock, ClockKind
from busbench.tui.events import GrowingOutages
from busbench.tui.store import FrameStore
from busbench.wire.bulk import FLAG_LOST, pack_frames
from busbench.wire.table import FrameTable

FRAMES = 12_000
SLOW_NS = 200_000_000  # no receiver's period


def test_frames_that_keep_no_beat_are_settled_all_the_same() -> None:
    rows = np.arange(FRAMES, dtype=np.int64)
    raw = pack_frames(np.full((FRAMES, 16), 992), np.where(rows == 700, FLAG_LOST, 0).astype(np.uint8))
    store = FrameStore(clock=Clock(ClockKind.PER_READ, 1))
    growing = GrowingOutages(store, start_ns=0)
    for start in range(0, FRAMES, 1000):
        part = slice(start, start + 1000)
        zeros = np.zeros(1000, np.uint32)
        store.add(FrameTable(rows[part] * SLOW_NS, zeros, rows[part] * 25, raw[part], zeros.astype(np.bool_)))
        growing.update(int(rows[part][-1]) * SLOW_NS)
    assert growing.losses.period_s is None
    assert (growing.losses.frames, growing.losses.lost) == (FRAMES, 1)
    assert [(event.kind, event.offset) for event in growing.events.items] == [("lost", 700 * 25)]
    assert growing._row > FRAMES - 4096 - 1024
