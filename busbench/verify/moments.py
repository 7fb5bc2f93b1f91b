"""The moment of a check: the frame at which its finding can be seen."""

from __future__ import annotations

import numpy as np

from busbench.model import Bools
from busbench.verify.channel_checks import ALONE, HIGH_END, LOW_END, NOISE, REST
from busbench.verify.failsafe_checks import RECOVERY, VALUE
from busbench.verify.inputs import VerifyInputs
from busbench.verify.line_checks import GLITCHES, LONGEST, LOSSES
from busbench.verify.phases import Phase, Phases
from busbench.verify.result import Check
from busbench.verify.return_checks import RETURN
from busbench.verify.verify import Verification
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST

_FARTHEST = {LOW_END: np.argmin, HIGH_END: np.argmax}
_FLAGGED = {LOSSES["lost"]: FLAG_LOST, LOSSES["failsafe"]: FLAG_FAILSAFE}


def moment_of(check: Check, found: Verification) -> int | None:
    """Row of the frame that shows a check's finding, None if the recording does not show it.

    For an endpoint the farthest frame of the move; for a rest or held value the frame farthest from it; else the first
    frame of the step that the check judges.
    """
    phases, evidence = found.phases, found.evidence
    if phases is None:
        return None
    match check.part:
        case "channel" | "pulse":
            return _of_channel(check, found, phases)
        case "failsafe":
            return _of_failsafe(check, found, phases)
        case "power-up":
            return phases.power_ups[0].first if phases.power_ups else None
        case "line":
            return _of_line(check, evidence)
        case _:
            return None


def channel_of(check: Check, found: Verification) -> int | None:
    """The channel, 1-18, that shows a check's finding at its moment; None if none does."""
    if check.name == GLITCHES:
        return next((one.channel for one in found.evidence.channels.glitches), None)
    return check.channel


def _of_channel(check: Check, found: Verification, phases: Phases) -> int | None:
    mapped = next((one for one in found.channels if one.channel == check.channel), None)
    if mapped is None:
        return None
    if check.name in (REST, NOISE):
        return _farthest(found, phases.is_in(Phase.AT_REST), mapped.channel, mapped.rest_counts)
    turn = phases.control_moves.get(mapped.control)
    if turn is None or turn.stop <= turn.first:
        return None
    if farthest := _FARTHEST.get(check.name):
        return turn.first + int(farthest(found.evidence.counts[mapped.channel - 1, turn.first : turn.stop]))
    if check.name == ALONE and turn.also:
        return min(one.row for one in turn.also)
    return turn.first


def _of_failsafe(check: Check, found: Verification, phases: Phases) -> int | None:
    loss, back = phases.loss, phases.back
    if check.name in (RETURN, RECOVERY):
        return None if back is None else back.first
    if loss is None or loss.stop <= loss.first:
        return None
    if check.name == VALUE and check.channel is not None:
        rows = phases.is_in(Phase.FAILSAFE)
        if rows.any():
            if check.expected is not None and check.unit == "counts":
                return _farthest(found, rows, check.channel, check.expected)
            return int(np.argmax(rows))
    return loss.first


def _of_line(check: Check, evidence: VerifyInputs) -> int | None:
    frames = evidence.recording.frames
    if check.name == GLITCHES:
        return next((one.frame for one in evidence.channels.glitches), None)
    if flag := _FLAGGED.get(check.name):
        flagged = (frames.flags & flag) != 0
        return int(np.argmax(flagged)) if flagged.any() else None
    if check.name == LOSSES["damaged"]:
        return int(np.argmax(frames.suspect)) if frames.suspect.any() else None
    if check.name in (LOSSES["gap"], LONGEST) and len(frames) > 1 and evidence.clock.is_known:
        return int(np.argmax(np.diff(frames.t_ns)))  # the frame before the longest gap
    return None


def _farthest(found: Verification, rows: Bools, channel: int, counts: float) -> int | None:
    if not rows.any():
        return None
    away = np.abs(found.evidence.counts[channel - 1] - counts)
    return int(np.argmax(np.where(rows, away, -1)))
