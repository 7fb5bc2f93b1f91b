"""Steps of the test sequence by the recording's annotations; the text of each, for a control its name."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from math import inf

from busbench.verify.inputs import VerifyInputs

REST_MARK, DONE_MARK, AWAY_MARK, LET_GO_MARK = "rest", "done", "controls held away", "controls let go"
OFF_MARK, ON_MARK = "transmitter off", "transmitter on"
POWER_MARK, LINK_MARK = "receiver on", "transmitter on after the receiver"
ROUND_MARKS = (REST_MARK, DONE_MARK, AWAY_MARK, OFF_MARK, ON_MARK, LET_GO_MARK, POWER_MARK, LINK_MARK)
HELD_MARKS = (AWAY_MARK, OFF_MARK, ON_MARK, LET_GO_MARK)  # controls are held away in these steps
# Steps that must be repeated after a repeated step.
FOLLOWS = {AWAY_MARK: (OFF_MARK, ON_MARK, LET_GO_MARK), POWER_MARK: (LINK_MARK,)}


@dataclass(frozen=True, slots=True)
class Window:
    """One step, and the pause after it."""

    word: str  # text of its annotation; a control as spelled in the plan
    start_s: float  # its start
    first: int  # first, done, stop: rows: its first, the one after its last, the one after the pause that follows
    done: int
    stop: int
    # True if a later repetition of it, or of an earlier step, replaces it
    is_repeated: bool


def find_windows(evidence: VerifyInputs, controls: Collection[str]) -> tuple[Window, ...]:
    """All annotated steps, ordered by time; other annotations, such as of an unplugged adapter, are ignored."""
    by_word = {word.casefold(): word for word in (*ROUND_MARKS, *controls)}
    marks = [(t, by_word[text.casefold()]) for t, text in evidence.marks_s() if text.casefold() in by_word]
    last = {word: at for at, (_, word) in enumerate(marks)}
    found = []
    for at, (t, word) in enumerate(marks):
        if word == DONE_MARK:
            continue
        ends = [later for later, _ in marks[at + 1 :]] or [inf]
        stop_s = next((later for later, other in marks[at + 1 :] if other != DONE_MARK), inf)
        rows = (evidence.row_at(t), evidence.row_at(ends[0]), evidence.row_at(stop_s))
        causes = [word, *(cause for cause, effects in FOLLOWS.items() if word in effects)]
        found.append(Window(word, t, *rows, is_repeated=any(last.get(one, -1) > at for one in causes)))
    return tuple(found)
