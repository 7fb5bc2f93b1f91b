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
    """Runs of flagged frames and silence, by rows: frames that one read handed over have the same time."""
    down, count = evidence.is_down, evidence.is_down.size
    at_s = [0.0, *evidence.t_s.tolist(), evidence.end_s]  # at_s[row] of the frame before a row
    edges = np.flatnonzero(np.diff(np.concatenate([[False], down, [False]])))
    silences = _silences(evidence)
    spans = sorted([*map(tuple, edges.reshape(-1, 2).tolist()), *((row, row) for row in silences)])
    joined = spans[:1]
    period_s = evidence.period_ns / 1e9
    for first, stop in spans[1:]:
        (before, last), start_s = joined[-1], at_s[first]
        first_s, last_s = at_s[before], at_s[last + 1]  # of the good frame before it, and of that after it
        # Single lost frames are a poor link, not a lost one.
        down_s = min(at_s[stop + 1] - start_s, last_s - first_s) - period_s
        # Losses before the annotated switching off are separate faults.
        is_own = any(first_s < step_s - EARLY_S <= start_s for step_s in steps_s)
        if not is_own and start_s <= last_s + max(0.0, min(_JOIN_S, down_s)):
            joined[-1] = (before, max(stop, last))
        else:
            joined.append((first, stop))
    is_failsafe = (evidence.recording.frames.flags & FLAG_FAILSAFE) != 0
    found = []
    for first, stop in joined:
        flagged = np.flatnonzero(is_failsafe[first:stop])
        failsafe_s = at_s[first + int(flagged[0]) + 1] if flagged.size else None
        silent_s = sum((at_s[row + 1] - at_s[row] for row in silences if first <= row <= stop), 0.0)
        has_begun, has_ended = not down[:first].all(), stop < count
        found.append(
            LinkLoss(at_s[first], at_s[stop + 1], first, stop, failsafe_s, silent_s, off_s, on_s, has_begun, has_ended)
        )
    return found


def _silences(evidence: VerifyInputs) -> list[int]:
    """Rows of the frames that follow a time without frames, the number of frames for one that lasts to the end."""
    t_s = np.append(evidence.t_s, evidence.end_s)
    slack_s = np.append(evidence.recording.frames.slack_ns / 1e9, 0.0)
    # Read times may be late: only certainly longer silences count.
    apart = np.diff(t_s) - np.minimum(slack_s[1:], 1.0)
    rows: list[int] = (np.flatnonzero(apart > _GAP_PERIODS * evidence.period_ns / 1e9) + 1).tolist()
    return rows
