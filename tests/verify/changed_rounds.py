"""Rounds of the Heron changed at given times, and what the checks say of them where it differs from a good round."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import heron
import msgspec
import numpy as np

from busbench.analysis.recording import Recording
from busbench.model import MARKED, NO_CLOCK, ByteLog
from busbench.rig.model import Rig
from busbench.verify.moments import channel_of, moment_of
from busbench.verify.phases import Phase
from busbench.verify.procedure import round_of as steps_of
from busbench.verify.repeats import find_repeats
from busbench.verify.result import Verdict
from busbench.verify.verify import Verification, verify, verify_controls
from busbench.wire.frame_spec import CHANNELS, COUNTS_MAX
from tests.verify.rounds import RIG, recorded

PERIOD_S = 0.015
STEPS = ("rudder stick", "controls let go", "transmitter on after the receiver")


_flown = cache(heron.fly_round)


class Changed:
    """A round that is changed at times in seconds from its start; channels are 1-18, those above 16 on or off."""

    def __init__(self, rig: Rig) -> None:
        flown = _flown(msgspec.structs.replace(RIG, devices=rig.devices))
        self.t_ns, self.counts, self.flags = flown.t_ns.copy(), flown.counts.copy(), flown.flags.copy()
        self.is_sent, self.is_damaged = flown.is_sent.copy(), np.zeros(flown.t_ns.size, np.bool_)
        self.marks = list(flown.marks)
        self.has_clock = True

    def rows(self, first_s: float, stop_s: float | None) -> slice:
        """The frames from one time to another; without the other one frame."""
        first = round(first_s / PERIOD_S)
        return slice(first, first + 1 if stop_s is None else round(stop_s / PERIOD_S))

    def recording(self, rig: Rig, *, has_marks: bool) -> Recording:
        """What an adapter read of it."""
        flown = heron.Round(self.t_ns, self.counts, self.flags, self.is_sent, ())
        log = heron.read_by_adapter(rig, flown)
        if self.is_damaged.any():
            damaged = np.zeros(len(log), np.uint8)
            step = 2 if rig.plan.sensor_slots else 1
            ends = log.mark_end[::step]
            damaged[ends[self.is_damaged[self.is_sent]] - 13] = MARKED
            log = ByteLog(log.offset, log.data, log.mark_end, log.mark_t_ns, damaged)
        if not self.has_clock:
            return recorded(ByteLog.from_bytes(log.data.tobytes()), clock=NO_CLOCK)
        return recorded(log, marks=sorted(self.marks) if has_marks else ())


Change = Callable[[Changed], None]


def put(channel: int, level: float, first_s: float, stop_s: float | None = None) -> Change:
    """A channel at a level."""

    def change(it: Changed) -> None:
        rows = it.rows(first_s, stop_s)
        if channel > CHANNELS:
            bit = 1 << (channel - CHANNELS - 1)
            it.flags[rows] = it.flags[rows] & (0xFF ^ bit) | (bit if level else 0)
        else:
            it.counts[rows, channel - 1] = level

    return change


def add(channel: int, by: int, first_s: float = 0.0, stop_s: float | None = 1000.0) -> Change:
    """A channel beside where it was."""

    def change(it: Changed) -> None:
        rows = it.rows(first_s, stop_s)
        it.counts[rows, channel - 1] = np.clip(it.counts[rows, channel - 1].astype(np.int64) + by, 0, COUNTS_MAX)

    return change


def shake(channel: int, by: int, first_s: float, stop_s: float) -> Change:
    """A channel that goes to and fro about where it was."""

    def change(it: Changed) -> None:
        rows = it.rows(first_s, stop_s)
        sign = 1 - 2 * (np.arange(rows.start, rows.stop) % 2)
        it.counts[rows, channel - 1] = it.counts[rows, channel - 1].astype(np.int64) + by * sign

    return change


def stay(channels: Sequence[int], first_s: float, stop_s: float = 1000.0) -> Change:
    """Channels that stay where they were."""

    def change(it: Changed) -> None:
        rows = it.rows(first_s, stop_s)
        for channel in channels:
            if channel > CHANNELS:
                bit = 1 << (channel - CHANNELS - 1)
                it.flags[rows] = it.flags[rows] & (0xFF ^ bit) | it.flags[rows.start] & bit
            else:
                it.counts[rows, channel - 1] = it.counts[rows.start, channel - 1]

    return change


def turn(channel: int, at_s: float, level: float, back_s: float, *, via_s: float = 0.4) -> Change:
    """A channel that goes from where it is to a level, and back at a time, each way in a while."""

    def change(it: Changed) -> None:
        t_s = np.arange(it.t_ns.size) * PERIOD_S
        rows = slice(round(at_s / PERIOD_S), round((back_s + via_s) / PERIOD_S))
        rest = float(it.counts[rows.start, channel - 1])
        share = np.clip((t_s[rows] - at_s) / via_s, 0, 1) - np.clip((t_s[rows] - back_s) / via_s, 0, 1)
        it.counts[rows, channel - 1] = np.rint(rest + (level - rest) * share)

    return change


def flag(flags: int, first_s: float, stop_s: float | None = None) -> Change:
    """Flags set."""

    def change(it: Changed) -> None:
        it.flags[it.rows(first_s, stop_s)] |= flags

    return change


def unflag(flags: int, first_s: float, stop_s: float | None = None) -> Change:
    """Flags cleared."""

    def change(it: Changed) -> None:
        it.flags[it.rows(first_s, stop_s)] &= 0xFF ^ flags

    return change


def damage(first_s: float, stop_s: float | None = None) -> Change:
    """A byte of each frame marked by the line."""

    def change(it: Changed) -> None:
        it.is_damaged[it.rows(first_s, stop_s)] = True

    return change


def silent(first_s: float, stop_s: float | None = None) -> Change:
    """No frames."""

    def change(it: Changed) -> None:
        it.is_sent[it.rows(first_s, stop_s)] = False

    return change


def note(text: str, at_s: float) -> Change:
    """One annotation more."""
    return lambda it: it.marks.append((round(at_s * 1e9), text))


def unnote(*texts: str) -> Change:
    """Annotations left out."""

    def change(it: Changed) -> None:
        it.marks = [mark for mark in it.marks if mark[1] not in texts]

    return change


def shift_note(text: str, by_s: float) -> Change:
    """An annotation that came later."""

    def change(it: Changed) -> None:
        it.marks = [(t_ns + round(by_s * 1e9) * (one == text), one) for t_ns, one in it.marks]

    return change


def splice(*spans: tuple[float, float]) -> Change:
    """Parts of the round one after another, with their annotations."""

    def change(it: Changed) -> None:
        parts = [it.rows(*span) for span in spans]
        marks, at = [], 0
        for part in parts:
            first_ns, stop_ns, now_ns = (round(row * PERIOD_S * 1e9) for row in (part.start, part.stop, at))
            marks += [(t_ns - first_ns + now_ns, text) for t_ns, text in it.marks if first_ns <= t_ns < stop_ns]
            at += len(range(*part.indices(it.t_ns.size)))
        rows = np.concatenate([np.arange(it.t_ns.size)[part] for part in parts])
        nominal = np.rint(np.arange(it.t_ns.size) * PERIOD_S * 1e9).astype(np.int64)
        jitter_ns = it.t_ns - nominal
        it.t_ns = np.rint(np.arange(rows.size) * PERIOD_S * 1e9).astype(np.int64) + jitter_ns[rows]
        it.counts, it.flags = it.counts[rows], it.flags[rows]
        it.is_sent, it.is_damaged = it.is_sent[rows], it.is_damaged[rows]
        it.marks = marks

    return change


def set_back(at_s: float, by_s: float) -> Change:
    """A clock that is set back."""

    def change(it: Changed) -> None:
        it.t_ns[it.rows(at_s, 1000.0)] -= round(by_s * 1e9)

    return change


def clockless(it: Changed) -> None:
    """Bytes alone."""
    it.has_clock = False


@dataclass(frozen=True)
class Case:
    """A round with changes, checked against a plan."""

    title: str
    changes: tuple[Change, ...]
    rig: Rig = RIG
    has_marks: bool = True
    base: tuple[Change, ...] = ()  # of the round that it is held beside
    beside: Rig = RIG  # the plan of that
    has_line: bool = True  # whether the line is judged too, which takes as long as all else

    @property
    def heading(self) -> str:
        """The title in the file of verdicts."""
        return f"{self.title}{', annotated' if self.has_marks else ''}"

    def found(self) -> Verification:
        """All checks of it."""
        return _found((*self.base, *self.changes), self.rig, has_marks=self.has_marks, has_line=self.has_line)

    def text(self) -> str:
        """The phases, the checks that are not as in the round beside it, and the steps to repeat."""
        found = self.found()
        good, phases = _beside(self.base, self.beside, has_marks=self.has_marks, has_line=self.has_line)
        lines: dict[str, list[str]] = {}
        for subject, line in _check_lines(found):
            if (subject, line) not in good:
                lines.setdefault(line, []).append(subject)
        checks = [f"{verdict} | {', '.join(subjects)} | {rest}" for line, subjects in lines.items()
                  for verdict, rest in [line.split(" | ", 1)]]  # fmt: skip
        said = [*checks, *_repeat_lines(found, self.rig)]
        if (own := _phases(found)) != phases:
            said.insert(0, own)
        if found.unplanned_words:
            said.append(found.unplanned_words)
        return "".join(f"{line}\n" for line in said)


def _found(changes: Sequence[Change], rig: Rig, *, has_marks: bool, has_line: bool) -> Verification:
    it = Changed(rig)
    for change in changes:
        change(it)
    recording = it.recording(rig, has_marks=has_marks)
    return verify(recording, rig) if has_line else verify_controls(recording, rig)


@cache
def _beside(
    base: tuple[Change, ...], rig: Rig, *, has_marks: bool, has_line: bool
) -> tuple[frozenset[tuple[str, str]], str]:
    """The checks and phases of the round that others are held beside."""
    found = _found(base, rig, has_marks=has_marks, has_line=has_line)
    return frozenset(_check_lines(found)), _phases(found)


def _check_lines(found: Verification) -> list[tuple[str, str]]:
    """Subject of each check, and verdict, name, figures, moment and sentence."""
    lines = []
    for one in found.checks:
        figures = " ".join(
            "-" if value is None else f"{value:.5g}" for value in (one.measured, one.expected, one.limit, one.margin)
        )
        subject = f"ch{one.channel}" if one.channel else one.subject
        seen = channel_of(one, found)
        shown_by = "" if seen == one.channel else f" ch{seen}"
        moment = moment_of(one, found)
        at = "-" if moment is None else str(moment)
        if one.verdict is Verdict.PASS and (one.name == "jitter" or one.sentence.startswith("0.00 counts rms")):
            continue  # a sentence that changes with every round, and is held elsewhere
        words = f"{one.part}: {one.name} | {figures} {one.unit} | {at}{shown_by} | {one.sentence}"
        lines.append((subject, f"{one.verdict} | {words}"))
    return lines


def _phases(found: Verification) -> str:
    """The first frame of each phase."""
    if found.phases is None:
        return "no phases"
    of_frame = found.phases.of_frame
    begins = [0, *(np.flatnonzero(np.diff(of_frame)) + 1).tolist()]
    return "; ".join(f"{begin} {Phase(int(of_frame[begin])).words}" for begin in begins)


def _repeat_lines(found: Verification, rig: Rig) -> list[str]:
    """What a guided check would say at the end of some steps, if each were the last one."""
    lines: dict[str, list[str]] = {}
    for step in steps_of(rig):
        for repeat in find_repeats(found, step) if step.mark in STEPS else ():
            short = ": ".join(repeat.message.split(": ")[:3])  # the check says the rest
            lines.setdefault(short, []).append(step.mark)
    return [f"{message} [{', '.join(at) if len(at) < len(STEPS) else 'each step'}]" for message, at in lines.items()]
