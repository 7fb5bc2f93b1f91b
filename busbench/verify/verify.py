"""Check a recording against a plan."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from shlex import quote

from busbench.analysis.notebook import html_of
from busbench.analysis.recording import Recording
from busbench.errors import pluralize
from busbench.rig.check import check_rig
from busbench.rig.finding import Finding, listed
from busbench.rig.model import Rig
from busbench.verify.channel_checks import check_channels
from busbench.verify.control_moves import ControlMove, find_moved
from busbench.verify.failsafe_checks import check_failsafe
from busbench.verify.inputs import ChannelPlan, VerifyInputs, channel_plans
from busbench.verify.line_checks import check_line
from busbench.verify.link_loss import LinkLoss
from busbench.verify.phases import Phases, find_phases
from busbench.verify.power_up_checks import check_power_up
from busbench.verify.result import Check, CheckFactory, Verdict, overall

# The check functions of a recording, in the order of the page; add new ones here.
CHECKS: list[Callable[[VerifyInputs, Sequence[ChannelPlan], Phases], Iterable[Check]]] = [
    check_channels,
    check_failsafe,
    check_power_up,
]


@dataclass(frozen=True, slots=True, eq=False)
class Verification:
    """All checks and their inputs.

    Args:
        checks: in the order plan, line, channels, failsafe, pulses, walk; of the plan only failures.
        evidence: the recording and the plan.
        channels: those of the plan.
        phases: the phase of each frame, None without frames.
        findings: findings about the plan itself, faults first.
        unplanned: channels (1-18) that moved although the plan has no device on them.
    """

    checks: tuple[Check, ...]
    evidence: VerifyInputs
    channels: tuple[ChannelPlan, ...]
    phases: Phases | None
    findings: tuple[Finding, ...] = ()
    unplanned: tuple[int, ...] = ()

    @property
    def control_moves(self) -> dict[str, ControlMove]:
        """The moves of single controls, by name."""
        return {} if self.phases is None else self.phases.control_moves

    @property
    def loss(self) -> LinkLoss | None:
        """The time in which the transmitter was off, if any."""
        return None if self.phases is None else self.phases.loss

    @property
    def verdict(self) -> Verdict:
        """Pass only if every check passed."""
        return overall(self.checks)

    def count(self, verdict: Verdict) -> int:
        """The number of checks with a verdict."""
        return sum(check.verdict is verdict for check in self.checks)

    @property
    def faults(self) -> tuple[Finding, ...]:
        """The findings that must be corrected; with any, nothing passes."""
        return faults_of(self.findings)

    @property
    def unplanned_words(self) -> str:
        """Channels that moved but are not in the plan, in words; "" without any."""
        if not self.unplanned:
            return ""
        word = "channel" if len(self.unplanned) == 1 else "channels"
        return f"not in the plan, but moved: {word} {listed(map(str, self.unplanned))}"

    def _repr_html_(self) -> str:
        return html_of(self.to_json())

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        return {
            "rig": self.evidence.rig.plan.name,
            **self.evidence.recording.info.origin.to_json(),
            "verdict": self.verdict.value,
            "passed": self.count(Verdict.PASS),
            "failed": self.count(Verdict.FAIL),
            "not_tested": self.count(Verdict.NOT_TESTED),
            "plan_faults": [{"where": one.where, "what": one.what} for one in self.faults],
            "unplanned_channels_moved": list(self.unplanned),
            "checks": [check.to_json() for check in self.checks],
        }


def verify(recording: Recording, rig: Rig, *, more: tuple[Check, ...] = ()) -> Verification:
    """Check a recording against a plan.

    The recording should be one test sequence: leave all controls alone for some seconds; then take one control at a
    time, first to the end that the plan's `high_when` names, hold, to the other end, hold, let go, and wait
    for a second; at last hold the controls away from their failsafe positions (those that must hold: away
    from rest), switch the transmitter off for a few seconds and on again. Annotations in the recording that name a
    control, "transmitter off" or "transmitter on" take the place of guessing. Without them a motor's move counts
    only if it fits the others: see motor_moves.

    Args:
        more: checks made elsewhere on the same recording, such as those of pulse outputs.

    Returns:
        All checks; those that the recording cannot answer are not tested.
    """
    found = verify_controls(recording, rig)
    checks = (*_check_plan(found.findings), *check_line(found.evidence, found.phases), *found.checks, *more)
    return replace(found, checks=checks)


def verify_controls(
    recording: Recording, rig: Rig, *, period_ns: float | None = None, findings: Sequence[Finding] | None = None
) -> Verification:
    """The checks that are possible during a test sequence: all except the line and the plan itself."""
    evidence = VerifyInputs(recording, rig, period_ns)
    channels = channel_plans(rig)
    phases = find_phases(evidence, channels) if len(recording.frames) else None
    checks: list[Check] = []
    unplanned: tuple[int, ...] = ()
    if phases is not None:
        planned = {mapped.channel for mapped in channels}
        unplanned = tuple(channel for channel in find_moved(evidence) if channel not in planned)
        for check in CHECKS:
            checks += check(evidence, channels, phases)
    else:
        why = "there are no frames"
        checks += [CheckFactory("channel", one.subject, one.channel).not_tested("channel", why) for one in channels]
        checks.append(CheckFactory("failsafe", "failsafe").not_tested("failsafe", why))
    findings = check_rig(rig) if findings is None else findings
    return Verification(tuple(checks), evidence, channels, phases, tuple(findings), unplanned)


def faults_of(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings that must be corrected."""
    return tuple(one for one in findings if one.severity == "fault")


def faults_words(findings: Sequence[Finding], *, rig_path: str) -> str:
    """The faults of a plan in words, with the command that lists them; "" without any."""
    number = len(faults_of(findings))
    return f"the plan has {pluralize(number, 'fault')}: see `busbench rig check {quote(rig_path)}`" if number else ""


def _check_plan(findings: Sequence[Finding]) -> Iterator[Check]:
    """A failed check if the plan has faults, else none: a clean plan proves nothing about the aircraft."""
    if faults := faults_of(findings):
        where = listed(dict.fromkeys(one.where for one in faults))
        said = f"{pluralize(len(faults), 'fault')} ({where}): all else is held against a plan that cannot be right"
        yield CheckFactory("plan", "plan").is_so("faults", said, good=False)
