"""All checks of a recording for people: what failed stands last, where a terminal shows it, beside the verdict."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING

from busbench.errors import plain
from busbench.verify.check import CAUTION, Check, Verdict

if TYPE_CHECKING:
    from busbench.verify.verify import Verification

WIDTH = 80
_NAME = 24  # of a check, with the blanks before it
_HEADS = {Verdict.PASS: "PASSED", Verdict.NOT_TESTED: "NOT TESTED", Verdict.FAIL: "FAILED"}
_UNSPARED = ("frames", "glitches")  # things that may not be there at all


def verify_lines(found: Verification) -> Iterator[str]:
    """The checks under their verdicts, none wider than 80 columns, then the verdict of the whole."""
    for verdict, head in _HEADS.items():
        checks = [check for check in found.checks if check.verdict is verdict]
        if checks:
            yield head
        for subject, some in groupby(checks, key=lambda check: check.subject):
            yield f"  {plain(subject)}"
            for check in some:
                yield from _check_lines(check)
        if checks:
            yield ""
    rig = found.evidence.rig
    order = (Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED)
    counts = ", ".join(f"{found.count(verdict)} {_HEADS[verdict].lower()}" for verdict in order)
    yield "to spare: how far inside its limit a value is"
    yield f"µs assumes {rig.scale.describe()}"
    yield f"{plain(rig.plan.name)}: {found.verdict.value.upper()} ({counts})"
    yield from textwrap.wrap(CAUTION, WIDTH)


def _check_lines(check: Check) -> list[str]:
    said = plain(check.sentence)
    if check.margin is not None and check.margin > 0 and check.unit not in _UNSPARED and check.channel not in (17, 18):
        said += f" ({check.margin:.3g} {check.unit} to spare)"
    line = f"    {check.name:<{_NAME - 5}} {said}"
    return textwrap.wrap(line, WIDTH, subsequent_indent=" " * _NAME, break_long_words=False)
