"""Checks after the link returns: each channel goes to its control's position, and a motor stays at rest."""

from __future__ import annotations

import numpy as np

from busbench.model import F64, I64
from busbench.verify.control_moves import MOVED_COUNTS
from busbench.verify.inputs import ON_OFF_COUNTS, ChannelPlan, VerifyInputs
from busbench.verify.link_loss import LinkLoss
from busbench.verify.phases import Phase, Phases, name_frames
from busbench.verify.result import Check, CheckFactory
from busbench.verify.windows import LET_GO_MARK, ON_MARK
from busbench.wire.scale import FULL_COUNTS

RETURN = "after return"
_LETS_GO_S = 1.5  # from the held position of a control to its rest, including spring oscillation


def failsafe_level(mapped: ChannelPlan) -> float | None:
    """The planned failsafe level of a channel, in counts; None for hold, silence or if not stated."""
    plan = mapped.devices[0].failsafe
    if not isinstance(plan, int | float):
        return None
    if mapped.is_on_off:
        return float(ON_OFF_COUNTS[float(plan) > 0])
    return mapped.ends.neutral_counts + float(plan) / 100 * FULL_COUNTS


def value_before(evidence: VerifyInputs, mapped: ChannelPlan, loss: LinkLoss) -> float | None:
    """The last good value before the link loss, None without one."""
    sound = np.flatnonzero(evidence.is_sound[: loss.first])
    return float(evidence.counts[mapped.channel - 1][sound[-1]]) if sound.size else None


def check_return(about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, phases: Phases, why: str) -> Check:
    """Check every frame from the first good one until the next step; `why` says why there is no failsafe, or ""."""
    loss, limits = phases.loss, evidence.rig.limits
    if why or loss is None:
        return about.not_tested(RETURN, why)
    if phases.back is None:
        return about.not_tested(RETURN, "the link did not come back before the recording ends")
    values = evidence.counts[mapped.channel - 1].astype(np.float64)
    first, stop = phases.back.first, phases.back.stop
    rows = np.arange(first, stop)[evidence.is_sound[first:stop]]
    if mapped.must_rest:
        return _stays_at_rest(about, evidence, mapped, phases, rows)
    before = value_before(evidence, mapped, loss)
    settled = rows[evidence.t_s[rows] >= phases.back.settled_s]
    if before is None:
        return about.not_tested(RETURN, "no good frame came before")
    if not settled.size:
        return about.not_tested(RETURN, f"the recording shows less than {limits.return_s:g} s after the link came back")
    hand = 1.0 if mapped.is_on_off else limits.hands_pct / 100 * FULL_COUNTS
    failsafe = float(values[loss.stop - 1]) if loss.stop > loss.first else before
    # Until then it may be anywhere between failsafe, the held position and rest.
    levels = (failsafe, before, mapped.rest_counts, float(phases.rests[mapped.channel - 1]))
    least, most = min(levels) - hand, max(levels) + hand
    early = rows[: rows.size - settled.size]
    wild = early[(values[early] < least) | (values[early] > most)]
    if wild.size:
        return about.is_so(RETURN, f"{name_frames(evidence, phases, mapped, wild)}, on its way back", good=False)
    said, is_back = _says(evidence, mapped, phases, settled, before, failsafe, hand)
    return about.not_tested(RETURN, said) if is_back is None else about.is_so(RETURN, said, good=is_back)


def _stays_at_rest(
    about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, phases: Phases, rows: I64
) -> Check:
    limit = evidence.rig.limits.rest_counts
    values = evidence.counts[mapped.channel - 1].astype(np.float64)
    beside = np.abs(values[rows] - mapped.rest_counts)
    if not rows.size:
        return about.not_tested(RETURN, "no good frame came after the link was back")
    worst = float(values[rows[int(np.argmax(beside))]])
    said = f"stayed at rest ({mapped.level(mapped.rest_counts)})"
    if (outside := rows[beside > limit]).size:
        said = f"{name_frames(evidence, phases, mapped, outside)}: not at rest when the link came back"
        said += " (its control must be at rest before the transmitter is switched on)"
    return about.within(RETURN, said, measured=worst, expected=mapped.rest_counts, limit=limit, unit="counts")


def _says(
    evidence: VerifyInputs,
    mapped: ChannelPlan,
    phases: Phases,
    settled: I64,
    before: float,
    failsafe: float,
    hand: float,
) -> tuple[str, bool | None]:
    """The position in the settled frames, and whether it is right, None if unknown."""
    limits, values = evidence.rig.limits, evidence.counts[mapped.channel - 1].astype(np.float64)
    exact, after_s = limits.failsafe_counts, f"{limits.return_s:g} s after the link came back"
    is_held: F64 = np.abs(values[settled] - before)
    rest = mapped.rest_counts
    if abs(phases.rests[mapped.channel - 1] - rest) > limits.rest_counts:
        rest = phases.rests[mapped.channel - 1]  # a rest other than planned is judged elsewhere
    at_rest: F64 = np.abs(values[settled] - rest)
    at_failsafe = np.abs(values[settled] - failsafe) <= exact
    is_apart = abs(failsafe - before) > exact  # else holding and failsafe look the same
    held = is_held <= hand
    if is_apart:
        held &= ~at_failsafe
    fine = held | (at_rest <= limits.rest_counts)
    if is_apart and not held[0] and at_failsafe[0]:
        last = settled[at_failsafe & (np.cumsum(~at_failsafe) == 0)]
        said = f"stays in its failsafe position: {name_frames(evidence, phases, mapped, last)}"
        if abs(failsafe - mapped.rest_counts) > limits.rest_counts:
            return said, False
        if phases.has_step(LET_GO_MARK):
            return f"{said}; its control was held at {mapped.level(before)}: if it was let go, repeat the step", False
        return f"{said}, which is its rest too: hold the control away until the link is back", None
    outside = np.flatnonzero(~fine)
    for part in np.split(outside, np.flatnonzero(np.diff(outside) > 1) + 1) if outside.size else []:
        begins_held, ends_at_rest = part[0] > 0, part[-1] + 1 < settled.size  # beside it are fine ones
        lasts_s = float(evidence.t_s[settled[part[-1]]] - evidence.t_s[settled[part[0]]])
        if not begins_held or not ends_at_rest or lasts_s > _LETS_GO_S:
            named = name_frames(evidence, phases, mapped, settled[part])
            return f"{named}, {after_s} neither where it was held ({mapped.level(before)}) nor at rest", False
    if not is_apart:
        end = min([one.first for one in phases.power_ups if one.first > settled[0]], default=values.size)
        later = np.flatnonzero(evidence.is_sound[settled[0] : end]) + settled[0]
        if not (np.abs(values[later] - failsafe) > MOVED_COUNTS).any():
            said = f"it did not move after the link came back ({mapped.level(failsafe)})"
            if phases.has_step(LET_GO_MARK) and abs(before - rest) > MOVED_COUNTS:
                return f"{said}, though its control was let go: it stays in its failsafe position", False
            if (since := _stuck_since(evidence, mapped, phases, failsafe)) is not None:
                return (f"stays in its failsafe position: it did not move after the return at {since:.1f} s", False)
            return f"{said}: hold its control away from rest, and let it go after that", None
    where = "where it was held" if held[0] else "at rest"
    return f"{mapped.level(float(values[settled[0]]))} {after_s}, {where}", True


def _stuck_since(evidence: VerifyInputs, mapped: ChannelPlan, phases: Phases, failsafe: float) -> float | None:
    """When the link came back in a repeated step, if the channel has not moved since; else None."""
    first = next((window for window in phases.windows if window.word == ON_MARK and window.is_repeated), None)
    if first is None:
        return None
    later = np.flatnonzero(evidence.is_sound[first.first :]) + first.first
    later = later[~phases.is_in(Phase.POWER_UP)[later]]
    is_away = np.abs(evidence.counts[mapped.channel - 1].astype(np.int64) - failsafe) > MOVED_COUNTS
    has_moved = (is_away & evidence.is_sound)[: first.first].any()
    return first.start_s if has_moved and not is_away[later].any() else None
