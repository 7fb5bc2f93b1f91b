"""A drive program as the lines of a virtual receiver: the bus with pulse outputs beside it, in a file of levels."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from busbench.capture.write import write_levels
from busbench.drive.frame_generator import FrameBlock
from busbench.drive.outputs import receiver_lines
from busbench.drive.program import Program
from busbench.errors import DriveError, sanitize
from busbench.wire.frame_spec import CHANNELS

FRAMES_MAX = 20_000  # some 150 changes of level each


def write_outputs(
    program: Program, blocks: Iterable[FrameBlock], *, to: str, outputs: tuple[int | str, ...], force: bool
) -> int:
    """Write bus and pulse outputs.

    Args:
        to: a file in .vcd or .csv.
        outputs: channels (1-16) with a pulse output, named output_N.

    Raises:
        DriveError: a channel has no pulse output, or the program is too long or sends nothing.
        CaptureError: the file is of another kind, exists, or cannot be written.
    """
    channels = [channel for channel in outputs if isinstance(channel, int) and 1 <= channel <= CHANNELS]
    wrong = next((channel for channel in outputs if channel not in channels), None)
    if wrong is not None:
        raise DriveError(f"--pulses: channel {sanitize(str(wrong))} has no pulse output", hint=f"give 1 to {CHANNELS}")
    raw, counts, slots, frames = [], [], [], 0
    for block in blocks:
        sent = block.is_sent
        raw.append(block.raw[sent])
        counts.append(block.limited.channels[sent])
        slots.append(block.slot + np.flatnonzero(sent))
        frames += int(sent.sum())
        if frames > FRAMES_MAX:
            raise DriveError(
                f"{to}: the program has more than {FRAMES_MAX:,} frames", hint="shorten it or repeat it less"
            )
    if not frames:
        raise DriveError(f"{to}: the program sends no frame", hint="make the gap shorter")
    period_ns = round(program.period_s * 1e9)
    lines = receiver_lines(
        np.concatenate(raw), t_ns=(np.concatenate(slots) + 1) * period_ns, counts=np.concatenate(counts),
        outputs={f"output_{channel}": channel for channel in channels}, scale=program.scale,
    )  # fmt: skip
    write_levels(to, lines, force=force)
    return frames
