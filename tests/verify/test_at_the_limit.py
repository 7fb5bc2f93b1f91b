"""A figure that is just its limit passes, in words too; one that is a millionth beyond it does not."""

from __future__ import annotations

import msgspec
import pytest

from busbench.rig.model import Rig
from busbench.verify.result import Check, Verdict
from busbench.verify.verify import verify
from tests.verify.changed_rounds import Changed
from tests.verify.rounds import RIG

# Check, limit in the plan, the verdict just beyond it, and what is said there only.
FIGURES = [
    ("jitter", "jitter_ms", Verdict.NOT_TESTED, "; to know the receiver's own jitter"),
    ("missing frames", "loss_pct", Verdict.NOT_TESTED, "; too few frames to promise"),
    ("longest outage", "outage_s", Verdict.FAIL, "; it began "),
    ("delay", "failsafe_after_s", Verdict.FAIL, ": too late"),
    # A person may switch on a second before the step says so.
    ("recovery", "recovery_s", Verdict.NOT_TESTED, ": switch on as you go on"),
]


def limited(name: str, value: float) -> Rig:
    return msgspec.structs.replace(RIG, limits=msgspec.structs.replace(RIG.limits, **{name: value}))


CASES = [(*one, False) for one in FIGURES] + [(*one, True) for one in FIGURES[2:]]  # the line is judged once


@pytest.mark.parametrize(
    ("name", "limit", "verdict", "words", "is_silent"), CASES, ids=[f"{one[0]}-{one[4]}" for one in CASES]
)
def test_a_figure_at_its_limit_passes_in_words_too(
    name: str, limit: str, verdict: Verdict, words: str, is_silent: bool
) -> None:
    round_ = Changed(RIG)
    round_.is_sent[1000:1003] = False
    if is_silent:
        round_.is_sent[2213:2454] = False  # without link, after 33.195 s
        round_.marks = [(t_ns - 200_000_000 * (text == "transmitter off"), text) for t_ns, text in round_.marks]

    def judged(rig: Rig) -> Check:
        recording = round_.recording(rig, has_marks=True)
        (check,) = (one for one in verify(recording, rig).checks if one.name == name)
        return check

    measured = judged(RIG).measured
    assert measured is not None
    assert measured > 0.01
    at, beyond = judged(limited(limit, measured)), judged(limited(limit, measured - 1e-6))
    assert (at.verdict, words in at.sentence) == (Verdict.PASS, False)
    assert (beyond.verdict, words in beyond.sentence) == (verdict, True)
