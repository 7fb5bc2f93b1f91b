"""Checks of power-up: the receiver is switched on without a transmitter, then links."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from busbench.errors import pluralize
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.phases import Phases, PowerUp, name_frames
from busbench.verify.result import Check, CheckFactory
from busbench.verify.return_checks import failsafe_level

FLAGGED, LINK, POWER_UP = "flagged until the link", "link", "from the first frame on"


def check_power_up(evidence: VerifyInputs, channels: Sequence[ChannelPlan], phases: Phases) -> Iterator[Check]:
    """All checks of power-up; empty if the recording shows none."""
    about = CheckFactory("power-up", "power-up")
    for one in phases.power_ups:
        if one.is_annotated:
            yield _flagged(about, evidence, one)
            yield _link(about, evidence, one)
        for mapped in channels:
            yield _sent(CheckFactory("power-up", mapped.subject, mapped.channel), evidence, mapped, phases, one)


def _flagged(about: CheckFactory, evidence: VerifyInputs, one: PowerUp) -> Check:
    plain = np.flatnonzero(~evidence.is_down[one.first : one.link]) + one.first
    if plain.size:
        said = f"{pluralize(plain.size, 'frame')} from frame {plain[0] + 1} on had no flag, with the transmitter off"
        return about.is_so(FLAGGED, said, good=False)
    frames = one.link - one.first
    said = (
        f"all {pluralize(frames, 'frame')} before the link were flagged" if frames else "no frame came before the link"
    )
    return about.is_so(FLAGGED, said, good=True)


def _link(about: CheckFactory, evidence: VerifyInputs, one: PowerUp) -> Check:
    if one.link >= one.stop:
        return about.not_tested(LINK, "no good frame came after the transmitter was switched on")
    if one.on_s is None or evidence.no_times:
        return about.not_tested(LINK, evidence.no_times or "when the transmitter was switched on is not annotated")
    took = max(0.0, float(evidence.t_s[one.link]) - one.on_s)
    return about.is_so(LINK, f"good frames came {took:.2f} s after the transmitter was switched on", good=True)


def _sent(about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, phases: Phases, one: PowerUp) -> Check:
    limits = evidence.rig.limits
    values = evidence.counts[mapped.channel - 1].astype(np.float64)
    is_known = ~evidence.recording.frames.suspect
    rows = np.arange(one.first, one.link)[is_known[one.first : one.link]]
    back = np.arange(one.link, one.stop)[is_known[one.link : one.stop]]
    levels = [mapped.rest_counts]
    if not mapped.must_rest:
        failsafe = failsafe_level(mapped)
        if failsafe is not None or not mapped.is_on_off:
            levels.append(mapped.ends.neutral_counts if failsafe is None else failsafe)
        # In motion from there to its control's position.
        back = back[evidence.t_s[back] >= evidence.t_s[min(one.link, values.size - 1)] + limits.return_s]
    else:
        rows, back = np.append(rows, back), back[:0]
    beside = np.min([np.abs(values[rows] - level) for level in levels], axis=0)
    outside = rows[beside > max(limits.failsafe_counts, limits.rest_counts)]
    if abs(phases.rests[mapped.channel - 1] - mapped.rest_counts) <= limits.rest_counts:  # else it is judged elsewhere
        outside = np.append(outside, back[np.abs(values[back] - mapped.rest_counts) > limits.rest_counts])
    allowed = " or ".join(dict.fromkeys(mapped.level(level) for level in levels))
    if outside.size:
        said = f"{name_frames(evidence, phases, mapped, outside)}, planned {allowed}"
        if not one.is_annotated and not mapped.must_rest:
            return about.not_tested(POWER_UP, f"{said}: what came before the recording is not known")
        return about.is_so(POWER_UP, said, good=False)
    if not rows.size:
        return about.is_so(POWER_UP, "no frame came before the link", good=True)
    return about.is_so(POWER_UP, f"{pluralize(rows.size, 'frame')} at {allowed}", good=True)
