"""Steps to repeat in a guided check, and why, at the end of each step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busbench.verify.channel_checks import REST, away_rows
from busbench.verify.phases import name_frames
from busbench.verify.procedure import TestStep
from busbench.verify.result import Check, Verdict
from busbench.verify.verify import Verification
from busbench.verify.windows import AWAY_MARK, LET_GO_MARK, LINK_MARK, POWER_MARK, REST_MARK


@dataclass(frozen=True, slots=True)
class Repeat:
    """One step to repeat."""

    mark: str  # annotation of the step; "" for the whole test sequence: no repetition excuses a motor that ran
    why: str

    @property
    def message(self) -> str:
        """For people, in one line."""
        what = f'repeat "{self.mark}"' if self.mark else "start the whole test sequence again"
        return f"{what}: {self.why}"


def checks_of(found: Verification, step: TestStep) -> tuple[Check, ...]:
    """The checks that are possible at the end of a step."""
    parts = {LET_GO_MARK: "failsafe", LINK_MARK: "power-up"}
    if step.mark in parts:
        return tuple(check for check in found.checks if check.part == parts[step.mark])
    rests = [check for check in found.checks if (check.part, check.name) == ("channel", REST)]
    if step.mark == REST_MARK:
        return tuple(rests)
    motors = {mapped.channel for mapped in found.channels if mapped.must_rest}
    own = [check for check in found.checks if check.part == "channel" and check.channel in step.channels]
    ran = [check for check in rests if check.channel in motors and check.verdict is Verdict.FAIL and check not in own]
    return (*own, *ran)


def find_repeats(found: Verification, step: TestStep) -> Iterator[Repeat]:
    """The steps to repeat found at the end of a step, each with its first reason."""
    phases, evidence = found.phases, found.evidence
    if phases is None:
        return
    steps = [window for window in phases.windows if not window.is_repeated]
    since = steps[-2].first if len(steps) > 1 else 0
    reasons: dict[str, str] = {}
    for mapped in found.channels:
        _, rows = away_rows(evidence, found.channels, mapped, phases)
        rows = rows[rows >= since]
        if rows.size:
            mark = next((one.word for one in steps if one.first <= rows[0] < one.stop), REST_MARK)
            why = f"{mapped.subject}: {name_frames(evidence, phases, mapped, np.asarray(rows))}, away from rest"
            reasons.setdefault("" if mapped.must_rest else mark, why)
    again = {LET_GO_MARK: AWAY_MARK, LINK_MARK: POWER_MARK}.get(step.mark, step.mark)
    for check in checks_of(found, step):
        if check.verdict is not Verdict.PASS and check.name != REST:
            reasons.setdefault(again, f"{check.subject}: {check.name}: {check.message}")
    for mark, why in sorted(reasons.items()):
        yield Repeat(mark, why)
