"""What a table of recordings answers, and how the work is shared out."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from busbench.analysis.recording_row import Row, empty_row
from busbench.bench import survey as surveys
from busbench.bench import survey_table
from busbench.bench.survey import Survey, counted, survey, survey_rows
from busbench.bench.survey_inputs import Input, find_inputs
from busbench.bench.survey_journal import Journal, entry_line
from busbench.bench.survey_table import is_table, table_rows, write_table
from busbench.errors import BusbenchError, CaptureError, OutputError
from tests.cli.running import CAPTURES

SHORT = CAPTURES / "heron-line.vcd"


def table(*units: str | None) -> Survey:
    def rows(columns: Sequence[str] | None, unit: str | None) -> Iterator[Row]:
        for number, name in enumerate(units):
            row = empty_row(f"{number}.pcapng") | {"unit": name, "sha256": f"{number % 2:064x}"}
            if unit is None or row["unit"] == unit:
                yield row if columns is None else {column: row[column] for column in columns}

    return Survey(rows)


@pytest.mark.parametrize(
    ("units", "hint"),
    [
        (("b", "a", None, "a"), "there are a, b"),
        (("d", "c", "b", "a"), "there are a, b, c …"),
        (("c", "b", "a"), "there are a, b, c"),
        ((None,), "none names its unit: `busbench record --unit` does"),
    ],
)
def test_a_unit_that_is_not_there_is_said_with_those_that_are(units: tuple[str | None, ...], hint: str) -> None:
    with pytest.raises(BusbenchError) as caught:
        table(*units).history("heron")
    assert (caught.value.what, caught.value.hint) == ("--unit: no recording is of heron", hint)


def test_the_hash_of_all_is_that_of_each_once_in_rising_order() -> None:
    lines = "".join(f"{number:064x}\n" for number in (0, 1))
    assert table("a", "b", "c").recordings_sha256() == hashlib.sha256(lines.encode()).hexdigest()
    assert table("a").errors() == []


@pytest.mark.parametrize(
    ("total", "alone", "sizes"),
    [
        (0, False, []), (3, True, [1, 1, 1]), (200, True, [1] * 200), (63, False, [1] * 63), (127, False, [1] * 127),
        (128, False, [2] * 64), (130, False, [2] * 65), (1024, False, [16] * 64), (2000, False, [16] * 125),
        (2001, False, [*[16] * 125, 1]),
    ],
)  # fmt: skip
def test_workers_are_given_some_recordings_at_a_time(total: int, alone: bool, sizes: list[int]) -> None:
    todo = [Input(str(number), str(number), "") for number in range(total)]
    batches = list(surveys._batches(todo, alone=alone))
    assert [len(batch) for batch in batches] == sizes
    assert [one for batch in batches for one in batch] == todo


def test_how_far_it_is_in_words() -> None:
    assert [counted(1, 1), counted(1234, 5678)] == ["1 of 1 recording", "1,234 of 5,678 recordings"]


def test_columns_and_units_may_be_chosen(tmp_path: Path) -> None:
    found = survey([SHORT, CAPTURES / "heron-noisy.raw"])
    assert [list(row) for row in found.rows(["format", "path"])] == [["format", "path"]] * 2
    assert list(found.rows(unit="heron")) == []
    path = str(tmp_path / "t.parquet")
    rows = [empty_row(f"{number}.raw") | {"unit": unit} for number, unit in enumerate(("a", "b", None, "a"))]
    write_table(path, rows, force=False)
    assert is_table(path)
    assert [row["path"] for row in table_rows(path, unit="a")] == ["0.raw", "3.raw"]
    assert list(table_rows(path, ["unit", "path"], "b")) == [{"unit": "b", "path": "1.raw"}]
    assert list(table_rows(path)) == rows
    for name in (SHORT, tmp_path / "gone.parquet"):
        assert not is_table(str(name))
    with pytest.raises(CaptureError, match=r"gone\.parquet: file not found"):
        list(table_rows(str(tmp_path / "gone.parquet")))


def test_an_error_is_without_the_name_that_the_row_has(tmp_path: Path) -> None:
    path = tmp_path / "empty.pcapng"
    path.write_bytes(b"")
    (one,) = find_inputs([path])
    assert one.stamp == f"0 {path.stat().st_mtime_ns}"
    (row,) = survey_rows(one)
    assert row["error"] == "file is empty: was the recording ended before a byte came?"
    assert row["sha256"] == hashlib.sha256(b"").hexdigest()
    path.unlink()
    (row,) = survey_rows(one)
    assert (row["sha256"], row["path"]) == (None, str(path))
    assert row["error"].startswith("file not found")


def test_a_journal_gives_rows_in_the_order_of_the_recordings() -> None:
    inputs = [Input(name, f"/{name}", "") for name in ("b", "a", "c")]
    journal = Journal(inputs)
    rows = {one.path: [empty_row(f"{one.path}{number}") for number in range(2)] for one in inputs}
    journal.add(b"".join(entry_line(one, rows[one.path]) for one in reversed(inputs[:2])))
    assert [one in journal for one in inputs] == [True, True, False]
    assert list(journal.rows()) == rows["b"] + rows["a"]
    journal.add(entry_line(inputs[0], rows["c"]))  # again: the newer line counts
    assert list(journal.rows()) == rows["c"] + rows["a"]


def test_resuming_replaces_a_table_only_where_its_journal_was_left(tmp_path: Path) -> None:
    """A table beside its journal was complete but for the last step."""
    output, journal = tmp_path / "out.parquet", tmp_path / "out.parquet.jsonl"
    output.write_bytes(b"another's")
    with pytest.raises(OutputError, match=r"out\.parquet: file exists already"):
        survey([SHORT], output=output, resume=True)
    assert output.read_bytes() == b"another's"
    journal.write_bytes(b"")
    with pytest.raises(OutputError, match=r"out\.parquet: file exists already"):
        survey([SHORT], output=output)
    assert len(list(survey([SHORT], output=output, resume=True).rows())) == 1
    assert not journal.exists()
    with pytest.raises(OutputError, match=r"out\.parquet: file exists already"):
        survey([SHORT], output=output)
    journal.write_bytes(b'{"columns":["path"]}\n')  # of another version: begun again
    assert len(list(survey([SHORT], output=output, force=True).rows())) == 1
    assert not journal.exists()


def test_a_table_is_not_written_over_a_recording_that_it_reads(tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(b"?")
    with pytest.raises(OutputError, match="is also an input file"):
        survey([path], output=path, force=True)
    assert path.read_bytes() == b"?"


def test_progress_counts_each_recording_once() -> None:
    said: list[tuple[int, int]] = []
    survey([SHORT, SHORT], progress=lambda *counts: said.append(counts))
    assert said == [(0, 1), (1, 1)]


def test_what_a_table_needs_is_missed_before_any_recording_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lack() -> None:
        raise BusbenchError("needs pyarrow")

    monkeypatch.setattr(surveys, "need_pyarrow", lack)
    said: list[tuple[int, int]] = []
    with pytest.raises(BusbenchError, match="needs pyarrow"):
        survey([SHORT], output=tmp_path / "t.parquet", progress=lambda *counts: said.append(counts))
    assert (said, list(tmp_path.iterdir())) == ([], [])


def test_what_waits_is_cancelled_when_no_more_is_wanted() -> None:
    tasks: list[Future[bytes]] = []

    class Later(Executor):
        def submit(self, *_: object, **__: object) -> Any:
            tasks.append(Future())
            tasks[0].set_result(b"a line") if len(tasks) == 1 else None
            return tasks[-1]

    todo = iter([[Input(name, name, "")] for name in "abc"])
    results = surveys._results(todo, Later())
    assert next(results) == (1, b"a line")
    results.close()  # type: ignore[attr-defined]
    assert [task.cancelled() for task in tasks] == [False, True, True]


def test_without_its_reader_nothing_is_a_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = str(tmp_path / "t.parquet")
    write_table(path, [empty_row("a.raw")], force=False)
    assert is_table(path)

    def lack() -> None:
        raise BusbenchError("needs pyarrow")

    monkeypatch.setattr(survey_table, "need_pyarrow", lack)
    assert is_table(path) is False


def test_a_notebook_shows_the_ranking() -> None:
    html = survey([SHORT])._repr_html_()
    assert "heron-line.vcd" in html
    assert "recordings" in html


def test_a_file_by_its_address_is_that_of_its_path(tmp_path: Path) -> None:
    place = tmp_path / "left wing.raw"
    place.write_bytes(b"wing")
    for scheme in ("file", "FILE"):
        address = f"{scheme}://{tmp_path}/left%20wing.raw"
        assert find_inputs([address, str(place)]) == [replace(*find_inputs([str(place)]), path=address)]


def test_an_address_on_this_computer_is_a_folder_or_a_pattern(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    for name in ("1.raw", "22.raw", "3.csv"):
        (tmp_path / "b" / name).write_bytes(b"wing")
    for given, names in (
        ("b/", ["1.raw", "22.raw", "3.csv"]),
        ("", ["1.raw", "22.raw", "3.csv"]),
        ("b/*.raw", ["1.raw", "22.raw"]),
        ("b/?.raw", ["1.raw"]),
    ):
        for scheme in ("file", "FILE"):
            found = find_inputs([f"{scheme}://{tmp_path}/{given}"])
            assert [(one.path, one.place) for one in found] == [(str(tmp_path / "b" / name),) * 2 for name in names]
    for given, what in (("gone.raw", "file not found"), ("*.raw", "no file has such a name")):
        with pytest.raises(CaptureError, match=re.escape(f'file://{tmp_path}/{given}": {what}')):
            find_inputs([f"file://{tmp_path}/{given}"])


@pytest.fixture
def bucket() -> Iterator[str]:
    """A folder of a file system in memory."""
    fsspec = pytest.importorskip("fsspec")
    system = fsspec.filesystem("memory")
    for name in ("b/2.raw", "b/1.pcapng.gz", "b/.3.raw", "b/notes.txt", "b/5.parquet", "a.VCD"):
        system.pipe(f"/heron/{name}", name.encode())
    yield "memory://heron"
    system.rm("/heron", recursive=True)


def test_an_address_is_one_recording_a_folder_or_a_pattern(bucket: str) -> None:
    (one,) = find_inputs([f"{bucket}/gone.raw"])  # reading it says that it is not there
    assert one == Input(f"{bucket}/gone.raw", f"{bucket}/gone.raw", "")
    for given, names in (
        (f"{bucket}/", ["a.VCD", "b/1.pcapng.gz", "b/2.raw"]),
        (f"{bucket}/b/", ["b/1.pcapng.gz", "b/2.raw"]),
        (f"{bucket}/b/*", [".3.raw", "1.pcapng.gz", "2.raw", "5.parquet", "notes.txt"]),
        (f"{bucket}/b/?.raw", ["2.raw"]),
    ):
        found = find_inputs([given, given])
        assert [one.place.endswith(name) for one, name in zip(found, names, strict=True)] == [True] * len(names)
        assert all(one.path == one.place and one.place.startswith("memory://") for one in found)
        assert all(one.stamp for one in found)  # its size at least
    for given in (f"{bucket}/none/*.raw", f"{bucket}/c/"):
        with pytest.raises(CaptureError, match="holds no recordings: check the address; end a folder in /"):
            find_inputs([given])


def test_a_stamp_changes_with_what_is_known_of_a_file(bucket: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import fsspec

    stamps = []
    for content in (b"one", b"three"):
        fsspec.filesystem("memory").pipe("/heron/b/2.raw", content)
        (one,) = find_inputs([f"{bucket}/b/2.ra?"])
        stamps.append(one.stamp)
    assert stamps == ["3", "5"]
    monkeypatch.setattr(
        type(fsspec.filesystem("memory")),
        "glob",
        lambda *_, **__: {"/heron/x.raw": {"size": 7, "ETag": "e", "mtime": 0}},
    )
    (one,) = find_inputs([f"{bucket}/*"])
    assert one.stamp == "7 e"
