"""Many recordings as one table: a row each, worked out by any executor of `concurrent.futures`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from itertools import islice

from busbench.analysis.notebook import html_of
from busbench.analysis.ranking import RANKED_BY, Ranked, rank
from busbench.analysis.recording import read_recordings
from busbench.analysis.recording_row import Row, combined_sha256, empty_row, recording_row
from busbench.analysis.trend import History, history_of
from busbench.bench.survey_inputs import Input, find_inputs
from busbench.bench.survey_journal import SUFFIX, FileJournal, Journal, entry_line
from busbench.bench.survey_table import arrow_tables, is_table, table_rows, write_table
from busbench.capture.open import hash_recording
from busbench.capture.parquet import need_pyarrow
from busbench.errors import BusbenchError, display_name, pluralize
from busbench.output_file import require_output

_BATCH_MOST = 16  # recordings in a task
_TASKS_AT_ONCE = 256
_WAIT_S = 0.5  # so that Ctrl-C is heard on every system
_NAMES_SHOWN = 3


class Survey:
    """A table of recordings.

    Args:
        rows: gives its rows by columns and unit; see its method of that name.
    """

    def __init__(self, rows: Callable[[Sequence[str] | None, str | None], Iterator[Row]]) -> None:
        self._rows = rows

    def rows(self, columns: Sequence[str] | None = None, *, unit: str | None = None) -> Iterator[Row]:
        """Each recording with its figures by name; those that could not be read have an `error`.

        Args:
            columns: names of those that are wanted; all by default.
            unit: the receiver or aircraft whose recordings are wanted; all by default.
        """
        return self._rows(columns, unit)

    def ranking(self) -> list[Ranked]:
        """Recordings by the lower confidence limit of their missed frames, the worst first; see rank."""
        return rank(self.rows(RANKED_BY))

    def recordings_sha256(self) -> str:
        """One hash of the files of all recordings: SHA-256 of their hashes in rising order, each once and on a line."""
        return combined_sha256(self.rows(("sha256",)))

    def errors(self) -> list[tuple[str, str]]:
        """Path and error of the recordings that could not be read."""
        return [(row["path"], row["error"]) for row in self.rows(("path", "error")) if row["error"] is not None]

    def history(self, unit: str) -> History:
        """One receiver or aircraft over time.

        Args:
            unit: as it was named when it was recorded.

        Raises:
            BusbenchError: no recording is of this unit.
        """
        rows = list(self.rows(unit=unit))
        if not rows:
            names = sorted({row["unit"] for row in self.rows(("unit",))} - {None})
            some = ", ".join(names[:_NAMES_SHOWN]) + (" …" if len(names) > _NAMES_SHOWN else "")
            hint = f"there are {some}" if names else "none names its unit: `busbench record --unit` does"
            raise BusbenchError(f"--unit: no recording is of {display_name(unit)}", hint=hint)
        return history_of(unit, rows)

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The table for whatever reads Arrow, such as pyarrow."""
        pa = need_pyarrow()
        return pa.concat_tables(arrow_tables(self.rows())).__arrow_c_stream__(requested_schema)

    def _repr_html_(self) -> str:
        return html_of({"recordings": [one.to_json() for one in self.ranking()]})


def survey(
    paths: Iterable[str | os.PathLike[str]],
    *,
    executor: Executor | None = None,
    output: str | os.PathLike[str] | None = None,
    resume: bool = False,
    force: bool = False,
    progress: Callable[[int, int], object] = lambda *_: None,
) -> Survey:
    """Read recordings into one table: a row for each, with every figure of `outages`, `timing` and `channels`.

    Args:
        paths: recordings, folders, globs and addresses (with fsspec).
        executor: any of `concurrent.futures`, also `distributed.Client.get_executor()`; this process by default.
        output: a Parquet file to write at the end; beside it, with `.jsonl` added to its name, what is done so
            far is kept until then.
        resume: go on with a survey that was interrupted.
        force: replace an output that exists.
        progress: called with how many recordings are done, and of how many.

    Returns:
        The table.

    Raises:
        CaptureError: nothing is at one of the paths.
        OutputError: the output exists or cannot be written.
        BusbenchError: pyarrow is missing, or a worker failed.
    """
    inputs = find_inputs(paths)
    if output is None:
        journal = Journal(inputs)
        _fill(journal, inputs, executor, progress)
        return Survey(lambda columns, unit: _chosen(journal.rows(), columns, unit))
    path = os.fspath(output)
    need_pyarrow()
    has_begun = resume and os.path.lexists(path + SUFFIX)  # then it may have been complete but for the last step
    require_output(path, force=force or has_begun, inputs=(one.place for one in inputs))
    with FileJournal(path + SUFFIX, inputs, resume=resume, force=force) as kept:
        _fill(kept, inputs, executor, progress)
        write_table(path, kept.rows(), force=force or has_begun)
        kept.remove()
    return read_survey(path)


def read_survey(path: str | os.PathLike[str]) -> Survey:
    """The table that a survey wrote.

    Args:
        path: a Parquet file.

    Returns:
        The table, whose rows are read when they are asked for.

    Raises:
        BusbenchError: another kind of file.
    """
    name = os.fspath(path)
    if not is_table(name):
        raise BusbenchError(f"{display_name(name)}: is not the table of a survey", hint="make it with busbench survey")
    return Survey(lambda columns, unit: table_rows(name, columns, unit))


def _chosen(rows: Iterator[Row], columns: Sequence[str] | None, unit: str | None) -> Iterator[Row]:
    for row in rows:
        if unit is None or row["unit"] == unit:
            yield row if columns is None else {name: row[name] for name in columns}


def _fill(
    journal: Journal, inputs: list[Input], executor: Executor | None, progress: Callable[[int, int], object]
) -> None:
    """Work out what the journal lacks."""
    todo = [one for one in inputs if one not in journal]
    done = len(inputs) - len(todo)
    progress(done, len(inputs))
    for count, lines in _results(_batches(todo, alone=executor is None), executor):
        journal.add(lines)
        done += count
        progress(done, len(inputs))


def _batches(todo: list[Input], *, alone: bool) -> Iterator[list[Input]]:
    size = 1 if alone else max(1, min(_BATCH_MOST, len(todo) // 64))
    return (todo[start : start + size] for start in range(0, len(todo), size))


def _results(batches: Iterator[list[Input]], executor: Executor | None) -> Iterator[tuple[int, bytes]]:
    """Recordings and lines of each batch as it is done.

    Raises:
        BusbenchError: a worker failed.
    """
    if executor is None:
        yield from ((len(batch), survey_batch(batch)) for batch in batches)
        return
    waiting: dict[Future[bytes], int] = {}
    try:
        while True:
            for batch in islice(batches, _TASKS_AT_ONCE - len(waiting)):
                waiting[executor.submit(survey_batch, batch)] = len(batch)
            if not waiting:
                return
            done = wait(waiting, timeout=_WAIT_S, return_when=FIRST_COMPLETED).done
            for task in sorted(done, key=lambda task: task.exception() is not None):
                yield waiting.pop(task), task.result()
    except BrokenExecutor:
        hint = "take fewer --workers, then go on with --resume"
        raise BusbenchError(
            "--workers: a process was ended by the system, perhaps for lack of memory", hint=hint
        ) from None
    except (BusbenchError, GeneratorExit):
        raise
    except Exception as error:  # what a worker elsewhere lacks
        what = f"executor: a worker failed ({type(error).__name__}: {error})"
        raise BusbenchError(what, hint="install this version of busbench for each worker") from None
    finally:
        for task in waiting:
            task.cancel()


def survey_batch(batch: Sequence[Input]) -> bytes:
    """Lines of a journal for some recordings: what a worker does."""
    return b"".join(entry_line(one, survey_rows(one)) for one in batch)


def survey_rows(one: Input) -> list[Row]:
    """The rows of a recording: one, or one for each serial line if it holds several; never an exception."""
    sha256 = None
    try:
        sha256 = hash_recording(one.place)
        recordings = read_recordings(one.place)
        if len(recordings) == 1:
            rows = [recording_row(recordings[0], path=one.path)]
        else:
            rows = [recording_row(line, path=one.path, interface=str(i)) for i, line in enumerate(recordings)]
    except BusbenchError as error:
        rows = [empty_row(one.path, error=str(error).removeprefix(display_name(one.place)).lstrip(",: "))]
    except Exception as error:  # one file of a season must not end the survey of all
        rows = [empty_row(one.path, error=f"busbench failed ({type(error).__name__}: {error})")]
    return [row | {"sha256": sha256} for row in rows]


def counted(done: int, total: int) -> str:
    """How far a survey is, for people."""
    return f"{done:,} of {pluralize(total, 'recording')}"
