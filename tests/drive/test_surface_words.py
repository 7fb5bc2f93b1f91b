"""What the walk says and takes in each of its states."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busbench.drive.surface_check import (
    KEYS,
    NOTE_MAX,
    QUESTIONS,
    Ended,
    Entry,
    Event,
    Move,
    Moved,
    Station,
    SurfacePhase,
    Walk,
    Word,
    Wrote,
    begin,
    question_text,
    resume,
    tally,
)

AILERON = Station("left aileron", 0, ("left aileron",), "up", "down", True, 173, 992, 1811)
PAIR = Station("elevators", 15, ("left elevator", "right elevator"), "up", "down", False, 500, 1000, 1250, "mirrored")
RELEASE = Station("tow release", 16, ("tow release",), "on", "off", True, 0, 0, 1)
HORNS = replace(RELEASE, name="horns", channel=17, members=("left horn", "right horn"))
STOPS = (AILERON, PAIR, RELEASE)
RAN, CUT, LOST = (Moved(Move("2026-05-01T09:30:00Z", 2.0, ended)) for ended in Ended)
GO, YES, NO, ANSWER, REPEAT, SKIP, BACK, NOTE, END = Word
ALL_YES: tuple[Event, ...] = (GO, RAN, YES, YES, YES, YES)
READY, MOVING, STOPPED, ASKING, REVIEW, OVER = SurfacePhase
Events = tuple[Event, ...]


def after(*events: Event, walk: Walk | None = None) -> Walk:
    state = walk or begin(STOPS)
    for event in events:
        state = state.after(event)
    return state


WORDS: list[tuple[Events, SurfacePhase, tuple[Word, ...]]] = [
    ((), READY, (GO, SKIP, NOTE, END)),
    ((GO,), MOVING, (SKIP, END)),
    ((GO, CUT), STOPPED, (REPEAT, ANSWER, SKIP, NOTE, END)),
    ((GO, LOST), STOPPED, (REPEAT, ANSWER, SKIP, NOTE, END)),
    ((GO, Moved(None)), STOPPED, (REPEAT, SKIP, NOTE, END)),
    ((GO, RAN), ASKING, (YES, NO, REPEAT, SKIP, NOTE, END)),
    ((GO, RAN, NO), ASKING, (YES, NO, REPEAT, SKIP, BACK, NOTE, END)),
    (ALL_YES, READY, (GO, SKIP, BACK, NOTE, END)),
    ((*ALL_YES, GO), MOVING, (SKIP, BACK, END)),
    ((*ALL_YES, GO, CUT), STOPPED, (REPEAT, ANSWER, SKIP, BACK, NOTE, END)),
    ((*ALL_YES, GO, RAN), ASKING, (YES, NO, REPEAT, SKIP, BACK, NOTE, END)),
    ((*ALL_YES, BACK), READY, (GO, ANSWER, SKIP, NOTE, END)),
    ((SKIP, SKIP, SKIP), REVIEW, (BACK, END)),
    ((END,), OVER, ()),
]


@pytest.mark.parametrize(("events", "phase", "words"), WORDS, ids=str)
def test_each_state_takes_its_words_and_no_others(events: Events, phase: SurfacePhase, words: tuple[Word, ...]) -> None:
    walk = after(*events)
    assert (walk.phase, walk.words) == (phase, words)
    for word in set(Word) - set(words):
        assert walk.after(word) == walk
    enters = END if phase is REVIEW else GO
    assert walk.keys == {"enter" if word is enters else KEYS[word]: word for word in words}
    assert walk.is_over == (phase is OVER)


def test_the_keys_of_the_words() -> None:
    assert {word.value: key for word, key in KEYS.items()} == {
        "move": "enter", "yes": "y", "no": "n", "answer": "a", "repeat": "r", "skip": "k", "back": "b", "note": "t",
        "end": "e",
    }  # fmt: skip
    assert after(SKIP, SKIP, SKIP).keys == {"b": BACK, "enter": END}


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ((), "1 of 3: left aileron, channel 1, up first"),
        ((SKIP,), "2 of 3: elevators, channel 16, up first (mirrored)"),
        ((SKIP, SKIP), "3 of 3: tow release, channel 17, on first"),
        ((SKIP, GO), "moving elevators: up first; any key stops"),
        ((SKIP, GO, CUT), "elevators was stopped"),
        ((GO, RAN, YES, NO, BACK), "Did it go up first, then down? (was: no)"),
        ((GO, RAN, YES, NO, BACK, BACK), "Did left aileron move, and nothing else? (was: yes)"),
        ((GO, RAN, YES, SKIP, BACK), "1 of 3: left aileron, channel 1, up first; 1 of 4 questions answered"),
        ((GO, RAN, YES, NO, NO, SKIP, BACK), "1 of 3: left aileron, channel 1, up first; 3 of 4 questions answered"),
        ((*ALL_YES, BACK), "1 of 3: left aileron, channel 1, up first; answered already"),
        ((SKIP, SKIP, SKIP), "3 to walk: no answer no, 3 skipped, none unanswered"),
        ((END,), ""),
    ],
    ids=str,
)
def test_what_is_said(events: Events, said: str) -> None:
    assert after(*events).prompt == said


@pytest.mark.parametrize(
    ("stop", "said"),
    [
        (
            AILERON,
            [
                "Did left aileron move, and nothing else?",
                "Did it go up first, then down?",
                "Did it reach its full throw both ways, and come back to neutral?",
                "Did it move smoothly, without jerk, hum or sticking?",
            ],
        ),
        (
            PAIR,
            [
                "Did elevators move, and nothing else?",
                "Did they go up first, then down?",
                "Did they reach their full throw both ways, and come back to neutral?",
                "Did they move smoothly, without jerk, hum or sticking?",
            ],
        ),
        (
            RELEASE,
            [
                "Did tow release move, and nothing else?",
                "Did it go on first, then off?",
                "Did it reach both its ends?",
                "Did it move smoothly, without jerk, hum or sticking?",
            ],
        ),
        (
            HORNS,
            [
                "Did horns move, and nothing else?",
                "Did they go on first, then off?",
                "Did they reach both their ends?",
                "Did they move smoothly, without jerk, hum or sticking?",
            ],
        ),
    ],
    ids=lambda value: value.name if isinstance(value, Station) else "",
)
def test_the_questions(stop: Station, said: list[str]) -> None:
    assert [question_text(question, stop) for question in QUESTIONS] == said
    walk = begin([stop]).after(GO).after(RAN)
    asked = []
    while walk.phase is ASKING:
        asked.append(walk.prompt)
        walk = walk.after(YES)
    assert asked == said


@pytest.mark.parametrize("ended", Ended)
def test_only_a_motion_that_ran_is_asked_about(ended: Ended) -> None:
    moved = Moved(Move("2026-05-01T09:30:00Z", 2.0, ended, "a reason", ("left aileron up",)))
    walk = after(GO, moved)
    assert walk.phase is (ASKING if ended is Ended.RAN else STOPPED)
    assert walk.entry.moves == (moved.move,)
    assert after(moved) == begin(STOPS)  # nothing was moving


@pytest.mark.parametrize(
    ("answers", "skipped", "state", "asked_first"),
    [
        ((None, None, None, None), False, "open", 0),
        ((None, None, None, None), True, "skipped", 0),
        ((True, None, True, None), False, "open", 1),
        ((True, False, None, True), True, "skipped", 2),
        ((False, False, False, False), False, "done", 0),
        ((True, True, True, True), True, "done", 0),
    ],
)
def test_the_state_of_a_station(answers: tuple[bool | None, ...], skipped: bool, state: str, asked_first: int) -> None:
    entry = Entry(AILERON, answers=answers, is_skipped=skipped)
    assert (entry.state, entry.asked_first, entry.is_done) == (state, asked_first, state == "done")


def entry(*answers: bool | None, is_skipped: bool = False) -> Entry:
    return Entry(AILERON, answers=answers, is_skipped=is_skipped)


DONE, BAD, OPEN, LEFT = (
    entry(True, True, True, True), entry(True, False, True, True), entry(True, None, None, None),
    entry(None, None, None, None, is_skipped=True),
)  # fmt: skip


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        ([DONE], "all 1 walked, every answer yes"),
        ([DONE, DONE], "all 2 walked, every answer yes"),
        ([DONE, BAD], "2 to walk: 1 answer no, none skipped, none unanswered"),
        ([BAD, entry(False, False, False, False)], "2 to walk: 5 answers no, none skipped, none unanswered"),
        ([DONE, OPEN], "2 to walk: no answer no, none skipped, 1 unanswered"),
        ([LEFT, LEFT, BAD, OPEN], "4 to walk: 1 answer no, 2 skipped, 1 unanswered"),
        ([LEFT, DONE], "2 to walk: no answer no, 1 skipped, none unanswered"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_tally(entries: list[Entry], said: str) -> None:
    assert tally(entries) == said
    assert Walk(tuple(entries)).is_good == said.startswith("all")


@pytest.mark.parametrize(
    ("entries", "at", "phase"),
    [([OPEN, DONE], 0, READY), ([DONE, LEFT], 1, READY), ([BAD, DONE, OPEN], 2, READY), ([BAD, DONE], 1, REVIEW)],
)
def test_it_goes_on_where_something_is_open(entries: list[Entry], at: int, phase: SurfacePhase) -> None:
    walk = resume(entries)
    assert (walk.at, walk.phase, walk.entries) == (at, phase, tuple(entries))


def test_it_passes_by_what_is_answered_and_ends_in_the_review() -> None:
    walk = Walk((OPEN, DONE, LEFT), 0)
    walk = after(SKIP, walk=walk)
    assert (walk.at, walk.phase) == (2, READY)
    walk = after(BACK, walk=walk)
    assert (walk.at, walk.phase) == (1, READY)
    walk = after(SKIP, SKIP, walk=walk)
    assert (walk.at, walk.phase) == (2, REVIEW)
    walk = after(BACK, walk=walk)
    assert (walk.at, walk.phase) == (2, READY)
    assert [one.state for one in walk.entries] == ["skipped", "done", "skipped"]


def test_answers_are_asked_until_none_is_missing() -> None:
    walk = after(GO, RAN, NO, NO, BACK, BACK, YES)
    assert (walk.asked, walk.entry.answers) == (1, (True, False, None, None))
    holes = Walk((replace(OPEN, answers=(None, True, True, None), is_skipped=True), DONE), 0)
    walk = after(GO, RAN, walk=holes)
    assert walk.asked == 0
    walk = after(YES, YES, YES, walk=walk)
    assert (walk.asked, walk.entry.is_skipped) == (3, False)
    last = Walk((replace(OPEN, answers=(None, True, True, True)), DONE), 0, ASKING, asked=3)
    assert last.after(NO).asked == 0  # the last question is answered, the first is not
    assert (last.after(NO).phase, last.after(NO).at) == (ASKING, 0)
    assert after(NO, YES, walk=last).entry.answers == (True, True, True, False)


@pytest.mark.parametrize("word", Word)
def test_a_key_that_stops_a_motion_counts_if_it_starts_none(word: Word) -> None:
    moved = Moved(Move("2026-05-01T09:30:00Z", 2.0, Ended.STOPPED), word)
    walk = after(*ALL_YES, GO, moved)
    stopped = after(*ALL_YES, GO, CUT)
    means = {SKIP: stopped.after(SKIP), BACK: stopped.after(BACK), END: stopped.after(END)}
    assert walk == means.get(word, stopped)
    assert after(GO, replace(moved, word=BACK)).phase is STOPPED  # there is nothing before


def test_a_note_is_one_line_of_bounded_length_and_adds_to_the_one_before() -> None:
    assert NOTE_MAX == 2000
    walk = after(Wrote(" a\n\tb "), Wrote("\n"), Wrote("c"))
    assert walk.entry.note == "a b; c"
    assert after(Wrote("x" * 3000)).entry.note == "x" * 2000
    assert after(Wrote("x" * 1999), Wrote("yz")).entry.note == "x" * 1999 + ";"
    for events in ((GO,), (SKIP, SKIP, SKIP), (END,)):
        assert after(*events, Wrote("late")) == after(*events)
    assert after(NOTE) == begin(STOPS)  # its text is the event
