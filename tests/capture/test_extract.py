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
