"""What counts as a servo pulse, as another receiver, and as a fit, at the limits; skew by its percentiles."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from busbench.analysis.pulse_fit import Fit, _best, _fit, _most_common, follow, obeyed_rows
from busbench.analysis.pulses import PulseLine, WidthStats, _output, _stats, _step_ns, find_pulses
from busbench.analysis.skew import APART_MOST_NS, ContentChanges, Skew, find_skew, skew_of
from busbench.model import F64, I64, MARKED
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.frame_spec import FLAG_LOST
from busbench.wire.table import FrameTable
from busbench.wire.uart import LineFault, encode_line
from tests.analysis.test_latency import bus, frames, pulses

MS = 1_000_000


def output(widths_us: list[float], *, period_ms: float = 20.0, initial: int = 0, inverted: bool = False) -> Edges:
    begin = 5 * MS + np.rint(np.arange(len(widths_us)) * period_ms * MS).astype(np.int64)
    edges = np.stack([begin, begin + np.rint(np.array(widths_us) * 1e3).astype(np.int64)], axis=1).reshape(-1)
    if initial != inverted:
        edges = edges[1:]  # the first pulse had begun before the record
    return Edges(edges, initial, 0, int(edges[-1]) + MS)


@pytest.mark.parametrize(("width_us", "is_pulse"), [(299.999, False), (300.0, True), (3000.0, True), (3000.001, False)])
def test_a_servo_pulse_has_a_width(width_us: float, is_pulse: bool) -> None:
    assert (_output(output([width_us] * 40)) is not None) is is_pulse


@pytest.mark.parametrize(("strange", "is_pulse"), [(3, True), (4, False)])
def test_nine_in_ten_must_be_pulses(strange: int, is_pulse: bool) -> None:
    assert (_output(output([5000.0] * strange + [1500.0] * (40 - strange))) is not None) is is_pulse


@pytest.mark.parametrize(("period_ms", "is_pulse"), [(1.99, False), (2.0, True), (60.0, True), (60.01, False)])
def test_servo_pulses_come_at_a_period(period_ms: float, is_pulse: bool) -> None:
    assert (_output(output([1500.0 if period_ms > 2 else 900.0] * 40, period_ms=period_ms)) is not None) is is_pulse


@pytest.mark.parametrize(("count", "is_pulse"), [(19, False), (20, True)])
def test_a_few_pulses_show_nothing(count: int, is_pulse: bool) -> None:
    assert (_output(output([1500.0] * count)) is not None) is is_pulse


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("begun", [False, True])
def test_a_pulse_that_had_begun_before_is_left_out(inverted: bool, begun: bool) -> None:
    widths = [1000.0 + number for number in range(30)]
    found = _output(output(widths, initial=int(begun is not inverted), inverted=inverted))
    assert found is not None
    begin_ns, width_us, is_inverted = found
    assert is_inverted is inverted
    assert width_us.tolist() == widths[begun:]
    assert begin_ns[0] == 5 * MS + 20 * MS * begun


def test_the_step_of_all_times_is_their_common_divisor() -> None:
    one, other = Edges(np.array([40, 120, 2000]), 0, 0, 3000), Edges(np.array([60, 100]), 0, 0, 3000)
    none = Edges(np.empty(0, np.int64), 0, 0, 3000)
    assert (_step_ns([one]), _step_ns([one, other]), _step_ns([none, other]), _step_ns([none])) == (40, 20, 20, 1)
    assert _step_ns([Edges(np.array([0]), 0, 0, 10)]) == 1


def test_statistics_of_widths() -> None:
    found = _stats(np.array([1.0, 3.0, 5.0, 7.0]))
    assert found == WidthStats(4.0, math.sqrt(5.0), 1.0, 7.0)


@pytest.mark.parametrize(("share", "is_receiver"), [(0.24, False), (0.26, True)])
def test_a_signal_with_a_quarter_of_the_frames_is_a_receiver(share: float, is_receiver: bool) -> None:
    t_ns, counts = frames(200)
    some = round(share * 200)
    found = find_pulses({"bus": bus(t_ns, counts)[0], "b": bus(t_ns[:some] + MS, counts[:some])[0]})
    assert found is not None
    assert (found.bus, found.frames) == ("bus", 200)
    assert [one.sources for one in found.skews] == ([("bus", "b")] if is_receiver else [])
    assert found.idle == (() if is_receiver else ("b",))


@pytest.mark.parametrize(("some", "is_receiver"), [(1, False), (2, True)])
def test_two_frames_are_a_receiver_beside_a_short_record(some: int, is_receiver: bool) -> None:
    t_ns, counts = frames(6)
    found = find_pulses({"bus": bus(t_ns, counts)[0], "b": bus(t_ns[:some] + MS, counts[:some])[0]})
    assert found is not None
    assert found.frames == 6
    assert [(one.sources, one.median_s) for one in found.skews] == ([(("bus", "b"), None)] if is_receiver else [])
    assert found.idle == (() if is_receiver else ("b",))


@pytest.mark.parametrize("marked", [0, 60])
def test_frames_with_bytes_that_the_line_marks_are_not_obeyed(marked: int) -> None:
    """A parity bit of some is wrong: what they carry went to no output, and shows no latency."""
    t_ns, counts = frames(200)
    starts = t_ns[:, None] + 120_000 * np.arange(25)
    sent, bad = counts.copy(), np.zeros((200, 25), np.uint8)
    rows = np.arange(1, 200, 3)[:marked]
    sent[rows, 0], bad[rows, 7] = 1900, LineFault.PARITY
    line = encode_line(pack_frames(sent).reshape(-1), starts.reshape(-1), bit_ns=10_000, bad=bad.reshape(-1))
    shown = counts[:, 0].copy()
    shown[rows] = shown[rows - 1]  # the receiver holds what came before
    found = find_pulses({"bus": line, "a": pulses(t_ns + 25 * 120_000 + 2 * MS, shown)})
    assert found is not None
    (output,) = found.lines
    assert output.fit is not None
    assert (found.frames, output.fit.channel, output.fit.outliers) == (200, 1, 0)
    assert output.fit.us_per_count == pytest.approx(0.61, abs=1e-3)
    assert output.fit.max_counts < 1900


def test_the_named_bus_is_taken() -> None:
    t_ns, counts = frames(200)
    signals = {"bus": bus(t_ns, counts)[0], "b": bus(t_ns[:60] + MS, counts[:60])[0]}
    found = find_pulses(signals, bus="b")
    assert found is not None
    assert (found.bus, found.frames, [one.sources for one in found.skews]) == ("b", 60, [("b", "bus")])
    assert find_pulses(signals | {"dead": output([1500.0] * 40)}, bus="dead") is None
    assert find_pulses(signals, bus="none") is None
    assert find_pulses({}) is None


def test_a_record_in_json() -> None:
    t_ns, counts = frames(300)
    line, end_ns = bus(t_ns, counts)
    found = find_pulses({"bus": line, "a": pulses(end_ns + 2 * MS, counts[:, 0]), "b": output([1500.0] * 40)})
    assert found is not None
    made = found.to_json()
    assert list(made) == ["bus", "frames", "resolution_us", "lines", "skew_s", "idle"]
    assert [made["bus"], made["frames"], made["idle"]] == ["bus", 300, []]
    first, still = made["lines"]
    assert list(first) == [
        "name", "pulses", "width_us", "period_s", "is_inverted", "fit", "latency_s", "latency_frames", "note",
    ]  # fmt: skip
    assert (first["name"], first["pulses"], first["fit"]["channel"]) == ("a", 300, 1)
    assert first["latency_frames"] == found.lines[0].latency.late_ns.size > 100  # type: ignore[union-attr]
    assert (still["fit"], still["latency_s"], still["latency_frames"]) == (None, None, 0)
    assert isinstance(found.lines[0], PulseLine)


def fitted(counts: F64, width_us: F64, *, least_us: float = 0.5) -> Fit:
    found = _fit(3, counts, width_us, least_us=least_us)
    assert found is not None
    return found


def test_a_line_through_counts_is_that_of_scipy() -> None:
    rng = np.random.default_rng(3)
    counts = rng.integers(200, 1800, 300).astype(np.float64)
    width = 1500 + 0.61 * (counts - 992) + rng.normal(0, 0.7, 300)
    found, wanted = fitted(counts, width), stats.linregress(counts, width)
    assert (found.us_per_count, found.us_per_count_se) == pytest.approx((wanted.slope, wanted.stderr))
    assert found.centre_us == pytest.approx(wanted.intercept + 992 * wanted.slope)
    off = width - wanted.intercept - wanted.slope * counts
    assert (found.residual_us, found.worst_us) == pytest.approx((np.sqrt((off**2).mean()), np.abs(off).max()))
    assert (found.outliers, found.min_counts, found.max_counts) == (0, counts.min(), counts.max())
    assert (found.channel, found.also, found.lag_frames) == (3, (), 0)
    assert found.width_us(1000) == pytest.approx(wanted.intercept + 1000 * wanted.slope)


@pytest.mark.parametrize(("false", "left_out"), [(6, 6), (7, 0)])
def test_up_to_two_in_a_hundred_widths_may_be_false(false: int, left_out: int) -> None:
    rng = np.random.default_rng(4)
    counts = rng.integers(200, 1800, 300).astype(np.float64)
    width = 1500 + 0.61 * (counts - 992) + rng.normal(0, 0.1, 300)
    width[:false] += 40
    assert fitted(counts, width).outliers == left_out


@pytest.mark.parametrize(("off_us", "left_out"), [(0.45, 0), (0.55, 1)])
def test_small_deviations_are_no_outliers(off_us: float, left_out: int) -> None:
    """Half a microsecond, or one and a half steps of the times."""
    counts = np.arange(300, 1700, 7, dtype=np.float64)
    width = 1500 + 0.61 * (counts - 992)
    width[100] += off_us
    assert fitted(counts, width).outliers == left_out
    assert fitted(counts, width, least_us=0.6).outliers == 0


@pytest.mark.parametrize(("noise", "fits"), [(0.19, True), (0.22, False)])
def test_counts_explain_nearly_all_of_the_widths(noise: float, fits: bool) -> None:
    """A correlation of 0.98 leaves a spread of 0.203 of that of the counts."""
    counts = np.tile([600.0, 1400.0], 200)
    width = 1500 + (counts - 1000) / 400 + noise * np.tile([1.0, 1.0, -1.0, -1.0], 100)
    assert (_fit(1, counts, width, least_us=9.0) is not None) is fits
    assert _fit(1, np.full(40, 992.0), width[:40], least_us=0.5) is None
    assert _fit(1, counts, np.full(400, 1500.0), least_us=0.5) is None


def fit(channel: int, residual_us: float, outliers: int = 0) -> Fit:
    return Fit(channel, (), 1500.0, 0.6, 0.01, residual_us, 1.0, 0, outliers, 200, 1800)


def test_the_best_fit_and_those_that_are_alike() -> None:
    fits = [(0, fit(1, 0.50)), (4, fit(2, 0.40)), (8, fit(3, 0.53)), (12, fit(4, 0.5301)), (16, fit(5, 0.40))]
    best, near = _best(fits)  # up to 1.2 times the best and 0.05 us
    assert best == (4, fit(2, 0.40))  # of two, that with the smaller delay
    assert [one.channel for _, one in near] == [1, 2, 3, 5]
    best, near = _best([(0, fit(1, 0.40, 5)), (4, fit(2, 0.45, 2)), (8, fit(3, 0.45, 4))])
    assert (best[1].channel, [one.channel for _, one in near]) == (2, [2, 3])  # two outliers more at most


def test_where_most_ranges_overlap() -> None:
    low, high = np.array([-50, 10, 20, 30]), np.array([100, 60, 70, 80])
    assert _most_common(low, high) == (31, 60)
    assert _most_common(np.array([-50, -9]), np.array([100, 60])) == (0, 60)
    assert _most_common(np.array([0, 100]), np.array([50, 200])) == (1, 200)  # alike: from the first to the last


def table(t_ns: list[int], *, lost: tuple[int, ...] = (), marked: tuple[int, ...] = ()) -> FrameTable:
    count = len(t_ns)
    flags, marks = np.zeros(count, np.int64), np.zeros(count, np.uint8)
    flags[list(lost)], marks[list(marked)] = FLAG_LOST, MARKED
    raw = pack_frames(np.full((count, 16), 992), flags)
    return FrameTable(np.array(t_ns) * MS, np.zeros(count, np.int32), 25 * np.arange(count), raw, marks)


@pytest.mark.parametrize(
    ("begin_ms", "delay_ms", "row", "good"),
    [(9, 0, 0, False), (10, 0, 0, True), (19, 0, 0, True), (20, 0, 1, True), (20, 1, 0, True), (30, 0, 2, False),
     (40, 0, 3, False), (249, 0, 4, True), (250, 0, 4, False), (10, 1, 0, False)],
)  # fmt: skip
def test_a_pulse_obeys_the_last_sound_frame_before_it(begin_ms: int, delay_ms: int, row: int, good: bool) -> None:
    bus_frames = table([10, 20, 30, 40, 50], lost=(2,), marked=(3,))
    rows, is_good = obeyed_rows(np.array([begin_ms * MS]), bus_frames, delay_ms * MS)
    assert (rows.tolist(), is_good.tolist()) == ([row], [good])


@pytest.mark.parametrize(("matches", "is_known"), [(7, False), (8, True)])
def test_skew_needs_eight_matches(matches: int, is_known: bool) -> None:
    late: I64 = np.arange(matches) * 1000 + 5
    found = skew_of(late, ("a", "b"))
    assert (found.median_s is not None, found.matches) == (is_known, matches)


def test_skew_is_given_by_percentiles() -> None:
    late = np.random.default_rng(2).permutation(np.arange(101)) * 1000
    assert skew_of(late, (0, 1)) == Skew((0, 1), 50e-6, 5e-6, 95e-6, 101)
    assert skew_of(late, (0, 1)).to_json() == {
        "sources": [0, 1], "median_s": 50e-6, "low_s": 5e-6, "high_s": 95e-6, "matches": 101,
    }  # fmt: skip


@pytest.mark.parametrize(("late_ns", "matches"), [(APART_MOST_NS, 19), (APART_MOST_NS + 1, 0), (-APART_MOST_NS, 19)])
def test_changes_a_second_apart_are_not_the_same(late_ns: int, matches: int) -> None:
    base = table([7 * number for number in range(20)])
    moved = replace(base, raw=pack_frames(np.full((20, 16), 500) + np.arange(20)[:, None]))
    one, two = ContentChanges(), ContentChanges()
    one.feed(moved)
    two.feed(replace(moved, t_ns=moved.t_ns + late_ns))
    assert find_skew(one, two, sources=(0, 1)).matches == matches


@pytest.mark.parametrize("channel", range(16))
@pytest.mark.parametrize("step", [1, 256])
def test_a_change_of_any_channel_is_a_change(channel: int, step: int) -> None:
    counts = np.full((20, 16), 500)
    counts[:, channel] = step * np.array([0, 1, 0, 2, 0, 3, 0, 4, 0, 5, 0, 6, 0, 7, 1, 2, 1, 3, 1, 4])  # each pair once
    base = table([7 * number for number in range(20)])
    one, two = ContentChanges(), ContentChanges()
    one.feed(replace(base, raw=pack_frames(counts)))
    two.feed(replace(base, raw=pack_frames(counts), t_ns=base.t_ns + 5 * MS))
    found = find_skew(one, two, sources=(0, 1))
    assert (found.matches, found.median_s) == (19, 0.005)
    flags = ContentChanges()
    flags.feed(replace(base, raw=pack_frames(np.full((20, 16), 500), np.arange(20) % 4)))
    assert flags.columns()[0].size == 0  # channels 17 and 18, and the end byte, are not compared


@pytest.mark.parametrize(
    ("count", "note"),
    [(1, "the bus has too few frames"), (2, "no channel moved: move its control while recording")],
)
def test_two_frames_have_a_period(count: int, note: str) -> None:
    begin_ns = np.arange(30) * 20 * MS
    assert follow(begin_ns, np.full(30, 1500.0), table([10, 24][:count])) == (None, note)
