"""Rows of bytes at their limits: what a last line without an end holds, steps of a clock, and what is counted."""

from __future__ import annotations

import io

import numpy as np
import pytest

from busbench.capture import byte_csv
from busbench.capture.base import Capture, ReadOptions
from busbench.capture.byte_csv import ByteRows
from busbench.capture.file_io import ObjectSource
from busbench.errors import CaptureError
from busbench.line import LineSettings
from busbench.model import ByteLog, Clock, ClockKind


def opened(text: str, **more: object) -> Capture:
    return ByteRows(ObjectSource(io.BytesIO(text.encode()), name="made"), ReadOptions(**more))  # type: ignore[arg-type]


def read(capture: Capture) -> tuple[list[int], list[int]]:
    """The bytes, and which are bad."""
    logs = list(capture.blocks())
    assert all(map(len, logs))
    bad = [np.zeros(len(log)) if log.bad is None else log.bad for log in logs]
    return [byte for log in logs for byte in log.data.tolist()], np.flatnonzero(np.concatenate(bad)).tolist()


LEFT_OUT = "line 4: the file is cut inside this line; it is left out"
MARKED = "line 4 has no end, so its byte may be cut short: it is marked as bad"


@pytest.mark.parametrize(
    ("text", "last", "note"),
    [
        # A byte before the time is whole.
        ("byte,time [s]\n15,0.111\n200,0.222\n7,0.333", 7, ""),
        ("byte,time [s]\n15,0.111\n200,0.222\n7,0.3333", 7, ""),
        ("byte,time [s]\n15,0.111\n200,0.222\n7,0.33", None, LEFT_OUT),
        ("byte,time [s]\n15,0.111\n200,0.222\n7,", None, LEFT_OUT),
        ("byte,time [s],n\n15,0.111,1\n200,0.222,1\n7,0.33,", 7, ""),  # a cell follows
        ("byte,time [s],n\n15,0.111,1\n200,0.222,1\n7,0.33", None, LEFT_OUT),
        ("Hex,Time [s]\n0xF,0.111\n0x1F,0.222\n0x7,0.333", 7, ""),
        # One at the end may lack a digit.
        ("time [s],byte\n0.1,0xF\n0.2,0x1F\n0.3,0x7", 7, MARKED),
        ("time [s],byte\n0.1,0xF\n0.2,0x1F\n0.3,0x77", 0x77, ""),
        ("time [s],byte\n0.1,0xF\n0.2,0xA\n0.3,0x7", 7, MARKED),
        ("time [s],byte\n0.1,0xF\n0.2,0xA\n0.3,0x77", None, LEFT_OUT),  # no other has two digits
        ("time [s],byte\n0.1,FF\n0.2,0A\n0.3,77", 0x77, ""),
        ("time [s],byte\n0.1,FF\n0.2,0A\n0.3,7", None, LEFT_OUT),
        ("time [s],byte\n0.1,FF\n0.2,A\n0.3,77", 0x77, ""),
        ("time [s],byte,n\n0.1,0xF,1\n0.2,0x1F,1\n0.3,0x7,", 7, ""),
        ("time [s],byte,n\n0.1,0xF,1\n0.2,0x1F,1\n0.3,0x7", 7, MARKED),
        ("time [s],byte\n0.1,200\n0.2,100\n0.3,25", 25, MARKED),
        ("time [s],byte\n0.1,200\n0.2,10\n0.3,26", 26, ""),  # no digit can follow
        ("time [s],byte\n0.1,200\n0.2,10\n0.3,7", 7, MARKED),
        ("time [s],byte\n0.1,200\n0.2,10\n0.3,0", 0, ""),
        ("time [s],byte\n0.1,200\n0.2,100\n0.3,000", 0, ""),
        ("time [s],byte\n0.1,200\n0.2,100\n0.3,", None, LEFT_OUT),
        ("time [s],byte\n0.1,200\n0.2,100\n5", None, LEFT_OUT),  # a line of one character
        # Only the last line may be cut.
        ("time [s],byte\n0.1,200\n0.2,7\n# end", 7, ""),
        ("time [s],byte\n0.1,200\n0.2,7\n", 7, ""),
    ],
)
def test_the_last_byte_without_a_line_end(text: str, last: int | None, note: str) -> None:
    capture = opened(text)
    data, bad = read(capture)
    assert data[-1] == last if last is not None else len(data) == 2
    assert bad == ([len(data) - 1] if note == MARKED else [])
    assert [one for one in capture.info.notes if one.startswith("line")] == ([note] if note else [])


def test_one_row_without_an_end_has_no_other_to_compare_its_time_with() -> None:
    capture = opened("byte,time [s]\n0x0F,0.1")
    assert read(capture) == ([0x0F], [])
    assert capture.info.notes == []


@pytest.mark.parametrize(
    ("step_ns", "baud", "resolution_ns"),
    [(5000, 100_000, 5000), (5001, 100_000, 1), (2500, 200_000, 2500), (2501, 200_000, 1), (5000, 200_000, 1)],
)
def test_steps_of_up_to_half_a_bit_are_those_of_the_clock(step_ns: int, baud: int, resolution_ns: int) -> None:
    times = [(20 * n + n % 2) * step_ns for n in range(20)]
    capture = opened("ns,byte\n" + "".join(f"{t},0x0F\n" for t in times), line=LineSettings(baud=baud))
    assert capture.info.clock.resolution_ns == resolution_ns


def test_times_that_do_not_fit_are_no_rows() -> None:
    with pytest.raises(CaptureError, match="made: none of its lines holds a time and a byte: each row needs"):
        list(opened("time [s],byte\n1e12,0x0F\n2e12,0x10\n").blocks())


def test_what_was_passed_over_is_noted_where_reading_ends_early(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(byte_csv, "_BUFFER_BYTES", 200)
    rows = "time [s],byte\n0.1,0x0F\n0.2,zz\n0.2,0x10\n0.2,0x11\n"
    capture = opened(rows + "x" * 300)
    for _ in range(2):
        with pytest.raises(CaptureError, match=f"byte {len(rows)}: line 6 is longer than 1 MB"):
            list(capture.blocks())
        assert capture.info.notes == [
            '1 line cannot be read and is passed over, the first is line 3 ("0.2,zz")',
            "the times do not rise at 1 row, the first is line 5",
        ]


def test_a_long_remark_between_rows_gives_no_empty_block(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(byte_csv, "_BUFFER_BYTES", 60)
    text = "time [s],byte,error\n0.1,0x0F,0\n" + "# gust\n" * 40 + "0.1,0x10,1\n0.05,0x11,0\n0.2,0x12,0\n"
    capture = opened(text)
    assert read(capture) == ([15, 16, 17, 18], [1])
    assert capture.info.notes == ["the times do not rise at 2 rows, the first is line 43"]


def test_no_column_of_errors_marks_none_and_one_marks_all() -> None:
    assert [log.bad for log in opened("time [s],byte\n0.1,0x0F\n").blocks()] == [None]
    (log,) = opened("time [s],byte,error\n0.1,0x0F,0\n").blocks()
    assert log.bad is not None
    assert log.bad.tolist() == [0]


def test_choices_are_noted_before_the_first_row_is_read() -> None:
    capture = opened("time,byte\n0.1,0x0F\n")
    notes = ["no unit is named for the times; they are taken as seconds"]
    assert capture.info.notes == notes
    assert read(capture) == ([15], [])
    assert capture.info.notes == notes


def test_the_last_row_is_judged_by_itself() -> None:
    capture = opened("time [s],byte\n0.1,200\n0.2,zz\n0.3,100\n0.4,7")
    assert read(capture) == ([200, 100, 7], [2])
    assert capture.info.notes[-2:] == [
        '1 line cannot be read and is passed over, the first is line 3 ("0.2,zz")',
        "line 5 has no end, so its byte may be cut short: it is marked as bad",
    ]
    two = opened("time [s],byte\n0.3,100\n0.4,zz\n0.5,yy\n")
    assert read(two) == ([100], [])
    assert two.info.notes[-1] == '2 lines cannot be read and are passed over, the first is line 3 ("0.4,zz")'


def shared(*reads: tuple[float, int], first: int = 0) -> str:
    """Rows of some bytes each, those of one read at one time."""
    data = iter(range(first, 1 << 30))
    return "".join(f"{t},0x{next(data) % 256:02X}\n" for t, size in reads for _ in range(size))


def marks(capture: Capture) -> list[tuple[int, int]]:
    """Time in µs and end of each read; every log ends with one."""
    logs = list(capture.blocks())
    assert all(log.mark_end[-1] == log.end for log in logs)
    assert not any(log.data.flags.writeable or log.mark_end.flags.writeable for log in logs)
    return [
        (t // 1000, end) for log in logs for t, end in zip(log.mark_t_ns.tolist(), log.mark_end.tolist(), strict=True)
    ]


SHARED = "most rows share their time with the next: rows of one time are taken as one read"


def test_rows_of_one_time_are_one_read_if_most_rows_share_theirs() -> None:
    capture = opened("time_us,byte\n" + shared((14_000, 25), (28_000, 1), (42_000, 25), (41_000, 3)))
    assert marks(capture) == [(14_000, 25), (28_000, 26), (42_000, 51), (41_000, 54)]
    assert capture.info.clock == Clock(ClockKind.PER_READ, 1000)
    assert capture.info.notes == [SHARED, "the times go back at 1 row, the first is line 53"]
    assert read(capture) == (list(range(54)), [])


@pytest.mark.parametrize(("pairs", "kind"), [(4, ClockKind.PER_BYTE), (5, ClockKind.PER_READ)])
def test_at_half_of_the_rows_each_byte_has_its_time(pairs: int, kind: ClockKind) -> None:
    """Nine rows have eight steps: four of them are half, five are most."""
    times = [*range(9 - pairs), *[8 - pairs] * pairs]
    capture = opened("time_ms,byte\n" + "".join(f"{t},0x0F\n" for t in times))
    assert len(times) == 9
    assert capture.info.clock.kind is kind
    assert len(marks(capture)) == (9 if kind is ClockKind.PER_BYTE else 9 - pairs)


def test_a_read_that_a_block_cuts_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    reads = [(1000 * n, 25 - n % 2) for n in range(1, 200)]
    ends = [(1000 * n, 25 * n - (n + 1) // 2) for n in range(1, 200)]
    text = "time_us,byte\n" + shared(*reads)
    for size in (60, 100, 257, 1 << 20):
        monkeypatch.setattr(byte_csv, "_BUFFER_BYTES", size)
        assert marks(opened(text)) == ends


def test_a_read_longer_than_any_is_handed_out_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(byte_csv, "_BUFFER_BYTES", 260)
    monkeypatch.setattr(byte_csv, "_READ_MOST", 50)
    found = marks(opened("time_us,byte\n" + shared((1000, 200), (2000, 9))))
    assert {t for t, _ in found} == {1000, 2000}
    assert found[-2:] == [(1000, 200), (2000, 209)]
    assert max(np.diff([end for _, end in found])) <= 50 + 26


def test_the_last_read_before_a_fault_is_handed_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(byte_csv, "_BUFFER_BYTES", 400)
    logs: list[ByteLog] = []
    with pytest.raises(CaptureError, match="line 22 is longer than 1 MB"):
        logs.extend(opened("time_us,byte\n" + shared((1000, 10), (2000, 10)) + "x" * 500).blocks())
    assert [log.mark_end.tolist() for log in logs] == [[10], [20]]


def test_the_unit_of_shared_times_is_found_by_their_bytes() -> None:
    """Reads of a frame each, 14,000 µs apart."""
    capture = opened("time,byte\n" + shared(*((14_000 * n, 25) for n in range(1, 20))))
    assert marks(capture)[:2] == [(14_000, 25), (28_000, 50)]
    assert capture.info.notes[0].endswith("taken as microseconds")
