"""Recordings whose frames come every 1/64 s, so that their times, and the sums of them, are exact in binary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from busbench.model import Clock
from busbench.rig.load import parse_rig
from busbench.rig.model import Rig
from busbench.verify.inputs import VerifyInputs, channel_plans
from busbench.verify.result import Check
from busbench.verify.verify import Verification, verify_controls
from busbench.wire.frame_spec import CHANNELS, FLAG_FAILSAFE, FLAG_LOST
from tests.rig.rigs import device
from tests.verify.exact_frames import ANALYSER, STEP_S, recorded
from tests.verify.rounds import RIG

SECOND = round(1 / STEP_S)  # frames
PERIOD_NS = round(STEP_S * 1e9)
FLAGS = {"good": 0, "lost": FLAG_LOST, "failsafe": FLAG_LOST | FLAG_FAILSAFE, "flag": FLAG_FAILSAFE}
Part = tuple[str, int]  # good, lost, failsafe, or silent, for so many frames
Level = tuple[int, float, int, int]  # channel 1-18, counts (on/off channels 0 or 1), first row, row after the last


def exact(
    *parts: Part,
    levels: Sequence[Level] = (),
    damaged: Sequence[int] = (),
    marks: Sequence[tuple[float, str]] = (),
    at_s: Sequence[float] | None = None,
    slack_s: float = 0.0,
    end_s: float | None = None,
    clock: Clock = ANALYSER,
    rig: Rig = RIG,
) -> VerifyInputs:
    """Frames of a plan with all channels at rest, but for levels in some rows; a frame at each 1/64 s or `at_s`."""
    flags: list[int] = []
    slots: list[int] = []
    slot = 0
    for kind, lasts in parts:
        if kind in FLAGS:
            flags += [FLAGS[kind]] * lasts
            slots += range(slot, slot + lasts)
        slot += lasts
    counts = np.full((len(flags), CHANNELS), 992, np.uint16)
    bits = np.array(flags, np.uint8)
    rests = [(one.channel, one.rest_counts, 0, len(flags)) for one in channel_plans(rig) if not one.is_on_off]
    for channel, level, first, stop in (*rests, *levels):
        if channel > CHANNELS:
            bits[first:stop] |= (1 << (channel - CHANNELS - 1)) if level else 0
        else:
            counts[first:stop, channel - 1] = level
    t_ns = np.array(slots, np.int64) * PERIOD_NS if at_s is None else np.rint(np.array(at_s) * 1e9).astype(np.int64)
    end_ns = slot * PERIOD_NS if end_s is None else round(end_s * 1e9)
    return recorded(
        counts, bits, t_ns, rig, damaged=damaged, marks=marks, slack_s=slack_s, end_ns=end_ns, clock=clock
    )  # fmt: skip


PLAN = parse_rig(
    '[rig]\nname = "exact"\nperiod_ms = 15.625\n[supply]\nvoltage_v = 6\n'
    + device("fin", 1, 'control = "stick"', failsafe="0")
    + device("gear", 2, 'control = "switch"', "rest_pct = -100", failsafe='"hold"')
    + device("prop", 3, 'control = "slider"', 'motor = "electric"', "rest_pct = -100", failsafe="-100")
)
FIN, GEAR, PROP = 1, 2, 3
# All are held away from 3 s on; the last good frame is at 255/64 s; without link until 6.5 s; let go at 8.5 s.
HELD, OFF, FAILSAFE, BACK, LET_GO, END = 192, 256, 288, 416, 544, 672
STEPS = (("controls held away", 3.0), ("transmitter off", 4.0), ("transmitter on", 6.5), ("controls let go", 8.5))
SEQUENCE: tuple[Part, ...] = (("good", OFF), ("lost", 32), ("failsafe", 128), ("good", 256))
LEVELS: tuple[Level, ...] = (
    (FIN, 1402, HELD, FAILSAFE), (FIN, 1402, BACK, LET_GO), (GEAR, 1811, HELD, LET_GO), (PROP, 1402, HELD, FAILSAFE),
)  # fmt: skip


def found_in(
    *levels: Level,
    parts: Sequence[Part] = SEQUENCE,
    steps: Mapping[str, float | None] | None = None,
    more_steps: Sequence[tuple[str, float]] = (),
    damaged: Sequence[int] = (),
    rig: Rig = PLAN,
    **limits: float,
) -> Verification:
    """A test sequence as it was verified, with other levels, limits, and times of annotations (s; None: without)."""
    planned = msgspec.structs.replace(rig, limits=msgspec.structs.replace(rig.limits, **limits))
    marks = [(at_s, text) for text, at_s in (dict(STEPS) | dict(steps or {})).items() if at_s is not None]
    marks += [(at_s, text) for text, at_s in more_steps]
    end_s = (sum(frames for _, frames in parts) - 1) / SECOND
    inputs = exact(*parts, levels=(*LEVELS, *levels), damaged=damaged, marks=marks, end_s=end_s, rig=planned)
    return verify_controls(inputs.recording, planned, period_ns=float(PERIOD_NS), findings=())


def judged(
    *levels: Level,
    parts: Sequence[Part] = SEQUENCE,
    steps: Mapping[str, float | None] | None = None,
    more_steps: Sequence[tuple[str, float]] = (),
    damaged: Sequence[int] = (),
    rig: Rig = PLAN,
    **limits: float,
) -> dict[tuple[int | None, str], Check]:
    """Its checks by channel and name."""
    found = found_in(*levels, parts=parts, steps=steps, more_steps=more_steps, damaged=damaged, rig=rig, **limits)
    return {(check.channel, check.name): check for check in found.checks}
