"""The UART line at the bit level: literal waveforms, both polarities, wrong clocks, damage, records cut anywhere."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.line import BUS_LINE, LineSettings
from busbench.model import I64, U8
from busbench.wire.edges import Edges
from busbench.wire.uart import LineBytes, LineDecoder, LineFault, decode_fixed, decode_line, encode_line

UPRIGHT = LineSettings(inverted=False)
BOTH = pytest.mark.parametrize("line", [BUS_LINE, UPRIGHT], ids=["inverted", "upright"])
HEADER = [0, 10_000, 50_000, 100_000]  # 0x0F: start, four ones, four zeros, parity 0, two stops
Columns = tuple[U8, I64]


def bursts(count: int = 40, *, bit_ns: float = 10_000, seed: int = 1) -> Columns:
    """Frames of 25 random bytes between a header and 0, one each 7 ms."""
    raw = np.random.default_rng(seed).integers(0, 256, (count, 25), dtype=np.uint8)
    raw[:, 0], raw[:, 24] = 0x0F, 0
    places = np.rint(np.arange(25) * 12 * bit_ns).astype(np.int64)
    return raw.ravel(), (np.arange(count)[:, None] * 7_000_000 + places).ravel()


def agrees(read: LineBytes, data: U8, t_ns: I64) -> bool:
    return bool(np.array_equal(read.data, data) and np.array_equal(read.t_ns, t_ns))


def cut(edges: Edges, start_ns: int, end_ns: int) -> Edges:
    """The part of a record between two times."""
    inside = (edges.t_ns > start_ns) & (edges.t_ns <= end_ns)
    initial = edges.initial ^ (int(np.count_nonzero(edges.t_ns <= start_ns)) & 1)
    return Edges(edges.t_ns[inside], initial, start_ns, end_ns)


def test_one_character_as_levels() -> None:
    edges = encode_line(b"\x0f")
    assert edges.t_ns.tolist() == HEADER
    assert edges.initial == 0  # an inverted line idles low
    assert edges.level.tolist() == [1, 0, 1, 0]
    assert (edges.start_ns, edges.end_ns) == (-120_000, 240_000)
    upright = encode_line(b"\x0f", line=UPRIGHT)
    assert (upright.t_ns.tolist(), upright.initial, upright.level.tolist()) == (HEADER, 1, [0, 1, 0, 1])


@pytest.mark.parametrize(
    ("byte", "parity", "changes_us"),
    [
        (0x00, "E", [0, 100]),
        (0x01, "E", [0, 10, 20, 90]),  # one data bit is set, so parity is too
        (0x01, "O", [0, 10, 20, 100]),
        (0x01, "N", [0, 10, 20, 90]),
        (0xFF, "E", [0, 10, 90, 100]),
        (0x80, "E", [0, 80]),
    ],
)
def test_parity_as_levels(byte: int, parity: str, changes_us: list[int]) -> None:
    edges = encode_line(bytes([byte]), line=LineSettings(parity=parity))
    assert (edges.t_ns // 1000).tolist() == changes_us


def test_back_to_back_and_at_given_times() -> None:
    assert encode_line(b"\0\0").t_ns.tolist() == [0, 100_000, 120_000, 220_000]
    assert encode_line(b"\0\0", np.array([5, 7_000_005])).t_ns.tolist() == [5, 100_005, 7_000_005, 7_100_005]


def test_a_character_may_not_begin_inside_the_one_before() -> None:
    with pytest.raises(ValueError, match="byte 1 begins 100000 ns after the one before"):
        encode_line(b"\0\0", np.array([0, 100_000]))
    with pytest.raises(ValueError, match="2 bytes but 1 times"):
        encode_line(b"\0\0", np.array([0]))


@BOTH
def test_polarity_is_found_whatever_was_asked_for(line: LineSettings) -> None:
    data, t_ns = bursts()
    for asked in (BUS_LINE, UPRIGHT):
        read = decode_line(encode_line(data, t_ns, line=line), line=asked)
        assert agrees(read, data, t_ns)
        assert not read.bad.any()
        assert read.inverted is line.inverted
        assert read.ppm == pytest.approx(0, abs=1)


@BOTH
@pytest.mark.parametrize("off", [-0.04, -0.01, 0.01, 0.04])
def test_a_wrong_clock_is_measured_and_followed(line: LineSettings, off: float) -> None:
    bit_ns = 10_000 * (1 + off)
    data, t_ns = bursts(bit_ns=bit_ns)
    read = decode_line(encode_line(data, t_ns, line=line, bit_ns=bit_ns))
    assert agrees(read, data, t_ns)
    assert not read.bad.any()
    assert read.ppm == pytest.approx(off * 1e6, abs=5)
    assert read.bit_ns == pytest.approx(bit_ns, rel=5e-6)


def test_a_clock_is_measured_on_coarse_samples_and_slow_edges() -> None:
    data, t_ns = bursts(400, bit_ns=10_200)
    t_ns += np.arange(400).repeat(25) * 370  # or the samples would always meet a burst at the same places
    edges = encode_line(data, t_ns, bit_ns=10_200)
    late = edges.t_ns + np.where(edges.level == 0, 2_500, 0)  # one direction a quarter of a bit late
    sampled = Edges(-(-late // 2_000) * 2_000, edges.initial, edges.start_ns, edges.end_ns)
    read = decode_line(sampled)
    assert read.data.tolist() == data.tolist()
    assert not read.bad.any()
    assert read.ppm == pytest.approx(20_000, abs=200)


def test_pauses_between_characters_are_no_part_of_the_bit_time() -> None:
    data, t_ns = bursts()
    read = decode_line(encode_line(data, t_ns + np.arange(data.size) % 25 * 900))
    assert agrees(read, data, t_ns + np.arange(data.size) % 25 * 900)
    assert read.ppm == pytest.approx(0, abs=1)


def test_a_clock_too_far_off_is_not_followed() -> None:
    data, t_ns = bursts(bit_ns=8_680)
    read = decode_line(encode_line(data, t_ns, bit_ns=8_680))
    assert read.bit_ns == 10_000
    assert np.count_nonzero(read.bad) > len(read) // 2


def test_a_fixed_clock_reads_until_it_is_half_a_bit_late_at_its_last_look() -> None:
    # It looks at the last stop bit in its middle, 11.5 of its own bits after the start edge, and once it has
    # lost half a bit by then it finds the next start bit there (derivation).
    tolerance = 0.5 / 11.5
    for off, is_read in ((0.99 * tolerance, True), (1.01 * tolerance, False)):
        edges = encode_line(b"\x0f\x33" * 50, bit_ns=10_000 / (1 + off))
        assert (not decode_fixed(edges, line=BUS_LINE).bad.any()) is is_read


@BOTH
@pytest.mark.parametrize("fault", [LineFault.PARITY, LineFault.FRAMING, LineFault.PARITY | LineFault.FRAMING])
def test_faults_are_marked_on_their_byte_alone(line: LineSettings, fault: LineFault) -> None:
    data, t_ns = bursts()
    bad = np.zeros(data.size, np.uint8)
    bad[[0, 37, 600]] = fault
    read = decode_line(encode_line(data, t_ns, line=line, bad=bad), line=line)
    assert agrees(read, data, t_ns)
    assert read.bad.tolist() == bad.tolist()


def test_the_second_stop_bit_counts_too() -> None:
    one_stop = LineSettings(stop_bits=1)
    edges = encode_line(b"\x0f" * 8, line=one_stop)
    assert not decode_line(edges, line=one_stop).bad.any()
    # With two asked for, the next start bit is where the second should.
    assert decode_fixed(edges, line=BUS_LINE).bad.tolist() == [LineFault.FRAMING] * 7 + [0]


@BOTH
@pytest.mark.parametrize(
    ("sent", "asked", "fits"),
    [
        ("E2", "E2", None),
        ("E2", "E1", None),  # two stop bits pass as one
        ("E2", "O2", "E2"),
        ("E2", "N2", "E2"),
        ("E2", "O1", "E1"),
        ("E1", "E2", "E1"),
        ("E1", "N2", "E1"),
        ("O2", "E2", "O2"),
        ("O2", "N1", "O1"),
        ("N2", "E2", "N2"),
        ("N1", "E2", "N1"),
        ("N1", "N2", "N1"),
    ],
)
def test_wrong_parity_or_stop_bits_are_never_taken_for_polarity(
    line: LineSettings, sent: str, asked: str, fits: str | None
) -> None:
    settings = {name: replace(line, parity=name[0], stop_bits=int(name[1])) for name in (sent, asked, fits or sent)}
    data, _ = bursts()
    gaps = np.arange(40).repeat(25) * 4_000_000
    t_ns = np.arange(data.size) * settings[sent].character_ns + gaps
    read = decode_line(encode_line(data, t_ns, line=settings[sent]), line=settings[asked])
    assert read.inverted is line.inverted
    assert read.fits == (settings[fits] if fits else None)
    assert np.count_nonzero(read.bad) == 0 if fits is None else np.count_nonzero(read.bad) > len(read) // 3


@pytest.mark.parametrize("rate", [0.5, 0.8, 0.868, 0.9, 1.1, 1.25, 2])
@BOTH
def test_a_wrong_rate_is_taken_neither_for_polarity_nor_for_other_settings(line: LineSettings, rate: float) -> None:
    """Where nothing explains the line, the level at which it rests is the only evidence."""
    data, t_ns = bursts(bit_ns=10_000 * rate)
    read = decode_line(encode_line(data, t_ns * 2, line=line, bit_ns=10_000 * rate), line=BUS_LINE)
    assert (read.inverted, read.fits) == (line.inverted, None)


@BOTH
@pytest.mark.parametrize("lead_us", [1, 30, 60, 119, 500])
def test_a_first_character_with_one_stop_bit_is_marked_and_not_dropped(line: LineSettings, lead_us: int) -> None:
    data, t_ns = bursts(4)
    t_ns[1:] -= 10_000  # the second begins where the second stop bit of the first should be
    edges = encode_line(data, t_ns, line=line)
    read = decode_line(cut(edges, -lead_us * 1000, 10**12), line=line)
    assert agrees(read, data, t_ns)
    assert np.flatnonzero(read.bad).tolist() == [0]
    assert read.bad[0] == LineFault.FRAMING


def test_a_line_that_comes_edge_by_edge_is_judged_by_many() -> None:
    data, t_ns = bursts(bit_ns=10_400)
    edges = encode_line(data, t_ns, bit_ns=10_400)
    decoder, parts, before = LineDecoder(), [], edges.initial
    for at, t in enumerate(edges.t_ns.tolist()):
        end_ns = edges.end_ns if at == len(edges) - 1 else t
        parts.append(decoder.feed(Edges(np.array([t]), before, edges.start_ns if at == 0 else t, end_ns)))
        before ^= 1
    parts.append(decoder.flush())
    assert np.concatenate([part.data for part in parts]).tobytes() == data.tobytes()
    assert not np.concatenate([part.bad for part in parts]).any()


@BOTH
def test_a_break_is_told_from_a_zero(line: LineSettings) -> None:
    data, t_ns = bursts(4)
    edges = encode_line(data, t_ns, line=line)
    at = int(np.searchsorted(edges.t_ns, 5_000_000))
    broken = Edges(np.insert(edges.t_ns, at, [5_000_000, 6_000_000]), edges.initial, edges.start_ns, edges.end_ns)
    read = decode_line(broken, line=line)
    assert len(read) == 101
    assert (read.data[25], read.t_ns[25]) == (0, 5_000_000)
    assert read.bad[25] == LineFault.BREAK | LineFault.FRAMING
    assert np.count_nonzero(read.bad) == 1


def test_pulses_shorter_than_half_a_bit_start_nothing() -> None:
    data, t_ns = bursts(4)
    edges = encode_line(data, t_ns)
    at = int(np.searchsorted(edges.t_ns, 5_000_000))
    noisy = Edges(np.insert(edges.t_ns, at, [5_000_000, 5_004_000]), edges.initial, edges.start_ns, edges.end_ns)
    assert agrees(decode_line(noisy), data, t_ns)


@BOTH
@pytest.mark.parametrize("start_us", [-1, 0, 4, 33, 87, 104, 115, 119, 121, 800, 2_395, 2_950, 2_995, 3_500, 6_999])
def test_a_record_may_begin_anywhere(line: LineSettings, start_us: int) -> None:
    data, t_ns = bursts()
    edges = cut(encode_line(data, t_ns, line=line), start_us * 1000, 10**12)
    read = decode_line(edges, line=line)
    whole = t_ns > start_us * 1000
    assert agrees(read, data[whole], t_ns[whole])
    assert not read.bad.any()


@BOTH
def test_a_record_that_ends_inside_a_character_loses_that_one(line: LineSettings) -> None:
    data, t_ns = bursts(2)
    edges = encode_line(data, t_ns, line=line)
    for end_us, count in ((7_000 + 24 * 120 + 104, 49), (7_000 + 24 * 120 + 106, 50), (7_000 + 23 * 120 + 55, 48)):
        assert len(decode_line(cut(edges, -50_000, end_us * 1000))) == count


def test_mark_lasts_where_the_record_does_not_say_how_it_ends() -> None:
    edges = encode_line(b"\x0f\x00")
    assert decode_line(Edges(edges.t_ns, 0, 0, int(edges.t_ns[-1]))).data.tolist() == [0x0F, 0x00]
    assert decode_line(Edges(edges.t_ns[:-1], 0, 0, int(edges.t_ns[-2]))).data.tolist() == [0x0F]


def test_nothing_on_the_line() -> None:
    nothing = np.empty(0, np.int64)
    assert len(decode_line(Edges(nothing, 1, 0, 10**9))) == 0
    assert len(encode_line(b"")) == 0


@given(
    data=st.binary(min_size=1, max_size=80),
    gaps=st.lists(st.sampled_from([0, 100, 7_000, 4_000_000]), min_size=80, max_size=80),
    cuts=st.lists(st.integers(0, 400), max_size=6),
    parity=st.sampled_from("EON"),
    stops=st.sampled_from([1, 2]),
    inverted=st.booleans(),
)
def test_pieces_read_as_the_whole(
    data: bytes, gaps: list[int], cuts: list[int], parity: str, stops: int, inverted: bool
) -> None:
    line = LineSettings(parity=parity, stop_bits=stops, inverted=inverted)
    t_ns = np.cumsum(np.array(gaps[: len(data)]) + line.character_ns)
    edges = encode_line(data, t_ns, line=line)
    lead = encode_line(b"\x0f\x55\x0f\x33" * 8, line=line)  # enough to find the polarity
    shift = 10_000_000
    decoder = LineDecoder(line=line)
    parts = [decoder.feed(lead)]
    places = [0, *sorted(min(at, len(edges)) for at in cuts), len(edges)]
    before = lead
    for first, last in itertools.pairwise(places):
        t = edges.t_ns[first:last] + shift
        end_ns = edges.end_ns + shift if last == len(edges) else int(t[-1]) if t.size else before.end_ns
        before = Edges(t, before.final, before.end_ns, end_ns)
        parts.append(decoder.feed(before))
    parts.append(decoder.flush())
    assert np.concatenate([part.data for part in parts]).tobytes() == b"\x0f\x55\x0f\x33" * 8 + data
    assert np.concatenate([part.t_ns for part in parts])[32:].tolist() == (t_ns + shift).tolist()
    assert not np.concatenate([part.bad for part in parts]).any()


# What such receivers see was simulated bit by bit apart from this code: length of a burst, first and last byte.
@pytest.mark.parametrize(
    ("line", "shortest", "longest", "first", "last"),
    [
        (BUS_LINE, 25, 25, 0x0F, 0x00),
        (LineSettings(inverted=False), 20, 26, 0xF8, 0x00),
        (LineSettings(baud=115_200), 25, 33, 0x1F, None),
        (LineSettings(baud=115_200, inverted=False), 23, 33, 0xF0, 0x00),
    ],
)
def test_what_a_wrong_setting_makes_of_frames(
    line: LineSettings, shortest: int, longest: int, first: int, last: int | None
) -> None:
    data, t_ns = bursts(300)
    read = decode_fixed(encode_line(data, t_ns), line=line)
    each = np.split(read.data, np.flatnonzero(np.diff(read.t_ns) > 1_000_000) + 1)
    assert len(each) == 300
    assert {len(burst) for burst in each} <= set(range(shortest, longest + 1))
    assert {int(burst[0]) for burst in each} == {first}
    if last is not None:
        assert {int(burst[-1]) for burst in each} == {last}
    share = np.count_nonzero(read.bad) / len(read)
    assert share == 0 if line == BUS_LINE else 0.43 < share < 0.9


def test_a_wrong_receiver_sees_the_line_stay_as_it_is() -> None:
    stays_low = Edges(np.array([0]), 1, -1_000_000, 0)
    read = decode_fixed(stays_low, line=UPRIGHT)
    assert (read.data.tolist(), read.bad.tolist()) == ([0], [LineFault.BREAK | LineFault.FRAMING])
    assert len(decode_line(stays_low, line=UPRIGHT)) == 0  # a record of unknown length says less


@pytest.mark.parametrize(
    ("times", "levels", "expected"),
    [
        ([0, 5, 9], [1, 0, 1], ([5, 9], 1)),
        ([0, 5, 9], [1, 1, 0], ([9], 1)),  # repeats change nothing
        ([0, 5, 5, 9], [1, 0, 1, 0], ([9], 1)),  # no time passed: no pulse
        ([0, 0], [0, 1], ([], 1)),
        ([], [], ([], 0)),
    ],
)
def test_levels_become_changes(times: list[int], levels: list[int], expected: tuple[list[int], int]) -> None:
    edges = Edges.from_levels(np.array(times, np.int64), np.array(levels, np.uint8))
    assert (edges.t_ns.tolist(), edges.initial) == expected


def test_a_record_goes_on_from_the_one_before() -> None:
    first = Edges.from_levels(np.array([0, 5]), np.array([0, 1], np.uint8), end_ns=7)
    second = Edges.from_levels(np.array([8, 9]), np.array([1, 0], np.uint8), before=first)
    assert (second.t_ns.tolist(), second.initial, second.start_ns) == ([9], 1, 7)
    both = Edges.join([first, second])
    assert (both.t_ns.tolist(), both.level.tolist(), both.final) == ([5, 9], [1, 0], 0)
