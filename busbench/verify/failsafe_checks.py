"""Checks of failsafe after the transmitter is switched off: how it shows, delay, values and recovery."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from busbench.errors import pluralize
from busbench.rig.model import Rig
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.link_loss import TEST_S, LinkLoss
from busbench.verify.phases import HAND_S, Phase, Phases, name_frames
from busbench.verify.result import Check, CheckFactory
from busbench.verify.return_checks import check_return, failsafe_level, value_before
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST

SIGN, DELAY, LASTS, LOST = "how it shows", "delay", "flag stays up", "while lost"
VALUE, RECOVERY = "failsafe value", "recovery"
_SETTLED_S = 0.5  # time after good frames are back


def expects_silence(rig: Rig) -> bool:
    """True if the plan says that every bus device gets silence."""
    stated = [device.failsafe for device in rig.driven if device.kind == "servo"]
    return bool(stated) and all(failsafe == "silence" for failsafe in stated)


def check_failsafe(evidence: VerifyInputs, channels: Sequence[ChannelPlan], phases: Phases) -> Iterator[Check]:
    """All checks of the failsafe."""
    about, loss = CheckFactory("failsafe", "failsafe"), phases.loss
    why = ""
    if loss is None:
        why = f"the transmitter was not switched off for {TEST_S:g} s or more in this recording"
    elif not loss.has_begun:
        why = "no good frame came before the transmitter was off"
    if loss is None or why:
        yield about.not_tested(SIGN, why)
        yield about.not_tested(DELAY, why, unit="s", limit=evidence.rig.limits.failsafe_after_s)
        yield about.not_tested(LASTS, why)
    else:
        yield _sign(about, evidence, loss)
        yield _delay(about, evidence, loss)
        yield from _lasts(about, evidence, phases, loss)
    for mapped in channels:
        one = CheckFactory("failsafe", mapped.subject, mapped.channel)
        yield from _held(one, evidence, mapped, phases)
        yield _value(one, evidence, mapped, phases, why)
        yield check_return(one, evidence, mapped, phases, why)
    if loss is None or why:
        yield about.not_tested(RECOVERY, why)
    else:
        yield _recovery(about, evidence, phases, loss)


def _sign(about: CheckFactory, evidence: VerifyInputs, loss: LinkLoss) -> Check:
    length = f"over {loss.end_s - loss.start_s:.2f} s"
    wanted = expects_silence(evidence.rig)
    if loss.failsafe_s is not None:
        said = f"frames carried the failsafe flag {length} without link"
        return about.is_so(SIGN, said + (", but the plan wants silence" if wanted else ""), good=not wanted)
    if loss.is_silent:
        said = f"the bus was silent {length} without link"
        return about.is_so(SIGN, said + ("" if wanted else ", but the plan wants frames flagged failsafe"), good=wanted)
    lost = bool(evidence.is_down[loss.first : loss.stop].any())
    beside = "frames were flagged lost but never failsafe" if lost else "no flag was set"
    return about.is_so(SIGN, f"values went on {length} without link: {beside}, so no device can know", good=False)


def _delay(about: CheckFactory, evidence: VerifyInputs, loss: LinkLoss) -> Check:
    limit = evidence.rig.limits.failsafe_after_s
    if evidence.no_times:
        return about.not_tested(DELAY, evidence.no_times, unit="s", limit=limit)
    if loss.failsafe_s is not None:
        delay = max(0.0, loss.failsafe_s - loss.start_s)
        said = f"the failsafe flag came {delay:.2f} s after the last good frame"
        late = max(0.0, loss.start_s - (loss.start_s if loss.off_s is None else loss.off_s))
        if late:
            said += f", {delay + late:.2f} s after switching off, as annotated"
        if late > HAND_S and delay + late > limit >= delay:  # a slow hand, or old values sent without the flag
            said += ": switch off as you go on, so that the two agree"
            return about.not_tested(DELAY, said, unit="s", limit=limit)
        said += ": too late" if delay > limit else ""
        return about.at_most(DELAY, said, measured=delay, limit=limit, unit="s")
    if loss.is_silent and loss.off_s is not None:
        delay = max(0.0, loss.start_s - loss.off_s)
        said = f"silence began {delay:.2f} s after switching off, as annotated"
        said += ": too late" if delay > limit else ""
        return about.at_most(DELAY, said, measured=delay, limit=limit, unit="s")
    why = "silence shows no time of switching off" if loss.is_silent else "there was no failsafe flag to wait for"
    return about.not_tested(DELAY, why, unit="s", limit=limit)


def _lasts(about: CheckFactory, evidence: VerifyInputs, phases: Phases, loss: LinkLoss) -> Iterator[Check]:
    """The flag stays set in every frame while the transmitter is off."""
    if loss.failsafe_s is None:
        if not (loss.is_silent and expects_silence(evidence.rig)):
            yield about.not_tested(LASTS, "there was no failsafe flag that could stay up")
        return
    rows = np.flatnonzero(phases.is_in(Phase.FAILSAFE) & ~phases.is_repeated)
    down = rows[(evidence.recording.frames.flags[rows] & FLAG_FAILSAFE) == 0]
    if down.size:
        first = int(down[0])
        where = f"frame {first + 1}" if evidence.no_times else f"{evidence.t_s[first]:.3f} s"
        said = (
            f"the failsafe flag was down in {pluralize(down.size, 'frame')} from {where} on, with the transmitter off"
        )
        yield about.is_so(LASTS, said, good=False)
        return
    pauses = np.diff(np.append(evidence.t_s[rows], loss.end_s))
    longest = float(pauses.max(initial=0.0))
    if longest > max(evidence.rig.limits.outage_s, 3 * evidence.period_ns / 1e9):
        at = float(evidence.t_s[rows[int(np.argmax(pauses))]])
        said = f"no frame came for {longest:.2f} s from {at:.3f} s on, after frames flagged failsafe"
        yield about.is_so(LASTS, said, good=False)
        return
    seen = "" if loss.has_ended else " until the recording ends"
    yield about.is_so(LASTS, f"the failsafe flag stayed up in all {pluralize(rows.size, 'frame')}{seen}", good=True)


def _held(about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, phases: Phases) -> Iterator[Check]:
    """Frames flagged lost, and frames without link before failsafe, hold the last good value."""
    flags = evidence.recording.frames.flags
    is_lost = ((flags & FLAG_LOST) != 0) & ((flags & FLAG_FAILSAFE) == 0) & ~phases.is_in(Phase.POWER_UP)
    is_lost |= phases.is_in(Phase.OFF)
    is_lost &= ~evidence.recording.frames.suspect
    if not mapped.must_rest:
        is_lost &= ~phases.is_repeated
    rows, values = np.flatnonzero(is_lost), evidence.counts[mapped.channel - 1].astype(np.int64)
    limit = evidence.rig.limits.failsafe_counts
    # The last frame before counts, failsafe or good; in failsafe, lost frames hold its values.
    is_source = ~is_lost & ~evidence.recording.frames.suspect
    last = np.maximum.accumulate(np.where(is_source, np.arange(is_source.size), -1))[rows]
    unknown, rows, last = rows[last < 0], rows[last >= 0], last[last >= 0]
    beside = np.abs(values[rows] - values[last])
    loss, level = phases.loss, failsafe_level(mapped)
    if loss is not None and loss.has_begun and loss.failsafe_s is None and level is not None:
        # A failsafe without the flag is judged once, as such.
        unflagged = (rows >= loss.first) & (rows < loss.stop)
        beside = np.where(unflagged & (np.abs(values[rows] - level) <= limit), 0, beside)
    outside = np.flatnonzero(beside > limit)
    away = unknown[np.abs(values[unknown] - mapped.rest_counts) > evidence.rig.limits.rest_counts]
    if mapped.must_rest and away.size and not outside.size:
        said = f"{name_frames(evidence, phases, mapped, away)}; no good frame came before"
        yield about.not_tested(LOST, said, unit="counts", limit=limit)
        return
    if not rows.size:
        return
    if not outside.size:
        said = f"{pluralize(rows.size, 'frame')} without link before failsafe held the last good value"
        yield about.at_most(LOST, said, measured=float(beside.max()), limit=limit, unit="counts")
        return
    held = float(values[last[outside[0]]])
    said = f"{name_frames(evidence, phases, mapped, rows[outside])}; the last good value was {mapped.level(held)}"
    yield about.at_most(LOST, said, measured=float(beside.max()), limit=limit, unit="counts")


def _value(about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, phases: Phases, why: str) -> Check:
    """Every frame flagged failsafe holds what the plan states."""
    plan, limit, loss = mapped.devices[0].failsafe, evidence.rig.limits.failsafe_counts, phases.loss
    if not why and loss is not None and loss.is_silent and plan is not None:
        said = "no frames came, as planned" if plan == "silence" else "no frames came, so the device acts by itself"
        return about.is_so(VALUE, said, good=plan == "silence")
    flagged = (evidence.recording.frames.flags & FLAG_FAILSAFE) != 0
    flagged |= phases.is_in(Phase.FAILSAFE)  # frames whose flag dropped are also judged by value
    flagged &= ~phases.is_in(Phase.POWER_UP) & ~evidence.recording.frames.suspect
    if not mapped.must_rest:
        flagged &= ~phases.is_repeated
    rows, values = np.flatnonzero(flagged), evidence.counts[mapped.channel - 1].astype(np.float64)
    if plan == "silence" and not why:
        return about.is_so(VALUE, "frames went on, but the plan wants silence", good=False)
    if not rows.size and not why and loss is not None:  # without the flag, frames without link are used
        rows = np.arange(loss.first, loss.stop)
        rows = rows[evidence.t_s[rows] > loss.start_s + evidence.rig.limits.failsafe_after_s]
    last = np.maximum.accumulate(np.where(evidence.is_sound & ~flagged, np.arange(flagged.size), -1))[rows]
    if not rows.size:
        return about.not_tested(VALUE, why or "no frame came without link", unit="counts", limit=limit)
    if plan is None and not mapped.must_rest:
        return about.not_tested(VALUE, "the plan states no failsafe", unit="counts", limit=limit)
    if plan == "hold":
        rows, last = rows[last >= 0], last[last >= 0]
        if not rows.size:
            return about.not_tested(VALUE, "no good frame came before", unit="counts", limit=limit)
        expected, word = values[last], "hold"
    else:
        level = failsafe_level(mapped)
        expected = np.full(rows.size, mapped.rest_counts if level is None else level)
        word = f"{float(plan):g} %" if isinstance(plan, int | float) else "rest"
    beside = np.abs(values[rows] - expected)
    worst = int(np.argmax(beside))
    measured, goal = float(values[rows[worst]]), float(expected[worst])
    before = None if loss is None else value_before(evidence, mapped, loss)
    is_flagged = bool(evidence.recording.frames.flags[rows[worst]] & FLAG_FAILSAFE)
    where = "in failsafe" if is_flagged else "without link, not flagged failsafe"
    said = f"{mapped.level(measured)} {where}, planned {word} = {mapped.level(goal, has_unit=False)}"
    if beside[worst] > limit:
        outside = rows[beside > limit]
        is_held = plan != "hold" and before is not None and (np.abs(values[outside] - before) <= limit).all()
        said = f"{name_frames(evidence, phases, mapped, outside)}, planned {word} = "
        said += mapped.level(goal, has_unit=False)
        said += ": held as it was before" if is_held else ": a wrong value"
        return about.within(VALUE, said, measured=measured, expected=goal, limit=limit, unit="counts")
    if why:
        return about.not_tested(VALUE, why, unit="counts", limit=limit)
    if before is None:
        return about.not_tested(VALUE, "no good frame came before", unit="counts", limit=limit)
    if mapped.must_rest:
        damaged = evidence.recording.frames.suspect & phases.is_in(Phase.OFF, Phase.FAILSAFE)
        damaged &= (np.abs(values - goal) > limit) & ~(phases.is_in(Phase.OFF) & (np.abs(values - before) <= limit))
        if damaged.any():
            said = f"{name_frames(evidence, phases, mapped, np.flatnonzero(damaged))}, in frames with bytes that"
            said += " the line marked as damaged"
            return about.not_tested(VALUE, said, unit="counts", limit=limit)
    if plan == "hold" and abs(before - mapped.rest_counts) <= max(limit, evidence.rig.limits.rest_counts):
        same = f"it was at rest ({mapped.level(before)}) before, so a failsafe value there would look the same:"
        same += " switch off with the control held away from rest (propeller off)"
        return about.not_tested(VALUE, same, unit="counts", limit=limit)
    if plan != "hold" and abs(before - goal) <= limit:
        same = f"it was at {mapped.level(before)} before, so holding would look the same: switch off with the"
        same += " control held away from its failsafe position (propeller off)"
        return about.not_tested(VALUE, same, unit="counts", limit=limit)
    return about.within(VALUE, said, measured=measured, expected=goal, limit=limit, unit="counts")


def _recovery(about: CheckFactory, evidence: VerifyInputs, phases: Phases, loss: LinkLoss) -> Check:
    if phases.back is None:
        return about.not_tested(RECOVERY, "the link did not come back before the recording ends")
    limits, back = evidence.rig.limits, phases.back.first
    stop = evidence.row_at(float(evidence.t_s[back]) + _SETTLED_S)
    if evidence.t_s[-1] < evidence.t_s[back] + _SETTLED_S:
        return about.not_tested(RECOVERY, f"the recording ends less than {_SETTLED_S:g} s after the link came back")
    # Single frames flagged lost are judged elsewhere.
    if np.count_nonzero(evidence.is_down[back:stop]) * evidence.period_ns > limits.outage_s * 1e9:
        return about.is_so(RECOVERY, "the link came back and was lost again at once", good=False)
    if loss.on_s is not None:
        took = max(0.0, float(evidence.t_s[back]) - loss.on_s)
        said = f"good frames came {took:.2f} s after switching on, as annotated"
        if limits.recovery_s < took <= limits.recovery_s + HAND_S:
            said += ": switch on as you go on, so that the two agree"
            return about.not_tested(RECOVERY, said, unit="s", limit=limits.recovery_s)
        return about.at_most(RECOVERY, said, measured=took, limit=limits.recovery_s, unit="s")
    return about.is_so(RECOVERY, "good frames came back", good=True)
