"""Every check of a test sequence, whole, as it is kept in verdicts.txt: no verdict, sentence or figure changes unseen.

First the sequence without a fault, then of each fault the checks that are not as there, with annotations and without.
Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes them all again; read the difference then.
"""

from __future__ import annotations

import os
import re
from functools import cache
from pathlib import Path
from typing import get_args

import heron
import pytest

from busbench.verify.verify import verify
from tests.verify.rounds import RIG, round_of

KEPT = Path(__file__).with_name("verdicts.txt")
HELD = dict(re.findall(r"^## (.*)\n((?:(?!## ).*\n)*)", KEPT.read_text("utf-8"), re.MULTILINE))
FAULTS: tuple[heron.Fault, ...] = get_args(heron.Fault)


@cache
def lines_of(*faults: heron.Fault, has_marks: bool) -> tuple[str, ...]:
    """A line for each check: verdict, subject, name, figures, sentence."""
    checks = verify(round_of(*faults, has_marks=has_marks), RIG).checks
    return tuple(
        f"{one.verdict} | {one.subject} | {one.name} | "
        f"{' '.join('-' if value is None else f'{value:.6g}' for value in figures)} {one.unit} | {one.sentence}\n"
        for one in checks
        for figures in [(one.measured, one.expected, one.limit, one.margin)]
    )


def text_of(title: str) -> str:
    """What belongs below a title: a fault or "no fault", with or without annotations."""
    name, _, marks = title.partition(", ")
    has_marks = marks == "annotated"
    sound = lines_of(has_marks=has_marks)
    if name == "no fault":
        return "".join(sound)
    return "".join(line for line in lines_of(name, has_marks=has_marks) if line not in sound)


TITLES = [f"{name}, {marks}" for marks in ("annotated", "not annotated") for name in ("no fault", *FAULTS)]


@pytest.mark.parametrize("title", TITLES)
def test_verdicts_of_a_test_sequence(title: str) -> None:
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        if title == TITLES[0]:
            KEPT.write_text("".join(f"## {one}\n{text_of(one)}" for one in TITLES), "utf-8")
        return
    assert text_of(title) == HELD[title]
