"""Steps of the test sequence as the recording's annotations have them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from busbench.verify.inputs import VerifyInputs
from busbench.verify.marks import DONE_MARK, FOLLOWS, ROUND_MARKS


@dataclass(frozen=True, slots=True)
class Window:
    """One step, and the pause after it."""

    word: str  # of its annotation, a control as the plan spells it
    start_s: float  # when it began
    first: int  # first, done, stop: rows: its first, the one after its last, the one after the pause that follows
    done: int
    stop: int
    # True if the same step, or one that it follows from, begins again later, which takes its place
    is_repeated: bool


def find_windows(evidence: VerifyInputs, controls: Collection[str]) -> tuple[Window, ...]:
    """All steps that are annotated, in the order of time; other annotations, as of an unplugged adapter, end none."""
    by_word = {word.casefold(): word for word in (*ROUND_MARKS, *controls)}
    marks = [(t, by_word[text.casefold()]) for t, text in evidence.marks_s() if text.casefold() in by_word]
    last = {word: at for at, (_, word) in enumerate(marks)}
    found = []
    for at, (t, word) in enumerate(marks):
        if word == DONE_MARK:
            continue
        ends = [later for later, _ in marks[at + 1 :]] or [evidence.end_s + 1]
        stop_s = next((later for later, other in marks[at + 1 :] if other != DONE_MARK), evidence.end_s + 1)
        rows = (evidence.row_at(t), evidence.row_at(ends[0]), evidence.row_at(stop_s))
        causes = [word, *(cause for cause, effects in FOLLOWS.items() if word in effects)]
        found.append(Window(word, t, *rows, is_repeated=any(last.get(one, -1) > at for one in causes)))
    return tuple(found)
