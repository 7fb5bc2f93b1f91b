"""Every wrong wiring is reported from the bytes it makes."""

from __future__ import annotations

import pytest

from busbench.analysis.line_probe import Heard, LineState, ProbeResult, classify
from busbench.line import BUS_LINE, Chunk, LineSettings
from busbench.model import Clock, ClockKind
from busbench.sim.address import parse_virtual
from busbench.sim.playback import Reads

PER_READ = Clock(ClockKind.PER_READ, 1)


def heard(query: str) -> list[Chunk]:
    settings, _ = parse_virtual(f"virtual:?duration=3s&join=4ms&{query}")
    return Reads(settings).take(1 << 62, most=1 << 30)


def look(query: str, *, line: LineSettings = BUS_LINE) -> ProbeResult:
    return classify(heard(query), clock=PER_READ, line=line)


@pytest.mark.parametrize("pilot", ["still", "mixed", "moving"])
@pytest.mark.parametrize("period", ["7ms", "14ms"])
@pytest.mark.parametrize(
    ("query", "line"),
    [
        ("", LineState.FRAMES),
        ("batch=1ms", LineState.FRAMES),
        ("batch=16ms", LineState.FRAMES),
        ("baud=96000", LineState.FRAMES),
        ("baud=104000", LineState.FRAMES),
        ("marks=off", LineState.FRAMES),
        ("flips=1%&drops=0.5%", LineState.FRAMES),
        ("inverted=on", LineState.INVERTED),
        ("inverted=on&batch=1ms", LineState.INVERTED),
        ("inverted=on&batch=16ms&marks=off", LineState.INVERTED),
        ("baud=115200", LineState.WRONG_RATE),
        ("baud=115200&batch=1ms", LineState.WRONG_RATE),
        ("inverted=on&baud=115200", LineState.INVERTED_WRONG_RATE),
        ("inverted=on&baud=115200&batch=1ms", LineState.INVERTED_WRONG_RATE),
        ("baud=57600", LineState.NO_FRAMES),
        ("baud=9600", LineState.NO_FRAMES),
        ("frames=off", LineState.SILENT),
        ("frames=off&chatter=500", LineState.NO_FRAMES),
    ],
)
def test_what_is_on_the_line(pilot: str, period: str, query: str, line: LineState) -> None:
    result = look(f"pilot={pilot}&period={period}&{query}")
    assert result.line is line
    assert result.is_good is (line is LineState.FRAMES)
    if line is LineState.FRAMES and "flips" not in query:
        assert result.period_s == pytest.approx(float(period.removesuffix("ms")) / 1e3, rel=0.02)
    if line is not LineState.FRAMES:
        assert result.advice


def test_frames_are_told_with_period_and_end_bytes() -> None:
    result = look("")
    assert result.says == "frames: 214, one every 14.0 ms, end bytes 00"
    assert result.advice == ""


def test_slots_are_told() -> None:
    result = look("slots=on&period=15ms")
    assert result.says == (
        f"frames: 200, one every 15.0 ms, end bytes 04 14 24 34; slots for sensors, {result.replies} replies"
    )
    assert 80 < result.replies < 120
    assert [end for end, _ in result.end_bytes] == [0x04, 0x14, 0x24, 0x34]


def test_a_bad_line_is_told_though_frames_were_found() -> None:
    result = look("flips=1%")
    assert result.line is LineState.FRAMES
    assert result.marked > 30
    assert result.advice == "check ground, lead and levels: more than one byte in a hundred is damaged"


def test_advice_in_plain_words() -> None:
    assert "ground" in look("frames=off").advice
    assert look("inverted=on").advice.startswith("put an inverter gate or a transistor stage between")
    assert look("baud=115200").advice.startswith("the adapter reads at about 115200 baud although 100000 was asked for")
    both = look("inverted=on&baud=115200").advice
    assert "inverter" in both
    assert "115200" in both
    other = look("baud=115200", line=LineSettings(baud=115_200))
    assert other.advice.startswith("the line was not set as the bus: leave --baud, --parity and --stop-bits away first")


def test_what_is_unknown_comes_with_a_sample() -> None:
    result = look("frames=off&chatter=500")
    assert result.sample == b"".join(chunk.data for chunk in heard("frames=off&chatter=500"))[:32]
    assert result.bytes_total > 1000


@pytest.mark.parametrize("data", [b"\x00", b"\xff" * 7, b"\x0f", bytes(25), b"\x0f" * 400])
def test_any_bytes_are_taken(data: bytes) -> None:
    assert classify([Chunk(5, data)], clock=PER_READ).bytes_total == len(data)
    assert classify([Chunk(i, bytes([b])) for i, b in enumerate(data)], clock=PER_READ).bytes_total == len(data)


def bursts(query: str) -> list[tuple[bytes, bytes]]:
    """Bytes and marks between pauses of more than a millisecond; the cut ones at the ends left out."""
    parts: list[tuple[bytes, bytes]] = []
    last_ns = -(1 << 60)
    for chunk in heard(query):
        bad = chunk.bad or bytes(len(chunk.data))
        if chunk.t_ns - len(chunk.data) * 120_000 - last_ns > 1_000_000:
            parts.append((b"", b""))
        parts[-1] = (parts[-1][0] + chunk.data, parts[-1][1] + bad)
        last_ns = chunk.t_ns
    return parts[1:-1]


@pytest.mark.parametrize("pilot", ["still", "mixed", "moving"])
@pytest.mark.parametrize(
    ("query", "first", "fewest", "most"),
    [("inverted=on", 0xF8, 22, 26), ("baud=115200", 0x1F, 25, 33), ("inverted=on&baud=115200", 0xF0, 23, 33)],
)
def test_bursts_look_as_in_an_earlier_simulation(pilot: str, query: str, first: int, fewest: int, most: int) -> None:
    # No published source: the ranges are those of another simulation of the line, made apart from this one.
    all_bursts = bursts(f"pilot={pilot}&{query}")
    assert len(all_bursts) == 212
    assert {data[0] for data, _ in all_bursts} == {first}
    assert all(fewest <= len(data) <= most for data, _ in all_bursts)
    if query == "inverted=on":
        assert {data[-1] for data, _ in all_bursts} == {0}
        assert 0.43 <= sum(sum(bad) for _, bad in all_bursts) / sum(len(data) for data, _ in all_bursts) <= 0.88


def test_of_a_flood_the_first_megabyte_is_judged() -> None:
    flood = Heard()
    marked = Chunk(0, b"\x0f" * 400_000, bytes(399_999) + b"\1")
    for _ in range(5):
        flood.add([marked])
    assert [len(chunk.data) for chunk in flood.chunks] == [400_000, 400_000, 200_000]
    assert [len(chunk.bad) for chunk in flood.chunks] == [400_000, 400_000, 200_000]
    result = flood.judge(clock=PER_READ)
    assert (result.bytes_total, result.judged, result.marked) == (2_000_000, 1_000_000, 2)
