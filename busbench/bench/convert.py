"""Write recordings and programs to files: other formats, parts, pieces, and the frames of a program."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from math import inf
from pathlib import Path

import numpy as np

from busbench.analysis.recording import read_timeline
from busbench.capture.base import Capture, CaptureInfo
from busbench.capture.extract import Extract, cut_log, split
from busbench.capture.formats import format_of, written_suffixes
from busbench.capture.write import open_writer, write_levels
from busbench.drive.frame_generator import FrameBlock
from busbench.drive.outputs import receiver_lines
from busbench.drive.program import Program
from busbench.errors import BusbenchError, DriveError, pluralize, sanitize
from busbench.line import BUS_LINE, LineSettings
from busbench.model import Annotation, ByteLog, Clock, ClockKind
from busbench.wire.frame_spec import CHANNELS, FRAME_BYTES

FRAMES_MAX = 20_000  # max frames of a level file: about 150 level changes each
_FRAME_NS = FRAME_BYTES * BUS_LINE.character_ns


@dataclass(frozen=True, slots=True)
class Cut:
    """The part of a recording, or the pieces.

    Raises:
        BusbenchError: two options that exclude each other.
    """

    from_s: float | None = None  # from_s, to_s: seconds from the first byte
    to_s: float | None = None
    around: tuple[int, float] | None = None  # number of an outage from 1, and seconds before and after it
    split_s: float | None = None  # length of pieces

    def __post_init__(self) -> None:
        ways = [self.from_s is not None or self.to_s is not None, self.around is not None, self.split_s is not None]
        if sum(ways) > 1:
            raise BusbenchError("--from and --to, --around, --split: cannot be combined", hint="give one of them")
        if self.to_s is not None and self.to_s <= (self.from_s or 0.0):
            raise BusbenchError(f"--to: {self.to_s:g} s is not after --from", hint="give a later time")


def convert(
    capture: Capture,
    output: str,
    *,
    cut: Cut = Cut(),
    line: LineSettings = BUS_LINE,
    force: bool = False,
    progress: Callable[[int], object] = lambda _: None,
) -> Iterator[tuple[str, str]]:
    """Convert a recording block by block into the format of the suffix.

    Args:
        output: path, or "-" for raw bytes on standard output.
        progress: called with the number of bytes written so far.

    Yields:
        Each complete file, and its size.

    Raises:
        BusbenchError: the part was not found, or it cannot be written in this format.
        OutputError: a file exists, or cannot be written.
    """
    is_table = Path(output).suffix.lower() == ".parquet"
    if cut.split_s is not None:
        if output == "-" or is_table:
            what = "standard output takes no pieces" if output == "-" else "frames as columns are not split"
            raise BusbenchError(f"--split: {what}", hint="name a file of another format")
        path = Path(output)
        for number, info, logs in split(capture, every_s=cut.split_s):
            piece = str(path.with_stem(f"{path.stem}-{number:03d}"))
            yield piece, _write(piece, info, logs, line, force=force, progress=progress)
        _note_left_out(capture.info, capture.info, path)
        return
    whole = capture.info
    start_s, end_s = cut.from_s, cut.to_s
    if cut.around is not None:
        start_s, end_s = _span_around(capture, *cut.around, line=line)
    if start_s is not None or end_s is not None:
        capture = Extract(capture, start_s=start_s or 0.0, end_s=inf if end_s is None else end_s)
    if is_table:
        from busbench.capture.parquet import write_parquet

        yield output, pluralize(write_parquet(output, capture, line=line, force=force), "frame")
    else:
        yield output, _write(output, capture.info, capture.blocks(), line, force=force, progress=progress)
    _note_left_out(capture.info, whole, Path(output))


def _note_left_out(part: CaptureInfo, whole: CaptureInfo, output: Path) -> None:
    """Note in the whole what a part left out, if the written format has times, but no comments to keep it."""
    suffix, frames = output.suffix.lower(), sum(one.frames for one in part.left_out)
    made = format_of(suffix)
    if frames and (suffix == ".parquet" or (made is not None and made.needs_clock)):
        kept = f"{suffix} shows them as missing; .pcapng keeps their number"
        whole.notes.append(f"left out when recorded, since on time: {pluralize(frames, 'frame')}: {kept}")


def _write(
    output: str,
    info: CaptureInfo,
    logs: Iterable[ByteLog],
    line: LineSettings,
    *,
    force: bool,
    progress: Callable[[int], object],
) -> str:
    total = 0
    with open_writer(output, info, line=line, force=force) as writer:
        for log in logs:
            writer.write_log(log)
            total += len(log)
            progress(total)
    return pluralize(total, "byte")


def _span_around(capture: Capture, number: int, seconds: float, *, line: LineSettings) -> tuple[float, float]:
    events = read_timeline(capture, line=line).outages().events
    if number > len(events):
        what = f"--around: there is no outage {number}"
        raise BusbenchError(what, hint=f"{capture.info.path} has {pluralize(len(events), 'outage')}")
    event = events[number - 1]
    if event.start_s is None or event.end_s is None:
        raise BusbenchError(f"--around: {capture.info.path} has no times", hint="record with times, as to .pcapng")
    return max(0.0, event.start_s - seconds), max(event.start_s, event.end_s) + seconds


def write_part(
    capture: Capture,
    path: str,
    *,
    bytes_: tuple[int, int],
    times: tuple[int, int],
    line: LineSettings,
    marks: Iterable[Annotation],
    check: Callable[[], None],
) -> None:
    """Write a part of a recording to a new pcapng file, with annotations.

    Args:
        bytes_: offset of the first byte, and of the byte after the last.
        times: time in ns of the first and the last annotation to include, and of what was left out.
        check: called now and then; if it raises, writing ends and no file is left.

    Raises:
        OutputError: the file exists, or cannot be written.
    """
    (lo, hi), (first_ns, last_ns), info = bytes_, times, capture.info
    part = info.for_part()
    with open_writer(path, part, line=line) as writer:
        for log in capture.blocks():
            check()
            if log.offset >= hi:
                break
            if log.end > lo:
                writer.write_log(cut_log(log, lo, hi))
        if info.clock.is_known:
            part.marks.extend(one for one in marks if first_ns <= one.t_ns <= last_ns)
        part.wakes.extend(one for one in info.wakes if first_ns <= one.t_ns <= last_ns + 10**9)
        part.left_out.extend(one for one in info.left_out if first_ns <= one.t_ns <= last_ns)
        part.totals.extend(one for one in info.totals if first_ns <= one.t_ns <= last_ns)


def write_frames(program: Program, blocks: Iterable[FrameBlock], *, to: str, force: bool) -> tuple[int, int]:
    """Write all frames of a program to a file by its suffix, or to standard output ("-": raw bytes).

    Each frame is one read, at the end time of its last character.

    Args:
        to: path or "-".

    Returns:
        Number of frames written, and of frames left out on purpose.

    Raises:
        DriveError: the suffix is not that of a format.
        OutputError: the file exists, or cannot be written.
    """
    if to != "-" and Path(to).suffix.lower() not in written_suffixes():
        raise DriveError(
            f"--to: {to} is neither a port nor a file of a known kind",
            hint=f"give a port, virtual:, - or a name that ends in {', '.join(written_suffixes())}",
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


def write_outputs(
    program: Program, blocks: Iterable[FrameBlock], *, to: str, outputs: tuple[int | str, ...], force: bool
) -> int:
    """Write a program as the levels of a virtual receiver's lines: the bus and its pulse outputs.

    Args:
        to: a .vcd or .csv file.
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
