"""Limits of readers, each from both sides."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest

from busbench.capture import raw, threshold
from busbench.capture.base import Capture
from busbench.capture.compressed import store
from busbench.capture.open import open_capture
from busbench.capture.pcapng_blocks import to_ns
from busbench.capture.threshold import Thresholds
from busbench.errors import CaptureError
from busbench.model import TIME_MAX_NS, TIME_MIN_NS
from busbench.wire.codec import pack_frames
from tests.capture.blocks import interface, option, packet, section
from tests.capture.test_sr_session import samples, session

FRAMES = pack_frames(900 + np.arange(8)[:, None] + np.arange(16)).tobytes()
FRAME, REST = FRAMES[:25], b"\x55" * 40


def opened(data: bytes) -> Capture:
    return open_capture(io.BytesIO(data))


def joined(data: bytes) -> bytes:
    return b"".join(log.data.tobytes() for log in opened(data).blocks())


@pytest.mark.parametrize(
    ("data", "is_taken"),
    [
        (FRAME[:24], False),
        (FRAME, True),
        (FRAME + REST[:34], True),  # a file too short for two frames and what may be between
        (REST[:34] + FRAME, True),
        (FRAME + REST[:35], False),
        (FRAME + FRAME + REST[:10], True),
        (FRAME + REST[:9] + FRAME + REST[:10], True),  # so many bytes between two frames
        (FRAME + REST[:10] + FRAME + REST[:10], False),
        (FRAME[:24] + FRAME + REST[:20], False),
    ],
)
def test_two_frames_in_a_row_are_raw_bytes(data: bytes, is_taken: bool) -> None:
    assert raw.sniff(data) is is_taken


@pytest.mark.parametrize(("parts", "is_taken"), [(63, True), (64, False)])
def test_frames_are_looked_for_in_four_megabytes(parts: int, is_taken: bool) -> None:
    data = b"\1" * (65_536 * parts) + FRAMES
    if is_taken:
        assert opened(data).info.format == "raw bytes"
    else:
        with pytest.raises(CaptureError, match="no servo frames in its first 4 MB"):
            opened(data)


@pytest.mark.parametrize("order", "<>")
def test_a_block_longer_than_the_buffer_is_read_whole(order: str) -> None:
    """The buffer holds 1.5 MB at first, and is made larger."""
    long = FRAMES * 20_000
    blocks = [packet(7, FRAMES, order=order), packet(8, long, order=order), packet(9, FRAMES, order=order)]
    assert joined(section(order) + interface(order=order) + b"".join(blocks)) == FRAMES + long + FRAMES


@pytest.mark.parametrize(
    ("ticks", "tsresol", "t_ns"),
    [
        (5, 0, 5_000_000_000),
        (5, 3, 5_000_000),
        (5, 6, 5_000),
        (5, 9, 5),
        (5999, 12, 5),
        (10**15, 15, 10**9),
        (10**19 - 1, 28, 0),
        (10**19, 28, 1),
        (10**19, 29, 0),  # of such short steps 64 bits hold no nanosecond
        (3, 0x80, 3_000_000_000),
        (3, 0x81, 1_500_000_000),
        (1025, 0x8A, 1_000_976_562),
        ((7 << 33) + (1 << 32), 0x80 + 33, 7_500_000_000),
        ((7 << 34) + (1 << 33), 0x80 + 34, 7_500_000_000),
        (1 << 63, 0x80 + 63, 1_000_000_000),
        ((1 << 64) - 1, 0x80 + 64, 0),
        ((1 << 64) - 1, 0, TIME_MAX_NS),
        ((1 << 64) - 1, 9, TIME_MAX_NS),
        (TIME_MAX_NS // 1000, 6, TIME_MAX_NS // 1000 * 1000),
        (TIME_MAX_NS // 1000 + 1, 6, TIME_MAX_NS),
        (TIME_MAX_NS // 10**9 + 1, 0x80, TIME_MAX_NS),
        (TIME_MAX_NS // 10**9, 0x80, TIME_MAX_NS // 10**9 * 10**9),
    ],
)
def test_timestamps_of_every_step(ticks: int, tsresol: int, t_ns: int) -> None:
    assert to_ns(np.array([ticks], np.uint64), tsresol).tolist() == [t_ns]


@pytest.mark.parametrize("size", [0, 1, 255, 256, 257, 65_791])
def test_a_part_is_kept_in_a_member_of_fixed_length(size: int) -> None:
    """Sections 3.1.1.1 and 3.1.1.2 of RFC 8878, taken apart by hand."""
    data = bytes(range(256)) * 257
    member = store(data[:size], ".zst")
    head = 6 if size < 256 else 7
    kept, descriptor = (member[5], 0x20) if size < 256 else (struct.unpack_from("<H", member, 5)[0] + 256, 0x60)
    assert (member[:4], member[4], kept) == (b"\x28\xb5\x2f\xfd", descriptor, size)
    assert int.from_bytes(member[head : head + 3], "little") == size << 3 | 1
    assert member[head + 3 :] == data[:size]


@pytest.mark.parametrize(
    ("volts", "levels", "middle"),
    [
        ([0.0, 3.0, 3.0, 0.0], [0, 1, 1, 0], 1.5),
        (
            [0.0, 3.0, 1.94, 1.06, 0.0, 1.94, 1.96],
            [0, 1, 1, 1, 0, 0, 1],
            1.5,
        ),  # within 15 % of the swing nothing changes
        ([2.0, 3.0, 0.0, 3.0], [1, 1, 0, 1], 1.5),
        ([5.0, 5.0], [0, 0], 5.0),  # nothing changes
    ],
)
def test_levels_of_voltages(volts: list[float], levels: list[int], middle: float) -> None:
    table = np.array(volts)[:, None]
    found = Thresholds(("a",), np.array([middle]), np.array([3.0 if len(set(volts)) > 1 else 0.0]))
    parts = [found.levels(table[:2]), found.levels(table[2:2]), found.levels(table[2:])]
    assert np.concatenate(parts)[:, 0].tolist() == levels


@pytest.mark.parametrize(
    ("volts", "sizes", "middle"),
    [
        ([0.0, 3.0] * 4, [8], 1.5),
        ([0.0, 3.0] * 4, [3, 5], 1.5),
        ([0.0, 9.0, 2.0, 9.0] * 3, [4, 4, 4], 1.0),  # of more than eight every second one
        ([0.0, 9.0, 2.0, 9.0] * 3, [12], 1.0),
        ([], [], 0.0),
        ([], [0], 0.0),
    ],
)
def test_a_threshold_is_found_in_all_of_few_voltages_and_in_some_of_many(
    volts: list[float], sizes: list[int], middle: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(threshold, "_SAMPLES_MOST", 8)
    ends = np.cumsum(sizes, dtype=np.int64).tolist()
    parts = [np.array(volts)[end - size : end, None] for size, end in zip(sizes, ends, strict=True)]
    assert Thresholds.of(parts, ("a",)).middle.tolist() == [middle]


def test_voltages_are_found_beside_spikes_and_long_rests() -> None:
    """A line that is low for nine tenths of the time, with a spike of 40 V either way in twenty samples."""
    rng = np.random.default_rng(3)
    volts = np.where(rng.random(4000) < 0.1, 3.3, 0.0) + rng.normal(0, 0.05, 4000)
    volts[100:110], volts[200:210] = 40.0, -40.0
    found = Thresholds.of([volts[:1500, None], volts[1500:, None]], ("a",))
    assert found.middle[0] == pytest.approx(1.65, abs=0.5)
    assert found.notes(["a"]) == [f'"a" holds voltages: the threshold is {found.middle[0]:.3g}']
    assert found.notes(["a", "b"]) == []


@pytest.mark.parametrize(
    ("first_s", "is_date"), [(999_999_999, False), (1_000_000_000, True), (3_999_999_999, True), (4_000_000_000, False)]
)
def test_times_of_years_from_2001_to_2096_are_dates(first_s: int, is_date: bool) -> None:
    capture = opened(f"time [s],byte\n{first_s}.0,0x0F\n{first_s}.1,0x10\n{first_s}.2,0x11\n".encode())
    list(capture.blocks())
    assert capture.info.start_utc_ns == (0 if is_date else None)
    assert any("counted from 1970" in note for note in capture.info.notes) is is_date


@pytest.mark.parametrize(
    ("offset_s", "t_ns"),
    [
        (1_700_000_000, 1_700_000_000_000_007_000),
        (-5, -4_999_993_000),
        (1 << 33, TIME_MAX_NS),
        (-(1 << 33), TIME_MIN_NS),
        ((1 << 33) + 1, 7_000),  # no date
        (-(1 << 33) - 1, 7_000),
    ],
)
def test_offsets_of_timestamps(offset_s: int, t_ns: int) -> None:
    options = option(14, struct.pack("<q", offset_s)) + bytes(4)
    (log,) = opened(section() + interface(options) + packet(7, FRAMES)).blocks()
    assert log.mark_t_ns.tolist() == [t_ns]


@pytest.mark.parametrize(
    ("said", "rate"), [("1 GHz", 10**9), ("10 MHz", 10**7), ("400 kHz", 400_000), ("400000", 400_000)]
)
def test_sample_rates_of_sessions(said: str, rate: int) -> None:
    (log,) = opened(session(samples(FRAME[:2], rate=rate, lead_s=2e-4), rate=said)).blocks()
    assert log.data.tobytes() == FRAME[:2]
    assert log.mark_t_ns.tolist() == pytest.approx([200_000, 320_000], abs=2 * 10**9 / rate)
