"""The rows of a survey while it goes on: JSON lines, one per recording, in the order in which they were done.

A line has the place of a recording, its stamp (size and time), and its rows as lists of values; the first line names
the columns. What a kill cut off at the end is dropped; a recording that has changed since is read again.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Self

import msgspec

from busbench.analysis.recording_row import COLUMNS, Row
from busbench.bench.survey_inputs import Input
from busbench.errors import OutputError, unreadable
from busbench.growing_file import GrowingFile

SUFFIX = ".jsonl"


class JournalEntry(msgspec.Struct):
    """A line.

    Args:
        place, stamp: of the recording, see Input.
        rows: its rows, JSON.
    """

    place: str
    stamp: str
    rows: msgspec.Raw


def entry_line(one: Input, rows: Iterable[Row]) -> bytes:
    """The line of a recording."""
    values = msgspec.Raw(msgspec.json.encode([list(row.values()) for row in rows]))
    return msgspec.json.encode(JournalEntry(one.place, one.stamp, values)) + b"\n"


_HEADER = msgspec.json.encode({"columns": list(COLUMNS)}) + b"\n"
_ENTRY = msgspec.json.Decoder(JournalEntry)


class Journal:
    """Lines of a survey, in memory.

    Args:
        inputs: what the survey reads, in the order of its table.
    """

    def __init__(self, inputs: list[Input]) -> None:
        self._inputs = inputs
        self._lines: dict[str, bytes] = {}

    def __contains__(self, one: Input) -> bool:
        return one.place in self._lines

    def add(self, lines: bytes) -> None:
        """Take the lines of some recordings."""
        for line in lines.splitlines():
            self._lines[_ENTRY.decode(line).place] = line

    def rows(self) -> Iterator[Row]:
        """All rows that are known, in the order of the recordings."""
        for one in self._inputs:
            if one in self:
                for values in msgspec.json.decode(_ENTRY.decode(self._line(one.place)).rows):
                    yield dict(zip(COLUMNS, values, strict=True))

    def _line(self, place: str) -> bytes:
        return self._lines[place]

    def close(self) -> None:
        """Let go of it."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class FileJournal(Journal):
    """Lines of a survey in a file, which outlasts the survey if it is interrupted.

    Args:
        path: of the file.
        resume: go on with the file if it is there.
        force: replace a file that is there.

    Raises:
        OutputError: the file exists, is not a journal of these columns, or cannot be written.
    """

    def __init__(self, path: str, inputs: list[Input], *, resume: bool, force: bool) -> None:
        super().__init__(inputs)
        self._path = path
        self._where: dict[str, tuple[int, int]] = {}  # first byte and size of each line
        is_there = os.path.lexists(path)
        if is_there and not resume and not force:
            hint = "go on with --resume, or begin again with --force"
            raise OutputError(path, "is the journal of a survey that was interrupted", hint=hint)
        keep = self._read() if is_there and resume else 0
        self._file = GrowingFile(path, force=is_there, keep=keep)
        if not keep:
            self._file.write(memoryview(_HEADER))
        self._reader = Path(path).open("rb")  # noqa: SIM115 - closed with the journal

    def _read(self) -> int:
        """Take the lines that are there; returns the bytes that are good."""
        stamps = {one.place: one.stamp for one in self._inputs}
        end = 0
        try:
            with Path(self._path).open("rb") as file:
                head = file.readline()
                if not _HEADER.startswith(head):
                    hint = "begin again with --force, or name another output"
                    raise OutputError(self._path, "is not a journal of this version of busbench", hint=hint)
                if head != _HEADER:
                    return 0
                end = len(head)
                for line in file:
                    if not line.endswith(b"\n"):
                        break
                    entry = _ENTRY.decode(line)
                    if stamps.get(entry.place) == entry.stamp:
                        self._where[entry.place] = end, len(line)
                    end += len(line)
        except OSError as error:
            what, hint = unreadable(error)
            raise OutputError(self._path, what, hint=hint) from None
        except msgspec.MsgspecError:
            what = "is damaged; what is before it was kept"
            raise OutputError(self._path, what, offset=end, hint="begin again with --force") from None
        return end

    def __contains__(self, one: Input) -> bool:
        return one.place in self._where

    def add(self, lines: bytes) -> None:
        """Write the lines of some recordings."""
        start = self._file.size
        self._file.write(memoryview(lines))
        for line in lines.splitlines(keepends=True):
            self._where[_ENTRY.decode(line).place] = start, len(line)
            start += len(line)

    def _line(self, place: str) -> bytes:
        start, size = self._where[place]
        self._reader.seek(start)
        return self._reader.read(size)

    def close(self) -> None:
        """Let go of the file, which stays."""
        self._reader.close()
        self._file.close()

    def remove(self) -> None:
        """Close and delete the file."""
        self.close()
        Path(self._path).unlink(missing_ok=True)
