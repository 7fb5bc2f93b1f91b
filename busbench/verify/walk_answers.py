"""Answers of a walk round the surfaces, as they stand in a file beside the recording.

The file is JSON: {"rig": name, "answers": [{"device": name, "channel": 1-18, "question": text, "answer": text,
"note": text}, ...]}. "yes" passes, "no" fails; any other answer, as "skipped", is not tested. `channel` and
`note` may be left out; further keys are passed over.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec

from busbench.errors import BusbenchError
from busbench.verify.check import About, Check

ANSWERS_MOST = 10_000


class Answer(msgspec.Struct, frozen=True):
    """One answer; see the module."""

    device: str
    question: str
    answer: str
    channel: int | None = None
    note: str = ""


class Walk(msgspec.Struct, frozen=True):
    """All answers; see the module."""

    answers: tuple[Answer, ...]
    rig: str = ""


def read_walk(path: str) -> Walk:
    """Read a file of answers.

    Raises:
        BusbenchError: it cannot be read, or holds none.
    """
    hint = 'it needs {"answers": [{"device", "question", "answer"}, …]}'
    try:
        walk = msgspec.json.decode(Path(path).read_bytes(), type=Walk)
    except (OSError, ValueError) as error:
        what = getattr(error, "strerror", None) or error
        raise BusbenchError(f"{path}: holds no answers of a walk ({what})", hint=hint) from None
    if len(walk.answers) > ANSWERS_MOST:
        raise BusbenchError(f"{path}: holds more than {ANSWERS_MOST} answers", hint="name the right file")
    return walk


def check_walk(walk: Walk) -> Iterator[Check]:
    """One check for each answer."""
    for one in walk.answers:
        subject = one.device if one.channel is None else f"channel {one.channel} ({one.device})"
        about = About("walk", subject, one.channel)
        said = one.answer + (f": {one.note}" if one.note else "")
        if one.answer.strip().casefold() in ("yes", "no"):
            yield about.is_so(one.question, said, good=one.answer.strip().casefold() == "yes")
        else:
            yield about.not_tested(one.question, said)
