"""Every check of rounds with one thing wrong, at its limit and just beyond, as it is kept in odd_verdicts.txt.

Each is held beside a good round, and only what differs from that is kept: the first frame of each phase; of a check
verdict, channels, name, figures (measured, planned, limit, margin), the frame that shows it, and the sentence; what a
guided check would repeat at the end of a step. Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes
them all again; read the difference then.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from tests.verify.changed_rounds import Case
from tests.verify.edge_rounds import EDGES
from tests.verify.odd_rounds import CASES as ODD

CASES = [*ODD, *EDGES]
KEPT = Path(__file__).with_name("odd_verdicts.txt")
HELD = dict(re.findall(r"^## (.*)\n((?:(?!## ).*\n)*)", KEPT.read_text("utf-8"), re.MULTILINE))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.heading)
def test_verdicts_of_an_odd_round(case: Case) -> None:
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        if case is CASES[0]:
            KEPT.write_text("".join(f"## {one.heading}\n{one.text()}" for one in CASES), "utf-8")
        return
    assert case.text() == HELD[case.heading]


def test_each_round_is_kept_once() -> None:
    assert [case.heading for case in CASES] == list(HELD)
