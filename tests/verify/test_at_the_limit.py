"""A figure that is just its limit passes, in words too; one that is a millionth beyond it does not."""

from __future__ import annotations

import msgspec
import pytest

from busbench.rig.model import Rig
from busbench.verify.result import Check, Verdict
from busbench.verify.verify import verify
from tests.verify.changed_rounds import Changed
from tests.verify.rounds import RIG

# Check, limit in the plan, and what is said beyond it only.
FIGURES = [
    ("longest outage", "outage_s", "; it began "),
    ("delay", "failsafe_after_s", ": too late"),
    ("recovery", "recovery_s", ": switch on as you go on"),
]


def limited(name: str, value: float) -> Rig:
    return msgspec.structs.replace(RIG, limits=msgspec.structs.replace(RIG.limits, **{name: value}))


@pytest.mark.parametrize("is_silent", [False, True])
@pytest.mark.parametrize(("name", "limit", "words"), FIGURES, ids=[one[0] for one in FIGURES])
def test_a_figure_at_its_limit_passes_in_words_too(name: str, limit: str, words: str, is_silent: bool) -> None:
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
    # A person may switch on a second before the step says so.
    assert beyond.verdict is (Verdict.NOT_TESTED if name == "recovery" else Verdict.FAIL)
    assert words in beyond.sentence
