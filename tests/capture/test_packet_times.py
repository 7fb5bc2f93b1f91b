"""Times of packets: at the bounds that are kept, over several buffers, where packets have none, and of annotations."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import packets as packets_module
from busbench.capture import pcapng_blocks as pb
from busbench.capture import pcapng_read
from busbench.capture.base import Capture, ReadOptions
from busbench.capture.file_io import FileSource
from busbench.line import BUS_LINE
from busbench.model import TIME_MAX_NS, TIME_MIN_NS, Annotation, Clock, ClockKind
from tests.capture.blocks import block, interface, option, packet, packets, read, save, section

CLOCK = Clock(ClockKind.PER_READ, 1)
BACK_ONCE = ["the clock goes back once: figures of time that span that mean nothing"]
KEPT = "stamped outside the years 1896 to 2116 and kept at that bound: their times mean nothing"


class SlowSource(FileSource):
    """A file whose bytes come while they are read."""

    comes_slowly = True


def own(name: bytes = b"bus", *, outbound: bool = False, wall_clock: bool = True) -> bytes:
    text = pb.describe(BUS_LINE, CLOCK, outbound=outbound, wall_clock=wall_clock)
    return interface(option(2, name) + option(3, text.encode()) + option(9, b"\x09"))


def simple(data: bytes) -> bytes:
    """A packet without a time."""
    return block(3, struct.pack("<I", len(data)) + data + bytes(-len(data) % 4))


def said(capture: Capture) -> tuple[list[int], list[str]]:
    """The times of a capture and its notes."""
    return [t_ns for t_ns, _ in packets(capture)], capture.info.notes


@pytest.mark.parametrize(("count", "is_one"), [(3, False), (4, True)])
def test_four_bytes_say_that_it_is_pcapng(count: int, is_one: bool) -> None:
    assert pcapng_read.sniff(section()[:count]) is is_one
    assert pcapng_read.sniff(struct.pack("<I", 0xA1B2C3D4)[:count]) is is_one


@pytest.mark.parametrize(
    ("tsresol", "ticks", "t_ns"),
    [
        (0x80, TIME_MAX_NS // 10**9, TIME_MAX_NS // 10**9 * 10**9),
        (0x80, TIME_MAX_NS // 10**9 + 1, TIME_MAX_NS),
        (0x80 | 63, (1 << 63) + (1 << 62), 1_500_000_000),
        (0x80 | 64, (1 << 64) - 1, 0),
        (0, TIME_MAX_NS // 10**9, TIME_MAX_NS // 10**9 * 10**9),
        (0, TIME_MAX_NS // 10**9 + 1, TIME_MAX_NS),
        (6, TIME_MAX_NS // 1000, TIME_MAX_NS // 1000 * 1000),
        (6, TIME_MAX_NS // 1000 + 1, TIME_MAX_NS),
        (9, TIME_MAX_NS, TIME_MAX_NS),
        (9, TIME_MAX_NS - 1, TIME_MAX_NS - 1),
        (9, (1 << 64) - 1, TIME_MAX_NS),
        (28, 10**19, 1),
        (28, 10**19 - 1, 0),
        (29, (1 << 64) - 1, 0),
    ],
)
def test_times_are_exact_up_to_the_bound(tsresol: int, ticks: int, t_ns: int) -> None:
    """Beside another that is small, so that no two are mistaken for each other."""
    assert pb.to_ns(np.array([ticks, 0], np.uint64), tsresol).tolist() == [t_ns, 0]


@pytest.mark.parametrize(
    ("offset_s", "t_ns"),
    [
        (1 << 33, TIME_MAX_NS),
        ((1 << 33) + 1, 5_000),  # no date: left out
        (-(1 << 33), TIME_MIN_NS),
        (-(1 << 33) - 1, 5_000),
        ((TIME_MAX_NS - 5_000) // 10**9, (TIME_MAX_NS - 5_000) // 10**9 * 10**9 + 5_000),
        (1, 1_000_005_000),
        (-1, -999_995_000),
    ],
)
def test_an_offset_moves_times_within_their_bounds(tmp_path: Path, offset_s: int, t_ns: int) -> None:
    path = save(tmp_path, section(), interface(option(14, struct.pack("<q", offset_s))), packet(5, b"x"))
    expected = [f"1 packet {KEPT}"] if t_ns in (TIME_MIN_NS, TIME_MAX_NS) else []
    assert said(read(path)) == ([t_ns], expected)


@pytest.mark.parametrize(
    ("stamps", "held"), [([1, TIME_MIN_NS], 1), ([1, TIME_MAX_NS], 1), ([TIME_MIN_NS, TIME_MAX_NS], 2), ([-1, 1], 0)]
)
def test_each_time_at_a_bound_counts_once(tmp_path: Path, stamps: list[int], held: int) -> None:
    made = [packet(at & (1 << 64) - 1, b"a%d" % at) for at in stamps]
    times, notes = said(read(save(tmp_path, section(), own(wall_clock=False), *made)))
    assert times == stamps
    assert [note for note in notes if KEPT in note] == ([f"{held} packet{'s' * (held > 1)} {KEPT}"] if held else [])


@pytest.mark.parametrize(
    ("step_ms", "backs"), [(-100, 59), (0, 0), (7, 0)], ids=["back each time", "one time", "forward"]
)
@pytest.mark.parametrize("make", [FileSource, SlowSource])
def test_a_clock_that_goes_back_between_buffers_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: type[FileSource], step_ms: int, backs: int
) -> None:
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", 1024)
    times = [10**12 + at * step_ms * 10**6 for at in range(60)]
    made = [packet(t_ns, b"%02d" % at) for at, t_ns in enumerate(times)]
    capture = pcapng_read.open_file(make(save(tmp_path, section(), own(), *made)), ReadOptions())
    for _ in range(2):
        found, notes = said(capture)
        assert found == times
        assert notes == (
            [f"the clock goes back {backs} times: figures of time that span that mean nothing"] if backs else []
        )


def test_times_before_zero_are_not_a_clock_that_goes_back(tmp_path: Path) -> None:
    made = [packet(at & (1 << 64) - 1, b"%02d" % (at % 100)) for at in (-30, -20, -10)]
    assert said(read(save(tmp_path, section(), own(wall_clock=False), *made))) == ([-30, -20, -10], [])


@pytest.mark.parametrize(
    ("face", "make", "is_doubled"),
    [
        (interface(), SlowSource, False),
        (own(), FileSource, False),
        (own(), SlowSource, True),  # our recorder writes each packet once, and none may wait for the next
    ],
)
def test_copies_are_left_out_of_all_but_our_recordings_in_progress(
    tmp_path: Path, face: bytes, make: type[FileSource], is_doubled: bool
) -> None:
    path = save(tmp_path, section(), face, *[packet(7, b"same")] * 2)
    capture = pcapng_read.open_file(make(path), ReadOptions())
    assert b"".join(data for _, data in packets(capture)) == b"same" * (1 + is_doubled)


def test_packets_without_a_time_have_the_last_one_known(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where a whole buffer of them follows."""
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", 1024)
    untimed = [b"%04d" % at for at in range(200)]
    made = [packet(5, b"timed"), packet(6, b"again"), *map(simple, untimed), packet(9, b"later")]
    found = packets(read(save(tmp_path, section(), interface(), *made)))
    assert b"".join(data for _, data in found) == b"timedagain" + b"".join(untimed) + b"later"
    assert found[:2] == [(5_000, b"timed"), (6_000, b"again")]
    assert {t_ns for t_ns, _ in found[2:-1]} == {6_000}
    assert found[-1][0] == 9_000


def test_packets_without_a_time_before_all_others_leave_no_clock(tmp_path: Path) -> None:
    capture = read(save(tmp_path, section(), interface(), simple(b"none"), packet(5, b"timed")))
    assert (packets(capture), capture.info.start_utc_ns) == ([], None)


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("0", ["of 0", "of foreign", "of sent"]),
        ("1", ["of 1", "of foreign", "of sent"]),
        ("2", ["of foreign", "of sent"]),
        ("3", ["of 0", "of 1", "of foreign", "of sent"]),  # what is sent belongs to what is received
    ],
)
def test_annotations_of_another_line_are_not_of_this_one(tmp_path: Path, wanted: str, found: list[str]) -> None:
    faces = [own(b"left"), own(b"right"), interface(option(2, b"foreign")), own(b"left", outbound=True)]
    names = ["of 0", "of 1", "of foreign", "of sent"]
    made = [
        packet(at, b"bytes", number=at, options=option(1, f"mark={name}".encode()) + bytes(4))
        for at, name in enumerate(names)
    ]
    capture = read(save(tmp_path, section(), *faces, *made), interface=wanted)
    packets(capture)
    assert sorted(mark.text for mark in capture.info.marks) == found


def test_an_annotation_has_the_time_of_its_packet_and_no_spaces_around(tmp_path: Path) -> None:
    texts = [b"mark=  gust ", b"left wing", b"bad=0", b"mark=mark=x", b""]
    options = b"".join(option(1, text) for text in texts)
    capture = read(save(tmp_path, section(), interface(), packet(3, b"abc", options=options)))
    (log,) = capture.blocks()
    assert log.bad is not None
    assert log.bad.tolist() == [1, 0, 0]
    assert not any(column.flags.writeable for column in (log.data, log.mark_end, log.mark_t_ns, log.bad))
    assert capture.info.marks == [Annotation(3_000, text) for text in ("gust", "left wing", "mark=x", "")]
