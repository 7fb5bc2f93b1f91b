"""A pipe that arrives part by part is opened as soon as its format and its direction are known, not before."""

from __future__ import annotations

import io
import sys

import pytest

from busbench.capture.open import open_capture
from busbench.capture.pipe_source import PipeSource
from tests.capture.blocks import interface, joined, option, packet, section
from tests.capture.usb_blocks import START_US, linux, linux_file

FRAME = bytes([0x0F]) + bytes(range(100, 122)) + b"\x00\x00"
NOISE = b"\xf8\x00\x80" * 40  # no frame in it, and no text
HEAD = section() + interface(option(2, b"bus"))


def at(ticks: int, *, is_sent: bool = False) -> bytes:
    flags = option(2, b"\x02\0\0\0") + bytes(4) if is_sent else b""
    return packet(ticks, FRAME[:3] + bytes([ticks]) + FRAME[4:], options=flags)


@pytest.mark.parametrize(
    ("parts", "opened_after", "data"),
    [
        ((FRAME * 2, FRAME[:9], FRAME[9:], FRAME), 2, FRAME * 4),  # frames need 60 bytes, here 50 and 59
        ((FRAME * 2, FRAME[:10], FRAME[10:], FRAME), 1, FRAME * 4),
        ((NOISE, NOISE, FRAME * 3, FRAME), 2, NOISE * 2 + FRAME * 4),  # bytes without frames may be another format
        ((NOISE, NOISE), 2, NOISE * 2),  # until the pipe has ended
        ((HEAD + at(1), at(2, is_sent=True), at(3)), 0, [1, 3]),
        ((HEAD + at(1, is_sent=True), at(2, is_sent=True), at(3), at(4)), 2, [3, 4]),
        ((HEAD + at(1, is_sent=True), at(2, is_sent=True)), 2, [1, 2]),  # only where nothing is received
    ],
)
def test_how_much_of_a_pipe_opens_it(
    parts: tuple[bytes, ...], opened_after: int, data: bytes | list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    came: list[bytes] = []

    def pull(_: PipeSource) -> bytes:
        came.append(parts[len(came)] if len(came) < len(parts) else b"")
        return came[-1]

    monkeypatch.setattr(PipeSource, "_pull", pull)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO()))
    with open_capture("-", waiting=lambda: None) as capture:
        assert len(came) == opened_after + 1
        came_in = joined(capture)
        assert (came_in if isinstance(data, bytes) else list(came_in[3::25])) == data


def test_a_format_that_is_read_whole_waits_for_the_end_of_the_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    data = linux_file(*(linux(START_US + 7000 * n, FRAME) for n in range(40)))
    parts = [data[:2000], data[2000:4000], data[4000:]]

    def pull(_: PipeSource) -> bytes:
        return parts.pop(0) if parts else b""

    monkeypatch.setattr(PipeSource, "_pull", pull)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO()))
    with open_capture("-", waiting=lambda: None) as capture:
        assert parts == []
        assert joined(capture) == FRAME * 40
