"""Programs for tests, and what their frames say."""

from collections.abc import Mapping, Sequence

import numpy as np

from busbench.bench.plan_limits import NO_SOURCES
from busbench.drive.frame_generator import EndState, FrameBlock, frame_blocks
from busbench.drive.locked_program import LockedProgram
from busbench.drive.part_parser import ReplaySource
from busbench.drive.program import Program
from busbench.drive.program_file import ProgramReader, build_program
from busbench.model import I64, U8
from busbench.wire.codec import unpack_channels

Keys = Mapping[str, object]


def no_recording(name: str) -> ReplaySource:
    raise AssertionError(f"no one asked for {name}")


def make(*parts: Keys, **top: object) -> Program:
    """A program of parts in counts, so fast that no rate is in the way unless given."""
    keys = {"unit": "counts", "limits": {"rate": 1e6, "low": 0, "high": 2047}, **top}
    return build_program(ProgramReader({**keys, "part": parts}, source="top"), name="Heron", load=no_recording)


def locked(program: Program) -> LockedProgram:
    """It inside its own limits, as it can be transmitted."""
    return NO_SOURCES.lock(program)


def sent(program: Program, *, end: EndState = EndState.SILENCE, block: int = 8192) -> FrameBlock:
    """All frames in one block."""
    blocks = list(frame_blocks(program, end=end, block=block))
    return FrameBlock(
        blocks[0].slot,
        np.concatenate([b.raw for b in blocks]),
        np.concatenate([b.is_sent for b in blocks]),
        blocks[0].limited,
    )


def counts_of(raw: bytes | Sequence[bytes] | U8) -> I64:
    """Counts of channels 1-16 of frames, int64 (N, 16)."""
    if isinstance(raw, np.ndarray):
        frames = raw
    else:
        data = raw if isinstance(raw, bytes) else b"".join(raw)
        frames = np.frombuffer(data, np.uint8).reshape(-1, 25)
    return unpack_channels(np.ascontiguousarray(frames)).astype(np.int64)
