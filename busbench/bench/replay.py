"""A recording's channels over time, for a program that replays them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busbench.capture.open import open_capture
from busbench.drive.part_parser import ReplaySource
from busbench.drive.program import FRAME_PERIOD_S
from busbench.errors import CaptureError
from busbench.model import remove_clock_steps
from busbench.wire.frame_spec import FLAG_CH17, FLAG_CH18
from busbench.wire.framing import find_in_blocks
from busbench.wire.table import FrameTable


def load_recording(path: str, *, note: Callable[[str], object] = lambda _: None) -> ReplaySource:
    """Read all frames of a recording that the line did not mark as damaged.

    Args:
        path: a recording of any format that is read.
        note: called with what had to be assumed.

    Raises:
        CaptureError: it cannot be read, or holds no frames.
    """
    with open_capture(path) as capture:
        clock = capture.info.clock
        table = FrameTable.concat(found.frames for found in find_in_blocks(capture.blocks(), clock=clock))
    good = ~table.suspect
    if not good.any():
        raise CaptureError(path, "holds no frames to replay", hint="`busbench probe` tells what is on the line")
    levels = np.empty((int(good.sum()), 18))
    levels[:, :16] = table.channels[good]
    levels[:, 16] = table.flags[good] & FLAG_CH17 > 0
    levels[:, 17] = table.flags[good] & FLAG_CH18 > 0
    if not clock.is_known:
        note(f"{path}: has no times; its frames are taken to come every {FRAME_PERIOD_S * 1e3:g} ms")
        return ReplaySource(np.arange(len(levels), dtype=np.float64) * FRAME_PERIOD_S, levels)
    stamps = table.t_ns[good]
    t_ns = remove_clock_steps(stamps)
    if t_ns[-1] != stamps[-1]:
        note(f"{path}: its clock goes back; what comes after that follows on")
    return ReplaySource(np.maximum.accumulate(t_ns - t_ns[0]) * 1e-9, levels)
