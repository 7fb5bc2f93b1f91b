"""Where the frames of a drive program go when they go to no port: files, standard output, a rehearsal."""

from __future__ import annotations

import contextlib
import os
import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Protocol

import numpy as np

from busbench.drive.frames import FrameBlock
from busbench.drive.preview import percent
from busbench.drive.program import Program
from busbench.errors import CaptureError, DriveError
from busbench.model import BUS_LINE, I64, U8, ByteLog, Clock, ClockKind
from busbench.wire.bulk import CHANNELS, FRAME_BYTES, unpack_channels

SUFFIXES = {".pcapng": "pcapng", ".raw": "raw", ".bin": "raw", ".csv": "csv", ".vcd": "vcd"}
LOOK_S = 0.5  # a rehearsal shows where the channels stand this often


class Sink(Protocol):
    """Takes frames, block after block."""

    def write(self, raw: U8, start_ns: I64) -> None:
        """Take frames, uint8 (N, 25), and the times at which their first characters begin."""

    def close(self) -> None:
        """Finish the output."""


def is_port(to: str) -> bool:
    """True where a destination names a serial port or stream address."""
    return re.match(r"[a-z]+://|COM\d+$|\\\\\.\\|/dev/", to, re.IGNORECASE) is not None or Path(to).is_char_device()


def write_frames(program: Program, blocks: Iterable[FrameBlock], sink: Sink) -> tuple[int, int]:
    """Send all frames to a sink.

    Returns:
        Frames written, and frames dropped on purpose.
    """
    period_ns = round(program.period_s * 1e9)
    written = dropped = 0
    for block in blocks:
        start_ns = (block.slot + np.arange(len(block), dtype=np.int64)) * period_ns
        sink.write(block.raw[block.is_sent], start_ns[block.is_sent])
        written += int(block.is_sent.sum())
        dropped += int((~block.is_sent).sum())
    return written, dropped


@contextlib.contextmanager
def open_sink(to: str, *, force: bool) -> Iterator[Sink]:
    """A sink for a file by its suffix, or for standard output ("-": raw bytes).

    Args:
        to: path or "-".
        force: True writes over a file that exists.

    Raises:
        DriveError: the suffix says no format.
        CaptureError: the file exists, or cannot be written.
    """
    kind = "raw" if to == "-" else SUFFIXES.get(Path(to).suffix.lower())
    sink: Sink
    match kind:
        case "pcapng":
            sink = _Pcapng(to, force=force)
        case "vcd":
            sink = _Vcd(to, force=force)
        case "csv":
            sink = _Csv(_File(to, force=force))
        case "raw":
            sink = _Raw(_File(to, force=force))
        case _:
            raise DriveError(
                f"--to: {to} is neither a port nor a file of a known kind",
                hint=f"give a port, virtual:, - or a name that ends in {', '.join(sorted(SUFFIXES))}",
            )
    try:
        yield sink
    finally:
        sink.close()


class _File:
    """A file that is written from its start, every failure told as one line."""

    def __init__(self, path: str, *, force: bool) -> None:
        self.path = path
        self._file: IO[bytes]
        if path == "-":
            self._file = sys.stdout.buffer
            return
        try:
            self._file = Path(path).open("wb" if force else "xb")  # noqa: SIM115 - close() closes it
        except FileExistsError:
            hint = "choose another name, or write over it with --force"
            raise CaptureError(path, "there is such a file already", hint=hint) from None
        except (OSError, ValueError) as error:
            what = f"cannot be written ({getattr(error, 'strerror', None) or error})"
            raise CaptureError(path, what, hint="check the folder and your rights in it") from None

    def write(self, data: bytes) -> None:
        try:
            self._file.write(data)
        except BrokenPipeError:
            raise
        except OSError as error:
            raise CaptureError(self.path, f"cannot be written on ({error.strerror})", hint="make room") from None

    def close(self) -> None:
        try:
            self._file.flush()
            if self.path != "-":
                self._file.close()
        except BrokenPipeError:
            # Whoever read has left; what is still buffered must not be tried again at exit.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        except OSError as error:
            raise CaptureError(self.path, f"cannot be written on ({error.strerror})", hint="make room") from None


class _Raw:
    def __init__(self, file: _File) -> None:
        self._file = file

    def write(self, raw: U8, start_ns: I64) -> None:
        del start_ns  # raw bytes have no clock
        self._file.write(raw.tobytes())

    def close(self) -> None:
        self._file.close()


class _Csv:
    """A line a byte, as a logic analyser exports it: when the character began, and the byte."""

    def __init__(self, file: _File) -> None:
        self._file = file
        self._file.write(b"time_s,byte\n")

    def write(self, raw: U8, start_ns: I64) -> None:
        times = (start_ns[:, None] + np.arange(FRAME_BYTES) * BUS_LINE.character_ns).reshape(-1).tolist()
        rows = zip(times, raw.reshape(-1).tolist(), strict=True)
        self._file.write(
            "".join(f"{t // 1_000_000_000}.{t % 1_000_000_000:09d},0x{byte:02X}\n" for t, byte in rows).encode()
        )

    def close(self) -> None:
        self._file.close()


class _Pcapng:
    """A packet a frame, as a read that returns with the frame's last character."""

    def __init__(self, path: str, *, force: bool) -> None:
        from busbench.capture.pcapng_write import PcapngWriter

        clock = Clock(ClockKind.PER_READ, 1)
        self._writer = PcapngWriter(path, port="drive", line=BUS_LINE, clock=clock, start_utc_ns=None, force=force)
        self._offset = 0

    def write(self, raw: U8, start_ns: I64) -> None:
        ends = self._offset + (np.arange(len(raw), dtype=np.int64) + 1) * FRAME_BYTES
        times = start_ns + FRAME_BYTES * BUS_LINE.character_ns
        self._writer.write_log(ByteLog(self._offset, np.ascontiguousarray(raw).reshape(-1), ends, times))
        self._offset += raw.size

    def close(self) -> None:
        self._writer.close()


class _Vcd:
    """The level of the line itself."""

    def __init__(self, path: str, *, force: bool) -> None:
        raise DriveError(f"{path}: level changes cannot be written yet")

    def write(self, raw: U8, start_ns: I64) -> None: ...

    def close(self) -> None: ...


def rehearse(program: Program, blocks: Iterable[FrameBlock]) -> Iterator[str]:
    """Go through a program without hardware: where its channels stand, read back from the frames.

    Args:
        program: what is rehearsed.
        blocks: its frames.
    """
    channels = sorted({part.channel for part in program.parts})
    yield "  ".join([f"{'time':>9}", *(f"{f'ch {channel + 1}':>14}" for channel in channels)])
    look = max(1, round(LOOK_S / program.period_s))
    frames = 0
    for block in blocks:
        counts, flags = unpack_channels(block.raw), block.raw[:, 23]
        for row in range(-block.slot % look, len(block), look):
            seen = [_stand(program, channel, counts[row], int(flags[row])) for channel in channels]
            sent = "" if block.is_sent[row] else "  (dropped)"
            yield "  ".join([f"{(block.slot + row) * program.period_s:7.2f} s", *seen]) + sent
        frames += len(block)
    yield f"rehearsed {frames} frames in {frames * program.period_s:.2f} s; nothing was sent"


def _stand(program: Program, channel: int, counts: np.ndarray[tuple[int, ...], np.dtype[np.uint16]], flags: int) -> str:
    if channel >= CHANNELS:
        return f"{'on' if flags >> (channel - CHANNELS) & 1 else 'off':>14}"
    level = int(counts[channel])
    return f"{percent(program, level):>8} % {level:4d}"
