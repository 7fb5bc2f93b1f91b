"""Where the frames of a drive program go when they go to no port: files, standard output, a rehearsal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from busbench.capture.base import CaptureInfo
from busbench.capture.write import STANDARD_OUTPUT, SUFFIXES, open_writer
from busbench.cli import output
from busbench.drive.frame_generator import FrameBlock
from busbench.drive.preview import percent
from busbench.drive.program import Program
from busbench.errors import DriveError, pluralize
from busbench.model import BUS_LINE, U16, ByteLog, Clock, ClockKind
from busbench.wire.codec import unpack_channels
from busbench.wire.frame_spec import CHANNELS, FRAME_BYTES

LOOK_S = 0.5  # a rehearsal shows where the channels are this often
_FRAME_NS = FRAME_BYTES * BUS_LINE.character_ns


def write_frames(program: Program, blocks: Iterable[FrameBlock], *, to: str, force: bool) -> tuple[int, int]:
    """Write all frames to a file by its suffix, or to standard output ("-": raw bytes).

    A frame comes as one read would give it, at the time at which its last character ends.

    Args:
        to: path or "-".

    Returns:
        Frames written, and frames left out on purpose.

    Raises:
        DriveError: the suffix says no format.
        OutputError: the file exists, or cannot be written.
    """
    if to != STANDARD_OUTPUT and Path(to).suffix.lower() not in SUFFIXES:
        raise DriveError(
            f"--to: {to} is neither a port nor a file of a known kind",
            hint=f"give a port, virtual:, - or a name that ends in {', '.join(SUFFIXES)}",
        )
    period_ns = round(program.period_s * 1e9)
    written = left_out = 0
    info = CaptureInfo("drive", "program", Clock(ClockKind.PER_READ, 1), source="drive")
    with open_writer(to, info, force=force) as writer:
        for block in blocks:
            raw = block.raw[block.is_sent]
            slots = block.slot + np.flatnonzero(block.is_sent)
            offset = written * FRAME_BYTES
            ends = offset + np.arange(1, len(raw) + 1) * FRAME_BYTES
            writer.write_log(ByteLog(offset, raw.reshape(-1), ends, slots * period_ns + _FRAME_NS))
            written += len(raw)
            left_out += len(block) - len(raw)
    return written, left_out


def rehearse(program: Program, blocks: Iterable[FrameBlock]) -> Iterator[str]:
    """Go through a program without hardware: where its channels are, read back from the frames."""
    channels = sorted({part.channel for part in program.parts})
    width = 14 if 9 + 16 * len(channels) <= output.WIDTH else 6  # percent and counts, or percent alone
    gap = "  " if 9 + (width + 2) * len(channels) <= output.WIDTH else " "
    yield gap.join([f"{'time':>9}", *(f"{f'ch {channel + 1}':>{width}}" for channel in channels)])
    look = max(1, round(LOOK_S / program.period_s))
    frames = 0
    for block in blocks:
        counts, flags = unpack_channels(block.raw), block.raw[:, 23]
        for row in range(-block.slot % look, len(block), look):
            seen = [_stand(program, channel, counts[row], int(flags[row]), width) for channel in channels]
            sent = "" if block.is_sent[row] else "  (gap)"
            yield gap.join([f"{(block.slot + row) * program.period_s:7.2f} s", *seen]) + sent
        frames += len(block)
    yield f"rehearsed {pluralize(frames, 'frame')} in {frames * program.period_s:.2f} s; nothing was sent"


def _stand(program: Program, channel: int, counts: U16, flags: int, width: int) -> str:
    if channel >= CHANNELS:
        return f"{'on' if flags >> (channel - CHANNELS) & 1 else 'off':>{width}}"
    level = int(counts[channel])
    said = percent(program, level)
    return f"{said:>8} % {level:4d}" if width > 6 else f"{said:>6}"
