"""Outages of a live source are in the end those of the recording, however its frames came."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis import ongoing_outages
from busbench.analysis.ongoing_outages import OngoingOutages
from busbench.analysis.outages import Outage, Outages, find_outages
from busbench.model import MARKED, MARKED_MAYBE, NO_CLOCK, Bools, Clock, ClockKind, Reason, Rejects
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST, FRAME_BYTES
from busbench.wire.table import AlignmentResult, FrameTable

MS = 1_000_000
PER_BYTE = Clock(ClockKind.PER_BYTE, 1000)
START_NS = 4 * MS


class Line:
    """Frames every 7 ms, with losses, flags, marks and damaged bytes by chance.

    Args:
        count: frames due.
        often: share of frames at which something is wrong.
        calm: frames in which nothing is.
    """

    def __init__(self, count: int, *, often: float, calm: slice = slice(0), seed: int = 1) -> None:
        rng = np.random.default_rng(seed)
        wrong = rng.random(count) < often
        wrong[calm] = False
        wrong[[0, 1, -2, -1]] = False
        kind = rng.integers(0, 5, count)
        lost = wrong & (kind == 0)
        self.flags = np.where(wrong & (kind == 1), FLAG_LOST, 0) | np.where(wrong & (kind == 2), FLAG_FAILSAFE, 0)
        self.marks = np.where(wrong & (kind == 3), rng.choice([MARKED, MARKED_MAYBE], count), 0).astype(np.uint8)
        size = np.where(lost & (rng.random(count) < 0.5), 20, 0) + np.where(wrong & (kind == 4), 7, 0)
        kept: Bools = ~lost
        before = np.cumsum(size) + FRAME_BYTES * (np.cumsum(kept) - kept)  # bytes up to each frame's header
        self.t_ns = (START_NS + 3 * MS + 7 * MS * np.arange(count))[kept]
        self.offset, self.flags, self.marks = before[kept], self.flags[kept], self.marks[kept]
        has = size > 0
        self.rejects = Rejects(
            (before - size)[has], size[has], np.full(np.count_nonzero(has), Reason.DAMAGED, np.uint8)
        )

    def part(self, low: int, high: int) -> AlignmentResult:
        """Rows of frames, and the damaged bytes before each."""
        rows = slice(low, high)
        raw = pack_frames(np.full((len(self.t_ns[rows]), 16), 992), self.flags[rows])
        frames = FrameTable(self.t_ns[rows], np.zeros(len(raw), np.int32), self.offset[rows], raw, self.marks[rows])
        begin = self.offset[low - 1] if low else -1
        end = self.offset[high - 1] if high else 0
        inside = (self.rejects.offset > begin) & (self.rejects.offset <= end)
        rejects = Rejects(self.rejects.offset[inside], self.rejects.length[inside], self.rejects.reason[inside])
        return AlignmentResult(frames, rejects)

    def whole(self, *, clock: Clock = PER_BYTE) -> Outages:
        found = self.part(0, len(self.t_ns))
        return find_outages(
            found.frames.times(), found.rejects, first_offset=found.frames.first_offset, clock=clock,
            start_ns=START_NS, period_ns=7.0 * MS,
        )  # fmt: skip


def listened(line: Line, sizes: list[int]) -> tuple[OngoingOutages, list[Outage]]:
    """Feed in parts; the source, and the events settled or newest at the end."""
    source, settled = OngoingOutages(clock=PER_BYTE, start_ns=START_NS), list[Outage]()
    low = turn = 0
    while low < len(line.t_ns):
        high = min(len(line.t_ns), low + sizes[turn % len(sizes)])
        source.add(line.part(low, high))
        source.update(None if high == len(line.t_ns) else int(line.t_ns[high - 1]))
        if turn % 2:
            settled += source.take_settled()
        low, turn = high, turn + 1
    return source, [*settled, *source.take_settled(), *source.newest]


@pytest.mark.parametrize("sizes", [[97], [1000, 3], [9000]])
@pytest.mark.parametrize(("count", "often"), [(600, 0.02), (9_500, 0.005)])
def test_all_outages_are_found_however_frames_come(
    count: int, often: float, sizes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ongoing_outages, "_PERIOD_FRAMES", 600)  # fewer of the frames before are kept
    line = Line(count, often=often)
    source, events = listened(line, sizes)
    whole = line.whole()
    assert events == list(whole.events)
    losses = source.losses
    assert (losses.frames, losses.missing, losses.missed, losses.missed_low, losses.stray_bytes) == (
        whole.frames, whole.missing, whole.missed, whole.missed_low, whole.stray_bytes,
    )  # fmt: skip
    assert losses.expected == whole.expected
    assert losses.bursts is whole.bursts
    assert losses.period_s == pytest.approx(0.007, rel=1e-6)


def test_a_line_that_is_never_calm_is_settled_all_the_same() -> None:
    """Without a place to cut no more than some 16,000 frames are evaluated again; one outage may be cut into two."""
    line = Line(20_000, often=0.4)
    source, events = listened(line, [4000])
    whole = line.whole()
    losses = source.losses
    assert (losses.frames, losses.missed, losses.missing) == (whole.frames, whole.missed, whole.missing)
    assert sum(event.frames for event in events) == whole.missed
    assert len(whole.events) <= len(events) <= len(whole.events) + 2
    assert losses.bursts


def test_silence_up_to_now_grows() -> None:
    line = Line(300, often=0.0)
    last_ns = int(line.t_ns[-1])
    source = OngoingOutages(clock=PER_BYTE, start_ns=START_NS)
    source.add(line.part(0, 300))
    for silent, missing in ((10.5, 0), (10.6, 1), (17, 1), (18, 2), (703, 99), (704, 100)):
        source.update(last_ns + round(silent * MS))
        assert (source.losses.missing, len(source.newest)) == (missing, bool(missing))
    source.update(None)
    assert source.losses.missing == 0
    assert source.newest == ()


def handed_on(line: Line, size: int, *, clock: Clock = PER_BYTE) -> tuple[list[tuple[int, Outage]], list[Outage]]:
    """Events as they end, each with the number of frames that had come; and what is left in the end."""
    source, early = OngoingOutages(clock=clock, start_ns=START_NS), []
    for low in range(0, len(line.t_ns), size):
        high = min(len(line.t_ns), low + size)
        source.add(line.part(low, high))
        source.update(int(line.t_ns[high - 1]) if clock.is_known else None)
        early += [(high, event) for event in source.ended()]
    return early, list(source.ended(is_over=True))


@pytest.mark.parametrize("size", [1, 7, 500])
def test_each_outage_is_handed_on_once_when_it_has_ended(size: int) -> None:
    line = Line(260, often=0.05, calm=slice(220, 260))
    early, late = handed_on(line, size)
    assert [event for _, event in early] + late == list(line.whole().events)
    assert late == []
    for count, event in early:
        assert event.end_s is not None
        after = np.searchsorted(line.t_ns, START_NS + event.end_s * 1e9 - 1)  # the frame that ended it
        assert count - after >= 16
        assert size > 1 or count - after == 16


def test_what_has_not_ended_is_handed_on_when_it_is_over() -> None:
    line = Line(300, often=0.0)
    line.flags[290:] = FLAG_LOST
    early, late = handed_on(line, 50)
    assert early == []
    assert [(event.kind, event.frames) for event in late] == [("lost", 10)]


def test_without_a_clock_bytes_show_that_it_ended() -> None:
    line = Line(260, often=0.05, calm=slice(220, 260))
    early, late = handed_on(line, 1, clock=NO_CLOCK)
    whole = line.whole(clock=NO_CLOCK)
    assert [event for _, event in early] + late == list(whole.events)
    assert late == []
    for count, event in early:
        assert count - np.searchsorted(line.offset, event.offset + event.bytes) == 16


def test_before_any_frame_nothing_is_lost() -> None:
    source = OngoingOutages(clock=PER_BYTE, start_ns=START_NS)
    for _ in range(2):
        losses = source.losses
        assert (losses.frames, losses.missing, losses.missed, losses.missed_low, losses.expected) == (0, 0, 0, 0, 0)
        assert (losses.period_s, losses.bursts, losses.stray_bytes) == (None, False, 0)
        assert (source.newest, source.take_settled(), list(source.ended(is_over=True))) == ((), (), [])
        source.update(None)
