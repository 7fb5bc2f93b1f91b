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
