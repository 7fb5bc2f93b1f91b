"""Which interface of a packet capture is read, where its bytes lie in later buffers, sections or directions."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import packets as packets_module
from busbench.capture import pcapng_blocks as pb
from busbench.capture.packets import PacketFile
from busbench.capture.pcapng_choice import choose, line_numbers
from busbench.errors import CaptureError
from busbench.line import BUS_LINE
from busbench.model import NO_CLOCK, Clock, ClockKind
from tests.capture.blocks import block, interface, joined, option, packet, read, save, section
from tests.capture.usb_blocks import FRAME

NOISE = np.random.default_rng(4).bytes(100)
CLOCK = Clock(ClockKind.PER_READ, 1000)
LATE = [packet(at, NOISE) for at in range(30)]  # more than a small buffer


@pytest.fixture
def small_buffers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packets_module, "_BUFFER_BYTES", 1024)


def own(name: bytes, *, outbound: bool = False) -> bytes:
    """An interface of our own recordings."""
    text = pb.describe(BUS_LINE, CLOCK, outbound=outbound, wall_clock=True)
    return interface(option(2, name) + option(3, text.encode()))


def frames(number: int, count: int = 3, *, at: int = 100) -> list[bytes]:
    return [packet(at + i, FRAME, number=number) for i in range(count)]


@pytest.mark.usefixtures("small_buffers")
def test_frames_that_come_late_settle_which_of_two_it_is(tmp_path: Path) -> None:
    path = save(tmp_path, section(), interface(option(2, b"a")), interface(option(2, b"b")), *LATE, *frames(1))
    capture = read(path)
    assert (capture.info.source, joined(capture)) == ("b", FRAME * 3)


@pytest.mark.usefixtures("small_buffers")
def test_received_bytes_that_come_after_sent_ones_are_read(tmp_path: Path) -> None:
    sent = [packet(at, NOISE, number=1) for at in range(30)]
    path = save(tmp_path, section(), own(b"bus"), own(b"bus", outbound=True), *sent, *frames(0))
    for wanted in (None, "bus", "0"):
        capture = read(path, interface=wanted)
        assert (capture.is_sent, joined(capture)) == (False, FRAME * 3)
    capture = read(path, interface="1")
    assert (capture.is_sent, joined(capture)) == (True, NOISE * 30)


@pytest.mark.usefixtures("small_buffers")
def test_of_two_with_the_name_given_the_number_decides(tmp_path: Path) -> None:
    """The name of one may be the number of another."""
    faces = [interface(option(2, name)) for name in (b"bus", b"2", b"x")]
    late = [packet(at, NOISE, number=1) for at in range(30)]
    path = save(tmp_path, section(), *faces, *late, packet(40, b"two", number=2))
    assert joined(read(path, interface="2")) == b"two"
    same = save(tmp_path, section(), *faces[:1] * 2, packet(1, b"a"), packet(2, b"b", number=1))
    with pytest.raises(
        CaptureError, match=r'holds "bus" as the name of several serial interfaces: choose one'
    ) as caught:
        read(same, interface="bus")
    assert str(caught.value).endswith("with --interface NUMBER; it holds 0 (bus), 1 (bus)")


@pytest.mark.parametrize(
    ("parts", "chosen"),
    [
        ([], ("interface 0", False, True)),
        ([packet(1, b"")], ("interface 0", False, True)),
        ([packet(1, b"a")], ("interface 0", False, True)),
        ([block(3, struct.pack("<I", 4) + b"none")], ("interface 0", False, False)),
        ([block(3, struct.pack("<I", 0)), packet(1, b"a")], ("interface 0", False, True)),
        ([packet(1, b"a"), block(3, struct.pack("<I", 4) + b"none")], ("interface 0", False, True)),
        ([packet(1, b"s", options=option(2, b"\2\0\0\0") + bytes(4))], ("interface 0", True, True)),
    ],
    ids=["silent", "empty", "timed", "no times", "empty first", "times first", "sent"],
)
def test_what_is_known_of_the_chosen_one(tmp_path: Path, parts: list[bytes], chosen: tuple[str, bool, bool]) -> None:
    one, is_sent, has_times = choose(PacketFile(save(tmp_path, section(), interface(), *parts)), None)
    assert (one.label, is_sent, has_times) == chosen
    assert read(str(tmp_path / "made.pcapng")).info.clock == (CLOCK if has_times else NO_CLOCK)


def test_a_silent_recording_is_that_of_the_received_bytes(tmp_path: Path) -> None:
    for faces in ([own(b"bus"), own(b"bus", outbound=True)], [own(b"bus", outbound=True), own(b"bus")]):
        path = save(tmp_path, section(), *faces)
        for wanted in (None, "bus"):
            capture = read(path, interface=wanted)
            assert (capture.info.source, capture.is_sent, joined(capture)) == ("bus", False, b"")
    capture = read(save(tmp_path, section(), own(b"bus", outbound=True)))
    assert (capture.is_sent, joined(capture)) == (True, b"")


@pytest.mark.parametrize("link", [1, 220])
def test_a_silent_interface_of_another_kind_is_only_read_if_it_is_named(tmp_path: Path, link: int) -> None:
    path = save(tmp_path, section(), interface(option(2, b"net"), link=link))
    with pytest.raises(
        CaptureError, match=r"holds no serial interface and no frames, only 0 \(net\): capture the serial"
    ):
        read(path)
    assert joined(read(path, interface="net")) == b""


@pytest.mark.parametrize(("link", "is_usb"), [(186, True), (189, True), (220, True), (249, True), (188, False)])
def test_frames_in_transfers_of_a_usb_host_are_only_read_if_they_are_named(
    tmp_path: Path, link: int, is_usb: bool
) -> None:
    path = save(tmp_path, section(), interface(option(2, b"net"), link=link), *frames(0))
    if is_usb:
        with pytest.raises(CaptureError, match="holds no serial interface and no frames"):
            read(path)
    else:
        assert joined(read(path)) == FRAME * 3
    assert joined(read(path, interface="net")) == FRAME * 3


@pytest.mark.parametrize("wanted", ["bus", "a serial port", "0"])
def test_an_interface_is_named_by_name_description_or_number(tmp_path: Path, wanted: str) -> None:
    faces = [interface(option(2, b"bus") + option(3, b"a serial port")), interface(option(2, b"other"))]
    path = save(tmp_path, section(), *faces, packet(1, b"ours"), packet(2, b"theirs", number=1))
    assert joined(read(path, interface=wanted)) == b"ours"
    assert joined(read(path, interface="1")) == b"theirs"


@pytest.mark.parametrize(("count", "carrier"), [(2, None), (3, "a")])
def test_three_frames_settle_it(tmp_path: Path, count: int, carrier: str | None) -> None:
    faces = [interface(option(2, name)) for name in (b"a", b"b")]
    path = save(tmp_path, section(), *faces, *frames(0, count), packet(200, NOISE, number=1))
    if carrier is None:
        with pytest.raises(CaptureError, match="holds bytes of several serial interfaces"):
            read(path)
    else:
        assert read(path).info.source == carrier


def test_frames_of_one_port_settle_it_where_reads_cut_them(tmp_path: Path) -> None:
    some = FRAME * 4
    parts = [section(), interface(option(2, b"a")), interface(option(2, b"b")), packet(1, NOISE)]
    parts += [packet(2 + at, some[at : at + 9], number=1) for at in range(0, 100, 9)]
    capture = read(save(tmp_path, *parts))
    assert (capture.info.source, joined(capture)) == ("b", some)


@pytest.mark.usefixtures("small_buffers")
def test_frames_that_came_first_settle_it_whatever_follows(tmp_path: Path) -> None:
    faces = [interface(option(2, b"a")), interface(option(2, b"b"))]
    capture = read(save(tmp_path, section(), *faces, *frames(0), packet(9, NOISE, number=1), *LATE))
    assert (capture.info.source, joined(capture)) == ("a", FRAME * 3 + NOISE * 30)


@pytest.mark.parametrize("count", [1, 1500, 2800])
def test_frames_in_one_long_packet_settle_it(tmp_path: Path, count: int) -> None:
    """Bytes without a clock are written in packets of 65,536."""
    faces = [interface(option(2, b"a")), interface(option(2, b"b"))]
    parts = [packet(1, NOISE), packet(2, FRAME * count, number=1), packet(3, FRAME * 2, number=1)]
    assert read(save(tmp_path, section(), *faces, *parts)).info.source == "b"


def test_interfaces_of_later_sections_do_not_make_it_a_question(tmp_path: Path) -> None:
    first = [section(), interface(option(2, b"a")), packet(1, b"first")]
    second = [section(), interface(option(2, b"b")), *frames(0)]
    capture = read(save(tmp_path, *first, *second))
    assert (capture.info.source, joined(capture)) == ("a", b"first")
    assert capture.info.notes == ["read what was received on a; passed over: 75 bytes received on 1 (b)"]


@pytest.mark.parametrize(
    ("parts", "numbers"),
    [
        ([own(b"a"), own(b"b"), own(b"b", outbound=True)], [0, 1]),  # silent ones of ours are receivers too
        ([own(b"a"), own(b"b"), *frames(1)], [0, 1]),
        ([interface(option(2, b"a")), interface(option(2, b"b")), *frames(1)], [1]),
        ([interface(option(2, b"a")), interface(option(2, b"b")), *frames(1), *frames(0)], [0, 1]),
        ([interface(option(2, b"a")), packet(1, NOISE)], []),
        ([interface(option(2, b"a"), link=1), *frames(0)], []),
        ([interface(), *frames(0), section(), interface(), *frames(0)], [0]),  # the same one again
        ([interface(), *frames(0), section(), interface(), own(b"c"), *frames(0)], [0]),  # not of its section
        ([own(b"a"), section(), own(b"a"), own(b"b")], [0]),
        ([own(b"x"), section(), own(b"a"), own(b"b"), *frames(0)], [1, 2]),  # where bytes were received
        ([own(b"a", outbound=True), *frames(0)], []),
    ],
)
def test_lines_of_a_capture_are_ours_and_those_with_frames(
    tmp_path: Path, parts: list[bytes], numbers: list[int]
) -> None:
    assert line_numbers(PacketFile(save(tmp_path, section(), *parts))) == numbers
