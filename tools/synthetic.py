"""Long recordings for measurements, made at disk speed."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from busbench.capture.pcapng_write import PcapngWriter
from busbench.line import BUS_LINE
from busbench.model import ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_PLAIN, END_SLOTS, FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES

PERIOD_NS = 7_000_000
REPLY_BYTES = 3
_BLOCK = 1 << 16


def write_recording(
    path: Path, *, frames: int, cuts: bool = False, slots: bool = False, losses: int = 0, seed: int = 1
) -> None:
    """Write a recording of moving sticks, one read per frame, or each cut into 4-6 reads of uneven size.

    Args:
        path: the new pcapng file.
        frames: how many.
        cuts: True for an adapter that cuts each frame.
        slots: True for end bytes in turn, and a sensor's reply after each third frame, in a read of its own.
        losses: frames that are missing, flagged lost or flagged failsafe, a third each.
        seed: seed of the timestamps' lateness and of the cuts.
    """
    rng = np.random.default_rng(seed)
    lost = np.sort(rng.choice(frames, losses, replace=False))
    away, flagged, failsafe = lost[::3], lost[1::3], lost[2::3]
    clock = Clock(ClockKind.PER_READ, 1)
    with PcapngWriter(
        str(path), port="bench", line=BUS_LINE, clock=clock, start_utc_ns=1_700_000_000_000_000_000, force=True,
        direction_flags=False,
    ) as writer:  # fmt: skip
        sent = 0
        for start in range(0, frames, _BLOCK):
            number = np.setdiff1d(np.arange(start, min(start + _BLOCK, frames)), away, assume_unique=True)
            count, t = number.size, number * 0.007
            counts = np.full((count, 16), 992)
            counts[:, 0] = 992 + 600 * np.sin(t)
            counts[:, 1] = 992 + 300 * np.sin(2.7 * t)
            flags = FLAG_LOST * np.isin(number, flagged) + FLAG_FAILSAFE * np.isin(number, failsafe)
            end = np.array(END_SLOTS, np.uint8)[number % 4] if slots else END_PLAIN
            raw = pack_frames(counts, flags=flags.astype(np.uint8), end=end)
            ends_ns = number * PERIOD_NS + FRAME_BYTES * BUS_LINE.character_ns
            if cuts:
                inner = np.sort(rng.permuted(np.tile(np.arange(1, FRAME_BYTES), (count, 1)), axis=1)[:, :5], axis=1)
                keep = np.arange(5) < rng.integers(3, 6, count)[:, None]
                marks = np.concatenate([np.where(keep, inner, 0), np.full((count, 1), FRAME_BYTES)], axis=1)
                times = ends_ns[:, None] - (FRAME_BYTES - marks) * BUS_LINE.character_ns
                marks = marks + FRAME_BYTES * np.arange(count)[:, None]
                good = np.concatenate([keep, np.ones((count, 1), np.bool_)], axis=1)
                mark_end, mark_t = marks[good], times[good]
            else:
                mark_end, mark_t = FRAME_BYTES * np.arange(1, count + 1), ends_ns
            mark_t = np.maximum.accumulate(mark_t + rng.integers(60_000, 110_000, mark_t.size))
            data = raw.reshape(-1)
            if slots:
                answered = np.flatnonzero(number % 3 == 0)
                at = FRAME_BYTES * (answered + 1)
                replies = rng.integers(0, 256, (at.size, REPLY_BYTES), np.uint8)
                replies[:, 0] = 0x03
                data = np.insert(data, np.repeat(at, REPLY_BYTES), replies.reshape(-1))
                mark_end = mark_end + REPLY_BYTES * np.searchsorted(at, mark_end, "left")
                reply_end = at + REPLY_BYTES * np.arange(1, at.size + 1)
                reply_t = ends_ns[answered] + 2_100_000 + 100_000
                order = np.argsort(np.concatenate([mark_end, reply_end]), kind="stable")
                mark_end = np.concatenate([mark_end, reply_end])[order]
                mark_t = np.concatenate([mark_t, reply_t])[order]
            writer.write_log(ByteLog(sent, data, sent + mark_end, mark_t))
            sent += data.size
