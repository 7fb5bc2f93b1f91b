"""The walk as a state machine: takes events; gives prompts, motions and answers.

It does not read, write or wait. A front end shows `prompt`, turns what the
builder does into an event, takes `after(event)` as the new walk, and moves the
device at `stop` while the phase is MOVING.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass, replace

from busbench.wire.frame_spec import CHANNELS

NOTE_MAX = 2000


class Question(enum.StrEnum):
    """The questions about each device, in this order."""

    RIGHT_SURFACE = "right_surface"
    RIGHT_WAY = "right_way"
    FULL_THROW = "full_throw"
    SMOOTH = "smooth"


QUESTIONS = tuple(Question)


class SurfacePhase(enum.Enum):
    """The states of the walk: what it waits for."""

    READY = enum.auto()  # the command to move
    MOVING = enum.auto()  # the end of a motion
    STOPPED = enum.auto()  # a decision after a stopped motion
    ASKING = enum.auto()  # an answer
    REVIEW = enum.auto()  # confirmation of the review
    OVER = enum.auto()  # nothing


class Word(enum.StrEnum):
    """The answers of the builder."""

    GO = "move"
    YES = "yes"
    NO = "no"
    ANSWER = "answer"
    REPEAT = "repeat"
    SKIP = "skip"
    BACK = "back"
    NOTE = "note"
    END = "end"


KEYS = {
    Word.GO: "enter",
    Word.YES: "y",
    Word.NO: "n",
    Word.ANSWER: "a",
    Word.REPEAT: "r",
    Word.SKIP: "k",
    Word.BACK: "b",
    Word.NOTE: "t",
    Word.END: "e",
}
"""Keys of the words, the same in the text, on the screen, and in a guided check."""


class Ended(enum.StrEnum):
    """How a motion ended."""

    RAN = "ran"
    STOPPED = "stopped"  # by the builder
    LOST = "lost"  # the port was lost


@dataclass(frozen=True, slots=True)
class Station:
    """One station of the walk: a channel and the devices that obey it."""

    name: str  # name of the device, or of all of them
    channel: int  # 0-17
    members: tuple[str, ...]  # the devices' names
    first: str  # first, then: first and second direction, for example "up" and "down"
    then: str
    is_high_first: bool  # True if the channel rises for the first direction
    low: int  # low, neutral, high: ends and rest in counts, 0 and 1 on channels 17 and 18
    neutral: int
    high: int
    remark: str = ""  # the plan's remark on direction, for example "reversed, mounted mirrored"

    @property
    def announced(self) -> str:
        """For example "left aileron, channel 1, up first"."""
        remark = f" ({self.remark})" if self.remark else ""
        return f"{self.name}, channel {self.channel + 1}, {self.first} first{remark}"


@dataclass(frozen=True, slots=True)
class Move:
    """One motion."""

    t_utc: str  # when it began, ISO 8601
    duration_s: float  # its duration
    ended: Ended = Ended.RAN  # how it ended
    reason: str = ""  # why it ended early, or ""
    seen: tuple[str, ...] = ()  # what a virtual aircraft did


@dataclass(frozen=True, slots=True)
class Entry:
    """The results of one station."""

    stop: Station
    moves: tuple[Move, ...] = ()  # motions, oldest first
    # answers in the order of QUESTIONS, None if not answered yet
    answers: tuple[bool | None, ...] = (None,) * len(QUESTIONS)
    note: str = ""  # the builder's note
    is_skipped: bool = False  # True if the builder skipped it

    @property
    def is_done(self) -> bool:
        """True if every question is answered."""
        return None not in self.answers

    @property
    def is_begun(self) -> bool:
        """True if the builder answered, noted or skipped anything."""
        return self.is_skipped or bool(self.note) or any(answer is not None for answer in self.answers)

    @property
    def state(self) -> str:
        """One of "done", "skipped" and "open"."""
        return "done" if self.is_done else "skipped" if self.is_skipped else "open"

    @property
    def asked_first(self) -> int:
        """The first question without an answer; all again if none is left."""
        return 0 if self.is_done else self.answers.index(None)


@dataclass(frozen=True, slots=True)
class Moved:
    """The motion is over, with the meaning of the key that stopped it, if any."""

    move: Move | None  # the motion; None if it was cancelled before it began
    word: Word | None = None  # of the key


@dataclass(frozen=True, slots=True)
class Wrote:
    """The builder wrote a note."""

    text: str


Event = Word | Moved | Wrote

_ALWAYS = (Word.NOTE, Word.END)


@dataclass(frozen=True, slots=True)
class Walk:
    """The walk at one moment."""

    entries: tuple[Entry, ...]  # all stations, at least one
    at: int = 0
    phase: SurfacePhase = SurfacePhase.READY
    asked: int = 0  # index of the question asked, in ASKING

    @property
    def entry(self) -> Entry:
        """What is known of the current halt."""
        return self.entries[self.at]

    @property
    def stop(self) -> Station:
        """The current station."""
        return self.entry.stop

    @property
    def is_over(self) -> bool:
        """True if nothing is open."""
        return self.phase is SurfacePhase.OVER

    @property
    def is_good(self) -> bool:
        """True if every answer is yes."""
        return all(all(entry.answers) for entry in self.entries)

    @property
    def words(self) -> tuple[Word, ...]:
        """The answers possible now. While MOVING, any of them ends the motion first."""
        back = (Word.BACK,) if self.at > 0 else ()
        answer = (Word.ANSWER,) if self.entry.moves else ()
        match self.phase:
            case SurfacePhase.READY:
                return (Word.GO, *answer, Word.SKIP, *back, *_ALWAYS)
            case SurfacePhase.MOVING:
                return (Word.SKIP, *back, Word.END)
            case SurfacePhase.STOPPED:
                return (Word.REPEAT, *answer, Word.SKIP, *back, *_ALWAYS)
            case SurfacePhase.ASKING:
                back = (Word.BACK,) if self.asked or self.at else ()
                return (Word.YES, Word.NO, Word.REPEAT, Word.SKIP, *back, *_ALWAYS)
            case SurfacePhase.REVIEW:
                return (Word.BACK, Word.END)
            case SurfacePhase.OVER:
                return ()

    @property
    def keys(self) -> dict[str, Word]:
        """The answers possible now, by key; Enter ends a completed walk."""
        enters = Word.END if self.phase is SurfacePhase.REVIEW else Word.GO
        return {"enter" if word is enters else KEYS[word]: word for word in self.words}

    @property
    def prompt(self) -> str:
        """What to say to the builder."""
        place = f"{self.at + 1} of {len(self.entries)}: "
        match self.phase:
            case SurfacePhase.READY:
                return place + self.stop.announced + self._known()
            case SurfacePhase.MOVING:
                return f"moving {self.stop.name}: {self.stop.first} first; any key stops"
            case SurfacePhase.STOPPED:
                return f"{self.stop.name} was stopped"
            case SurfacePhase.ASKING:
                before = self.entry.answers[self.asked]
                was = "" if before is None else f" (was: {'yes' if before else 'no'})"
                return question_text(QUESTIONS[self.asked], self.stop) + was
            case SurfacePhase.REVIEW:
                return tally(self.entries)
            case SurfacePhase.OVER:
                return ""

    def after(self, event: Event) -> Walk:
        """The walk after an event; unchanged if the event has no meaning now."""
        if isinstance(event, Moved):
            return self._moved(event) if self.phase is SurfacePhase.MOVING else self
        if isinstance(event, Wrote):
            return self._noted(event.text) if Word.NOTE in self.words else self
        if event not in self.words or self.phase is SurfacePhase.MOVING:
            return self
        match event:
            case Word.GO | Word.REPEAT:
                return replace(self, phase=SurfacePhase.MOVING)
            case Word.ANSWER:
                return replace(self, phase=SurfacePhase.ASKING, asked=self.entry.asked_first)
            case Word.YES | Word.NO:
                return self._answered(event is Word.YES)
            case Word.SKIP:
                return self._with(replace(self.entry, is_skipped=not self.entry.is_done))._next()
            case Word.BACK:
                return self._back()
            case Word.END:
                return replace(self, phase=SurfacePhase.OVER)
            case Word.NOTE:
                return self  # its text is the event

    def _known(self) -> str:
        if self.entry.is_done:
            return "; answered already"
        given = sum(answer is not None for answer in self.entry.answers)
        return f"; {given} of {len(QUESTIONS)} questions answered" if given else ""

    def _with(self, entry: Entry) -> Walk:
        """The walk with the current halt changed."""
        return replace(self, entries=(*self.entries[: self.at], entry, *self.entries[self.at + 1 :]))

    def _moved(self, event: Moved) -> Walk:
        walk = self
        if event.move is not None:
            walk = self._with(replace(self.entry, moves=(*self.entry.moves, event.move)))
            if event.move.ended is Ended.RAN:
                return replace(walk, phase=SurfacePhase.ASKING, asked=walk.entry.asked_first)
        stopped = replace(walk, phase=SurfacePhase.STOPPED)
        # A key that stopped a motion must not start another.
        return stopped.after(event.word) if event.word in self.words else stopped

    def _noted(self, text: str) -> Walk:
        said = " ".join(text.split())
        if not said:
            return self
        note = "; ".join(filter(None, (self.entry.note, said)))[:NOTE_MAX]
        return self._with(replace(self.entry, note=note))

    def _answered(self, is_yes: bool) -> Walk:
        answers = (*self.entry.answers[: self.asked], is_yes, *self.entry.answers[self.asked + 1 :])
        walk = self._with(replace(self.entry, answers=answers, is_skipped=False))
        if walk.asked + 1 < len(QUESTIONS):
            return replace(walk, asked=walk.asked + 1)
        return walk._next() if walk.entry.is_done else replace(walk, asked=walk.entry.asked_first)

    def _next(self) -> Walk:
        """Go to the next open station, then to the review."""
        for at in range(self.at + 1, len(self.entries)):
            if not self.entries[at].is_done:
                return replace(self, at=at, phase=SurfacePhase.READY)
        return replace(self, phase=SurfacePhase.REVIEW)

    def _back(self) -> Walk:
        if self.phase is SurfacePhase.ASKING and self.asked:
            return replace(self, asked=self.asked - 1)
        if self.phase is SurfacePhase.REVIEW:
            return replace(self, phase=SurfacePhase.READY)
        return replace(self, at=self.at - 1, phase=SurfacePhase.READY)


def begin(stops: Sequence[Station]) -> Walk:
    """A walk at its start."""
    return Walk(tuple(Entry(stop) for stop in stops))


def resume(entries: Sequence[Entry]) -> Walk:
    """A walk that continues at the first open station; skipped ones come again."""
    for at, entry in enumerate(entries):
        if not entry.is_done:
            return Walk(tuple(entries), at)
    return Walk(tuple(entries), len(entries) - 1, SurfacePhase.REVIEW)


def question_text(question: Question, stop: Station) -> str:
    """A question as it is put."""
    are_many = len(stop.members) > 1
    it, its = ("they", "their") if are_many else ("it", "its")
    match question:
        case Question.RIGHT_SURFACE:
            return f"Did {stop.name} move, and nothing else?"
        case Question.RIGHT_WAY:
            return f"Did {it} go {stop.first} first, then {stop.then}?"
        case Question.FULL_THROW:
            if stop.channel >= CHANNELS:
                return f"Did {it} reach both {its} ends?"
            return f"Did {it} reach {its} full throw both ways, and come back to neutral?"
        case Question.SMOOTH:
            return f"Did {it} move smoothly, without jerk, hum or sticking?"


def tally(entries: Sequence[Entry]) -> str:
    """For example "8 to walk: 1 answer no, 1 skipped, none unanswered"."""
    noes = sum(entry.answers.count(False) for entry in entries)
    skipped = sum(entry.state == "skipped" for entry in entries)
    still = sum(entry.state == "open" for entry in entries)
    if not (noes or skipped or still):
        return f"all {len(entries)} walked, every answer yes"
    said = f"{noes} answer{'' if noes == 1 else 's'} no" if noes else "no answer no"
    return f"{len(entries)} to walk: {said}, {skipped or 'none'} skipped, {still or 'none'} unanswered"
