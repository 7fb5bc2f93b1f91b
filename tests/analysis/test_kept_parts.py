"""Recordings of which parts were not kept, results as tables for notebooks, and a recording as one row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busbench.analysis.notebook import ROWS_MOST, html_of
from busbench.analysis.outages import find_outages
from busbench.analysis.recording import Recording, RecordingTimes
from busbench.analysis.recording_row import COLUMNS, recording_row
from busbench.capture.base import CaptureInfo, Origin
from busbench.capture.frames import Span
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.model import MARKED, Clock, ClockKind, FrameTimes, Rejects
from busbench.wire.codec import pack_frames
from busbench.wire.table import FrameTable
from tests.analysis.adapter import receiver, through_adapter, without

MS = 1_000_000
CLOCK = Clock(ClockKind.PER_BYTE, 1000)


def kept(*parts: tuple[int, int], jitter_ns: int = 0, marked: tuple[int, ...] = ()) -> FrameTimes:
    """Frames by their numbers on a period of 7 ms, from and to."""
    number = np.concatenate([np.arange(*part) for part in parts])
    t_ns = 7 * MS * number + jitter_ns * (number % 2)
    marks = np.zeros(number.size, np.uint8)
    marks[list(marked)] = MARKED
    return FrameTimes(t_ns, np.zeros(number.size, np.int32), np.zeros(number.size, np.uint8), marks)


def left_out(first: int, last: int, *, missed: int = 0) -> LeftOut:
    """Numbers of the first and the last frame that were received and not kept."""
    return LeftOut(7 * MS * first, 7 * MS * last, last - first + 1 - missed, 25 * (last - first + 1))


def timeline(times: FrameTimes, *parts: LeftOut, end: int | None = None, **more: object) -> RecordingTimes:
    info = CaptureInfo("x", "made", CLOCK, left_out=list(parts), **more)  # type: ignore[arg-type]
    last_ns = int(times.t_ns[-1]) if end is None else 7 * MS * end
    return RecordingTimes(info, Span(25 * len(times), int(times.t_ns[0]), last_ns), times, Rejects.empty(), 0)


def test_frames_that_were_not_kept_are_not_missing() -> None:
    """0 … 99, then 200 on; 150 lies in the part that was left out, 230 … 232 are gone."""
    times = kept((0, 100), (200, 230), (233, 300))
    found = timeline(times, left_out(100, 199)).outages()
    assert (found.frames, found.expected, found.missing, found.left_out) == (297, 300, 3, 100)
    (gap,) = found.events
    assert (gap.kind, gap.frames) == ("gap", 3)
    assert [gap.start_s, gap.end_s] == pytest.approx([229 * 0.007, 233 * 0.007])
    assert found.missed_ratio == pytest.approx(3 / 300)
    plain = timeline(times).outages()
    assert (plain.missing, plain.left_out) == (103, 0)


def test_several_parts_are_closed_each() -> None:
    times = kept((0, 50), (90, 120), (160, 200))
    found = timeline(times, left_out(50, 89), left_out(120, 159)).outages()
    assert (found.missing, found.frames, found.left_out) == (0, 200, 80)
    assert found.period_s == pytest.approx(0.007)
    at_ends = timeline(kept((40, 100)), left_out(0, 39), left_out(100, 139), end=139).outages()
    assert (at_ends.missing, at_ends.frames) == (0, 140)
    silent = timeline(kept((40, 100)), left_out(100, 139), end=150).outages()
    assert (silent.missing, silent.events[-1].frames) == (10, 10)  # after the last frame, kept or not


@pytest.mark.parametrize(
    ("frames", "parts", "missed", "first", "last"),
    [
        (((0, 100), (205, 260)), [left_out(100, 199)], 5, 199, 205),  # just after the part
        (((0, 100), (200, 260)), [left_out(105, 199)], 5, 99, 105),  # just before it
        (((0, 100), (106, 160)), [left_out(105, 105)], 5, 99, 105),  # a part of one frame
        (((0, 100), (209, 260)), [left_out(102, 199)], 11, 199, 209),  # at both ends: the longer silence
        (((0, 100), (200, 260)), [left_out(100, 149), left_out(153, 199)], 3, 149, 153),  # between two parts
        (((0, 100), (200, 260)), [left_out(153, 199), left_out(100, 149)], 3, 149, 153),
        (((0, 60),), [left_out(63, 99)], 3, 59, 63),  # after the last
    ],
)
def test_a_loss_beside_a_part_that_was_left_out(
    frames: tuple[tuple[int, int], ...], parts: list[LeftOut], missed: int, first: int, last: int
) -> None:
    """It is counted, and lasts from the frame before it to the frame after it, kept or not."""
    found = timeline(
        kept(*frames), *parts, end=max(max(stop for _, stop in frames) - 1, parts[-1].last_t_ns // 7 // MS)
    )
    out = found.outages()
    assert out.period_s == pytest.approx(0.007)
    assert [(event.kind, event.frames) for event in out.events] == [("gap", missed)]
    (gap,) = out.events
    begin_s = 0.007 * frames[0][0]
    assert [gap.start_s, gap.end_s] == pytest.approx([0.007 * first - begin_s, 0.007 * last - begin_s])
    assert out.missing == missed


@pytest.mark.parametrize("seed", range(4))
def test_losses_between_parts_by_the_reads_of_a_timer(seed: int) -> None:
    """Reads at 16 ms: both ends of a part are late by up to that, and no loss comes or goes with it."""
    rng = np.random.default_rng(seed)
    end_ns = receiver(4_800, period_ns=14 * MS, jitter_ns=50_000, rng=rng)
    lost = np.concatenate([np.arange(at, at + 5 + at // 100) for at in range(300, 4_800, 600)])
    whole = without(through_adapter(end_ns, latency_ns=16 * MS, late="idle", rng=rng), lost)
    number = np.delete(np.arange(4_800), lost)
    near = np.abs(number[:, None] - np.arange(300, 4_800, 600)).min(1) < 110
    edges = np.flatnonzero(np.diff(np.concatenate([[True], near, [True]])))
    parts = [LeftOut(int(whole.t_ns[a]), int(whole.t_ns[b - 1]), int(b - a), 25 * int(b - a))
             for a, b in zip(edges[::2], edges[1::2], strict=True)]  # fmt: skip
    info = CaptureInfo("x", "made", Clock(ClockKind.PER_READ, 1000), left_out=parts)
    times = without(whole, ~near)
    span = Span(25 * len(times), int(times.t_ns[0]), int(whole.t_ns[-1]))
    found = RecordingTimes(info, span, times, Rejects.empty(), 0).outages()
    assert [event.frames for event in found.events] == [8, 14, 20, 26, 32, 38, 44, 50]
    assert (found.frames, found.expected) == (4_568, 4_800)
    assert found.period_s == pytest.approx(0.014, rel=2e-4)


def test_one_frame_and_nothing_else_kept() -> None:
    found = timeline(kept((50, 51)), left_out(0, 49)).outages()
    assert (found.frames, found.missing) == (51, 0)


def test_minutes_are_passed_on() -> None:
    minute = MinuteTotals(60_000 * MS, 0, 8000, {"gap": (2, 5)})
    found = timeline(kept((0, 100)), totals=[minute]).outages()
    assert found.minutes == (minute,)
    assert found.to_json()["minutes"] == [minute.to_json()]
    assert found.to_json()["left_out"] == 0
    assert "minutes" not in timeline(kept((0, 100))).outages().to_json()


def test_timing_is_that_of_the_longest_part_that_was_kept() -> None:
    times = kept((0, 60), (100, 260), (300, 350), jitter_ns=2000, marked=(3, 100))
    found = timeline(times, left_out(60, 99), left_out(260, 299)).timing()
    assert (found.frames, found.missing) == (160, 0)
    assert found.jitter is not None
    assert found.jitter.period_pp_s == pytest.approx(4e-6)
    assert timeline(times).timing().missing == 80
    none = FrameTimes(np.empty(0, np.int64), np.empty(0, np.int32), np.empty(0, np.uint8))
    empty = RecordingTimes(CaptureInfo("x", "made", CLOCK, left_out=[left_out(0, 9)]), Span(), none, Rejects.empty(), 0)
    assert empty.timing().frames == 0


def test_times_at_the_edge_of_a_part_belong_to_the_next() -> None:
    """A part that ends at the time of a kept frame ends before it."""
    found = timeline(kept((0, 60), (100, 260)), LeftOut(7 * MS * 60, 7 * MS * 100, 40, 1000)).timing()
    assert found.frames == 160


def test_outages_by_another_clock() -> None:
    line = timeline(kept((0, 50), (60, 100)))
    assert line.outages().missing == 10
    assert line.outages(clock=Clock(ClockKind.NONE, 0)).period_s is None
    assert find_outages(line.times, line.rejects, first_offset=0, clock=CLOCK).missing == 10


def test_nested_values_are_tables_in_cells() -> None:
    assert html_of({"a<b": 1.23456789, "none": None, "text": "x & y", "flag": True, "count": 1_234_567}) == (
        "<table><tr><th>a&lt;b</th><td>1.23457</td></tr><tr><th>none</th><td>–</td></tr>"
        "<tr><th>text</th><td>x &amp; y</td></tr><tr><th>flag</th><td>True</td></tr>"
        "<tr><th>count</th><td>1234567</td></tr></table>"
    )
    assert html_of({"in": {"x": 2}}) == (
        "<table><tr><th>in</th><td><table><tr><th>x</th><td>2</td></tr></table></td></tr></table>"
    )
    assert html_of({}) == "<table></table>"


def test_lists_are_rows_or_cells() -> None:
    assert html_of({"l": [1, None, 2.5]}) == "<table><tr><th>l</th><td>1, –, 2.5</td></tr></table>"
    assert html_of({"l": []}) == "<table><tr><th>l</th><td></td></tr></table>"
    assert html_of({"l": [{"a": 1, "b": [2]}, {"a": 3, "b": None}]}) == (
        "<table><tr><th>l</th><td><table><tr><th>a</th><th>b</th></tr><tr><td>1</td><td>2</td></tr>"
        "<tr><td>3</td><td>–</td></tr></table></td></tr></table>"
    )
    assert html_of({"l": [{"a": 1}, 2]}).count("<table>") == 2  # not all are records: cells


@pytest.mark.parametrize(("count", "more"), [(50, ""), (51, "<p>and 1 more</p>"), (73, "<p>and 23 more</p>")])
def test_long_lists_are_cut_and_say_so(count: int, more: str) -> None:
    numbers, records = html_of({"l": list(range(count))}), html_of({"l": [{"a": at} for at in range(count)]})
    for text in (numbers, records):
        assert text.endswith(f"{more}</td></tr></table>")
        assert ("and" in text) is bool(more)
    assert records.count("<tr><td>") == ROWS_MOST == 50


def recording(count: int = 300, **info: object) -> Recording:
    counts = np.full((count, 16), 992)
    counts[:, 2] = 992 + 300 * (np.arange(count) // 50 % 2)
    t_ns = 3 * MS + 7 * MS * np.arange(count)
    frames = FrameTable(t_ns, np.zeros(count, np.int32), 25 * np.arange(count), pack_frames(counts),
                        np.zeros(count, np.uint8))  # fmt: skip
    made = CaptureInfo("x.pcapng", "made", CLOCK, 1_750_000_000_000_000_000, **info)  # type: ignore[arg-type]
    return Recording(made, Span(25 * count, 0, int(t_ns[-1]) if count else 0), frames, Rejects.empty())


def test_a_row_has_every_figure_of_the_commands() -> None:
    one = recording(source="ttyUSB0", origin=Origin("Heron", "on the bench", "A7"))
    one = replace(one, frames=one.frames[np.delete(np.arange(300), [100, 101, 200])])
    one.info.notes.extend(["the end is cut", "2 rows are damaged"])
    found = recording_row(one, path="x.pcapng", interface="1")
    assert list(found) == list(COLUMNS)
    texts = ("path", "interface", "error", "sha256", "notes", "format", "source", "unit", "note", "adapter_serial")
    assert [found[name] for name in texts] == [
        "x.pcapng", "1", None, None, "the end is cut; 2 rows are damaged", "made", "ttyUSB0", "Heron", "on the bench",
        "A7",
    ]  # fmt: skip
    assert (found["missed_bursts"], found["outages_missed"], found["outages_events"]) == (2, 3, 2)
    assert found["missed_ratio_low"] < found["outages_missed_ratio"] == 3 / 300 < found["missed_ratio_high"]
    assert (found["outages_summary_gap_count"], found["outages_summary_gap_frames"]) == (2, 3)
    assert found["outages_summary_gap_longest_s"] == pytest.approx(0.021)
    assert (found["timing_frames"], found["timing_missing"]) == (297, 3)
    assert found["timing_period_s_mean"] == pytest.approx(0.007)
    assert found["timing_mtie_s"] == one.timing().to_json()["mtie_s"]
    assert (found["channels_frames"], found["channels_glitches"]) == (297, 0)
    assert (found["ch3_min_counts"], found["ch3_max_counts"], found["ch3_moves"]) == (992, 1292, 5)
    assert (found["ch18_max_counts"], found["ch18_still_noise_counts"]) == (0, None)


def test_a_row_of_no_frames_has_none_of_their_figures() -> None:
    bare = recording_row(recording(0), path="x")
    assert list(bare) == list(COLUMNS)
    assert bare["notes"] is bare["source"] is bare["unit"] is bare["ch1_min_counts"] is None
    assert (bare["outages_frames"], bare["missed_bursts"], bare["channels_frames"]) == (0, None, 0)
