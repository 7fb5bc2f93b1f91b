"""Find when the transmitter was switched off, and how that shows on the bus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.verify.inputs import VerifyInputs
from busbench.verify.windows import AWAY_MARK, OFF_MARK, ON_MARK, POWER_MARK
from busbench.wire.frame_spec import FLAG_FAILSAFE

TEST_S = 1.0  # min duration of a failsafe test
EARLY_S = 1.0  # signs may come this long before the annotation, since people are slow
_JOIN_S = 0.3  # good frames for a shorter time do not part two outages that are each longer
_GAP_PERIODS = 1.5


@dataclass(frozen=True, slots=True)
class LinkLoss:
    """A time without a link.

    Args:
        start_s: time of the last good frame before it.
        end_s: time of the first good frame after it, or the end of the recording.
        first, stop: its rows; none if the bus was silent from start to end.
        failsafe_s: time of the first frame flagged failsafe, or None.
        silent_s: time without frames.
        off_s: when the transmitter was switched off, if annotated.
        on_s: when it was switched on again, if annotated.
        has_begun: True if good frames came before, so that its start was seen.
        has_ended: True if good frames follow.
    """

    start_s: float
    end_s: float
    first: int
    stop: int
    failsafe_s: float | None
    silent_s: float
    off_s: float | None
    on_s: float | None
    has_begun: bool
    has_ended: bool

    @property
    def is_silent(self) -> bool:
        """True if the bus was silent for most of it, and no frame came in failsafe."""
        return self.failsafe_s is None and self.silent_s > 0.5 * (self.end_s - self.start_s)


def find_link_loss(evidence: VerifyInputs) -> LinkLoss | None:
    """Find the time in which the transmitter was off: as annotated, else the longest of TEST_S or more.

    Without annotations, candidates whose start was seen are preferred, then those with failsafe flags.

    Returns:
        The link loss, None without one.
    """
    marks = evidence.marks_s()
    off_s = next((t for t, text in reversed(marks) if text.casefold() == OFF_MARK), None)
    on_s = None
    if off_s is not None:
        if any(t > off_s and text.casefold() == AWAY_MARK for t, text in marks):
            return None  # all of it is repeated
        on_s = next((t for t, text in marks if text.casefold() == ON_MARK and t > off_s), None)
        next_s = next((t for t, text in marks if text.casefold() == POWER_MARK and t > off_s), evidence.end_s)
    steps = [t for t, text in marks if text.casefold() in (OFF_MARK, POWER_MARK)]
    found = _stretches(evidence, steps, off_s, on_s)
    if off_s is not None:
        until_s = next_s if on_s is None else on_s
        inside = [one for one in found if one.start_s < until_s and one.end_s > off_s - EARLY_S]
        if inside:
            return max(inside, key=lambda one: one.end_s - one.start_s)
        first, stop = evidence.row_at(off_s), evidence.row_at(until_s)
        return LinkLoss(off_s, until_s, first, stop, None, 0.0, off_s, on_s, True, on_s is not None)
    long = [one for one in found if one.end_s - one.start_s >= TEST_S]
    return max(long, key=lambda one: (one.has_begun, one.failsafe_s is not None, one.end_s - one.start_s), default=None)


def _stretches(
    evidence: VerifyInputs, steps_s: Sequence[float], off_s: float | None, on_s: float | None
) -> list[LinkLoss]:
    """Runs of flagged frames and silence."""
    t_s, down = evidence.t_s, evidence.is_down
    count = t_s.size
    spans: list[tuple[float, float]] = []  # each from the good frame before to the good frame after
    edges = np.flatnonzero(np.diff(np.concatenate([[False], down, [False]])))
    for first, stop in edges.reshape(-1, 2).tolist():
        before = float(t_s[first - 1]) if first else 0.0
        spans.append((before, float(t_s[stop]) if stop < count else evidence.end_s))
    silences = _silences(evidence)
    spans = sorted([*spans, *silences])
    joined = spans[:1]
    period_s = evidence.period_ns / 1e9
    for start, end in spans[1:]:
        first_s, last_s = joined[-1]
        # Single lost frames are a poor link, not a lost one.
        down_s = min(end - start, last_s - first_s) - period_s
        # Losses before the annotated switching off are separate faults.
        is_own = any(first_s < step_s - EARLY_S <= start for step_s in steps_s)
        if not is_own and start <= last_s + max(0.0, min(_JOIN_S, down_s)):
            joined[-1] = (first_s, max(end, last_s))
        else:
            joined.append((start, end))
    is_failsafe = (evidence.recording.frames.flags & FLAG_FAILSAFE) != 0
    found = []
    for start, end in joined:
        inside = np.flatnonzero((t_s > start) & (t_s < end))
        first, stop = (int(inside[0]), int(inside[-1]) + 1) if inside.size else (evidence.row_at(end),) * 2
        if end >= evidence.end_s and down[-1]:
            stop = count
        flagged = np.flatnonzero(is_failsafe[first:stop])
        failsafe_s = float(t_s[first + flagged[0]]) if flagged.size else None
        silent = sum(min(b, end) - max(a, start) for a, b in silences if a < end and b > start)
        has_begun, has_ended = not down[:first].all(), stop < count and not down[stop]
        found.append(LinkLoss(start, end, first, stop, failsafe_s, silent, off_s, on_s, has_begun, has_ended))
    return found


def _silences(evidence: VerifyInputs) -> list[tuple[float, float]]:
    """Times without frames, each from the frame before to the frame after."""
    if not evidence.clock.is_known:
        return []
    t_s = np.append(evidence.t_s, evidence.end_s)
    slack_s = np.append(evidence.recording.frames.slack_ns / 1e9, 0.0)
    # Read times may be late: only certainly longer silences count.
    apart = np.diff(t_s) - np.minimum(slack_s[1:], 1.0)
    at = np.flatnonzero(apart > _GAP_PERIODS * evidence.period_ns / 1e9)
    return [(float(t_s[i]), float(t_s[i + 1])) for i in at.tolist()]
