"""Checks of the line: frames, period, jitter, losses, glitches."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.analysis.binomial import loss_bounds
from busbench.analysis.jitter_range import ADVICE
from busbench.analysis.outages import Outage
from busbench.errors import pluralize
from busbench.verify.inputs import VerifyInputs
from busbench.verify.phases import Phases
from busbench.verify.result import Check, CheckFactory

LINE = CheckFactory("line", "line")
# Names of checks.
LOSSES = {"gap": "missing frames", "lost": "frames flagged lost", "failsafe": "frames flagged failsafe",
          "damaged": "damaged frames"}  # fmt: skip
LONGEST = "longest outage"
GLITCHES = "glitches"


def check_line(evidence: VerifyInputs, phases: Phases | None) -> Iterator[Check]:
    """All checks of the line; nothing counts as lost while there is no link. Without frames there are no phases."""
    limits = evidence.rig.limits
    if phases is None:
        yield LINE.at_least("frames", "no frame was received", measured=0, limit=limits.frames_least, unit="frames")
        return
    yield _frames(len(evidence.recording.frames), limits.frames_least)
    yield _period(evidence)
    yield _jitter(evidence)
    yield from _losses(evidence, phases)
    found = evidence.channels
    glitches = sum(one.glitches for one in found.channels)
    where = [f"channel {one.channel}: {one.glitches}" for one in found.channels if one.glitches]
    said = f"{glitches} single frames jumped {found.glitch_counts} counts or more away and back"
    said += f" ({', '.join(where)})" if where else ""
    yield LINE.at_most(GLITCHES, said, measured=glitches, limit=limits.glitches, unit="glitches")


def _frames(count: int, least: int) -> Check:
    if count < least:
        why = f"only {pluralize(count, 'frame')} received, too few to say much: record for longer"
        return LINE.not_tested("frames", why, unit="frames", limit=least)
    return LINE.at_least("frames", f"{pluralize(count, 'frame')} received", measured=count, limit=least, unit="frames")


def _period(evidence: VerifyInputs) -> Check:
    beat, plan_ms = evidence.timing, evidence.rig.plan.period_ms
    limit = evidence.rig.limits.period_pct / 100 * plan_ms
    if beat.period_mean_s is None:
        return LINE.not_tested("period", beat.note, unit="ms", limit=limit)
    measured = beat.period_mean_s * 1e3
    said = f"a frame every {measured:.4f} ms on average, planned {plan_ms:g} ms"
    return LINE.within("period", said, measured=measured, expected=plan_ms, limit=limit, unit="ms")


def _jitter(evidence: VerifyInputs) -> Check:
    jitter, limit = evidence.timing.jitter, evidence.rig.limits.jitter_ms
    if jitter is None:
        return LINE.not_tested("jitter", evidence.timing.note, unit="ms", limit=limit)
    seen, low = (jitter.period_rms_s + jitter.hides_s) * 1e3, jitter.period_low_s * 1e3
    shares = " seen, adapter and computer included" if jitter.kind == "at most" else ""
    said = f"{jitter.period_rms_s * 1e3:.4f} ms rms{shares}"
    if seen <= limit < jitter.period_high_s * 1e3:
        said += "; judged as seen, the receiver's own may be above the limit"
    said += f"; {evidence.timing.note}"
    if seen > limit >= low:
        said += "" if ADVICE in said else f"; to know the receiver's own jitter, {ADVICE}"
        return LINE.not_tested("jitter", said, unit="ms", limit=limit)
    return LINE.at_most("jitter", said, measured=seen, limit=limit, unit="ms")


def _losses(evidence: VerifyInputs, phases: Phases) -> Iterator[Check]:
    outages, limits = evidence.outages, evidence.rig.limits
    is_in = [_is_in(event, evidence, phases) for event in outages.events]
    events = [event for event, excused in zip(outages.events, is_in, strict=True) if not excused]
    inside = sum(event.frames for event, excused in zip(outages.events, is_in, strict=True) if excused)
    expected = max(0, outages.expected - inside)
    unseen = evidence.no_times or ("" if evidence.found_period_ns else "no period was found")
    kinds = {kind: [event for event in events if event.kind == kind] for kind in LOSSES}
    for kind, some in kinds.items():
        missed, low, name = sum(one.frames for one in some), sum(one.frames_low for one in some), LOSSES[kind]
        if kind == "gap" and unseen:
            why = f"{unseen}: missing frames cannot be seen"
            yield LINE.not_tested(name, why, unit="%", limit=limits.loss_pct)
            continue
        if kind == "failsafe":
            said = f"{pluralize(missed, 'frame')} flagged failsafe came besides the test of it"
            yield LINE.at_most(name, said, measured=missed, limit=0, unit="frames")
            continue
        most = missed + outages.doubt if kind == "gap" else missed
        upper = 100 * loss_bounds(most, max(most, expected)).upper_one_sided
        said = f"{missed:,} of {expected:,}; 95 % upper confidence limit {upper:.3g} %"
        if any(event.frames > 1 for event in some):
            said += ", too kind a bound as they came in bursts"
        if most > missed:
            said += f"; up to {outages.doubt:,} more, as some late frames and lost frames look alike"
        if low < missed:
            said += f"; {low:,} for certain, since adapters may mark a whole packet for one bad byte"
        if upper > limits.loss_pct and low <= limits.loss_pct / 100 * expected < missed:
            yield LINE.not_tested(name, said, unit="%", limit=limits.loss_pct)
            continue
        if upper > limits.loss_pct and missed <= limits.loss_pct / 100 * expected:
            said += f"; too few frames to promise {limits.loss_pct:g} %"
            yield LINE.not_tested(name, said, unit="%", limit=limits.loss_pct)
            continue
        yield LINE.at_most(name, said, measured=upper, limit=limits.loss_pct, unit="%")
    timed = [event for event in events if event.duration_s is not None]
    worst = max(timed, key=_length_s, default=None)
    longest = 0.0 if worst is None else _length_s(worst)
    certain = max((_length_s(event) for event in timed if event.frames_low == event.frames), default=0.0)
    if unseen and longest <= limits.outage_s:
        yield LINE.not_tested(LONGEST, unseen, unit="s", limit=limits.outage_s)
    elif certain <= limits.outage_s < longest:
        why = f"packets were marked for {longest:.3f} s, perhaps each for one bad byte"
        yield LINE.not_tested(LONGEST, why, unit="s", limit=limits.outage_s)
    else:
        said = "there was no outage" if worst is None else f"the longest outage lasted {longest:.3f} s"
        said += " besides the failsafe test" if phases.loss is not None else ""
        if worst is not None and worst.start_s is not None and longest > limits.outage_s:
            said += f"; it began {worst.start_s:.2f} s from the start{_during(evidence, worst.start_s)}"
        yield LINE.at_most(LONGEST, said, measured=longest, limit=limits.outage_s, unit="s")


def _length_s(event: Outage) -> float:
    return event.duration_s or 0.0


def _during(evidence: VerifyInputs, time_s: float) -> str:
    """The step of the test sequence, if annotated."""
    steps = [text for t, text in evidence.marks_s() if t <= time_s]
    return f', after the mark "{steps[-1]}"' if steps else ""


def _is_in(event: Outage, evidence: VerifyInputs, phases: Phases) -> bool:
    """True if an event belongs to the failsafe or power-up test."""
    if event.start_s is not None and event.end_s is not None:
        slack = 1.5 * evidence.period_ns / 1e9
        return any(event.start_s >= a - slack and event.end_s <= b + slack for a, b in phases.excused_s)
    spans = [(one.first, one.link) for one in phases.power_ups]
    if phases.loss is not None:
        spans.append((phases.loss.first, phases.loss.stop))
    offset = evidence.recording.frames.offset
    ends = [[int(offset[row]) if row < offset.size else 1 << 62 for row in span] for span in spans]
    return any(first <= event.offset < stop for first, stop in ends)
