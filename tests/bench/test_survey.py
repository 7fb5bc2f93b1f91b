"""Many recordings as one table: rows as the commands report them, from any executor, and the same after a kill."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import season

import busbench
from busbench.analysis.recording_row import COLUMNS
from busbench.bench import survey as surveys
from busbench.bench.survey import read_survey, survey
from busbench.bench.survey_inputs import find_inputs
from busbench.bench.survey_workers import _interrupt_held, open_executor
from busbench.errors import BusbenchError
from tests.cli.running import CAPTURES, ROOT, call
from tests.port.ends import wait_for

SHORT = "heron-line.vcd"
LISTS = ("events", "ambiguous", "minutes", "between_marks", "glitches")
ALL = [
    ("heron-flight.pcapng", None), ("heron-bench.pcapng", None), ("heron-noisy.raw", None), ("heron-line.vcd", None),
    ("heron-slots.csv", None), ("heron-pair.pcapng", "1"),
]  # fmt: skip


def leaves(prefix: str, value: Any) -> Iterator[tuple[str, Any]]:
    """Columns that the JSON of a command must have in the row."""
    for key, one in value.items():
        name = f"{prefix}_{key}"
        if isinstance(one, dict):
            yield from leaves(name, one)
        else:
            yield name, len(one) if key in LISTS else one


@pytest.mark.parametrize(("name", "interface"), ALL)
def test_a_row_is_what_the_commands_report(capfd: pytest.CaptureFixture[str], name: str, interface: str | None) -> None:
    rows = list(survey([CAPTURES / name]).rows())
    row = rows[0 if interface is None else int(interface)]
    options = [] if interface is None else ["--interface", interface]
    said: dict[str, Any] = {}
    for command in ("outages", "timing", "channels"):
        found = json.loads(call(capfd, command, CAPTURES / name, "--format", "json", *options).out)
        if command == "channels":
            for one in found.pop("channels"):
                channel = one.pop("channel")
                said |= {f"ch{channel}_{key}": value for key, value in one.items()}
        said |= found.pop("origin", {})
        said |= leaves(command, found)
    rest = {key: row[key] for key in row if key not in said}
    assert said.items() <= row.items()
    assert {key for key in rest if rest[key] is not None and not key.startswith("missed_")} <= {
        "path", "interface", "sha256", "format", "source", "notes",
    }  # fmt: skip
    assert row["interface"] == interface
    assert row["sha256"] == hashlib.sha256((CAPTURES / name).read_bytes()).hexdigest()
    assert list(row) == list(COLUMNS)


def test_the_table_holds_the_rows_in_their_order(tmp_path: Path) -> None:
    names = [CAPTURES / name for name in ("heron-slots.csv", "heron-pair.pcapng", "heron-noisy.raw")]
    rows = list(survey(names).rows())
    made = survey(names, output=tmp_path / "out.parquet")
    assert list(made.rows()) == rows
    assert [(Path(row["path"]).name, row["interface"]) for row in rows] == [
        ("heron-slots.csv", None), ("heron-pair.pcapng", "0"), ("heron-pair.pcapng", "1"), ("heron-noisy.raw", None),
    ]  # fmt: skip
    assert pq.read_table(tmp_path / "out.parquet").to_pylist() == rows
    assert pa.table(made).num_rows == 4
    assert [path.name for path in tmp_path.iterdir()] == ["out.parquet"]


def test_what_cannot_be_read_is_a_row_with_its_error(tmp_path: Path) -> None:
    (tmp_path / "empty.pcapng").write_bytes(b"")
    (tmp_path / "other.csv").write_text("a;b\n1;2\n")
    (tmp_path / "cut.raw.gz").write_bytes(gzip.compress(random.Random(1).randbytes(5000))[:900])
    shutil.copy(CAPTURES / SHORT, tmp_path / "good.vcd")
    found = survey([tmp_path])
    assert [(Path(path).name, error) for path, error in found.errors()][1:] == [
        ("empty.pcapng", "file is empty: was the recording ended before a byte came?"),
        ("other.csv", "unknown text layout: busbench reads pcapng, pcap, VCD, .sr, CSV, its own Parquet, and raw bytes"
         " of the bus"),
    ]  # fmt: skip
    rows = list(found.rows())
    assert [row["outages_frames"] for row in rows] == [None, None, 134, None]
    assert [one.path for one in found.ranking()] == [str(tmp_path / "good.vcd")]


def test_a_fault_of_our_own_does_not_end_the_survey(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(surveys, "recording_row", fail)
    (row,) = survey([CAPTURES / SHORT]).rows()
    assert row["error"] == "busbench failed (ZeroDivisionError: by zero)"


def test_folders_patterns_and_what_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("b/2.raw", "b/1.pcapng.gz", "b/.hidden/3.raw", "b/.4.raw", "b/5.parquet", "b/notes.txt", "a.VCD"):
        Path(name).parent.mkdir(parents=True, exist_ok=True)
        Path(name).write_bytes(b"")
    found = find_inputs([Path("b"), "*.VCD", "b/5.parquet", "b/2.raw", "b/**/*.raw"])
    assert [Path(one.path).as_posix() for one in found] == ["b/1.pcapng.gz", "b/2.raw", "a.VCD", "b/5.parquet"]
    assert all(Path(one.place).is_absolute() for one in found)


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fourteen recordings of which one is broken."""
    folder = tmp_path_factory.mktemp("few")
    season.make_season(folder, 12)
    for path in folder.iterdir():
        if path.stat().st_size > 40_000:
            path.unlink()  # what takes long
    (folder / "broken.raw").write_bytes(b"?")
    return folder


class Scripted(Executor):
    """An executor that does tasks at once until it breaks, the last first."""

    def __init__(self, error: BaseException | None = None, *, tasks: int = 10**6) -> None:
        self.error, self.left = error, tasks

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        self.left -= 1
        if self.left < 0:
            assert self.error is not None
            future.set_exception(self.error)
        else:
            future.set_result(fn(*args, **kwargs))
        return future


def test_any_executor_makes_the_same_file(few: Path, tmp_path: Path) -> None:
    survey([few], output=tmp_path / "alone.parquet")
    with ThreadPoolExecutor(2) as threads:
        survey([few], executor=threads, output=tmp_path / "threads.parquet")
    with open_executor(workers=2) as processes:
        assert processes is not None
        survey([few], executor=processes, output=tmp_path / "processes.parquet")
    survey([few], executor=Scripted(), output=tmp_path / "scripted.parquet")
    alone, *others = (tmp_path / f"{name}.parquet" for name in ("alone", "threads", "processes", "scripted"))
    assert [other.read_bytes() == alone.read_bytes() for other in others] == [True, True, True]
    assert len(read_survey(alone).errors()) == 1


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (BrokenProcessPool(), "--workers: a process was ended by the system, perhaps for lack of memory: take fewer"
         " --workers, then go on with --resume"),
        (ModuleNotFoundError("No module named 'busbench'"), "executor: a worker failed (ModuleNotFoundError: No module"
         " named 'busbench'); install this version of busbench for each worker"),
    ],
)  # fmt: skip
def test_a_worker_that_fails_is_one_line_and_what_was_done_is_kept(
    few: Path, tmp_path: Path, error: Exception, line: str
) -> None:
    output, seen = tmp_path / "out.parquet", []
    with pytest.raises(BusbenchError) as raised:
        survey([few], executor=Scripted(error, tasks=3), output=output)
    assert str(raised.value) == line
    lines = (tmp_path / "out.parquet.jsonl").read_bytes().splitlines()
    assert (len(lines), output.exists()) == (4, False)
    survey([few], output=output, resume=True, progress=lambda done, total: seen.append((done, total)))
    assert seen[0] == (3, len(list(few.iterdir())))
    assert seen[-1][0] == seen[-1][1]


def test_a_journal_is_not_written_over_unasked(few: Path, tmp_path: Path) -> None:
    output, journal = tmp_path / "out.parquet", tmp_path / "out.parquet.jsonl"
    journal.write_bytes(b"")
    with pytest.raises(BusbenchError, match="is the journal of a survey that was interrupted: go on with --resume"):
        survey([few], output=output)
    assert journal.read_bytes() == b""
    survey([few / "broken.raw"], output=output, force=True)
    assert not journal.exists()


def test_a_journal_of_other_columns_or_with_damage_is_refused(few: Path, tmp_path: Path) -> None:
    output, journal = tmp_path / "out.parquet", tmp_path / "out.parquet.jsonl"
    journal.write_bytes(b'{"columns":["path"]}\n')
    with pytest.raises(BusbenchError, match="is not a journal of this version of busbench"):
        survey([few], output=output, resume=True)
    head = json.dumps({"columns": list(COLUMNS)}, separators=(",", ":")).encode() + b"\n"
    journal.write_bytes(head + b"{]\n")
    with pytest.raises(BusbenchError, match=rf"byte {len(head)}: is damaged"):
        survey([few], output=output, resume=True)


@pytest.mark.parametrize("cut", [1, 30, 2000, 10**6])
def test_a_journal_that_was_cut_anywhere_is_gone_on_with(few: Path, tmp_path: Path, cut: int) -> None:
    whole, output = tmp_path / "whole.parquet", tmp_path / "out.parquet"
    names = sorted(few.iterdir())[:3]
    survey(names, output=whole)
    with pytest.raises(BusbenchError, match="worker"):
        survey(names, executor=Scripted(RuntimeError("x"), tasks=2), output=output)
    journal = tmp_path / "out.parquet.jsonl"
    data = journal.read_bytes()
    journal.write_bytes(data[: max(1, len(data) - cut)])
    survey(names, output=output, resume=True)
    assert output.read_bytes() == whole.read_bytes()


def test_a_recording_that_has_changed_is_read_again(tmp_path: Path) -> None:
    recording, output = tmp_path / "a.vcd", tmp_path / "out.parquet"
    shutil.copy(CAPTURES / SHORT, recording)
    (tmp_path / "b.raw").write_bytes(b"?")
    with pytest.raises(BusbenchError, match="worker"):
        survey([tmp_path], executor=Scripted(RuntimeError("x"), tasks=1), output=output)
    recording.write_bytes(b"")
    found = survey([tmp_path], output=output, resume=True)
    assert [row["error"] is None for row in found.rows()] == [False, False]


def has_lines(journal: Path, lines: int) -> bool:
    return journal.exists() and journal.read_bytes().count(b"\n") > lines


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_a_survey_that_was_killed_makes_the_same_file(few: Path, tmp_path: Path) -> None:
    whole, output = tmp_path / "whole.parquet", tmp_path / "out.parquet"
    survey([few], output=whole)
    journal = tmp_path / "out.parquet.jsonl"
    for lines in (2, 6):
        ran = subprocess.Popen(
            season.command(few, output, "--resume", "--workers", "1"), cwd=ROOT, stdout=-3, stderr=-3
        )
        wait_for(partial(has_lines, journal, lines))
        ran.kill()
        assert ran.wait() == -signal.SIGKILL
        assert not output.exists()
    subprocess.run(
        season.command(few, output, "--resume", "--workers", "1"), cwd=ROOT, stdout=-3, stderr=-3, check=True
    )
    assert output.read_bytes() == whole.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.parquet", "whole.parquet"]


def test_the_public_name_is_this_one() -> None:
    assert busbench.survey is survey


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_while_a_process_is_started_ctrl_c_waits_and_does_not_reach_it() -> None:
    code = "import signal; print(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ()))"
    seen = []

    def start() -> None:
        with _interrupt_held():
            os.kill(os.getpid(), signal.SIGINT)
            seen.append(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)

    with pytest.raises(KeyboardInterrupt):
        start()
    assert seen == ["True\n"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
