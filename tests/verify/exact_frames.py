"""Frames as tables of literal values and times, for checks of functions that find and judge them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from busbench.analysis.recording import Recording
from busbench.capture.base import CaptureInfo
from busbench.capture.frames import Span
from busbench.model import I64, MARKED, NO_CLOCK, U8, Annotation, Clock, ClockKind, Rejects
from busbench.rig.model import Rig
from busbench.verify.control_moves import Also, ControlMove, Rows
from busbench.verify.inputs import ChannelPlan, VerifyInputs, channel_plans
from busbench.verify.phases import Phase, Phases
from busbench.verify.windows import Window
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import CHANNELS, FRAME_BYTES
from busbench.wire.table import FrameTable
from tests.rig.rigs import device, rig

STEP_S = 1 / 64  # as a binary fraction, so that sums of times are exact
ANALYSER = Clock(ClockKind.PER_BYTE, 1)
COUNT = 640  # frames of 10 s
LOW, NEUTRAL, HIGH = 173, 992, 1811  # counts of -100, 0 and 100 %
RESTS = (NEUTRAL, NEUTRAL, LOW, *(NEUTRAL,) * 4, LOW, *(NEUTRAL,) * 8, LOW, LOW)

# Two sticks of one gimbal, a lever that rests low, a motor and a switch.
PLAN = rig(
    device("aileron", 1, 'control = "a"', 'gimbal = "right"'),
    device("elevator", 2, 'control = "e"', 'gimbal = "right"'),
    device("flap", 3, 'control = "f"', "rest_pct = -100"),
    device("fan", 8, 'control = "m"', 'motor = "electric"', failsafe="-100"),
    device("release", 17, 'control = "s"'),
)


def limited(plan: Rig = PLAN, **limits: float) -> Rig:
    """A plan with other limits."""
    return msgspec.structs.replace(plan, limits=msgspec.structs.replace(plan.limits, **limits))


def held(level: float, *parts: tuple[int, int, float], count: int) -> list[float]:
    """A channel at a level, but for parts: first row, the row after the last, level."""
    values = [level] * count
    for first, stop, other in parts:
        values[first:stop] = [other] * (stop - first)
    return values


def inputs(
    levels: Mapping[int, Sequence[float]],
    *,
    plan: Rig = PLAN,
    t_s: Sequence[float] | None = None,
    flags: Mapping[int, int] | None = None,
    damaged: Sequence[int] = (),
    marks: Sequence[tuple[float, str]] = (),
    has_clock: bool = True,
) -> VerifyInputs:
    """Frames of which some channels, 1-18, are given, STEP_S apart or at times; the others stay where they rest.

    Args:
        flags: of some rows.
        damaged: rows with a byte that the line marked.
    """
    count = len(next(iter(levels.values())))
    counts = np.full((count, CHANNELS), NEUTRAL)
    counts[:, 2:3], counts[:, 7:8] = LOW, LOW
    bits = np.zeros(count, np.uint8)
    for channel, values in levels.items():
        if channel > CHANNELS:
            bits |= (np.array(values) > 0).astype(np.uint8) << (channel - CHANNELS - 1)
        else:
            counts[:, channel - 1] = values
    for row, flag in (flags or {}).items():
        bits[row] |= flag
    times = np.arange(count) * STEP_S if t_s is None else np.array(t_s)
    clock = ANALYSER if has_clock else NO_CLOCK
    return recorded(
        counts, bits, np.rint(times * 1e9).astype(np.int64), plan, damaged=damaged, marks=marks, clock=clock
    )


def recorded(
    counts: NDArray[np.integer],
    bits: U8,
    t_ns: I64,
    plan: Rig,
    *,
    damaged: Sequence[int] = (),
    marks: Sequence[tuple[float, str]] = (),
    slack_s: float = 0.0,
    end_ns: int | None = None,
    clock: Clock = ANALYSER,
) -> VerifyInputs:
    """Frames of counts (N, 16) and flags (N,) at times (N,) beside a plan, whose period is STEP_S.

    Args:
        damaged: rows with a byte that the line marked.
        marks: annotations, as times in s and words.
        slack_s: of each time.
        end_ns: of the recording, else the last time.
    """
    count = len(bits)
    line_marks = np.zeros(count, np.uint8)
    line_marks[list(damaged)] = MARKED
    slack_ns, offset = np.full(count, round(slack_s * 1e9), np.int32), np.arange(count, dtype=np.int64) * FRAME_BYTES
    table = FrameTable(t_ns, slack_ns, offset, pack_frames(counts, bits), line_marks)
    last_ns = end_ns if end_ns is not None else int(t_ns[-1]) if count else 0
    span = Span(table.raw.size) if clock is NO_CLOCK else Span(table.raw.size, 0, last_ns)
    info = CaptureInfo("it", "test", clock, marks=[Annotation(round(at * 1e9), text) for at, text in marks])
    return VerifyInputs(Recording(info, span, table, Rejects.empty()), plan, STEP_S * 1e9)


def plans(plan: Rig = PLAN) -> dict[int, ChannelPlan]:
    """The channels of a plan by number."""
    return {mapped.channel: mapped for mapped in channel_plans(plan)}


def phases(
    parts: Mapping[Rows, Phase] = {},
    *,
    count: int = COUNT,
    repeated: Sequence[Rows] = (),
    windows: Sequence[Window] = (),
    moves: Sequence[ControlMove] = (),
    runs: Mapping[str, Sequence[Rows]] = {},
    unknown: Mapping[str, Sequence[Rows]] = {},
    rests: Mapping[int, int] = {},
) -> Phases:
    """Phases of frames, all at rest but for parts; nothing moved but what is given."""
    of_frame, is_repeated = np.zeros(count, np.uint8), np.zeros(count, np.bool_)
    for rows, phase in parts.items():
        of_frame[slice(*rows)] = phase
    for rows in repeated:
        is_repeated[slice(*rows)] = True
    found = tuple(rests.get(index + 1, rest) for index, rest in enumerate(RESTS))
    every = {name: runs.get(name, ()) for name in "aefms"}
    turns = {turn.control: turn for turn in moves}
    return Phases(of_frame, is_repeated, tuple(windows), found, turns, every, unknown, None, None, None)


def move(control: str, first: int, stop: int, *also: Also, is_marked: bool = False) -> ControlMove:
    """A move of a control."""
    return ControlMove(control, first, stop, also, is_marked)


def step(word: str, first: int, done: int, stop: int | None = None) -> Window:
    """An annotated step, by rows; without a pause after it if none is given."""
    return Window(word, first * STEP_S, first, done, done if stop is None else stop, is_repeated=False)
