"""A recording held against a plan."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.capture.reading import Recording
from busbench.rig.model import Rig
from busbench.verify.channel_checks import check_channels
from busbench.verify.check import About, Check, Verdict, overall
from busbench.verify.evidence import Evidence, Mapped, map_channels
from busbench.verify.failsafe_checks import check_failsafe
from busbench.verify.line_checks import check_line
from busbench.verify.link_loss import LinkLoss, find_link_loss
from busbench.verify.turns import Turn, find_turns


@dataclass(frozen=True, slots=True, eq=False)
class Verification:
    """All checks and what they were made on.

    Args:
        checks: in the order line, channels, failsafe, pulses, walk.
        evidence: the recording and the plan.
        channels: those of the plan.
        turns: stretches in which one control was moved, by its name.
        loss: stretch in which the transmitter was off, if any.
    """

    checks: tuple[Check, ...]
    evidence: Evidence
    channels: tuple[Mapped, ...]
    turns: dict[str, Turn]
    loss: LinkLoss | None

    @property
    def verdict(self) -> Verdict:
        """Pass only where every check passed."""
        return overall(self.checks)

    def count(self, verdict: Verdict) -> int:
        """How many checks came out so."""
        return sum(check.verdict is verdict for check in self.checks)

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        return {
            "rig": self.evidence.rig.plan.name,
            "verdict": self.verdict.value,
            "passed": self.count(Verdict.PASS),
            "failed": self.count(Verdict.FAIL),
            "not_tested": self.count(Verdict.NOT_TESTED),
            "checks": [check.to_json() for check in self.checks],
        }


def verify(recording: Recording, rig: Rig, *, more: tuple[Check, ...] = ()) -> Verification:
    """Hold a recording against a plan.

    The recording is best one round: leave all controls alone for some seconds; then take one control at a
    time, first to the end that the plan's `high_when` names, hold, to the other end, hold, let go, and wait
    for a second; at last hold the controls away from their failsafe positions, switch the transmitter off for
    a few seconds and on again. Marks in the recording that name a control, "transmitter off" or
    "transmitter on" take the place of guessing.

    Args:
        recording: all frames.
        rig: the plan with its limits.
        more: checks made elsewhere on the same recording, as those of pulse outputs.

    Returns:
        All checks; those for which the recording holds nothing are not tested.
    """
    evidence = Evidence(recording, rig)
    channels = map_channels(rig)
    loss = find_link_loss(evidence)
    turns = find_turns(evidence, channels) if len(recording.frames) else {}
    checks = [*check_line(evidence, loss)]
    if len(recording.frames):
        checks += [*check_channels(evidence, channels, turns), *check_failsafe(evidence, channels, loss)]
    else:
        why = "there are no frames"
        checks += [About("channel", one.subject, one.channel).not_tested("channel", why) for one in channels]
        checks.append(About("failsafe", "failsafe").not_tested("failsafe", why))
    return Verification((*checks, *more), evidence, channels, turns, loss)
