"""Annotations beside a recording."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.capture.annotations import notes_path, read_annotations, write_annotations
from busbench.errors import CaptureError
from busbench.model import Annotation

NOTES = [Annotation(1_700_000_000_250_000_000, "30 paces"), Annotation(1_700_000_001_000_000_001, 'a "b", c')]


def test_annotations_come_back_as_they_were(tmp_path: Path) -> None:
    recording = tmp_path / "x.pcapng"
    start_ns = 1_700_000_000_000_000_000
    assert read_annotations(recording, start_ns=start_ns) == []
    path = write_annotations(recording, NOTES, start_ns=start_ns)
    assert path == str(recording) + ".notes.csv"
    assert Path(path).read_bytes() == b'time_s,text\n0.250000000,30 paces\n1.000000001,"a ""b"", c"\n'
    assert read_annotations(recording, start_ns=start_ns) == NOTES
    assert not recording.exists()


def test_without_timestamps_they_stand_at_frames(tmp_path: Path) -> None:
    notes = [Annotation(12, "twelve")]
    write_annotations(tmp_path / "x.raw", notes, start_ns=None)
    assert Path(notes_path(tmp_path / "x.raw")).read_text() == "frame,text\n12,twelve\n"
    assert read_annotations(tmp_path / "x.raw", start_ns=None) == notes


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"name,value\n1,2\n", "holds no annotations with columns time_s,text"),
        (b"time_s,text\n0.5,a\nsoon,b\n", "line 3 is not a row of time_s,text"),
        (b"time_s,text\n0.5\n", "line 2 is not a row of time_s,text"),
        (b"time_s,text\ninf,x\n", "line 2 is not a row of time_s,text"),
        (b"\xff\xfe", "x.pcapng.notes.csv"),
    ],
)
def test_what_is_no_file_of_annotations_is_reported(tmp_path: Path, data: bytes, words: str) -> None:
    Path(notes_path(tmp_path / "x.pcapng")).write_bytes(data)
    with pytest.raises(CaptureError, match=r"x\.pcapng\.notes\.csv") as caught:
        read_annotations(tmp_path / "x.pcapng", start_ns=0)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("rows", "start_ns", "expected"),
    [
        ("", 0, []),
        ("0,a\n", 7, [(7, "a")]),
        ("-1.5,a\n", 0, [(-1_500_000_000, "a")]),
        ("1e3,a\n", 1, [(1_000_000_000_001, "a")]),
        ("0.0000000014,a\n", 0, [(1, "a")]),
        ("0.0000000016,a\n", 0, [(2, "a")]),
        ("2,c\n1,b\n2,a\n", 0, [(10**9, "b"), (2 * 10**9, "c"), (2 * 10**9, "a")]),  # as written where times are equal
        (f"1,{'x' * 10_000}\n2,{'y' * 10_001}\n", None, [(1, "x" * 10_000), (2, "y" * 10_000)]),
    ],
)
def test_rows_written_by_hand(tmp_path: Path, rows: str, start_ns: int | None, expected: list[tuple[int, str]]) -> None:
    head = "frame,text\n" if start_ns is None else "\ufefftime_s,text\n"
    Path(notes_path(tmp_path / "x.raw")).write_text(head + rows, encoding="utf-8")
    found = read_annotations(tmp_path / "x.raw", start_ns=start_ns)
    assert [(note.t_ns, note.text) for note in found] == expected


@pytest.mark.parametrize(("data", "start_ns"), [("", 0), ("", None), ("frame,text\n", 0), ("time_s,text\n", None)])
def test_a_file_without_the_right_header_is_not_taken(tmp_path: Path, data: str, start_ns: int | None) -> None:
    Path(notes_path(tmp_path / "x.raw")).write_text(data)
    column = "frame" if start_ns is None else "time_s"
    with pytest.raises(CaptureError, match=f"holds no annotations with columns {column},text: move it to another name"):
        read_annotations(tmp_path / "x.raw", start_ns=start_ns)


def test_all_annotations_are_replaced(tmp_path: Path) -> None:
    write_annotations(tmp_path / "x.raw", NOTES, start_ns=0)
    write_annotations(tmp_path / "x.raw", [], start_ns=0)
    assert Path(notes_path(tmp_path / "x.raw")).read_text() == "time_s,text\n"


def test_a_folder_by_that_name_holds_no_annotations(tmp_path: Path) -> None:
    Path(notes_path(tmp_path / "x.raw")).mkdir()
    assert read_annotations(tmp_path / "x.raw", start_ns=0) == []
