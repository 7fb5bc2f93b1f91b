"""What our recordings say in descriptions and comments: each form, from both sides of its limits."""

from __future__ import annotations

import io
import struct
from dataclasses import replace

import numpy as np
import pytest

from busbench.capture import pcapng_blocks as pb
from busbench.capture.base import Origin
from busbench.capture.left_out import KINDS, LeftOut, MinuteTotals, parse_left_out, parse_minute
from busbench.capture.open import open_capture
from busbench.line import BUS_LINE, WAKE_EDGES_US, LineSettings
from busbench.model import NO_CLOCK, TIME_MAX_NS, TIME_MIN_NS, Clock, ClockKind
from tests.capture.blocks import block, interface, option, packet, section

CLASSES = len(WAKE_EDGES_US) + 1


@pytest.mark.parametrize(
    ("comment", "runs"),
    [
        ("bad=3", [(3, 4)]),
        ("bad=3-4,9", [(3, 5), (9, 10)]),
        ("bad=8-40", [(8, 10)]),  # inside the packet
        ("bad=10", [(10, 10)]),
        ("bad=123456789", [(10, 10)]),
        ("bad=1234567890", None),
        ("bad=1-1234567890", None),
        ("bad=", None),
        ("bad=3-", None),
        ("bad=3,", None),
        ("Bad=3", None),
    ],
)
def test_marked_bytes_of_a_packet(comment: str, runs: list[tuple[int, int]] | None) -> None:
    found = pb.read_bad(comment, 10)
    assert (None if found is None else [(run.start, run.stop) for run in found]) == runs


def test_many_marked_bytes_take_several_comments() -> None:
    """Of 2727 runs each, so that none is longer than an option may be."""
    assert list(pb.bad_comments([])) == []
    assert list(pb.bad_comments([3, 7, 8, 9, 11])) == ["bad=3,7-9,11"]
    counts = [comment.count(",") + 1 for comment in pb.bad_comments(range(0, 2 * 5455, 2))]
    assert counts == [2727, 2727, 1]


@pytest.mark.parametrize(
    ("counts", "comment"),
    [((0, 3, 47), "woke=0,3,47"), ((0, 3, 0), "woke=0,3"), ((0, 0, 0), "woke=0"), ((5,), "woke=5")],
)
def test_lateness_of_a_second(counts: tuple[int, ...], comment: str) -> None:
    assert pb.wake_comment(counts) == comment
    assert pb.read_wakes(comment) == (*counts, *(0,) * (CLASSES - len(counts)))


@pytest.mark.parametrize(
    ("comment", "is_one"),
    [
        ("woke=" + ",".join(["1"] * CLASSES), True),
        ("woke=" + ",".join(["1"] * (CLASSES + 1)), False),
        ("woke=999999", True),
        ("woke=1234567", False),
        ("woke=", False),
        ("woke=1,", False),
    ],
)
def test_what_is_no_lateness(comment: str, is_one: bool) -> None:
    assert (pb.read_wakes(comment) is not None) is is_one


def test_an_annotation_is_cut_at_60000_bytes_between_characters() -> None:
    assert pb.mark_comment("x" * 60_000) == "mark=" + "x" * 60_000
    assert pb.mark_comment("x" * 60_001) == "mark=" + "x" * 60_000
    assert pb.mark_comment("x" * 59_999 + "é") == "mark=" + "x" * 59_999


def test_left_out_parts_and_minutes_come_back() -> None:
    part = LeftOut(1_000, 9_999_999_999, 714, 17_850)
    assert parse_left_out(part.comment(), part.last_t_ns) == part
    assert len(part.comment()) == len(LeftOut(0, 0, 10**12 - 1, 10**15 - 1).comment()) == 57
    assert part.t_ns == 9_999_999_999
    long = parse_left_out("left-out=1,2,9999999999999999999", 1 << 61)
    assert long == LeftOut((1 << 61) - (1 << 60), 1 << 61, 1, 2)
    events = {kind: (number + 1, 10 * number) for number, kind in enumerate(KINDS)}
    minute = MinuteTotals(7, 12, 8_571, events)
    assert parse_minute(minute.comment(), 7) == minute
    assert minute.missed == 60
    assert minute.to_json() == {
        "start_s": 720.0, "frames": 8_571, "missed": 60,
        "summary": {kind: {"count": count, "frames": frames} for kind, (count, frames) in events.items()},
    }  # fmt: skip
    for comment in ("left-out=1,2", "left-out=1,2,x", "minute=1: frames 2", part.comment() + " "):
        assert parse_left_out(comment, 0) is None
        assert parse_minute(comment, 0) is None


@pytest.mark.parametrize(
    ("tsresol", "step_ns"),
    [
        (0, 10**9),
        (3, 10**6),
        (6, 1000),
        (9, 1),
        (12, 1),
        (0x80, 10**9),
        (0x8A, 976_563),
        (0x80 + 30, 1),
        (0x80 + 29, 2),
    ],
)
def test_the_step_of_timestamps(tsresol: int, step_ns: int) -> None:
    assert pb.Interface(0, 0, 147, tsresol=tsresol).resolution_ns == step_ns


def own(
    clock: Clock, *, outbound: bool = False, wall_clock: bool = True, tsresol: int = 6, tsoffset_s: int = 0
) -> pb.Interface:
    text = pb.describe(LineSettings(stop_bits=1), clock, outbound=outbound, wall_clock=wall_clock)
    return pb.Interface(0, 0, 147, name="ttyS0", description=text, tsresol=tsresol, tsoffset_s=tsoffset_s)


def test_what_our_descriptions_say() -> None:
    clock = Clock(ClockKind.PER_BYTE, 125)
    assert own(clock).clock == clock
    assert own(NO_CLOCK).clock == NO_CLOCK
    assert (own(clock).is_own, own(clock).is_outbound, own(clock, outbound=True).is_outbound) == (True, False, True)
    assert (own(clock).has_wall_clock, own(clock, wall_clock=False).has_wall_clock) == (True, False)
    foreign = pb.Interface(0, 0, 147, description="direction=out clock=none epoch=none")
    assert (foreign.is_own, foreign.is_outbound, foreign.has_wall_clock) == (False, False, True)
    assert foreign.clock == Clock(ClockKind.PER_READ, 1000)
    odd = replace(own(clock), description=own(clock).description.replace("per-byte", "sundial"))
    assert odd.clock == Clock(ClockKind.PER_READ, 125)
    for step, known in (("9" * 15, int("9" * 15)), ("9" * 16, 1000), ("-1", 1000), ("x", 1000)):
        text = own(clock).description.replace("resolution_ns=125", f"resolution_ns={step}")
        assert replace(own(clock), description=text).clock.resolution_ns == known


@pytest.mark.parametrize(
    ("one", "is_signed"),
    [
        (own(NO_CLOCK, wall_clock=False, tsresol=9), True),
        (own(NO_CLOCK, wall_clock=True, tsresol=9), False),
        (own(NO_CLOCK, wall_clock=False, tsresol=6), False),
        (own(NO_CLOCK, wall_clock=False, tsresol=9, tsoffset_s=1), False),
    ],
)
def test_times_before_zero_are_ours_without_a_date(one: pb.Interface, is_signed: bool) -> None:
    assert one.is_signed is is_signed
    ticks = np.array([(1 << 64) - 5, 7, 1 << 63, (1 << 63) - 1], np.uint64)
    if is_signed:
        assert one.to_ns(ticks).tolist() == [-5, 7, TIME_MIN_NS, TIME_MAX_NS]


def test_which_interfaces_are_the_same_one() -> None:
    one = pb.Interface(0, 1, 147, name="ttyS0")
    assert one.is_same(replace(one, section=1))
    assert one.is_same(replace(one, section=1, number=0))  # by its name
    assert not one.is_same(replace(one, number=0))  # another of the same section
    assert not one.is_same(replace(one, name="ttyS1", section=1))
    assert not one.is_same(replace(one, link_type=148, section=1))
    bare = replace(one, name="")
    assert bare.is_same(replace(bare, section=1))
    assert not bare.is_same(replace(bare, section=1, number=0))
    sent, received = (own(NO_CLOCK, outbound=outbound) for outbound in (True, False))
    assert not sent.is_same(replace(received, section=1))


@pytest.mark.parametrize("link", [146, 147, 162, 163])
def test_link_types_for_private_use_are_serial(link: int) -> None:
    assert pb.Interface(0, 0, link).is_serial is (link in (147, 162))


def test_names_of_interfaces() -> None:
    assert pb.Interface(0, 3, 147, name="a", description="b", index=5).title == "5 (a)"
    assert pb.Interface(0, 3, 147, description="b").label == "b"
    assert pb.Interface(0, 3, 147).label == "interface 3"
    assert pb.listed(["x"] * 8) == ", ".join(["x"] * 8)
    assert pb.listed(["x"] * 9) == ", ".join(["x"] * 8) + ", and 1 more"


def test_long_names_are_cut() -> None:
    assert pb.Interface(0, 0, 147, name="x" * 60).label == "x" * 60
    assert pb.Interface(0, 0, 147, name="x" * 61).label == "x" * 59 + "…"
    unit = pb.Interface(0, 0, 147, name="a", origin=Origin(unit="x" * 40))
    assert unit.title == f"0 (a, {'x' * 40})"
    assert replace(unit, origin=Origin(unit="x" * 41)).title == f"0 (a, {'x' * 39}…)"


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("sizes", "cut", "found"),
    [
        ((0,), 0, 1),
        ((0,), 1, 0),
        ((4, 4), 0, 2),
        ((4, 3), 0, 2),
        ((4, 3), 1, 2),  # without its padding
        ((4, 3), 2, 1),
        ((1, 1), 3, 2),
        ((1, 1), 4, 1),
        ((), 0, 0),
    ],
)
def test_options_are_read_up_to_the_last_whole_one(order: str, sizes: tuple[int, ...], cut: int, found: int) -> None:
    values = [bytes([65 + at]) * size for at, size in enumerate(sizes)]
    data = b"".join(option(7 + at, value, order) for at, value in enumerate(values))
    expected = [(7 + at, value) for at, value in enumerate(values)][:found]
    assert list(pb.read_options(data[: len(data) - cut], order)) == expected
    assert list(pb.read_options(bytes(4) + data, order)) == []  # after the end mark


@pytest.mark.parametrize(
    ("origin", "read"),
    [
        (Origin(), Origin()),
        (Origin(unit="left wing"), Origin(unit="left wing")),
        (Origin(note="cold"), Origin(note="cold")),
        (Origin(adapter_serial="A1"), Origin(adapter_serial="A1")),
        (Origin("left wing", "cold\nand windy", "A1"), Origin("left wing", "cold\\nand windy", "A1")),
        (Origin(unit="x" * 1994), Origin(unit="x" * 1994)),  # 2,000 with the word before it
        (Origin(unit="x" * 1995), Origin(unit="x" * 1993 + "…")),
        (Origin(unit="note: a", note="unit: b"), Origin(unit="note: a", note="unit: b")),
    ],
)
def test_what_was_recorded_comes_back(origin: Origin, read: Origin) -> None:
    text = pb.describe(BUS_LINE, NO_CLOCK, outbound=False, wall_clock=True)
    body = struct.pack("<HHI", 147, 0, 0) + pb.origin_options(origin) + option(3, text.encode())
    assert pb.read_interface(body, "<", section=0, number=1, index=2).origin == read
    foreign = body.replace(b"busbench", b"workbook")
    assert pb.read_interface(foreign, "<", section=0, number=1, index=2).origin == Origin()


@pytest.mark.parametrize("order", ["<", ">"])
def test_an_interface_is_read_with_all_that_it_says(order: str) -> None:
    said = [(2, b" ttyS0\0"), (3, b"a port\n"), (9, b"\x03\x09"), (9, b"")]
    said += [(14, struct.pack(order + "q", -7)), (14, bytes(4))]  # an offset has eight bytes
    body = struct.pack(order + "HHI", 220, 5, 96) + b"".join(option(code, value, order) for code, value in said)
    one = pb.read_interface(body, order, section=3, number=1, index=8)
    assert one == pb.Interface(3, 1, 220, 96, "ttyS0", "a port", 3, -7, 8)


def notes(*parts: bytes) -> list[str]:
    capture = open_capture(io.BytesIO(b"".join(parts)))
    list(capture.blocks())
    return capture.info.notes


@pytest.mark.parametrize(
    ("hardware", "serial"),
    [("adapter serial number HERON1", "HERON1"), ("a serial adapter", ""), ("HERON1, adapter serial number 2", "")],
)
def test_the_adapter_is_known_by_the_words_that_we_write(hardware: str, serial: str) -> None:
    text = pb.describe(BUS_LINE, NO_CLOCK, outbound=False, wall_clock=True)
    options = option(3, text.encode()) + option(15, hardware.encode())
    capture = open_capture(io.BytesIO(section() + interface(options) + packet(7, b"\x0f" * 25)))
    assert capture.info.origin == Origin(adapter_serial=serial)


@pytest.mark.parametrize("count", [200, 201, 203])
def test_of_a_packet_200_comments_are_read(count: int) -> None:
    options = b"".join(option(1, b"mark=gust") for _ in range(count)) + bytes(4)
    capture = open_capture(io.BytesIO(section() + interface() + packet(7, b"\x0f" * 25, options=options)))
    list(capture.blocks())
    over = count - 200
    said = f"passed over: {over} comment{'s' * (over > 1)} of packets that have more than 200"
    assert (len(capture.info.marks), capture.info.notes) == (200, [said] if over else [])


@pytest.mark.parametrize(("turns", "is_read"), [(500, True), (501, False)])
def test_the_byte_order_changes_500_times(turns: int, is_read: bool) -> None:
    parts = [section("<>"[turn % 2]) + interface(order="<>"[turn % 2]) for turn in range(turns + 1)]
    said = notes(parts[0], packet(1, b"\x0f" * 25), *parts[1:])
    assert any("again and again" in note for note in said) is not is_read


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (struct.pack("<I", 25) + b"\x0f" * 25 + bytes(3), []),
        (struct.pack("<I", 40) + b"\x0f" * 25 + bytes(3), ["cut short when recorded: 1 packet, 12 bytes missing"]),
        (bytes(0), []),  # too short to be one
    ],
)
def test_packets_without_times(body: bytes, said: list[str]) -> None:
    assert notes(section(), interface(), packet(5, b"\x55" * 9), block(3, body)) == said


def test_a_line_is_described_as_it_is_set() -> None:
    text = pb.describe(BUS_LINE, Clock(ClockKind.PER_READ, 1000), outbound=False, wall_clock=True)
    assert text == (
        "busbench serial line: baud=100000 parity=E stop_bits=2 inverted=yes direction=in"
        " clock=per-read resolution_ns=1000 epoch=unix"
    )
