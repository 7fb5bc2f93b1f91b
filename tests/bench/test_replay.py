"""A recording as a program: each frame in the slot of its number, gaps and flags as faults, and what is said of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.bench.replay import load_recording, recorded_program
from busbench.capture.base import CaptureInfo
from busbench.capture.write import open_writer
from busbench.drive.program import Program
from busbench.errors import CaptureError, DriveError
from busbench.model import ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_SLOTS, FLAG_CH17, FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.scale import Scale

TOTAL = 600
PERIOD_S = 0.009
NUMBERS = np.arange(TOTAL)
COUNTS = 500 + NUMBERS  # of channel 1: each frame has its own


def record(
    path: Path, *, gaps: tuple[range, ...] = (), lost: tuple[range, ...] = (), failsafe: tuple[range, ...] = (),
    ends: tuple[int, ...] = (0,), damaged: tuple[int, ...] = (), jitter_s: float = 0.0, period_s: float = PERIOD_S,
    set_back_s: float = 0.0,
) -> str:  # fmt: skip
    """Frames each 9 ms, read a little late; without a clock for a .raw."""
    flags = np.full(TOTAL, FLAG_CH17, np.uint8)
    for spans, flag in ((lost, FLAG_LOST), (failsafe, FLAG_FAILSAFE)):
        for span in spans:
            flags[span.start : span.stop] |= flag
    counts = np.full((TOTAL, 16), 992)
    counts[:, 0] = COUNTS
    raw = pack_frames(counts, flags, np.resize(ends, TOTAL))
    bad = np.zeros(raw.shape, np.uint8)
    bad[list(damaged), 3] = 1
    kept = np.array([not any(number in gap for gap in gaps) for number in NUMBERS])
    late_s = np.random.default_rng(1).random(TOTAL) * jitter_s
    t_ns = np.rint((NUMBERS * period_s + late_s) * 1e9).astype(np.int64)[kept] + 10**10
    t_ns[300:] -= round(set_back_s * 1e9)
    clock = Clock(ClockKind.NONE, 0) if path.suffix == ".raw" else Clock(ClockKind.PER_READ, 1)
    with open_writer(str(path), CaptureInfo(str(path), "test", clock)) as writer:
        marks = np.arange(1, kept.sum() + 1) * 25
        writer.write_log(ByteLog(0, raw[kept].reshape(-1), marks, t_ns, bad[kept].reshape(-1) if damaged else None))
    return str(path)


def made(path: str, **options: object) -> tuple[Program, list[str]]:
    said: list[str] = []
    options.setdefault("rate", 1e6)
    program = recorded_program(path, options, scale=Scale(), note=said.append)
    return program, [one.removeprefix(f"{path}: ") for one in said]


def channel_1(program: Program) -> list[int]:
    return [int(value) for value in program.wanted(0, program.slots)[:, 0]]


def faults(program: Program) -> list[tuple[str, int, int]]:
    """Kind, first slot and number of slots."""
    return [
        (one.kind, round(one.start_s / program.period_s), round(one.duration_s / program.period_s))
        for one in program.faults
    ]


def test_frames_go_into_the_slots_of_their_numbers_whatever_their_jitter(tmp_path: Path) -> None:
    path = record(tmp_path / "f.pcapng", jitter_s=0.0005, gaps=(range(100, 103), range(400, 401)))
    program, said = made(path)
    assert said == []
    assert program.period_s == pytest.approx(PERIOD_S, rel=1e-5)
    assert (program.slots, program.end_bytes, program.name) == (TOTAL, (0,), "f.pcapng")
    values = channel_1(program)
    present = [number for number in NUMBERS if number not in (100, 101, 102, 400)]
    assert [values[number] for number in present] == COUNTS[present].tolist()
    assert faults(program) == [("gap", 100, 3), ("gap", 400, 1)]
    assert set(program.wanted(0, program.slots)[:, 16].tolist()) == {1.0}
    assert set(program.wanted(0, program.slots)[:, 17].tolist()) == {0.0}


def test_flags_are_faults_of_their_slots(tmp_path: Path) -> None:
    path = record(
        tmp_path / "f.pcapng", gaps=(range(50, 52),), lost=(range(3), range(60, 61)), failsafe=(range(590, TOTAL),)
    )
    program, _ = made(path)
    assert faults(program) == [("gap", 50, 2), ("lost", 0, 3), ("lost", 60, 1), ("failsafe", 590, 10)]


@pytest.mark.parametrize(
    ("options", "first", "slots"),
    [
        ({}, 0, TOTAL),
        ({"start": 0.9}, 100, 500),
        ({"start": 0.9, "duration": 0.9}, 100, 100),
        ({"duration": 0.9}, 0, 100),
        ({"start": 5.373}, 597, 3),
        ({"duration": 100}, 0, TOTAL),
    ],
)
def test_a_part_begins_and_lasts_as_asked_for(
    tmp_path: Path, options: dict[str, object], first: int, slots: int
) -> None:
    path = record(tmp_path / "f.pcapng", lost=(range(150, 160),))
    program, _ = made(path, **options, frame_period=PERIOD_S)
    assert channel_1(program) == COUNTS[first : first + slots].tolist()
    wanted = [("lost", 150 - first, 10)] if first <= 150 < first + slots else []
    assert faults(program) == wanted


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ({"start": -0.1}, "--start: -0.1 is out of range: give 0 to 5.4 s"),
        ({"start": 5.5}, "--start: 5.5 is out of range: give 0 to 5.4 s"),
        ({"start": "x"}, '--start: "x" is out of range: give 0 to 5.4 s'),
        ({"duration": -1}, "--duration: -1 is out of range: give 0 to 6.048e+05 s"),
        ({"frame_period": 0.0039}, "--frame-period: 0.0039 is out of range: give 0.004 to 1 s"),
        ({"frame_period": 1.1}, "--frame-period: 1.1 is out of range: give 0.004 to 1 s"),
        ({"duration": 0.0}, "PATH: no frame in these seconds: it lasts 5.4 s"),
        ({"start": 5.3995}, "PATH: no frame in these seconds: it lasts 5.4 s"),
    ],
)
def test_what_is_out_of_range_says_the_range(tmp_path: Path, options: dict[str, object], line: str) -> None:
    path = record(tmp_path / "f.pcapng")
    with pytest.raises(DriveError) as caught:
        made(path, **{"frame_period": PERIOD_S, **options})
    assert str(caught.value) == line.replace("PATH", path)


def test_another_period_sends_it_slower_and_whole(tmp_path: Path) -> None:
    program, _ = made(record(tmp_path / "f.pcapng", gaps=(range(100, 103),)), frame_period=0.018)
    assert (program.period_s, program.slots) == (0.018, TOTAL)
    assert faults(program) == [("gap", 100, 3)]


@pytest.mark.parametrize(
    ("ends", "options", "end_bytes", "said"),
    [
        (END_SLOTS, {}, END_SLOTS, []),
        ((0x04,), {}, (0x04,), []),
        ((0x00, 0x00, 0x14), {}, (0x00,), ["its end bytes differ; all frames are sent with 0x00"]),
        ((0x14, 0x14, 0x24), {}, (0x14,), ["its end bytes differ; all frames are sent with 0x14"]),
        ((0x00, *END_SLOTS), {"end_byte": 0x34}, (0x34,), []),
    ],
)
def test_the_end_byte_is_that_of_most(
    tmp_path: Path, ends: tuple[int, ...], options: dict[str, object], end_bytes: tuple[int, ...], said: list[str]
) -> None:
    program, notes = made(record(tmp_path / "f.raw", ends=ends), **options)
    assert set(program.end_bytes) == set(end_bytes)
    assert notes == ["has no times; its frames are taken to come every 7 ms", *said]
    assert (program.period_s, program.slots, channel_1(program)) == (0.007, TOTAL, COUNTS.tolist())


def test_damaged_frames_are_left_out_as_gaps(tmp_path: Path) -> None:
    path = record(tmp_path / "f.pcapng", damaged=(0, 200, 201, 300))
    program, said = made(path)
    assert said == ["left out 4 damaged frames"]
    assert faults(program) == [("gap", 199, 2), ("gap", 299, 1)]  # slots count from the first good frame
    assert channel_1(program)[0] == COUNTS[1]
    replay = load_recording(path)
    assert (len(replay.t_s), replay.t_s[0]) == (TOTAL - 4, 0.0)
    np.testing.assert_allclose(replay.t_s, (np.delete(NUMBERS, [0, 200, 201, 300]) - 1) * PERIOD_S, atol=1e-9)
    np.testing.assert_array_equal(replay.levels[:, 0], np.delete(COUNTS, [0, 200, 201, 300]))


def test_limits_of_all_channels_may_be_given(tmp_path: Path) -> None:
    path = record(tmp_path / "f.raw")
    program, _ = made(path, rate=77, travel=(-50, 50))
    free, _ = made(path, rate=77)
    for one, other in zip(program.limits.channels, free.limits.channels, strict=True):
        assert (one.low, one.high) == (582, 1402)  # 992 -/+ half of 819.2 counts
        assert (other.low, other.high) != (one.low, one.high)


def test_frames_without_times_come_each_seven_milliseconds(tmp_path: Path) -> None:
    said: list[str] = []
    path = record(tmp_path / "f.raw")
    replay = load_recording(path, note=said.append)
    np.testing.assert_allclose(replay.t_s, NUMBERS * 0.007)
    assert said == [f"{path}: has no times; its frames are taken to come every 7 ms"]


def test_what_is_all_noise_has_nothing_to_replay(tmp_path: Path) -> None:
    path = record(tmp_path / "f.pcapng", damaged=tuple(range(TOTAL)))
    for act in (load_recording, lambda name: made(name)):
        with pytest.raises(
            CaptureError, match="holds no frames to replay: `busbench probe` reports what is on the line"
        ):
            act(path)


@pytest.mark.parametrize(("period_s", "is_found"), [(0.099, True), (0.101, False)])
def test_frames_on_no_period_are_sent_each_seven_milliseconds(tmp_path: Path, period_s: float, is_found: bool) -> None:
    program, said = made(record(tmp_path / "f.pcapng", period_s=period_s))
    assert said == ([] if is_found else ["no period was found; its frames are sent every 7 ms"])
    assert program.period_s == pytest.approx(period_s if is_found else 0.007)
    assert (program.slots, channel_1(program), faults(program)) == (TOTAL, COUNTS.tolist(), [])


def test_where_late_and_lost_frames_look_alike_it_is_said(tmp_path: Path) -> None:
    """Reads that are late by up to nine tenths of a period."""
    program, said = made(record(tmp_path / "f.pcapng", jitter_s=0.008, gaps=(range(100, 103),)))
    assert said == ["late and lost frames look alike; gaps are sent where they may have been"]
    assert (program.slots, faults(program)) == (TOTAL, [("gap", 100, 3)])


@pytest.mark.parametrize("set_back_s", [0.0, 0.0005, 5.0])
def test_what_comes_after_a_clock_that_goes_back_follows_on(tmp_path: Path, set_back_s: float) -> None:
    path, said = record(tmp_path / "f.pcapng", set_back_s=set_back_s), list[str]()
    replay = load_recording(path, note=said.append)
    is_back = set_back_s > PERIOD_S
    assert said == ([f"{path}: its clock goes back; what comes after that follows on"] if is_back else [])
    late_s = np.where(NUMBERS < 300, 0.0, 0.0 if is_back else set_back_s)
    np.testing.assert_allclose(replay.t_s, NUMBERS * PERIOD_S - late_s, atol=2e-4)
