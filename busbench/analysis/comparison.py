"""Two recordings of one receiver, or of two: what changed from the old one to the new.

All intervals of a pair hold together: the chance that any of them misses the truth is at most CHANCE, of which each
figure has its share (Bonferroni with weights). So two recordings of one state differ "by chance" in at most 5 of 100
pairs, however many channels they have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from busbench.analysis.change import Change, Figure
from busbench.analysis.compared_channels import (
    compare_channel,
    compare_delay,
    compare_failsafe,
    measure_channels,
    measure_failsafe,
)
from busbench.analysis.compared_losses import compare_burst_lengths, compare_bursts, find_bursts
from busbench.analysis.compared_timing import compare_jitter, compare_latency, compare_period, measure_timing
from busbench.analysis.notebook import html_of
from busbench.wire.frame_spec import CHANNELS

if TYPE_CHECKING:
    from busbench.analysis.pulses import Pulses
    from busbench.analysis.recording import Recording
    from busbench.rig.model import Rig

# Of the 5 % with which any figure of a pair may be called different by chance; some is spare, since errors are
# themselves estimates (tools/study_comparison.py).
_PERIOD, _JITTER, _BURSTS, _LENGTHS, _DELAY, _CHANNELS, _LATENCY = 0.005, 0.006, 0.008, 0.008, 0.005, 0.01, 0.004
CHANCE = _PERIOD + _JITTER + _BURSTS + _LENGTHS + _DELAY + _CHANNELS + _LATENCY
_OF_A_CHANNEL = 4  # endpoints, centre, noise


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed from one recording to another.

    Args:
        figures: those that either recording shows; of the channels, those that both show.
    """

    figures: tuple[Figure, ...]

    @property
    def verdict(self) -> Change:
        """`different` if any figure is, `same` if all are, else `cannot tell`."""
        said = {figure.verdict for figure in self.figures}
        if "different" in said:
            return "different"
        return "same" if said == {"same"} else "cannot tell"

    def count(self, verdict: Change) -> int:
        """How many figures came out so."""
        return sum(figure.verdict == verdict for figure in self.figures)

    def to_json(self) -> dict[str, object]:
        """Plain values; the units of a figure are its own."""
        return {"verdict": self.verdict, "figures": [figure.to_json() for figure in self.figures]}

    def _repr_html_(self) -> str:
        return html_of(self.to_json())


def compare(
    old: Recording, new: Recording, *, rig: Rig | None = None, pulses: tuple[Pulses, Pulses] | None = None
) -> Comparison:
    """Compare two recordings of like motion: the same receiver before and after, or two receivers.

    Args:
        old: what is compared against.
        new: what may have changed.
        pulses: pulse outputs of both, old and new, whose latencies are compared then.
        rig: the plan; only channels that a device obeys are compared then, by the devices' names.

    Returns:
        Each figure of both with its floor, the interval of its change and a verdict.
    """
    timings = [measure_timing(one.timeline) for one in (old, new)]
    figures = [compare_period(*timings, chance=_PERIOD), compare_jitter(*timings, chance=_JITTER)]
    bursts = [find_bursts(one.outages()) for one in (old, new)]
    if bursts[0] is not None and bursts[1] is not None:
        figures.append(compare_bursts(bursts[0], bursts[1], chance=_BURSTS))
        lengths = compare_burst_lengths(bursts[0], bursts[1], chance=_LENGTHS)
        figures += [] if lengths is None else [lengths]
    devices = _devices(rig)
    channels = [measure_channels(one.frames) for one in (old, new)]
    chance = _CHANNELS / max(1, _OF_A_CHANNEL * len(devices))
    for channel, names in devices.items():
        of = compare_channel(channels[0][channel - 1], channels[1][channel - 1], chance=chance)
        figures += [replace(figure, subject=f"ch{channel}", devices=names) for figure in of]
    before, after = (measure_failsafe(one.frames, has_clock=one.clock.is_known) for one in (old, new))
    if (before or after) and old.clock.is_known and new.clock.is_known:
        figures.append(compare_delay(before, after, chance=_DELAY))
    if before is not None and after is not None:
        values = [(compare_failsafe(before, after, channel), channel) for channel in devices]
        figures += [
            replace(value, subject=f"ch{channel}", devices=devices[channel]) for value, channel in values if value
        ]
    if pulses is not None:
        figures += compare_latency(*pulses, chance=_LATENCY)
    return Comparison(tuple(figures))


def _devices(rig: Rig | None) -> dict[int, str]:
    """Channels that are compared, 1-16, and the names of the devices on each."""
    if rig is None:
        return dict.fromkeys(range(1, CHANNELS + 1), "")
    named: dict[int, list[str]] = {}
    for device in rig.driven:
        if device.channel is not None and device.channel <= CHANNELS:
            named.setdefault(device.channel, []).append(device.name)
    return {channel: ", ".join(names) for channel, names in sorted(named.items())}
