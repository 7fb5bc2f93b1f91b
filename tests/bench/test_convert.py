"""Parts and pieces of a recording, and the frames of a program, as files."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.bench import convert as converting
from busbench.bench.convert import Cut, convert, write_frames, write_outputs, write_part
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.capture.open import open_capture
from busbench.capture.pcapng_write import PcapngWriter
from busbench.drive.frame_generator import EndState, frame_blocks
from busbench.drive.program import Program
from busbench.errors import BusbenchError, DriveError, OutputError
from busbench.line import BUS_LINE, Chunk, WakeUps
from busbench.model import Annotation, Clock, ClockKind
from busbench.wire.codec import pack_frames
from tests.drive.helpers import counts_of, make

SECOND_NS = 1_000_000_000
BEGIN_NS = 50 * SECOND_NS
GONE = range(400, 450)  # frames of an outage: 4.0 to 4.5 s


@pytest.fixture
def path(tmp_path: Path) -> str:
    """Ten seconds of frames each 10 ms, with a gap, notes and the reader's lateness in each second."""
    name = str(tmp_path / "whole.pcapng")
    raw = pack_frames(np.full((1000, 16), 992) + np.arange(1000)[:, None] % 9)
    clock = Clock(ClockKind.PER_READ, 1)
    with PcapngWriter(name, port="far", line=BUS_LINE, clock=clock, start_utc_ns=0) as writer:
        for number in range(1000):
            t_ns = BEGIN_NS + number * 10_000_000
            if number not in GONE:
                writer.write(Chunk(t_ns, raw[number].tobytes()))
            if number % 100 == 0:
                writer.mark(t_ns, f"note {number // 100}")
                writer.write_wakes([WakeUps(t_ns, (50, *[0] * 14))])
    return name


def made(path: str, output: Path, cut: Cut) -> list[tuple[str, str]]:
    with open_capture(path) as capture:
        return [(Path(name).name, size) for name, size in convert(capture, str(output), cut=cut)]


def seconds_of(path: Path) -> tuple[float, float]:
    """When the first and the last frame came, in s from the first of all."""
    t_ns = read_recording(path).frames.t_ns
    return ((int(t_ns[0]) - BEGIN_NS) / 1e9, (int(t_ns[-1]) - BEGIN_NS) / 1e9)


@pytest.mark.parametrize("given", list(itertools.product([False, True], repeat=4)))
def test_one_way_to_cut_at_a_time(given: tuple[bool, ...]) -> None:
    from_s, to_s, around, split_s = (
        value if is_given else None for is_given, value in zip(given, (1.0, 2.0, (1, 2.0), 3.0), strict=True)
    )
    ways = (given[0] or given[1]) + given[2] + given[3]
    if ways <= 1:
        Cut(from_s, to_s, around, split_s)  # type: ignore[arg-type]
        return
    with pytest.raises(BusbenchError, match="--from and --to, --around, --split: cannot be combined: give one of them"):
        Cut(from_s, to_s, around, split_s)  # type: ignore[arg-type]


@pytest.mark.parametrize(("from_s", "to_s", "is_right"), [
    (None, 0.0, False), (None, 0.1, True), (1.0, 1.0, False), (1.0, 1.1, True), (2.0, 1.0, False), (None, -1.0, False),
])  # fmt: skip
def test_a_part_ends_after_it_begins(from_s: float | None, to_s: float, is_right: bool) -> None:
    if is_right:
        assert Cut(from_s, to_s).to_s == to_s
        return
    with pytest.raises(BusbenchError, match=f"--to: {to_s:g} s is not after --from: give a later time"):
        Cut(from_s, to_s)


@pytest.mark.parametrize(
    ("cut", "first_s", "last_s", "frames"),
    [
        (Cut(), 0, 9.99, 950),
        (Cut(from_s=2), 2, 9.99, 750),
        (Cut(to_s=2), 0, 1.99, 200),
        (Cut(from_s=1, to_s=2), 1, 1.99, 100),
        (Cut(around=(1, 1.0)), 2.99, 5.5, 201),  # 1 s before the last frame before it, to 1 s after the first after it
        (Cut(around=(1, 4.5)), 0, 9, 851),
    ],
)
def test_a_part_has_the_frames_of_its_time(
    path: str, tmp_path: Path, cut: Cut, first_s: float, last_s: float, frames: int
) -> None:
    output = tmp_path / "part.pcapng"
    ((name, size),) = made(path, output, cut)
    kept = read_recording(output)
    assert (name, size) == ("part.pcapng", f"{25 * len(kept.frames):,} bytes")
    assert seconds_of(output) == pytest.approx((first_s, last_s), abs=0.011)
    assert len(kept.frames) == pytest.approx(frames, abs=1)


def test_no_file_is_replaced_unasked(path: str, tmp_path: Path) -> None:
    taken = tmp_path / "f.raw"
    taken.write_bytes(b"mine")
    with open_capture(path) as capture, pytest.raises(OutputError, match="exists already"):
        list(convert(capture, str(taken)))
    assert taken.read_bytes() == b"mine"
    with open_capture(path) as capture:
        list(convert(capture, str(taken), force=True))
    assert taken.stat().st_size == 950 * 25


def test_pieces_are_numbered_and_join_to_the_whole(path: str, tmp_path: Path) -> None:
    found = made(path, tmp_path / "piece.pcapng", Cut(split_s=3))
    assert [name for name, _ in found] == [f"piece-{number:03d}.pcapng" for number in range(1, 5)]
    parts = [read_recording(tmp_path / name).frames for name, _ in found]
    assert [len(part) for part in parts] == [300, 250, 300, 100]
    np.testing.assert_array_equal(np.concatenate([part.raw for part in parts]), read_recording(path).frames.raw)


@pytest.mark.parametrize(
    ("output", "words"), [("-", "standard output takes no pieces"), ("x.PARQUET", "frames as columns are not split")]
)
def test_pieces_need_a_file_each(path: str, output: str, words: str) -> None:
    with open_capture(path) as capture, pytest.raises(BusbenchError) as caught:
        list(convert(capture, output, cut=Cut(split_s=3)))
    assert str(caught.value) == f"--split: {words}: name a file of another format"


def test_frames_as_columns_are_counted_as_frames(path: str, tmp_path: Path) -> None:
    assert made(path, tmp_path / "f.parquet", Cut(to_s=2)) == [("f.parquet", "200 frames")]


def test_how_far_it_is_counts_up(path: str, tmp_path: Path) -> None:
    said: list[int] = []
    with open_capture(path) as capture:
        list(convert(capture, str(tmp_path / "f.raw"), progress=said.append))
    assert said == sorted(said)
    assert said[-1] == 950 * 25 == (tmp_path / "f.raw").stat().st_size


def test_an_outage_that_is_not_there_is_said(path: str, tmp_path: Path) -> None:
    with pytest.raises(BusbenchError) as caught:
        made(path, tmp_path / "f.pcapng", Cut(around=(2, 1.0)))
    assert str(caught.value) == f"--around: there is no outage 2: {path} has 1 outage"
    (tmp_path / "f.raw").write_bytes(bytes(25) + pack_frames(np.full((99, 16), 992)).tobytes())
    with pytest.raises(BusbenchError, match=r"--around: .*f\.raw has no times: record with times, as to \.pcapng"):
        made(str(tmp_path / "f.raw"), tmp_path / "f.pcapng", Cut(around=(1, 1.0)))


def test_a_part_by_bytes_has_the_notes_of_its_time(path: str, tmp_path: Path) -> None:
    output, checks = tmp_path / "part.pcapng", []
    marks = [Annotation(BEGIN_NS + number * SECOND_NS, f"note {number}") for number in range(10)]
    with open_capture(path) as capture:
        write_part(
            capture, str(output), bytes_=(100 * 25, 300 * 25), line=BUS_LINE, marks=marks,
            times=(BEGIN_NS + SECOND_NS, BEGIN_NS + 3 * SECOND_NS), check=lambda: checks.append(1),
        )  # fmt: skip
    kept = read_recording(output)
    assert (len(kept.frames), seconds_of(output)) == (200, (1.0, 2.99))
    assert [mark.text for mark in kept.info.marks] == ["note 1", "note 2", "note 3"]
    # lateness is written at the end of its second
    assert [(wake.t_ns - BEGIN_NS) // SECOND_NS for wake in kept.info.wakes] == [1, 2, 3, 4]
    assert kept.info.source == "far"
    assert checks


@pytest.fixture
def around(tmp_path: Path) -> str:
    """The surroundings of an outage: of frames each 10 ms, 100 to 399 and 500 to 799 were left out."""
    name = str(tmp_path / "around.pcapng")
    raw = pack_frames(np.full((1000, 16), 992) + np.arange(1000)[:, None] % 9)
    with PcapngWriter(name, port="far", line=BUS_LINE, clock=Clock(ClockKind.PER_READ, 1), start_utc_ns=0) as writer:
        for number in [*range(100), *range(400, 440), *range(450, 500), *range(800, 1000)]:
            if number in (400, 800):
                last_ns = BEGIN_NS + (number - 1) * 10_000_000
                writer.note((0, last_ns, LeftOut(last_ns - 2_990_000_000, last_ns, 300, 7500).comment()))
            writer.write(Chunk(BEGIN_NS + number * 10_000_000, raw[number].tobytes()))
        writer.note((0, BEGIN_NS + 9_990_000_000, MinuteTotals(BEGIN_NS + 9_990_000_000, 0, 990).comment()))
    return name


@pytest.mark.parametrize(
    ("bytes_", "times", "frames", "left_out", "minutes"),
    [((0, 390 * 25), (0, 9_990_000_000), 990, 600, 1), ((100 * 25, 190 * 25), (4_000_000_000, 5_000_000_000), 90, 0, 0),
     ((50 * 25, 190 * 25), (500_000_000, 4_990_000_000), 440, 300, 0)],
)  # fmt: skip
def test_a_part_keeps_the_count_of_what_was_left_out(
    around: str, tmp_path: Path, bytes_: tuple[int, int], times: tuple[int, int], frames: int, left_out: int,
    minutes: int,
) -> None:  # fmt: skip
    with open_capture(around) as capture:
        write_part(
            capture, str(tmp_path / "part.pcapng"), bytes_=bytes_, times=(BEGIN_NS + times[0], BEGIN_NS + times[1]),
            line=BUS_LINE, marks=(), check=lambda: None,
        )  # fmt: skip
    found = read_recording(tmp_path / "part.pcapng").outages()
    assert (found.frames, found.missing, found.left_out, len(found.minutes)) == (frames, 10, left_out, minutes)


@pytest.mark.parametrize(
    ("name", "cut", "frames"),
    [("f.csv", Cut(), 600), ("f.VCD", Cut(), 600), ("f.parquet", Cut(), 600), ("f.csv", Cut(to_s=5.0), 300),
     ("f.csv", Cut(split_s=5.0), 600), ("f.csv", Cut(from_s=4.0, to_s=5.0), 0),
     ("f.pcapng", Cut(), 0), ("f.raw", Cut(), 0), ("f.pcapng", Cut(split_s=5.0), 0)],
)  # fmt: skip
def test_a_format_that_cannot_hold_what_was_left_out(
    around: str, tmp_path: Path, name: str, cut: Cut, frames: int
) -> None:
    with open_capture(around) as capture:
        list(convert(capture, str(tmp_path / name), cut=cut))
    text = f"left out when recorded, since on time: {frames} frames: {Path(name).suffix.lower()} shows them as missing"
    assert capture.info.notes == [f"{text}; .pcapng keeps their number"] * (frames > 0)


def test_writing_a_part_ends_when_it_is_broken_off(path: str, tmp_path: Path) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    with open_capture(path) as capture, pytest.raises(KeyboardInterrupt):
        write_part(
            capture, str(tmp_path / "part.pcapng"), bytes_=(0, 99), times=(0, 1), line=BUS_LINE, marks=(), check=stop
        )
    assert not (tmp_path / "part.pcapng").exists()


GAPS = {"kind": "gap", "start": 0.1, "duration": 0.05}
SWEEP = {"channel": 3, "shape": "triangle", "low": 200, "high": 1800, "period": 1, "cycles": 1}


def program(**top: object) -> Program:
    return make(SWEEP, frame_period=0.01, **top)


def test_frames_of_a_program_end_in_their_slots(tmp_path: Path) -> None:
    made_program = program(fault=[GAPS])
    blocks = list(frame_blocks(made_program, end=EndState.SILENCE, block=7))
    written, left_out = write_frames(made_program, blocks, to=str(tmp_path / "f.pcapng"), force=False)
    total = sum(len(block) for block in blocks)
    assert (written, left_out) == (total - 5, 5)
    kept = read_recording(tmp_path / "f.pcapng")
    sent = np.concatenate([block.is_sent for block in blocks])
    raw = np.concatenate([block.raw for block in blocks])[sent]
    np.testing.assert_array_equal(kept.frames.raw, raw)
    # the last bit comes 25 characters of 0.12 ms after the slot begins
    np.testing.assert_array_equal(kept.frames.t_ns, np.flatnonzero(sent) * 10_000_000 + 3_000_000)
    assert kept.info.source == "drive"


def test_frames_go_to_a_file_of_a_known_kind() -> None:
    with pytest.raises(DriveError) as caught:
        write_frames(program(), [], to="far.xyz", force=False)
    assert caught.value.what == "--to: far.xyz is neither a port nor a file of a known kind"
    assert caught.value.hint.startswith("give a port, virtual:, - or a name that ends in .")


def levels(tmp_path: Path, outputs: tuple[int | str, ...]) -> int:
    blocks = frame_blocks(program(), end=EndState.SILENCE, block=40)
    return write_outputs(program(), blocks, to=str(tmp_path / "f.vcd"), outputs=outputs, force=True)


@pytest.mark.parametrize("channel", [0, 17, "x", -1])
def test_a_pulse_output_is_one_of_sixteen(tmp_path: Path, channel: int | str) -> None:
    with pytest.raises(DriveError, match=f"--pulses: channel {channel} has no pulse output: give 1 to 16"):
        levels(tmp_path, (3, channel))


def test_the_levels_of_the_bus_and_its_outputs_are_written(tmp_path: Path) -> None:
    total = levels(tmp_path, (1, 16))
    kept = read_recording(tmp_path / "f.vcd")
    blocks = list(frame_blocks(program(), end=EndState.SILENCE))
    assert total == len(kept.frames) == sum(len(block) for block in blocks)
    np.testing.assert_array_equal(
        kept.frames.channels, counts_of(np.concatenate([block.raw for block in blocks])).astype(np.uint16)
    )
    text = (tmp_path / "f.vcd").read_text()
    assert [name in text for name in ("output_1 ", "output_16 ", "output_3 ")] == [True, True, False]
    np.testing.assert_allclose(np.diff(kept.frames.t_ns), 10_000_000, atol=1000)


@pytest.mark.parametrize("most", [0, 1])
def test_a_level_file_has_a_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    total = levels(tmp_path, (1,))
    monkeypatch.setattr(converting, "FRAMES_MAX", total - most)
    if most == 0:
        assert levels(tmp_path, (1,)) == total
        return
    with pytest.raises(DriveError, match=f"the program has more than {total - 1} frames: shorten it or repeat it less"):
        levels(tmp_path, (1,))


def test_a_program_without_a_frame_has_no_levels(tmp_path: Path) -> None:
    with pytest.raises(DriveError, match=r"f\.vcd: the program sends no frame: make the gap shorter"):
        write_outputs(program(), [], to=str(tmp_path / "f.vcd"), outputs=(1,), force=False)
    assert not (tmp_path / "f.vcd").exists()
