"""Rounds of the Heron as recordings in memory."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import heron

from busbench.analysis.recording import Recording
from busbench.capture.base import CaptureInfo
from busbench.capture.frames import Span
from busbench.model import NO_CLOCK, Annotation, ByteLog, Clock
from busbench.rig.load import read_rig
from busbench.rig.model import Rig
from busbench.verify.result import Verdict
from busbench.verify.verify import Verification
from busbench.wire.framing import find_frames

RIG = read_rig(heron.RIG)


def recorded(log: ByteLog, *, clock: Clock = heron.PER_READ, marks: Sequence[tuple[int, str]] = ()) -> Recording:
    """A log as a whole recording."""
    found = find_frames(log, clock=clock)
    first, last = (int(log.mark_t_ns[0]), int(log.mark_t_ns[-1])) if log.mark_t_ns.size else (None, None)
    info = CaptureInfo("round", "test", clock, marks=[Annotation(t, text) for t, text in marks])
    return Recording(info, Span(len(log), first, last, list(found.ambiguous)), found.frames, found.rejects)


def round_of(*faults: heron.Fault, rig: Rig = RIG, has_marks: bool = False, without: Collection[str] = ()) -> Recording:
    """One round with faults; with marks, but for those left out."""
    flown = heron.fly_round(rig, faults=faults)
    marks = [mark for mark in flown.marks if mark[1] not in without] if has_marks else []
    return recorded(heron.read_by_adapter(rig, flown), marks=marks)


def without_times(recording_bytes: bytes) -> Recording:
    """Bytes alone."""
    return recorded(ByteLog.from_bytes(recording_bytes), clock=NO_CLOCK)


def not_passed(found: Verification) -> dict[tuple[str, str], Verdict]:
    """Every check that did not pass, by subject and name."""
    return {(c.subject, c.name): c.verdict for c in found.checks if c.verdict is not Verdict.PASS}
