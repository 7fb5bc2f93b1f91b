"""Send a recording again: single channels in a program, or all of it with timing, gaps and flags."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import numpy as np

from busbench.analysis.period import number_frames
from busbench.capture.open import open_capture
from busbench.drive.part_parser import ReplaySource
from busbench.drive.program import FRAME_PERIOD_S, FRAME_PERIODS_S, PROGRAM_MAX_S, Program
from busbench.drive.program_file import OptionReader, build_program
from busbench.errors import CaptureError, DriveError, pluralize, quote_value
from busbench.model import I64, U8, Bools, FrameTimes, remove_clock_steps
from busbench.wire.frame_spec import ALL_CHANNELS, END_BYTES, END_PLAIN, END_SLOTS, FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.framing import find_in_blocks
from busbench.wire.scale import Scale
from busbench.wire.table import FrameTable

Note = Callable[[str], object]
REPLAY_KEYS = ("start", "duration", "frame_period", "end_byte", "unit", "travel", "rate")
"""Options that go with a whole recording."""


def load_recording(path: str, *, note: Note = lambda _: None) -> ReplaySource:
    """Read all undamaged frames of a recording.

    Args:
        path: a recording of any format that is read.
        note: called with each assumption.

    Raises:
        CaptureError: it cannot be read, or holds no frames.
    """
    table, has_clock = _read(path, note)
    good = ~table.suspect
    levels = table[good].all_channels().T.astype(np.float64)
    if not has_clock:
        return ReplaySource(np.arange(len(levels), dtype=np.float64) * FRAME_PERIOD_S, levels)
    stamps = table.t_ns[good]
    t_ns = remove_clock_steps(stamps)
    if t_ns[-1] != stamps[-1]:
        note(f"{path}: its clock goes back; what comes after that follows on")
    return ReplaySource(np.maximum.accumulate(t_ns - t_ns[0]) * 1e-9, levels)


def recorded_program(path: str, options: Mapping[str, object], *, scale: Scale, note: Note = lambda _: None) -> Program:
    """Make a program that sends a recording unchanged: all channels, frame period, gaps, flags and end bytes.

    Each frame is sent in the slot of its number, so that the jitter of reads is not sent. Damaged frames are
    left out, as gaps.

    Args:
        path: a recording of any format that is read.
        options: the given ones of REPLAY_KEYS.
        scale: conversion of counts to microseconds, for people.
        note: called with each assumption or difference.

    Returns:
        The program, to be locked before it is sent; it lasts from the first frame to the last.

    Raises:
        CaptureError: it cannot be read, or holds no frames.
        DriveError: an option is invalid.
    """
    table, has_clock = _read(path, note)
    good = ~table.suspect
    slot, period_s = _slots(path, table.times(), note) if has_clock else (np.arange(len(table)), FRAME_PERIOD_S)
    slot, levels = slot[good] - slot[good][0], table[good].all_channels().T.astype(np.float64)
    flags, ends = table.flags[good], table.end[good]
    top: dict[str, object] = {key: options[key] for key in ("unit", "end_byte") if key in options}
    top["frame_period"] = period_s = _seconds(options, "frame_period", period_s, FRAME_PERIODS_S)
    length_s = float(slot[-1] + 1) * period_s
    start_s = _seconds(options, "start", 0.0, (0.0, length_s))
    seconds = _seconds(options, "duration", length_s - start_s, (0.0, PROGRAM_MAX_S))
    kept = (slot * period_s >= start_s - 1e-9) & (slot * period_s < start_s + seconds - 1e-9)
    if not kept.any():
        raise DriveError(f"{path}: no frame in these seconds", hint=f"it lasts {length_s:g} s")
    slot, levels, flags, ends = slot[kept] - slot[kept][0], levels[kept], flags[kept], ends[kept]
    if "end_byte" not in options:
        top["end_byte"] = _end_byte(path, ends, note)
    if left_out := len(table) - int(good.sum()):
        note(f"{path}: left out {pluralize(left_out, 'damaged frame')}")
    limits = {key: options[key] for key in ("rate",) if key in options}
    if isinstance(travel := options.get("travel"), tuple):
        limits |= dict(zip(("low", "high"), travel, strict=True))
    source = ReplaySource(slot * period_s, levels)
    channels = list(range(1, ALL_CHANNELS + 1))
    seconds = float(slot[-1] + 1) * period_s
    part = {"channel": channels, "shape": "replay", "recording": path, "duration": seconds}
    faults = [
        {"kind": kind, "start": first * period_s, "duration": (stop - first) * period_s}
        for kind, spans in (
            ("gap", _gaps(slot)),
            ("lost", _runs(slot, flags & FLAG_LOST > 0)),
            ("failsafe", _runs(slot, flags & FLAG_FAILSAFE > 0)),
        )
        for first, stop in spans
    ]
    reader = OptionReader({**top, "limits": limits, "fault": faults, "part": [part]})
    return build_program(reader, name=Path(path).name, load=lambda _: source, scale=scale)


def _seconds(options: Mapping[str, object], key: str, usual: float, bounds: tuple[float, float]) -> float:
    value = options.get(key, usual)
    low, high = bounds
    if not isinstance(value, int | float) or not low <= value <= high:
        hint = f"give {low:g} to {high:.4g} s"
        raise DriveError(f"--{key.replace('_', '-')}: {quote_value(value)} is out of range", hint=hint)
    return float(value)


def _read(path: str, note: Note) -> tuple[FrameTable, bool]:
    """All frames, and whether they have times (raises CaptureError: no frame can be read, or all are damaged)."""
    with open_capture(path) as capture:
        clock = capture.info.clock
        table = FrameTable.concat(found.frames for found in find_in_blocks(capture.blocks(), clock=clock))
    if table.suspect.all():
        raise CaptureError(path, "holds no frames to replay", hint="`busbench probe` reports what is on the line")
    if not clock.is_known:
        note(f"{path}: has no times; its frames are taken to come every {FRAME_PERIOD_S * 1e3:g} ms")
    return table, clock.is_known


def _slots(path: str, times: FrameTimes, note: Note) -> tuple[I64, float]:
    """The number of each frame on its period, from 0, and the period in s."""
    numbers = number_frames(times)
    rows = np.arange(len(times))
    if numbers is None:
        note(f"{path}: no period was found; its frames are sent every {FRAME_PERIOD_S * 1e3:g} ms")
        return rows, FRAME_PERIOD_S
    if not numbers.is_clear:
        note(f"{path}: late and lost frames look alike; gaps are sent where they may have been")
    before = np.concatenate([[0], np.cumsum(numbers.missing.count)])
    return rows + before[np.searchsorted(numbers.missing.row, rows, "right")], numbers.period_ns / 1e9


def _end_byte(path: str, ends: U8, note: Note) -> int | str:
    """The end byte, or "slots"; the most frequent one if they are mixed."""
    found, counts = np.unique(ends, return_counts=True)
    known = [(int(count), int(end)) for end, count in zip(found.tolist(), counts.tolist(), strict=True)]
    if len(known) == len(END_SLOTS) and {end for _, end in known} == set(END_SLOTS):
        return "slots"
    end = max((one for one in known if one[1] in END_BYTES), default=(0, END_PLAIN))[1]
    if len(known) > 1:
        note(f"{path}: its end bytes differ; all frames are sent with 0x{end:02X}")
    return end


def _gaps(slot: I64) -> Iterator[tuple[int, int]]:
    """Slots [first, stop) without a frame."""
    for row in np.flatnonzero(np.diff(slot) > 1).tolist():
        yield int(slot[row]) + 1, int(slot[row + 1])


def _runs(slot: I64, is_set: Bools) -> Iterator[tuple[int, int]]:
    """Slots [first, stop) of consecutive frames for which a condition is true."""
    edges = np.flatnonzero(np.diff(is_set.astype(np.int8), prepend=0, append=0))
    for first, stop in edges.reshape(-1, 2).tolist():
        yield int(slot[first]), int(slot[stop - 1]) + 1
