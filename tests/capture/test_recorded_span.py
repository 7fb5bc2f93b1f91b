"""What a recording covers: its first and last time, its end that was noted, a reading that breaks off; raw bytes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from busbench.capture.base import ENDED_MARK, Capture, CaptureInfo, Origin
from busbench.capture.frames import Span, read_frames
from busbench.errors import CaptureError
from busbench.model import NO_CLOCK, Annotation, ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames

FRAMES = pack_frames(900 + np.arange(8)[:, None] + np.arange(16)).tobytes()


class Made(Capture):
    """Logs, then damage if any."""

    def __init__(self, *logs: ByteLog, marks: tuple[Annotation, ...] = (), is_damaged: bool = False) -> None:
        clock = Clock(ClockKind.PER_READ, 1) if any(log.mark_t_ns.size for log in logs) else NO_CLOCK
        self.info = CaptureInfo("made", "made", clock, marks=list(marks))
        self._logs, self._is_damaged = logs, is_damaged

    def blocks(self) -> Iterator[ByteLog]:
        yield from self._logs
        if self._is_damaged:
            raise CaptureError("made", "is damaged", offset=7, hint="copy it again")


def log(offset: int, data: bytes, *t_ns: int) -> ByteLog:
    """All bytes at the last of some times; a byte at each before."""
    ends = np.array([*range(offset + 1, offset + len(t_ns)), offset + len(data)][: len(t_ns)], np.int64)
    return ByteLog(offset, np.frombuffer(data, np.uint8), ends, np.array(t_ns, np.int64))


def read(made: Made) -> tuple[Span, int]:
    span = Span()
    return span, sum(len(found.frames) for found in read_frames(made, span=span))


@pytest.mark.parametrize(
    ("logs", "first_t_ns", "last_t_ns"),
    [
        ([log(0, FRAMES[:100], 50, 70), log(100, FRAMES[100:], 90, 95)], 50, 95),
        ([log(0, FRAMES[:100]), log(100, FRAMES[100:])], None, None),
        ([log(0, b""), log(0, FRAMES, 0), log(200, b"")], 0, 0),
    ],
)
def test_times_of_the_first_and_the_last_bytes(
    logs: list[ByteLog], first_t_ns: int | None, last_t_ns: int | None
) -> None:
    span, frames = read(Made(*logs))
    assert (span.bytes_total, span.first_t_ns, span.last_t_ns, frames) == (200, first_t_ns, last_t_ns, 8)


@pytest.mark.parametrize(
    ("marks", "last_t_ns"),
    [
        ([(80, ENDED_MARK)], 80),
        ([(60, ENDED_MARK)], 70),
        ([(80, "gust")], 70),
        ([(80, ENDED_MARK), (75, ENDED_MARK), (99, "gust")], 80),
        ([], 70),
    ],
)
def test_a_recorder_that_listened_on_is_the_end(marks: list[tuple[int, str]], last_t_ns: int) -> None:
    some = tuple(Annotation(t_ns, text) for t_ns, text in marks)
    assert read(Made(log(0, FRAMES, 70), marks=some))[0].last_t_ns == last_t_ns
    assert read(Made(log(0, FRAMES), marks=some))[0].last_t_ns is None


def test_what_is_before_damage_is_read_and_the_damage_noted() -> None:
    made = Made(log(0, FRAMES), is_damaged=True)
    assert read(made)[1] == 8
    assert made.info.notes == ["byte 7: is damaged: copy it again; what is before it was read"]
    made = Made(log(0, FRAMES[:1]), is_damaged=True)
    assert (read(made)[1], len(made.info.notes)) == (0, 1)
    made = Made(log(0, b""), is_damaged=True)
    with pytest.raises(CaptureError, match="made, byte 7: is damaged: copy it again"):
        read(made)
    assert made.info.notes == []


@pytest.mark.parametrize(
    ("origin", "words", "values"),
    [
        (Origin(), "", {}),
        (Origin("Heron"), "Heron", {"unit": "Heron", "note": None, "adapter_serial": None}),
        (Origin("", "cold"), "cold", {"unit": None, "note": "cold", "adapter_serial": None}),
        (
            Origin("Heron", "cold", "A1"),
            "Heron, cold, adapter serial number A1",
            {"unit": "Heron", "note": "cold", "adapter_serial": "A1"},
        ),
        (
            Origin("", "", "A1"),
            "adapter serial number A1",
            {"unit": None, "note": None, "adapter_serial": "A1"},
        ),
    ],
)
def test_what_was_recorded_in_words_and_values(origin: Origin, words: str, values: dict[str, object]) -> None:
    assert (origin.words, origin.to_json()) == (words, {"origin": values} if values else {})


def test_a_part_of_a_recording_has_lists_of_its_own() -> None:
    info = CaptureInfo("made", "raw", NO_CLOCK, 5, "bus", Origin("Heron"), notes=["a"], marks=[Annotation(1, "b")])
    part = info.for_part()
    assert part == CaptureInfo("made", "raw", NO_CLOCK, 5, "bus", Origin("Heron"))
    assert all(one is not other for one, other in zip(part.timed, info.timed, strict=True))
    assert info.timed == ([Annotation(1, "b")], [], [], [])
