"""Every error as a person meets it: what they typed, the one line, the exit code. The table is errors.txt."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import shlex
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

import busbench
from tests.cli.error_files import FILES, TEXTS
from tests.cli.error_moments import MOMENTS
from tests.cli.running import CAPTURES, call

pytestmark = pytest.mark.every_row


class Row(NamedTuple):
    """An entry of the table."""

    moment: str  # what is wrong, a key of MOMENTS
    typed: str
    line: str


def read_table(prompt: str) -> Iterator[Row]:
    """The entries that begin with a prompt, in the order of the file."""
    text = Path(__file__).with_name("errors.txt").read_text(encoding="utf-8")
    for entry in re.findall(rf"(?m)^(?:\((.*)\)\n)?{re.escape(prompt)} (.*)\n(.*)$", text):
        yield Row(*entry)


TABLE = list(read_table("$ busbench"))
IN_PYTHON = list(read_table(">>>"))


def lock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let nothing be made in the folder "locked": a mode keeps all but the superuser out."""

    def guarded(real: Callable[..., object]) -> Callable[..., object]:
        def opened(path: object, *more: object, **named: object) -> object:
            if Path(str(path)).parent.name == "locked":
                raise PermissionError(errno.EACCES, "Permission denied", str(path))
            return real(path, *more, **named)

        return opened

    for module in (os, io):
        monkeypatch.setattr(module, "open", guarded(module.open))


def named(text: str) -> set[str]:
    """The files that a command line names, and those that they name."""
    found = {name for name in FILES if name in text}
    return found.union(*(named(TEXTS[name]) for name in found if "recording = " in TEXTS.get(name, "")))


@contextlib.contextmanager
def at_moment(row: Row) -> Iterator[Row]:
    """All that the table speaks of, and its words in full."""
    for name in named(row.typed):
        Path(name).write_bytes(FILES[name])
    Path("locked").mkdir()
    for name in ("full.raw", "full.pcapng"):
        Path(name).symlink_to("/dev/full")
    for device in ("/dev/full", "/proc/self/mem"):
        if Path(device).name in row.typed and not Path(device).exists():
            pytest.skip(f"outside tool missing: {device}")
    if sys.platform == "win32" and any(
        word in row.moment + row.typed for word in ("port", "another program", "--link")
    ):
        pytest.skip("pseudo-terminals and locks of files are POSIX")
    with pytest.MonkeyPatch.context() as patch, MOMENTS[row.moment](patch) as more:
        lock(patch)
        patch.setitem(sys.modules, "pyarrow", None)
        known = {"{line}": str(CAPTURES / "heron-line.vcd"), "{captures}": str(CAPTURES)}
        known |= more if isinstance(more, dict) else {}
        typed, line = row.typed, row.line
        for name, meant in known.items():
            typed, line = typed.replace(name, meant), line.replace(name, meant)
        yield Row(row.moment, typed, line)


@pytest.mark.parametrize("row", TABLE, ids=[f"{row.typed} {row.moment}" for row in TABLE])
def test_one_line_and_exit_code_two(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, row: Row
) -> None:
    monkeypatch.chdir(tmp_path)
    with at_moment(row) as full:
        words, _, given = full.typed.partition(" < ")
        if given:
            monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(FILES[given])))
        ran = call(capfd, *shlex.split(words))
    lines = ran.err.splitlines()
    out = "" if "frames go out" not in row.moment else ran.out  # how far it came
    assert (ran.code, ran.out, lines[-1:]) == (2, out, [one for one in lines if one.startswith("busbench: ")])
    assert len(lines) == 1 or "WARNING: before anything moves:" in lines or lines[0].startswith("fault: "), ran.err
    assert re.fullmatch(re.escape(f"busbench: {full.line}").replace(r"\*", ".*"), lines[-1]), lines[-1]


@pytest.mark.parametrize("row", IN_PYTHON, ids=[row.typed for row in IN_PYTHON])
def test_one_line_in_python(row: Row) -> None:
    with pytest.raises(Exception, match=r".") as raised:
        eval(row.typed, {name: getattr(busbench, name) for name in busbench.__all__})
    assert f"{raised.type.__name__}: {raised.value}" == row.line


def test_no_line_speaks_in_the_words_of_a_system() -> None:
    for _, _, line in TABLE:
        assert not re.search(r"Errno|Error\b|None|(?<!there )\b(is|are) no\b|[.!]$", line), line


def test_a_name_with_escapes_reaches_no_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "outages", "\x1b[31mred\x07.raw")
    assert ran.code == 2
    assert "\x1b" not in ran.err
    assert "\x07" not in ran.err


@pytest.mark.parametrize(
    ("words", "note"),
    [
        ("{captures}/heron-bench.pcapng --signal zzz", "--signal is for files of level changes; it was not used"),
        (
            "{captures}/heron-bench.pcapng --usb-device 9.9",
            "--usb-device is for captures of a USB host; it was not used",
        ),
        ("{captures}/heron-line.vcd --interface zzz", "--interface is for packet captures; it was not used"),
    ],
)
def test_an_option_that_does_not_fit_the_file_is_told(capfd: pytest.CaptureFixture[str], words: str, note: str) -> None:
    ran = call(capfd, "outages", *words.replace("{captures}", str(CAPTURES)).split())
    assert ran.code == 0
    assert f"busbench: {note}\n" in ran.err


def test_a_recording_that_was_cut_says_so_in_a_note(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    whole = (CAPTURES / "heron-bench.pcapng").read_bytes()
    (tmp_path / "cut.pcapng").write_bytes(whole[: len(whole) // 2 + 1])
    ran = call(capfd, "outages", tmp_path / "cut.pcapng")
    assert ran.code == 0
    assert len(ran.err.splitlines()) == 1
    assert ran.err.startswith(f"busbench: {tmp_path}/cut.pcapng: ")
