"""Recordings of the same time: where each begins, which outages coincide, how late one is, and what is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from busbench.analysis.coincidence import Coincidence
from busbench.analysis.recording import Recording
from busbench.analysis.several import Several, SourceOutages, _names, lay_beside, sentences
from busbench.analysis.skew import ContentChanges
from busbench.capture.base import CaptureInfo, Origin
from busbench.capture.frames import Span
from busbench.model import Clock, ClockKind, Rejects
from busbench.wire.codec import pack_frames
from busbench.wire.table import FrameTable

MS, S = 1_000_000, 1_000_000_000
CLOCK = Clock(ClockKind.PER_BYTE, 1000)
MOVES = np.random.default_rng(1).permutation(np.arange(20, 2020))


def recorded(
    *, first_s: float = 0.0, begun_utc_s: float | None = None, out: Sequence[tuple[int, int]] = (), count: int = 2000,
    late_ms: float = 0.0, name: str = "a", still: bool = False,
) -> Recording:  # fmt: skip
    """Frames every 10 ms without some rows.

    Args:
        first_s: time of the first byte on its own clock.
        begun_utc_s: Unix time of the clock's zero.
        out: rows that are missing, from and to.
        late_ms: how much later than the zero of the motion its frames come.
    """
    keep = np.ones(count, np.bool_)
    for low, high in out:
        keep[low:high] = False
    counts = np.full((count, 16), 992)
    counts[:, 2] = 992 if still else MOVES[:count]
    t_ns = (round(first_s * S) + 3 * MS + round(late_ms * MS) + 10 * MS * np.arange(count))[keep]
    size = int(keep.sum())
    table = FrameTable(t_ns, np.zeros(size, np.int32), 25 * np.arange(size), pack_frames(counts[keep]),
                       np.zeros(size, np.uint8))  # fmt: skip
    info = CaptureInfo(f"{name}.pcapng", "made", CLOCK, None if begun_utc_s is None else round(begun_utc_s * S), name)
    span = Span(25 * size, round(first_s * S), int(t_ns[-1]) if size else round(first_s * S))
    return Recording(info, span, table, Rejects.empty())


def test_each_begins_at_its_date_and_first_byte() -> None:
    found = lay_beside([
        recorded(first_s=5.0, begun_utc_s=1000.0), recorded(first_s=1.5, begun_utc_s=1001.0, name="b"),
        recorded(first_s=0.25, begun_utc_s=1004.0, name="c"),
    ])  # fmt: skip
    assert found.begins_ns == (2_500_000_000, 0, 1_750_000_000)
    assert [begin for begin, _ in found.placed] == list(found.begins_ns)
    assert (found.has_dates, found.notes) == (True, ())
    assert (found.coincidence.start_s, found.coincidence.end_s) == pytest.approx((2.5, 19.993))
    sources = found.to_json()["sources"]
    assert isinstance(sources, list)
    assert [(one["name"], one["begin_s"]) for one in sources] == [("a", 2.5), ("b", 0.0), ("c", 1.75)]


def test_one_without_a_date_makes_all_begin_together() -> None:
    found = lay_beside([recorded(first_s=5.0, begun_utc_s=1000.0), recorded(first_s=1.5, name="b")])
    assert (found.has_dates, found.begins_ns) == (False, (0, 0))
    assert found.notes == ("no dates are known: the recordings are taken to begin together",)
    assert found.to_json()["note"] == found.notes[0]


def test_outages_are_placed_where_their_recordings_begin() -> None:
    """The same second is out: rows 500-600 from 5 s on, and rows 250-350 of what began 2.5 s later."""
    found = lay_beside([
        recorded(begun_utc_s=1000.0, out=[(500, 600)]),
        recorded(begun_utc_s=1002.5, out=[(250, 350), (900, 905)], name="b"),
    ])  # fmt: skip
    (overlap,) = found.coincidence.overlaps
    assert (overlap.start_s, overlap.end_s) == pytest.approx((4.993, 6.003))
    assert (found.coincidence.bursts, found.coincidence.coincident) == (1, 1)


@pytest.mark.parametrize(("apart", "bursts"), [(14, 1), (15, 2)])
def test_without_a_period_outages_within_140_ms_are_one_burst(apart: int, bursts: int) -> None:
    """Ten periods of 14 ms; each of the two has the same outages."""
    one = recorded(out=[(500, 520), (520 + apart + 1, 600)])
    found = Several(tuple(SourceOutages(name, one.timeline, ContentChanges()) for name in "ab"))
    for source in found.sources:
        source.__dict__["outages"] = replace(source.outages, period_s=None)
    assert (found.coincidence.bursts, found.coincidence.coincident) == (bursts, bursts)


def silent(begun_utc_s: float) -> Recording:
    """A receiver that sent no byte."""
    one = recorded(begun_utc_s=begun_utc_s, count=0, name="b")
    return replace(one, span=Span())


def test_a_silent_receiver_was_out_all_the_time() -> None:
    found = lay_beside([recorded(first_s=2.0, begun_utc_s=1000.0, out=[(500, 600)]), silent(900.0)])
    assert found.begins_ns[0] == 0  # what was not heard begins nowhere
    assert found.coincidence.uncovered_s == pytest.approx(1.01)
    assert (found.coincidence.start_s, found.coincidence.end_s) == pytest.approx((0.0, 19.993))


def test_receivers_that_are_all_silent_begin_at_the_earliest_of_them() -> None:
    found = lay_beside([silent(1_700_000_003.0), silent(1_700_000_000.0)])
    assert found.begins_ns == (3 * S, 0)
    sources = found.to_json()["sources"]
    assert isinstance(sources, list)
    assert [one["begin_s"] for one in sources] == [3.0, 0.0]


@pytest.mark.parametrize(("late_ms", "begun_s"), [(0.0, 1000.0), (7.25, 1000.0), (-2.5, 1000.004), (7.25, 999.0)])
def test_the_skew_counts_from_one_zero(late_ms: float, begun_s: float) -> None:
    first = recorded(first_s=3.0, begun_utc_s=1000.0, name="a")
    second = recorded(first_s=0.5, begun_utc_s=begun_s + 2.5, late_ms=late_ms, name="b")
    third = recorded(first_s=0.5, begun_utc_s=begun_s + 2.5, late_ms=late_ms + 1, name="c")
    found = lay_beside([first, second, third])
    expected = late_ms / 1e3 + begun_s - 1000.0
    for skew, number, more in zip(found.skews, (1, 2), (0.0, 0.001), strict=True):
        assert skew.sources == (0, number)
        if abs(expected) < 0.5:
            assert skew.median_s == pytest.approx(expected + more, abs=2e-9)
            assert skew.matches == 1999
        else:
            assert (skew.median_s, skew.matches) == ((pytest.approx(expected + more), 1999) if abs(expected) <= 1
                                                     else (None, 0))  # fmt: skip


def said(found: Several, **changes: object) -> list[str]:
    one = replace(found.coincidence, **changes)  # type: ignore[arg-type]
    again = Several(found.sources)
    again.__dict__["coincidence"] = one
    return sentences(again)


@pytest.mark.parametrize(
    ("independent", "words"),
    [
        ("yes", "yes: no more coincide than by chance"),
        ("no", "no: more coincide than chance explains: look for a common cause"),
        ("cannot tell", "unknown: too few outages came"),
    ],
)
def test_what_coincides_in_words(independent: str, words: str) -> None:
    found = lay_beside([recorded(begun_utc_s=10.0), recorded(begun_utc_s=10.0, name="b", late_ms=3.2)])
    values = {"uncovered_s": 1.5, "longest_uncovered_s": 0.0409, "expected_by_chance_s": 2e-6, "p_value": 0.01234}
    counts = {"bursts": 1200, "coincident": 1, "coincident_by_chance": 0.12345, "independent": independent}
    assert said(found, **values, **counts) == [
        "no receiver: 1.500 s in all, 40.900 ms at most at once; 2.0 µs expected by chance",
        f"independent: {words}; 1 of 1,200 bursts coincides, 0.123 expected by chance (p = 0.012)",
        "skew of b to a: +3.20 ms (5 to 95 %: +3.20 to +3.20 ms, 1,999 changes)",
    ]


def test_still_sticks_leave_the_skew_unknown() -> None:
    found = lay_beside([recorded(still=True), recorded(still=True, name="b")])
    assert sentences(found)[2:] == [
        "skew of b to a: unknown: too few changes that both show",
        "note: no dates are known: the recordings are taken to begin together",
    ]


def test_recordings_of_other_times_have_nothing_in_common() -> None:
    found = lay_beside([recorded(begun_utc_s=10.0), recorded(begun_utc_s=100.0, name="b")])
    assert sentences(found) == ["the recordings have no time in common"]


@pytest.mark.parametrize(
    ("bursts", "coincident", "words"),
    [(1, 1, "1 of 1 burst coincides, 0.25 expected by chance"), (2, 0, "0 of 2 bursts coincide, 0.25 expected by"),
     (2000, 1500, "1,500 of 2,000 bursts coincide, 0.25 expected by chance")],
)  # fmt: skip
def test_counts_in_words(bursts: int, coincident: int, words: str) -> None:
    found = Coincidence(0.0, 1.0, (), 0.0, 0.0, 0.0, "no", bursts, coincident, 0.25, 0.01, 1.0)
    assert found.counts.startswith(words)


def info(path: str, *, source: str = "", unit: str = "") -> CaptureInfo:
    return CaptureInfo(path, "made", CLOCK, None, source, Origin(unit))


@pytest.mark.parametrize(
    ("infos", "names"),
    [
        ([info("x", source="p", unit="left"), info("x", source="q", unit="right")], ["left", "right"]),
        ([info("x", source="p", unit="left"), info("x", source="q")], ["left", "q"]),
        ([info("x", unit="left"), info("y")], ["left", "y"]),
        ([info("x", source="p", unit="one"), info("x", source="q", unit="one")], ["p", "q"]),
        ([info("x", source="p", unit="one"), info("y", source="p", unit="one")], ["x", "y"]),
        ([info("x", unit="one"), info("y", unit="one")], ["x", "y"]),
        ([info("x", source="p"), info("x", source="p")], ["0: p", "1: p"]),
    ],
)
def test_names_are_the_first_that_distinguish_all(infos: list[CaptureInfo], names: list[str]) -> None:
    assert _names(infos) == names
