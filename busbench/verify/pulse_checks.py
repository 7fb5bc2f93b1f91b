"""Checks of pulse outputs recorded beside the bus."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.analysis.pulses import PulseLine, Pulses
from busbench.rig.model import Rig
from busbench.verify.inputs import channel_plans
from busbench.verify.result import Check, CheckFactory

FOLLOWS, AGREES = "pulse output", "agrees with the bus"


def check_pulses(found: Pulses, rig: Rig) -> Iterator[Check]:
    """Check each PWM device against the pulse output of its channel, and each output for its scale."""
    by_channel: dict[int, list[PulseLine]] = {}
    for line in found.lines:
        if line.fit is not None and not line.fit.also:
            by_channel.setdefault(line.fit.channel, []).append(line)
    for mapped in channel_plans(rig):
        if all(device.kind != "off-bus" for device in mapped.devices) and mapped.channel not in by_channel:
            continue
        about = CheckFactory("pulse", mapped.subject, mapped.channel)
        lines = by_channel.get(mapped.channel, [])
        if not lines:
            yield about.not_tested(FOLLOWS, "no pulse line in the recording is seen to follow this channel")
        for line in lines:
            if len(lines) > 1:
                about = CheckFactory("pulse", f"{mapped.subject}, {line.name}", mapped.channel)
            yield about.is_so(FOLLOWS, _words(line), good=line.fit is not None and line.fit.us_per_count > 0)
            yield _agreement(about, line, rig)
    for line in found.lines:
        about = CheckFactory("pulse", f"pulse line {line.name}")
        if line.fit is None:
            yield about.not_tested(FOLLOWS, line.note)
        elif line.fit.also:
            yield _agreement(about, line, rig)  # the scale is measured for any channel


def _words(line: PulseLine) -> str:
    fit = line.fit
    assert fit is not None
    way = "follows" if fit.us_per_count > 0 else "runs against"
    centre = f"{fit.centre_us:.2f} µs at 992 counts, " if fit.is_centre_known else ""
    return (
        f"{line.name} {way} channel {fit.channel}: {centre}{fit.us_per_count:.5f} µs a count,"
        f" residual {fit.residual_us:.2f} µs rms"
    )


def _agreement(about: CheckFactory, line: PulseLine, rig: Rig) -> Check:
    fit = line.fit
    assert fit is not None
    if not fit.is_centre_known:
        why = f"{line.name} moved too evenly: its width at 992 counts is unknown: move its control quickly, both ways"
        return about.not_tested(AGREES, why, unit="µs", limit=rig.limits.pulse_us)
    ends = (fit.min_counts, fit.max_counts)
    worst = max(ends, key=lambda counts: abs(fit.width_us(counts) - rig.scale.to_us(float(counts))))
    measured, expected = fit.width_us(worst), float(rig.scale.to_us(float(worst)))
    said = f"{measured:.1f} µs at {worst} counts, by the plan's scale {expected:.1f} µs"
    return about.within(AGREES, said, measured=measured, expected=expected, limit=rig.limits.pulse_us, unit="µs")
