"""A recording in numbered files, and what each of them holds; by the times of the bytes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording, read_recordings
from busbench.bench.receiver import Reception
from busbench.bench.recorder import Recorder, Retention, suffix_of
from busbench.capture.pcapng_write import SerialLine
from busbench.errors import OutputError
from busbench.line import BUS_LINE, Chunk, WakeUps
from busbench.model import Annotation, ByteLog, Clock, ClockKind
from busbench.port.ipc import EventKind, PortEvent
from busbench.wire.codec import pack_frames
from busbench.wire.framing import FrameFinder
from busbench.wire.table import AlignmentResult

SECOND_NS = 1_000_000_000
CLOCK = Clock(ClockKind.PER_READ, 1)
LINE = SerialLine("far", BUS_LINE, CLOCK)
RAW = pack_frames(np.full((6000, 16), 992) + np.arange(6000)[:, None] % 9)


class Desk:
    """A recorder that is given frames each 10 ms, from one line or from two."""

    def __init__(self, path: Path, retention: Retention, *, lines: int = 1, force: bool = False) -> None:
        self.now_ns = 0
        self.recorder = Recorder(
            str(path), [LINE] * lines, start_utc_ns=0, retention=retention, force=force, now=lambda: self.now_ns
        )
        self._finders = [FrameFinder(clock=CLOCK, line=BUS_LINE) for _ in range(lines)]
        self._offsets = [0] * lines

    def add(
        self, first: int, last: int, *, number: int = 0, events: tuple[PortEvent, ...] = (),
        notes: tuple[Annotation, ...] = (), wakes: tuple[WakeUps, ...] = (), step: int = 10,
    ) -> None:  # fmt: skip
        for at in range(first, last, step):
            chunks = [Chunk(one * 10_000_000, RAW[one].tobytes()) for one in range(at, min(at + step, last))]
            log = ByteLog.from_chunks(chunks, offset=self._offsets[number])
            self._offsets[number] = log.end
            self.now_ns = chunks[-1].t_ns
            found = self._finders[number].feed(log)
            self.recorder.add(Reception(tuple(chunks), log, events, found, wakes, notes), number=number)
            events, notes, wakes = (), (), ()

    def end(self, t_ns: int | None = None) -> None:
        self.recorder.end(t_ns)
        self.recorder.close()


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def frames_of(path: Path) -> list[int]:
    """First and last number of the frames, and how many there are."""
    t_ns = read_recording(path).frames.t_ns // 10_000_000
    return [int(t_ns[0]), int(t_ns[-1]), len(t_ns)]


@pytest.mark.parametrize(
    ("path", "suffix"),
    [
        ("a.pcapng", ".pcapng"), ("a.PCAPNG", ".PCAPNG"), ("a.pcapng.gz", ".pcapng.gz"),
        ("a.pcapng.zst", ".pcapng.zst"),
        ("a.pcapng.xz", ""), ("a.raw", ""), ("pcapng", ""), ("a.pcapng.old", ""),
    ],
)  # fmt: skip
def test_the_suffix_of_a_recording(path: str, suffix: str) -> None:
    assert suffix_of(path) == suffix


def test_a_file_begins_with_the_first_bytes_at_its_time(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(every_s=2))
    desk.add(100, 750)  # from 1.0 to 7.49 s
    desk.end()
    assert names(tmp_path) == [f"a-0000{number}.pcapng" for number in range(1, 5)]
    assert [frames_of(tmp_path / name) for name in names(tmp_path)] == [
        [100, 299, 200], [300, 499, 200], [500, 699, 200], [700, 749, 50],
    ]  # fmt: skip


def test_a_silence_makes_no_empty_files(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(every_s=2))
    desk.add(0, 50)
    desk.add(1250, 1450)  # 12.5 s: the fourth file from there would begin at 14 s
    desk.end()
    assert [frames_of(tmp_path / name) for name in names(tmp_path)] == [
        [0, 49, 50], [1250, 1399, 150], [1400, 1449, 50],
    ]  # fmt: skip


@pytest.mark.parametrize("around_s", [None, 1])
@pytest.mark.parametrize("last", [203, 210, 250, 500])  # the first frame after it
def test_a_silence_between_two_files_is_in_the_first(tmp_path: Path, around_s: float | None, last: int) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(around_s=around_s, every_s=2))
    desk.add(0, 196)
    for one in range(196, last, 10):
        desk.now_ns = one * 10_000_000
        nothing = ByteLog.from_chunks((), offset=196 * 25)
        desk.recorder.add(Reception((), nothing, (), AlignmentResult.concat(())))
    desk.add(last, last + 80)
    desk.end()
    found = [read_recording(tmp_path / name).outages() for name in names(tmp_path)]
    assert (sum(one.frames for one in found), sum(one.missing for one in found)) == (276, last - 196)
    assert len(names(tmp_path)) == 2
    (tmp_path / "b.pcapng").write_bytes(b"".join((tmp_path / name).read_bytes() for name in names(tmp_path)))
    joined = read_recording(tmp_path / "b.pcapng").outages()
    assert (joined.frames, len(joined.events)) == (276, 1)
    assert abs(joined.missing - (last - 196)) <= 1


@pytest.mark.parametrize(("first", "missing"), [(145, 55), (151, 0)])
def test_another_line_that_is_only_read_later_was_not_silent(tmp_path: Path, first: int, missing: int) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(every_s=2), lines=2)
    desk.add(0, first, number=1)
    desk.add(0, 202)
    desk.end()
    assert [one.outages().missing for one in read_recordings(tmp_path / "a-00001.pcapng")] == [0, missing]


@pytest.mark.parametrize(("files", "kept"), [(1, [4]), (2, [3, 4]), (3, [2, 3, 4]), (None, [1, 2, 3, 4])])
def test_the_newest_files_stay(tmp_path: Path, files: int | None, kept: list[int]) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(every_s=2, files=files))
    desk.add(0, 300)
    (tmp_path / "a-00001.pcapng").unlink(missing_ok=True)  # by another program
    desk.add(300, 700)
    desk.end()
    assert names(tmp_path) == [f"a-{number:05d}.pcapng" for number in kept if number > 1]


def test_one_file_has_no_number(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(files=1))
    desk.add(0, 700)
    desk.end()
    assert names(tmp_path) == ["a.pcapng"]
    assert frames_of(tmp_path / "a.pcapng") == [0, 699, 700]


def test_a_number_that_is_taken_refuses_them_all(tmp_path: Path) -> None:
    for name in ("a-1.pcapng", "b-00002.pcapng", "a-00002.pcapng.gz", "xa-00002.pcapng"):
        (tmp_path / name).touch()
    Desk(tmp_path / "a.pcapng", Retention(every_s=2)).end()
    (tmp_path / "a-00001.pcapng").rename(tmp_path / "a-00007.pcapng")
    with pytest.raises(OutputError) as caught:
        Desk(tmp_path / "a.pcapng", Retention(every_s=2))
    assert str(caught.value) == (
        f"{tmp_path / 'a-00007.pcapng'}: exists already: choose another name, or write over it with --force"
    )
    Desk(tmp_path / "a.pcapng", Retention(every_s=2), force=True).end()
    with pytest.raises(OutputError):  # one file beside the same name is another matter
        Desk(tmp_path / "b-00002.pcapng", Retention())


def test_events_notes_and_lateness_are_written_to_their_line(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(), lines=2)
    wakes = WakeUps(5, (50, *[0] * 14))
    desk.add(0, 300)
    desk.add(
        0, 200, number=1, events=(PortEvent(7, EventKind.UNPLUGGED, "gone"),), notes=(Annotation(9, "rudder"),),
        wakes=(wakes,),
    )  # fmt: skip
    desk.recorder.end(None, number=0)
    desk.recorder.end(4 * SECOND_NS, number=1)
    desk.recorder.close()
    one, other = read_recordings(tmp_path / "a.pcapng")
    assert ([mark.text for mark in one.info.marks], len(one.frames), one.info.wakes) == ([], 300, [])
    assert [(mark.t_ns, mark.text) for mark in other.info.marks] == [
        (7, "gone"), (9, "rudder"), (4 * SECOND_NS, "recording ended"),
    ]  # fmt: skip
    assert (len(other.frames), other.info.wakes) == (200, [wakes])


def test_what_was_left_out_is_counted_in_the_file_of_its_time(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(around_s=1, every_s=20))
    desk.add(0, 3000)
    desk.add(3000, 4500, notes=(Annotation(30 * SECOND_NS, "rudder"),))
    desk.end(45 * SECOND_NS)
    parts = [read_recording(tmp_path / name) for name in names(tmp_path)]
    assert [part.outages().frames for part in parts] == [
        pytest.approx(2000, abs=200), pytest.approx(2000, abs=200), pytest.approx(500, abs=200),
    ]  # fmt: skip
    assert sum(part.outages().frames for part in parts) == 4500
    kept = [int(t_ns) // 10_000_000 for part in parts for t_ns in part.frames.t_ns]
    assert kept[:101] == list(range(101))
    near = [number for number in kept if 1000 < number < 4000]
    assert near == list(range(2900, 3101))
    assert kept[-100:] == list(range(4400, 4500))


def test_a_kill_loses_no_count(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(around_s=1))
    desk.add(0, 6000)
    desk.recorder.flush()
    found = read_recording(tmp_path / "a.pcapng").outages()
    assert found.frames == pytest.approx(6000, abs=4)  # not in a frame yet
    assert found.missed == 0


@pytest.mark.parametrize(("silent_ms", "is_written"), [(500, False), (501, True)])
def test_a_line_that_fell_silent_is_written_without_another_byte(
    tmp_path: Path, silent_ms: int, is_written: bool
) -> None:
    """What surrounds the last byte need not wait for the next: more than half a second without one is an outage."""
    desk = Desk(tmp_path / "a.pcapng", Retention(around_s=1))
    desk.add(0, 1000)
    last_ns = desk.now_ns
    desk.now_ns += silent_ms * 1_000_000
    nothing = ByteLog.from_chunks((), offset=25_000)
    desk.recorder.add(Reception((), nothing, (), AlignmentResult.concat(())))
    desk.recorder.flush()
    frames = read_recording(tmp_path / "a.pcapng").frames
    assert (int(frames.t_ns[-1]) >= last_ns - 20_000_000) is is_written


@pytest.mark.parametrize(
    ("end_ns", "until_ns", "gap"),
    [(None, 29_990_000_000, (0, 0)), (45 * SECOND_NS, 45 * SECOND_NS, (1, 1500))],
)
def test_the_last_minute_ends_where_the_line_was_heard_last(
    tmp_path: Path, end_ns: int | None, until_ns: int, gap: tuple[int, int]
) -> None:
    desk = Desk(tmp_path / "a.pcapng", Retention(around_s=1))
    desk.add(0, 3000)
    desk.end(end_ns)
    totals = read_recording(tmp_path / "a.pcapng").info.totals
    assert [(one.t_ns, one.frames, one.events["gap"]) for one in totals] == [(until_ns, 3000, gap)]
