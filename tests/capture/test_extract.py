"""Parts of a recording by time: pieces join to the whole, spans hold what lies in them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import extract
from busbench.capture.base import Capture, CaptureInfo
from busbench.capture.extract import Extract, cut_log, split
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.capture.open import open_capture
from busbench.cli.main import run
from busbench.errors import CaptureError
from busbench.line import WakeUps
from busbench.model import NO_CLOCK, U8, Annotation, ByteLog, Clock, ClockKind
from tests.cli.running import CAPTURES, call


class Given(Capture):
    """Bytes 0, 1, 2 ... read at stated times, a block a few."""

    def __init__(self, times_s: list[float], *, marks_s: tuple[float, ...] = (), block: int = 3) -> None:
        self.info = CaptureInfo("given", "test", Clock(ClockKind.PER_READ, 1))
        self._t_ns = np.array([round(t * 1e9) for t in times_s], np.int64)
        self._marks_s, self._block = marks_s, block

    def blocks(self) -> Iterator[ByteLog]:
        self.info.marks.clear()
        for at in range(0, self._t_ns.size, self._block):
            t_ns = self._t_ns[at : at + self._block]
            ends = np.arange(at + 1, at + 1 + t_ns.size)
            while len(self.info.marks) < sum(mark * 1e9 <= t_ns[-1] for mark in self._marks_s):
                mark_s = self._marks_s[len(self.info.marks)]
                self.info.marks.append(Annotation(round(mark_s * 1e9), f"{mark_s:g}"))
            yield ByteLog(at, np.arange(at, at + t_ns.size, dtype=np.uint8), ends, t_ns, np.ones(t_ns.size, np.uint8))


def read_pieces(capture: Capture, every_s: float) -> list[tuple[int, list[int], list[str]]]:
    found = []
    for number, info, logs in split(capture, every_s=every_s):
        data = [byte for log in logs for byte in log.data.tolist()]
        found.append((number, data, [mark.text for mark in info.marks]))
    return found


def test_pieces_by_hand() -> None:
    given = Given([5.0, 5.9, 6.0, 6.1, 8.5, 8.6], marks_s=(5.1, 6.05, 7.5, 8.55))
    assert read_pieces(given, 1.0) == [(1, [0, 1], ["5.1"]), (2, [2, 3], ["6.05"]), (4, [4, 5], ["7.5", "8.55"])]


def test_a_clock_that_is_set_back_opens_no_piece_again() -> None:
    assert read_pieces(Given([0.0, 1.5, 0.2, 0.4, 2.5]), 1.0) == [(1, [0], []), (2, [1, 2, 3], []), (3, [4], [])]


def test_a_span_by_hand() -> None:
    part = Extract(Given([5.0, 5.9, 6.0, 6.1, 8.5], marks_s=(5.1, 6.05, 8.4)), start_s=0.9, end_s=1.1)
    for _ in range(2):  # it is read as often as needed
        logs = list(part.blocks())
        assert [log.data.tolist() for log in logs] == [[1, 2]]
        assert (logs[0].offset, logs[0].mark_end.tolist()) == (0, [1, 2])
        assert [mark.text for mark in part.info.marks] == ["6.05"]


def test_what_cannot_be_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    without = Given([1.0])
    without.info.clock = NO_CLOCK
    with pytest.raises(CaptureError, match="given: has no times to cut it by: record with times"):
        list(split(without, every_s=1))
    monkeypatch.setattr(extract, "PIECES_MAX", 3)
    with pytest.raises(CaptureError, match="would make more than 3 pieces of 1 s: make them longer"):
        read_pieces(Given([0.0, 2.5, 3.0]), 1.0)


@pytest.mark.parametrize(
    ("suffix", "every"),
    [("pcapng", "0.73"), ("raw", "0.73"), *((suffix, s) for suffix in ("pcapng", "csv", "raw") for s in ("7", "1000"))],
)
def test_pieces_joined_are_the_whole_bit_for_bit(suffix: str, every: str, tmp_path: Path) -> None:
    whole = CAPTURES / "heron-flight.pcapng"
    assert run(["convert", str(whole), "-o", str(tmp_path / f"x.{suffix}"), "--split", every]) == 0
    with open_capture(whole) as capture:
        logs = list(capture.blocks())
        marks = [(mark.t_ns, mark.text) for mark in capture.info.marks]
    joined: list[ByteLog] = []
    joined_marks = []
    for path in sorted(tmp_path.glob("x-*")):
        with open_capture(path) as capture:
            joined += capture.blocks()
            joined_marks += [(mark.t_ns, mark.text) for mark in capture.info.marks]
    assert b"".join(log.data.tobytes() for log in joined) == b"".join(log.data.tobytes() for log in logs)
    if suffix == "pcapng":
        assert times_and_damage(joined) == times_and_damage(logs)
        assert joined_marks == marks


def times_and_damage(logs: list[ByteLog]) -> tuple[list[int], list[bool]]:
    times = [t_ns for log in logs for t_ns in log.mark_t_ns.tolist()]
    damage = [is_bad for log in logs for is_bad in ([False] * len(log) if log.bad is None else (log.bad > 0).tolist())]
    return times, damage


def test_around_an_outage(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    whole, part = str(CAPTURES / "heron-flight.pcapng"), str(tmp_path / "third.pcapng")
    assert call(capfd, "convert", whole, "-o", part, "--around", "3:2").code == 0
    first = call(capfd, "outages", part, "--format", "csv").out.splitlines()[1]
    third = call(capfd, "outages", whole, "--format", "csv").out.splitlines()[3]
    assert first.split(",")[0] == third.split(",")[0] == "lost"
    assert float(first.split(",")[1]) == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("seed", range(8))
def test_a_cut_log_has_the_marks_of_its_bytes(seed: int) -> None:
    """Each read that holds a byte of it, the last as far as it reaches into it."""
    rng = np.random.default_rng(seed)
    ends = 100 + np.cumsum(rng.integers(1, 9, 12))
    data = rng.integers(0, 256, int(ends[-1]) - 100).astype(np.uint8)
    bad: U8 = data & np.uint8(1)
    log = ByteLog(100, data, ends, 1000 * np.arange(12), bad if seed % 2 else None)
    for lo, hi in rng.integers(95, int(ends[-1]) + 6, (40, 2)).tolist():
        if min(hi, log.end) <= max(lo, 100):
            continue
        part = cut_log(log, lo, hi)
        kept = range(max(lo, 100), min(hi, log.end))
        assert (part.offset, part.data.tolist()) == (kept.start, data[kept.start - 100 : kept.stop - 100].tolist())
        reads = zip([100, *ends[:-1].tolist()], ends.tolist(), log.mark_t_ns.tolist(), strict=True)
        marks = [(min(end, hi), t_ns) for start, end, t_ns in reads if start < hi and end > lo]
        assert list(zip(part.mark_end.tolist(), part.mark_t_ns.tolist(), strict=True)) == marks
        assert part.bad is None or part.bad.tolist() == (part.data & 1).tolist()


class Noted(Given):
    """The same with an entry of each kind at some times, each known when its time was read."""

    def blocks(self) -> Iterator[ByteLog]:
        for kind in self.info.timed:
            kind.clear()
        for log in super().blocks():
            last_ns = int(log.mark_t_ns[-1])
            for at_s in (0.5, 1.5, 2.5):
                t_ns = round(at_s * 1e9)
                if t_ns <= last_ns and len(self.info.wakes) < at_s:
                    self.info.marks.append(Annotation(t_ns, f"{at_s}"))
                    self.info.wakes.append(WakeUps(t_ns, (1,)))
                    self.info.left_out.append(LeftOut(t_ns - 1, t_ns, 1, 25))
                    self.info.totals.append(MinuteTotals(t_ns, 0, 1))
            yield log


@pytest.mark.parametrize("block", [1, 3, 9])
def test_entries_of_every_kind_go_with_their_part(block: int) -> None:
    times_s = [0.0, 0.4, 0.9, 1.2, 1.8, 2.2, 2.8, 3.1]
    pieces = []
    for _, info, logs in split(Noted(times_s, block=block), every_s=1.0):
        assert sum(map(len, logs)) > 0
        pieces.append([[one.t_ns / 1e9 for one in kind] for kind in info.timed])
    assert pieces == [[[0.5]] * 4, [[1.5]] * 4, [[2.5]] * 4, [[]] * 4]
    span = Extract(Noted(times_s, block=block), start_s=1.0, end_s=3.0)
    for _ in range(2):  # as often as needed
        assert sum(map(len, span.blocks())) == 4
        assert [[one.t_ns / 1e9 for one in kind] for kind in span.info.timed] == [[1.5, 2.5]] * 4


@pytest.mark.parametrize(
    ("start_s", "end_s", "bytes_"),
    [
        (0.5, 1.0, [2, 3]),  # the start belongs to it, the end does not
        (0.5, 1.25, [2, 3, 4]),
        (0.500000001, 1.0, [3]),
        (0.5, 1.000000001, [2, 3, 4]),
        (0.0, 0.25, [0]),
        (0.0, 9.0, [0, 1, 2, 3, 4]),
        (1.0, 9.0, [4]),
        (1.5, 9.0, []),
        (0.5, 0.5, []),
    ],
)
@pytest.mark.parametrize("block", [1, 2, 9])
def test_a_span_begins_at_its_start_and_ends_before_its_end(
    start_s: float, end_s: float, bytes_: list[int], block: int
) -> None:
    marks_s = (7.0, 7.25, 7.5, 8.0)
    part = Extract(Given([7.0, 7.25, 7.5, 7.75, 8.0], marks_s=marks_s, block=block), start_s=start_s, end_s=end_s)
    found: list[int] = []
    for log in part.blocks():
        assert log.offset == len(found)
        assert log.mark_end.tolist() == list(range(log.offset + 1, log.end + 1))
        assert log.mark_t_ns.tolist() == [7_000_000_000 + 250_000_000 * byte for byte in log.data.tolist()]
        found += log.data.tolist()
    assert found == bytes_
    assert [mark.text for mark in part.info.marks] == [
        f"{mark_s:g}" for mark_s in marks_s if start_s <= mark_s - 7 < end_s
    ]


class Begun(Given):
    """The same after a block without bytes."""

    def blocks(self) -> Iterator[ByteLog]:
        yield ByteLog(0, np.empty(0, np.uint8), np.empty(0, np.int64), np.empty(0, np.int64), None)
        self.info.notes[:] = ["damaged"]
        yield from super().blocks()


def test_time_counts_from_the_first_byte() -> None:
    assert read_pieces(Begun([7.0, 7.5, 8.0], block=1), 1.0) == [(1, [0, 1], []), (2, [2], [])]
    part = Extract(Begun([7.0, 7.5, 8.0], block=1), start_s=0.5, end_s=2.0)
    assert [log.data.tolist() for log in part.blocks()] == [[1], [2]]
    assert part.info.notes == ["damaged"]


def test_nothing_at_all_has_no_pieces() -> None:
    assert read_pieces(Given([]), 1.0) == []
    assert list(Extract(Given([]), start_s=0.0, end_s=1.0).blocks()) == []


def test_times_before_the_first_byte_are_in_the_first_piece() -> None:
    assert read_pieces(Given([5.0, 3.0, 5.5, 6.0], block=1), 1.0) == [(1, [0, 1, 2], []), (2, [3], [])]


@pytest.mark.parametrize("every_s", [1e-9, 1e-10, 0.0])
def test_no_piece_is_shorter_than_a_nanosecond(every_s: float) -> None:
    given = Given([1.0, 1.000000001, 1.000000003])
    assert [number for number, _, _ in read_pieces(given, every_s)] == [1, 2, 4]


@pytest.mark.parametrize(("last_s", "is_cut"), [(2.5, True), (3.0, False)])
def test_as_many_pieces_as_allowed(last_s: float, is_cut: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    assert extract.PIECES_MAX == 1000
    monkeypatch.setattr(extract, "PIECES_MAX", 3)
    if is_cut:
        assert [number for number, _, _ in read_pieces(Given([0.0, last_s]), 1.0)] == [1, 3]
    else:
        with pytest.raises(CaptureError, match="would make more than 3 pieces of 1 s: make them longer"):
            read_pieces(Given([0.0, last_s]), 1.0)


def test_bytes_without_marks_are_cut_too() -> None:
    none = np.empty(0, np.int64)
    part = cut_log(ByteLog(10, np.arange(8, dtype=np.uint8), none, none, np.arange(8, dtype=np.uint8)), 12, 15)
    assert (part.offset, part.data.tolist(), part.mark_end.size, part.mark_t_ns.size) == (12, [2, 3, 4], 0, 0)
    assert part.bad is not None
    assert part.bad.tolist() == [2, 3, 4]


def test_annotations_of_a_span_are_known_when_the_next_bytes_are() -> None:
    part = Extract(Given([0.0, 0.5, 1.0, 1.5], marks_s=(0.25, 0.75, 1.25), block=1), start_s=0.25, end_s=9.0)
    assert [[mark.text for mark in part.info.marks] for _ in part.blocks()] == [[], ["0.25"], ["0.25", "0.75"]]


@pytest.mark.parametrize("at_s", [0.067, 0.134, 0.000123])
def test_a_span_of_times_that_no_binary_fraction_meets(at_s: float) -> None:
    """Such a time in seconds, times a thousand million, is a little more than whole."""
    assert at_s * 1e9 > round(at_s * 1e9)
    given = Given([0.0, at_s, 2.0])
    assert [log.data.tolist() for log in Extract(given, start_s=at_s, end_s=np.inf).blocks()] == [[1, 2]]
    assert [log.data.tolist() for log in Extract(given, start_s=-np.inf, end_s=at_s).blocks()] == [[0]]


def test_the_first_entry_of_every_kind_belongs_to_a_span_that_holds_it() -> None:
    span = Extract(Noted([0.0, 0.4, 0.9, 1.2, 1.8]), start_s=0.0, end_s=1.0)
    assert sum(map(len, span.blocks())) == 3
    assert [[one.t_ns / 1e9 for one in kind] for kind in span.info.timed] == [[0.5]] * 4
