"""Draw and describe a program before anything is sent."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from busbench.drive.dry_run import STRETCH_FRAMES, STRETCHES, DryRun
from busbench.drive.frame_generator import EndState
from busbench.drive.program import FrameFault, Program
from busbench.errors import pluralize
from busbench.model import I64
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS

FAULTS_SHOWN = 40
ROWS, COLUMNS = 5, 64
_BRAILLE = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # Unicode block 2800, dots by row and column
_ENDS = {
    EndState.REST: "ramp to the rest values, then silence",
    EndState.HOLD: "hold the last values",
    EndState.SILENCE: "silence at once",
}
_FAULTS = {"lost": "frame-lost flag", "failsafe": "failsafe flag", "gap": "no frames"}


def preview_lines(program: Program, seen: DryRun, *, end: EndState, is_ascii: bool) -> Iterator[str]:
    """The drawing and the list, line by line."""
    frames = pluralize(seen.frames, "frame")
    yield f"{program.name}: {frames} in {seen.duration_s:.3f} s, one every {program.period_s * 1e3:g} ms"
    if seen.looked_at < seen.frames:
        stretch_s = STRETCH_FRAMES * program.period_s
        yield (
            f"looked at {seen.looked_at:,} of them, {STRETCHES} stretches of {stretch_s:.3g} s:"
            " ends and speeds below are limits that none of the others passes"
        )
    yield scale_line(program, is_ascii=is_ascii)
    for channel in np.nonzero(seen.is_driven)[0].tolist():
        yield ""
        yield from _draw(program, seen, channel, is_ascii=is_ascii)
    yield ""
    yield from list_lines(program, seen, end=end, is_drawn=True)


def scale_line(program: Program, *, is_ascii: bool) -> str:
    """The scale used for % and microseconds."""
    line = f"scale: {program.scale.describe()} (an assumption)"
    return line.replace("µ", "u") if is_ascii else line


def list_lines(program: Program, seen: DryRun, *, end: EndState, is_drawn: bool = False) -> Iterator[str]:
    """What each channel will do, in words; `is_drawn` if the drawing already shows the effect of limits."""
    for channel in np.nonzero(seen.is_driven)[0].tolist():
        yield from _channel_lines(program, seen, channel) if is_drawn else driven_lines(program, seen, channel)
    for channel in range(ALL_CHANNELS):
        if program.limits.is_locked(channel) and not seen.is_driven[channel]:
            yield f"{program.named(channel)}: locked at {_rest(program, channel)}"
    yield from _resting(program, seen)
    ends = " ".join(f"0x{byte:02X}" for byte in program.end_bytes)
    yield f"end byte: {ends}{' in turn' if len(program.end_bytes) > 1 else ''}"
    for fault in program.faults[:FAULTS_SHOWN]:
        yield _fault_line(fault)
    if more := program.faults[FAULTS_SHOWN:]:
        yield f"and {pluralize(len(more), 'fault')} more"
    if late := past_end(program):
        yield f"    {late}"
    yield end_line(end)


def driven_lines(program: Program, seen: DryRun, channel: int) -> Iterator[str]:
    """What one channel (0-17) of the program does, and how often its limits hold it back."""
    yield from _channel_lines(program, seen, channel)
    yield from _held_lines(program, seen, channel)


def end_line(end: EndState) -> str:
    """What comes after the last frame."""
    return f"at the end: {_ENDS[end]}"


def _channel_lines(program: Program, seen: DryRun, channel: int) -> Iterator[str]:
    repeat = f", all of it {program.repeat} times" if program.repeat > 1 else ""
    for part in program.parts:
        if part.channel == channel:
            yield f"{program.named(channel)}: from {part.start_s:g} s: {part.shape.words()}{repeat}"
    if program.limits.is_locked(channel):
        yield f"    LOCKED at {_rest(program, channel)}: it will not move"
        return
    if channel >= CHANNELS:
        return
    low, high = int(seen.least[channel]), int(seen.most[channel])
    yield (
        f"    goes from {_end(program, low, seen.lowest[channel])} to {_end(program, high, seen.highest[channel])} %"
        f" ({low} to {high} counts), at most {seen.fastest[channel]:.0f} counts/s"
    )


def _held_lines(program: Program, seen: DryRun, channel: int) -> Iterator[str]:
    if channel < CHANNELS and not program.limits.is_locked(channel) and (held := int(seen.held_back[channel])):
        frames = pluralize(min(program.slots, seen.looked_at), "frame")
        yield f"    its limits hold it back in {held:,} of {frames}: it will not follow the shape there"


def changed_lines(program: Program, seen: DryRun) -> Iterator[str]:
    """Reports per channel in how many frames travel or rate changed the recorded value."""
    for channel in np.flatnonzero(seen.held_back).tolist():
        if not program.limits.is_locked(channel):
            frames = pluralize(min(program.slots, seen.looked_at), "frame")
            yield f"{program.named(channel)}: its limits change {int(seen.held_back[channel]):,} of {frames}"


def held_still(program: Program) -> Iterator[str]:
    """Reports each channel that the program would move but that is locked at rest."""
    for channel in sorted({part.channel for part in program.parts}):
        if program.limits.is_locked(channel):
            yield f"{program.named(channel)}: locked at {_rest(program, channel)}: it does not move"


def _resting(program: Program, seen: DryRun) -> Iterator[str]:
    """The channels that the program does not name, those at one value in one line."""
    groups: dict[str, list[int]] = {}
    for channel in range(ALL_CHANNELS):
        if not seen.is_driven[channel] and not program.limits.is_locked(channel):
            groups.setdefault(_rest(program, channel), []).append(channel + 1)
    for where, numbers in groups.items():
        yield f"channel{'s' if len(numbers) > 1 else ''} {_spans(numbers)}: at rest, {where}"


def _spans(numbers: Sequence[int]) -> str:
    """For example "2-5, 7"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def _rest(program: Program, channel: int) -> str:
    if channel >= CHANNELS:
        return "on" if program.limits.switches_rest[channel - CHANNELS] else "off"
    rest = program.limits.channels[channel].rest
    return f"{percent(program, rest)} % ({rest} counts)"


def percent(program: Program, counts: float) -> str:
    """Counts on the program's scale, for example "+50.0"; zero has no sign."""
    value = round(float(program.scale.to_percent(counts)), 1)
    return f"{value:+.1f}" if value else "0.0"


def _end(program: Program, level: int, asked: float) -> str:
    """A travel end in percent: the requested one, if it differs only by rounding to counts."""
    return percent(program, asked if abs(asked - level) <= 0.5 + 1e-6 else level)


def past_end(program: Program) -> str:
    """A note if a fault lasts longer than the shapes, which extends the program; else ""."""
    shapes_s = program.round_s * program.repeat
    if program.duration_s <= shapes_s + program.period_s:
        return ""
    return f"a fault goes on past the end of the shapes at {shapes_s:g} s: the program lasts {program.duration_s:g} s"


def _fault_line(fault: FrameFault) -> str:
    what = _FAULTS.get(fault.kind) or f"line noise, {fault.flips:g} of bytes struck, seed {fault.seed}"
    return f"fault: {what} from {fault.start_s:g} s for {fault.duration_s:g} s"


def _draw(program: Program, seen: DryRun, channel: int, *, is_ascii: bool) -> Iterator[str]:
    yield program.named(channel)
    yield from _held_lines(program, seen, channel)
    bottom, top = int(seen.low[:, channel].min()), int(seen.high[:, channel].max())
    rows = 1 if channel >= CHANNELS or bottom == top else ROWS
    fine = channel < CHANNELS and not is_ascii
    low, high = _columns(seen.low[:, channel], seen.high[:, channel], COLUMNS * (2 if fine else 1))
    labels = ["", ""]
    if channel < CHANNELS:
        ends = ((top, seen.highest[channel]), (bottom, seen.lowest[channel]))
        labels = [f"{_end(program, level, asked)} %" for level, asked in ends]
    if channel >= CHANNELS:
        on, off = ("^", "_") if is_ascii else ("▔", "▁")
        drawn = ["".join(off if not h else on if lo else "|" for lo, h in zip(low, high, strict=True))]
        labels = ["on/off", "on/off"]
    else:
        dots = _dots(low, high, bottom, top, rows * (4 if fine else 1))
        drawn = _braille(dots, rows) if fine else ["".join("*" if dot else " " for dot in row) for row in dots]
    edge = "|" if is_ascii else "│"
    for number, line in enumerate(drawn):
        label = labels[0] if number == 0 else labels[1] if number == rows - 1 else ""
        yield f"{label:>9} {edge}{line.rstrip()}"
    right = f"{seen.duration_s:.3g} s"
    yield f"{'':>9} {'+' if is_ascii else '└'}0 s{right:>{max(1, len(low) // (2 if fine else 1) - 3)}}"


def _columns(low: I64, high: I64, most: int) -> tuple[I64, I64]:
    """Merge bins into at most `most` columns."""
    starts = np.unique(np.arange(most) * low.size // most)
    return np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)


def _dots(low: I64, high: I64, bottom: int, top: int, rows: int) -> list[list[bool]]:
    """Rows from the top down; True if a column's span crosses the row."""
    span = max(top - bottom, 1)
    first, last = (np.rint((level - bottom) / span * (rows - 1)).astype(np.int64) for level in (low, high))
    return [[bool(lo <= row <= hi) for lo, hi in zip(first, last, strict=True)] for row in reversed(range(rows))]


def _braille(dots: list[list[bool]], rows: int) -> list[str]:
    lines = []
    for row in range(rows):
        cells = []
        for column in range(0, len(dots[0]), 2):
            cell = 0x2800
            for y in range(4):
                for x in range(2):
                    if column + x < len(dots[0]) and dots[4 * row + y][column + x]:
                        cell |= _BRAILLE[y][x]
            cells.append(chr(cell) if cell != 0x2800 else " ")
        lines.append("".join(cells))
    return lines
