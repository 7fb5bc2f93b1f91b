"""Rehearse a drive program: the positions of its channels, frame by frame."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from busbench.cli import output
from busbench.drive.frame_generator import FrameBlock
from busbench.drive.preview import percent
from busbench.drive.program import Program
from busbench.errors import pluralize
from busbench.model import U16
from busbench.wire.codec import unpack_channels
from busbench.wire.frame_spec import CHANNELS

LOOK_S = 0.5  # a rehearsal shows the positions this often


def rehearse(program: Program, blocks: Iterable[FrameBlock]) -> Iterator[str]:
    """Run a program without hardware, and show the channel positions read back from its frames."""
    channels = sorted({part.channel for part in program.parts})
    width = 14 if 9 + 16 * len(channels) <= output.WIDTH else 6  # percent and counts, or only percent
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
