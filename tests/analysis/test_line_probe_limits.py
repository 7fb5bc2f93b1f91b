"""What is said of a line at the limits: few frames, many strange bytes, bursts of odd sizes, adapters that collect."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.line_probe import HEARD_MAX, Heard, LineState, ProbeResult, classify
from busbench.line import Chunk, LineSettings
from busbench.model import Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FRAME_BYTES

MS = 1_000_000
PER_READ = Clock(ClockKind.PER_READ, 1)
FRAMES = pack_frames(np.full((400, 16), 992) + np.arange(400)[:, None] % 50)


def probe(parts: list[bytes], *, period_ms: float = 14.0, bad: bytes = b"") -> ProbeResult:
    """A read for each part, at even times; the marks are those of the first."""
    chunks = [Chunk(round((3 + at * period_ms) * MS), part, bad if at == 0 else b"") for at, part in enumerate(parts)]
    return classify(chunks, clock=PER_READ)


def frames(count: int) -> list[bytes]:
    return [row.tobytes() for row in FRAMES[:count]]


@pytest.mark.parametrize(
    ("good", "strange", "is_good"),
    [
        (1, 0, True),  # all there is
        (2, 50, True),
        (2, 70, False),  # of 120, three
        (3, 45, True),
        (3, 299, True),  # of 374 bytes 75 are of frames: more than a fifth
        (3, 300, False),
        (40, 3900, True),
        (40, 4000, False),
    ],
)
def test_as_many_frames_as_a_line_must_show(good: int, strange: int, is_good: bool) -> None:
    found = probe([*frames(good), b"\x55" * strange])
    assert found.is_good is is_good
    assert found.frames == good
    assert found.bytes_total == FRAME_BYTES * good + strange


@pytest.mark.parametrize(
    ("strange", "words"),
    [(1, ""), (2, "; 2 bytes form no frame, 0 were marked as damaged"),
     (25, "; 25 bytes form no frame, 0 were marked as damaged")],
)  # fmt: skip
def test_more_than_one_damaged_byte_in_a_hundred_is_said(strange: int, words: str) -> None:
    found = probe([*frames(2), b"\x55" * strange + FRAMES[2].tobytes(), FRAMES[3].tobytes()])
    assert found.damaged_bytes == strange
    assert found.says == f"frames: 4, one every 14.0 ms, end bytes 00{words}"
    assert found.advice == (
        "check ground, lead and levels: more than one byte in a hundred is damaged" if words else ""
    )


@pytest.mark.parametrize(("marks", "is_said"), [(1, False), (2, True)])
def test_marked_bytes_are_damaged_too(marks: int, is_said: bool) -> None:
    bad = bytes(FRAME_BYTES - marks) + b"\1" * marks
    found = probe(frames(5), bad=bad)
    assert found.marked == marks
    assert found.is_good
    assert ("were marked as damaged" in found.says) is is_said


def test_end_bytes_seen_rarely_belong_to_false_frames() -> None:
    raw = FRAMES[:100].copy()
    raw[:, -1] = 0x04
    raw[7, -1] = 0x14
    found = probe([row.tobytes() for row in raw])
    assert found.end_bytes == ((0x04, 99),)
    raw[8, -1] = 0x14
    found = probe([row.tobytes() for row in raw])
    assert found.end_bytes == ((0x04, 98), (0x14, 2))
    assert found.says == "frames: 100, one every 14.0 ms, end bytes 04 14; slots for sensors, 0 replies"


@pytest.mark.parametrize(
    ("steps_ms", "period_ms"),
    [
        ([14.0] * 20, 14.0),
        ([14.0] * 19 + [140.0], 14.0),  # a gap is no step
        ([0.0, 28.0] * 10, 14.0),  # two at once
        ([0.0, 0.0, 42.0] * 9, 14.0),
        ([0.0, 0.0, 0.0, 57.0, 0.0, 0.0, 0.0, 55.0] * 9, 14.0),
        ([0.0, 28.0] * 50 + [2000.0, 0.0], 14.0),
        ([0.0, 0.0, 42.0] * 9 + [124.0, 0.0, 0.0], 502 / 30),  # a step up to three times the typical one is counted
        ([0.0, 0.0, 42.0] * 9 + [128.0, 0.0, 0.0], 378 / 29),  # a longer one is a gap
        ([14.0, 15.0] * 10, 14.5),
        ([13.0, 13.0, 16.0] * 7, 13.0),  # a median within 5 % of the mean
        ([14.0] * 11 + [12.8] * 9, 14.0),
        ([15.0] * 11 + [12.0] * 9, 13.65),  # a median 1.05 times the mean and more: the mean
        ([3.5] * 11 + [12.0] * 9, 7.325),
        ([5.0] * 11 + [12.0] * 9, 5.0),
    ],
)
def test_the_period_is_typical_or_a_mean(steps_ms: list[float], period_ms: float) -> None:
    t_ms = 3 + np.concatenate([[0.0], np.cumsum(steps_ms)])
    chunks = [Chunk(round(t * MS), row) for t, row in zip(t_ms, frames(len(t_ms)), strict=True)]
    found = classify(chunks, clock=PER_READ)
    assert found.period_s == pytest.approx(period_ms / 1e3, rel=0.02)


def test_one_read_of_all_has_no_period() -> None:
    found = classify([Chunk(5, FRAMES[:4].tobytes())], clock=PER_READ)
    assert found.is_good
    assert (found.period_s, found.says) == (None, "frames: 4, end bytes 00")


def bursts(first: int, size: int, *, count: int = 9, others: int = 0) -> LineState:
    """Bursts that begin so, of which some begin otherwise, between two that are cut."""
    one, other = bytes([first]) + b"\x5b" * (size - 1), b"\x77" + b"\x5b" * (size - 1)
    return probe([b"\x11", *[one] * (count - others), *[other] * others, b"\x11"]).line


@pytest.mark.parametrize(
    ("first", "line"),
    [(0xF8, LineState.INVERTED), (0xF0, LineState.INVERTED_WRONG_RATE), (0x1F, LineState.WRONG_RATE),
     (0x0E, LineState.NO_FRAMES)],
)  # fmt: skip
@pytest.mark.parametrize(("size", "is_known"), [(17, False), (18, True), (40, True), (41, False)])
def test_bursts_of_a_frames_size_show_the_wrong_setting(first: int, line: LineState, size: int, is_known: bool) -> None:
    assert bursts(first, size) is (line if is_known else LineState.NO_FRAMES)


@pytest.mark.parametrize(("count", "others", "is_known"), [(2, 0, False), (3, 0, True), (8, 4, True), (9, 5, False)])
def test_half_of_three_bursts_or_more(count: int, others: int, is_known: bool) -> None:
    found = bursts(0xF8, 24, count=count, others=others)
    assert found is (LineState.INVERTED if is_known else LineState.NO_FRAMES)


@pytest.mark.parametrize(("pause_us", "line"), [(1000, LineState.NO_FRAMES), (1001, LineState.INVERTED)])
def test_bursts_are_parted_by_a_millisecond(pause_us: int, line: LineState) -> None:
    one = bytes([0xF8]) + b"\x5b" * 23
    chunks, t_us = [], 0
    for _ in range(12):
        t_us += 24 * 120 + pause_us
        chunks += [Chunk((t_us - 12 * 120) * 1000, one[:12]), Chunk(t_us * 1000, b""), Chunk(t_us * 1000, one[12:])]
    assert classify(chunks, clock=PER_READ).line is line


@pytest.mark.parametrize(
    ("step", "count", "line"),
    [(22, 9, True), (21, 9, False), (29, 9, True), (30, 9, False), (25, 6, True), (25, 5, False)],
)
def test_without_pauses_a_pair_of_bytes_repeats(step: int, count: int, line: bool) -> None:
    data = (b"\x00\xf8" + b"\x5b" * (step - 2)) * count
    found = classify([Chunk(5 * MS, data)], clock=PER_READ)
    assert found.line is (LineState.INVERTED if line else LineState.NO_FRAMES)


def test_what_is_said_of_each_setting() -> None:
    assert probe([]).says == "silent: not one byte came"
    assert probe([]).advice == (
        "check that ground is connected, that the signal goes to the adapter's RX, and that the receiver has power"
        " and is bound to a transmitter that is on"
    )
    strange = probe([b"\x55" * 50])
    assert (strange.says, strange.sample, strange.frames) == ("bytes, but no frames", b"\x55" * 32, 0)
    other = classify([Chunk(5, b"\x55" * 50)], clock=PER_READ, line=LineSettings(baud=9600))
    assert other.advice == (
        "the line was not set as the bus: leave --baud, --parity and --stop-bits away first; then " + strange.advice
    )
    good = probe(frames(9))
    assert (good.sample, good.judged) == (FRAMES[:2].tobytes()[:32], 0)


def test_heard_bytes_are_kept_up_to_a_million() -> None:
    heard = Heard()
    heard.add([Chunk(5, b"\x55" * (HEARD_MAX - 10)), Chunk(6, b"\x56" * 10), Chunk(7, b"\x57")])
    assert (heard.kept, heard.bytes_total, len(heard.chunks)) == (1_000_000, 1_000_001, 2)
    heard = Heard()
    heard.add([Chunk(5, b"\x55" * (HEARD_MAX - 10)), Chunk(6, b"\x56" * 11, bytes(10) + b"\1")])
    assert (heard.kept, len(heard.chunks[1].data), heard.chunks[1].bad, heard.chunks[1].t_ns) == (
        1_000_000, 10, bytes(10), 6,
    )  # fmt: skip
