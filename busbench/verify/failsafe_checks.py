"""Failsafe by switching the transmitter off: how it shows, after how long, with which values, and recovery."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from busbench.rig.model import Rig
from busbench.verify.inputs import TWO_STATE_COUNTS, ChannelPlan, VerifyInputs
from busbench.verify.link_loss import TEST_S, LinkLoss
from busbench.verify.result import Check, CheckFactory
from busbench.wire.codec import FLAG_FAILSAFE
from busbench.wire.scale import FULL_COUNTS

SIGN, DELAY, VALUE, RECOVERY = "how it shows", "delay", "failsafe value", "recovery"
_SETTLED_S = 0.5  # after the good frames are back


def expects_silence(rig: Rig) -> bool:
    """True where the plan has the receiver fall silent on every bus device."""
    stated = [device.failsafe for device in rig.driven if device.kind == "servo"]
    return bool(stated) and all(failsafe == "silence" for failsafe in stated)


def check_failsafe(evidence: VerifyInputs, channels: Sequence[ChannelPlan], loss: LinkLoss | None) -> Iterator[Check]:
    """All checks of the failsafe.

    Args:
        evidence: the recording.
        channels: the plan's.
        loss: the stretch without link, if there is one.
    """
    about = CheckFactory("failsafe", "failsafe")
    if loss is None or not loss.has_begun:
        why = "no good frame came before the transmitter was off"
        if loss is None:
            why = f"the transmitter was not switched off for {TEST_S:g} s or more in this recording"
        yield about.not_tested(SIGN, why)
        yield about.not_tested(DELAY, why, unit="s", limit=evidence.rig.limits.failsafe_after_s)
        for mapped in channels:
            yield CheckFactory("failsafe", mapped.subject, mapped.channel).not_tested(VALUE, why)
        yield about.not_tested(RECOVERY, why)
        return
    yield _sign(about, evidence, loss)
    yield _delay(about, evidence, loss)
    for mapped in channels:
        yield _value(evidence, mapped, loss)
    yield _recovery(about, evidence, channels, loss)


def _sign(about: CheckFactory, evidence: VerifyInputs, loss: LinkLoss) -> Check:
    length = f"over {loss.end_s - loss.start_s:.2f} s"
    wanted = expects_silence(evidence.rig)
    if loss.failsafe_s is not None:
        said = f"frames carried the failsafe flag {length} without link"
        return about.is_so(SIGN, said + (", but the plan wants silence" if wanted else ""), good=not wanted)
    if loss.is_silent:
        said = f"the bus was silent {length} without link"
        return about.is_so(SIGN, said + ("" if wanted else ", but the plan wants frames in failsafe"), good=wanted)
    lost = bool(evidence.is_down[loss.first : loss.stop].any())
    beside = "frames were flagged lost but never failsafe" if lost else "no flag was set"
    return about.is_so(SIGN, f"values went on {length} without link: {beside}, so no device can know", good=False)


def _delay(about: CheckFactory, evidence: VerifyInputs, loss: LinkLoss) -> Check:
    limit = evidence.rig.limits.failsafe_after_s
    start = loss.start_s if loss.off_s is None else loss.off_s
    since = "the last good frame" if loss.off_s is None else "switching off, as marked"
    if evidence.no_times:
        return about.not_tested(DELAY, evidence.no_times, unit="s", limit=limit)
    if loss.failsafe_s is not None:
        delay = max(0.0, loss.failsafe_s - start)
        said = f"the failsafe flag came {delay:.2f} s after {since}{': too late' if delay > limit else ''}"
        return about.at_most(DELAY, said, measured=delay, limit=limit, unit="s")
    if loss.is_silent and loss.off_s is not None:
        delay = max(0.0, loss.start_s - start)
        said = f"silence began {delay:.2f} s after {since}{': too late' if delay > limit else ''}"
        return about.at_most(DELAY, said, measured=delay, limit=limit, unit="s")
    why = "silence shows no time of switching off" if loss.is_silent else "there was no failsafe flag to wait for"
    return about.not_tested(DELAY, why, unit="s", limit=limit)


def _value(evidence: VerifyInputs, mapped: ChannelPlan, loss: LinkLoss) -> Check:
    about = CheckFactory("failsafe", mapped.subject, mapped.channel)
    plan, limit = mapped.devices[0].failsafe, evidence.rig.limits.failsafe_counts
    if plan is None:
        return about.not_tested(VALUE, "the plan states no failsafe", unit="counts", limit=limit)
    if loss.is_silent:
        if plan == "silence":
            return about.is_so(VALUE, "no frames came, as planned", good=True)
        return about.is_so(VALUE, "no frames came, so the device acts by itself", good=False)
    if plan == "silence":
        return about.is_so(VALUE, "frames went on, but the plan wants silence", good=False)
    flags = evidence.recording.frames.flags[loss.first : loss.stop]
    rows = np.arange(loss.first, loss.stop)
    in_failsafe = rows[(flags & FLAG_FAILSAFE) != 0]
    rows = in_failsafe if in_failsafe.size else rows[rows.size // 2 :]
    if not rows.size:
        return about.not_tested(VALUE, "no frame stands in the stretch without link", unit="counts", limit=limit)
    values = evidence.counts[mapped.channel - 1]
    measured = float(np.median(values[rows]))
    unsteady = int(np.ptp(values[rows[rows.size // 2 :]]))
    before = _before(evidence, mapped, loss)
    if plan == "hold":
        if before is None:
            return about.not_tested(VALUE, "no good frame came before", unit="counts", limit=limit)
        at_rest = abs(before - mapped.rest_counts) <= max(limit, evidence.rig.limits.rest_counts)
        if at_rest and abs(measured - before) <= limit:
            why = f"it stood at rest ({mapped.shown(before)}) before, so a failsafe value there would look the same:"
            why += " switch off with the control held away from rest (propeller off)"
            return about.not_tested(VALUE, why, unit="counts", limit=limit)
        expected, word = before, "hold"
    elif mapped.is_two_state:
        expected, word = float(TWO_STATE_COUNTS[float(plan) > 0]), f"{float(plan):g} %"
    else:
        expected, word = mapped.ends.neutral_counts + float(plan) / 100 * FULL_COUNTS, f"{float(plan):g} %"
    said = f"{mapped.shown(measured)} in failsafe, planned {word} = {mapped.shown(expected).removesuffix(' counts')}"
    if before is not None and plan != "hold" and max(abs(before - expected), abs(measured - before)) <= limit:
        why = f"it stood at {mapped.shown(before)} before, so holding would look the same: switch off with the"
        why += " control held away from its failsafe position (propeller off)"
        return about.not_tested(VALUE, why, unit="counts", limit=limit)
    if unsteady > limit:
        return about.is_so(VALUE, f"{said}; it still moves by {unsteady} counts", good=False)
    if abs(measured - expected) > limit:
        is_held = plan != "hold" and before is not None and abs(measured - before) <= limit
        said += ": held as it stood before" if is_held else ": a wrong value"
    return about.within(VALUE, said, measured=measured, expected=expected, limit=limit, unit="counts")


def _before(evidence: VerifyInputs, mapped: ChannelPlan, loss: LinkLoss) -> float | None:
    """Where the channel stood just before, None where that is not known."""
    sound = np.flatnonzero(evidence.is_sound[: loss.first])[-10:]
    return float(np.median(evidence.counts[mapped.channel - 1][sound])) if sound.size else None


def _recovery(about: CheckFactory, evidence: VerifyInputs, channels: Sequence[ChannelPlan], loss: LinkLoss) -> Check:
    after = np.flatnonzero(evidence.is_sound[loss.stop :])[:1]
    if not loss.has_ended or not after.size:
        return about.not_tested(RECOVERY, "the link did not come back before the recording ends")
    limits = evidence.rig.limits
    back = loss.stop + int(after[0])
    stop = evidence.row_at(float(evidence.t_s[back]) + _SETTLED_S)
    if evidence.t_s[-1] < evidence.t_s[back] + _SETTLED_S:
        return about.not_tested(RECOVERY, f"the recording ends less than {_SETTLED_S:g} s after the link came back")
    if evidence.is_down[back:stop].any():
        return about.is_so(RECOVERY, "the link came back and was lost again at once", good=False)
    off = []
    for mapped in channels:
        before = _before(evidence, mapped, loss)
        now = float(np.median(evidence.counts[mapped.channel - 1][max(back, stop - 10) : stop]))
        # The controls may have been let go meanwhile.
        if before is not None and min(abs(now - before), abs(now - mapped.rest_counts)) > limits.failsafe_counts:
            off.append(f"{mapped.subject} {before:.0f} → {now:.0f}")
    if off:
        return about.is_so(RECOVERY, f"after the link came back it stood elsewhere: {', '.join(off)}", good=False)
    if loss.on_s is not None:
        took = max(0.0, float(evidence.t_s[back]) - loss.on_s)
        said = f"good frames came {took:.2f} s after switching on, as marked, with the controls' values"
        return about.at_most(RECOVERY, said, measured=took, limit=limits.recovery_s, unit="s")
    return about.is_so(RECOVERY, "good frames came back with the controls' values", good=True)
