"""All checks of a recording for people; failures come last, beside the verdict, where a terminal shows them."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from busbench.errors import sanitize
from busbench.verify.result import CAUTION, VIRTUAL, Check, Verdict
from busbench.verify.verify import Verification, faults_words

WIDTH = 80
NARROW = 0.25  # share of its limit: checks with less margin are pointed out
_NAME = 24  # width of a check name, with leading blanks
_WORDS = {Verdict.PASS: "passed", Verdict.NOT_TESTED: "not tested", Verdict.FAIL: "failed"}
UNPLANNED = "Was it held against the right plan? Unless a motor is in the plan, nothing locks it."
_UNSPARED = ("frames", "glitches")  # subjects that may be absent


def verify_lines(
    found: Verification,
    *,
    rig_path: str = "RIG.toml",
    answers: str = "",
    is_virtual: bool = False,
    shows_all: bool = False,
) -> Iterator[str]:
    """The checks by verdict in 80 columns, then the total.

    Args:
        rig_path: the rig file.
        answers: file of the answers of a walk, "" without.
        is_virtual: True for a virtual receiver or aircraft.
        shows_all: True also lists each passed channel.
    """
    of = {verdict: [check for check in found.checks if check.verdict is verdict] for verdict in _WORDS}
    passed = of[Verdict.PASS]
    narrow = [] if shows_all else [check for check in passed if _is_narrow(check)]
    told = [check for check in passed if shows_all or (check.part == "line" and check not in narrow)]
    named = [check for check in passed if check not in told and check not in narrow]
    if told or named:
        yield "PASSED"
        yield from _in_full(told)
        yield from _by_name(named)
        yield ""
    for head, checks, lines in (
        ("PASSED, WITH LITTLE TO SPARE", narrow, _in_full),
        ("NOT TESTED", of[Verdict.NOT_TESTED], _by_reason),
        ("FAILED", of[Verdict.FAIL], _in_full),
    ):
        if checks:
            yield head
            yield from lines(checks)
            if answers and head == "NOT TESTED" and any(check.part == "walk" for check in checks):
                yield from textwrap.wrap(
                    f"  Answers of the walk are in {sanitize(answers)}: go on there with `busbench walk PORT --rig"
                    f" {sanitize(rig_path)} --answers {sanitize(answers)} --resume`",
                    WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False,
                )  # fmt: skip
            yield ""
    if found.unplanned:
        yield "TO LOOK AT"
        yield from textwrap.wrap(f"  {found.unplanned_words}", WIDTH, subsequent_indent="    ")
        yield from textwrap.wrap(f"    {UNPLANNED}", WIDTH, subsequent_indent="    ")
        yield ""
    rig = found.evidence.rig
    counts = ", ".join(
        f"{len(of[verdict])} {_WORDS[verdict]}" for verdict in (Verdict.PASS, Verdict.FAIL, Verdict.NOT_TESTED)
    )
    yield "to spare: how far inside its limit a value is" + ("" if shows_all else "; --all writes out what passed")
    yield f"µs assumes {rig.scale.describe()}"
    amiss = sanitize(faults_words(found.findings, rig_path=rig_path))
    yield from textwrap.wrap(amiss, WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    yield f"{sanitize(rig.plan.name)}: {found.verdict.value.upper()} ({counts})"
    yield from textwrap.wrap(CAUTION, WIDTH)
    if is_virtual:
        yield VIRTUAL


def _by_subject(checks: Sequence[Check]) -> dict[str, list[Check]]:
    grouped: dict[str, list[Check]] = {}
    for check in checks:
        grouped.setdefault(sanitize(check.subject), []).append(check)
    return grouped


def _in_full(checks: Sequence[Check]) -> Iterator[str]:
    for subject, some in _by_subject(checks).items():
        yield f"  {subject}"
        for check in some:
            said = sanitize(check.message) + _spare(check)
            line = f"    {check.name:<{_NAME - 5}} {said}"
            yield from textwrap.wrap(line, WIDTH, subsequent_indent=" " * _NAME, break_long_words=False)


def _by_name(checks: Sequence[Check], *, indent: int = 2) -> Iterator[str]:
    for subject, some in _by_subject(checks).items():
        names = [check.name for check in some if check.name != check.part]  # empty if all of it is meant
        line = f"{' ' * indent}{subject}{': ' if names else ''}{', '.join(names)}"
        yield from textwrap.wrap(line, WIDTH, subsequent_indent=" " * (indent + 2), break_long_words=False)


def _by_reason(checks: Sequence[Check]) -> Iterator[str]:
    for reason in dict.fromkeys(check.sentence for check in checks):
        yield from textwrap.wrap(f"  {sanitize(reason)}", WIDTH, subsequent_indent="  ", break_long_words=False)
        yield from _by_name([check for check in checks if check.sentence == reason], indent=4)


def _spare(check: Check) -> str:
    has_spare = check.margin is not None and check.margin > 0 and check.unit not in _UNSPARED
    return f" ({check.margin:.3g} {check.unit} to spare)" if has_spare else ""


def _is_narrow(check: Check) -> bool:
    if check.margin is None or not check.limit or check.unit in _UNSPARED:
        return False
    return check.margin < NARROW * abs(check.limit)
