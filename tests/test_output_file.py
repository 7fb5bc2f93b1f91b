"""What is written is whole under its name or not there, and replaces nothing that was read."""

from __future__ import annotations

import ast
import errno
import os
import re
import stat
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from busbench.errors import OutputError
from busbench.growing_file import GrowingFile
from busbench.output_file import (
    OutputFile,
    inputs_noted,
    make_link,
    note_input,
    refuse_terminal,
    remove_link,
    require_output,
    write_output,
)

PACKAGE = Path(__file__).resolve().parent.parent / "busbench"
# Where something is opened for writing that is no output of a person's.
NO_OUTPUT = {
    "output_file.py",
    "growing_file.py",
    "cli/main.py: open",
    "capture/pipe_source.py: mkstemp",  # what a pipe gave, to be read again
    "port/device_lock.py: open",
}
_WRITE = {"write_text", "write_bytes", "mkstemp", "NamedTemporaryFile", "symlink_to", "hardlink_to", "touch"}
posix = pytest.mark.skipif(sys.platform == "win32", reason="links and modes of POSIX")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_it_appears_when_it_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    with OutputFile(path) as out:
        out.write(b"one ")
        out.write(bytes(2_000_000))
        out.write(memoryview(b"two"))
        (part,) = names(tmp_path)
        assert part.startswith(".busbench-")
        assert part.endswith(".part")
    assert names(tmp_path) == ["a.bin"]
    assert path.read_bytes() == b"one " + bytes(2_000_000) + b"two"


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_what_leaves_the_block_leaves_all_as_it_was(tmp_path: Path, error: type[BaseException]) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")

    def write() -> None:
        with OutputFile(path, force=True) as out:
            out.write(b"new")
            raise error

    with pytest.raises(error):
        write()
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.bin"]


def test_what_is_abandoned_leaves_nothing(tmp_path: Path) -> None:
    out = OutputFile(tmp_path / "a.bin")
    out.write(b"new")
    del out
    assert names(tmp_path) == []


@pytest.mark.parametrize("call", ["write", "fsync", "replace"])
def test_a_failure_of_the_disk_leaves_all_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, call, full)
    with pytest.raises(OutputError) as caught:
        write_output(path, "new", force=True)
    assert str(caught.value) == f"{path}: cannot be written (No space left on device): make room, or write elsewhere"
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.bin"]


def test_without_force_nothing_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    out = OutputFile(path)
    out.write(b"new")
    path.write_bytes(b"came meanwhile")
    with pytest.raises(OutputError, match=r"a\.bin: file exists already"):
        out.close()
    assert path.read_bytes() == b"came meanwhile"
    with pytest.raises(OutputError, match=r"a\.bin: file exists already"):
        OutputFile(path)
    assert names(tmp_path) == ["a.bin"]


def test_without_force_nor_hard_links_nothing_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    write_output(tmp_path / "a.bin", b"one")
    out = OutputFile(tmp_path / "b.bin")
    out.write(b"new")
    (tmp_path / "b.bin").write_bytes(b"came meanwhile")
    with pytest.raises(OutputError, match=r"b\.bin: file exists already"):
        out.close()
    assert (tmp_path / "a.bin").read_bytes() == b"one"
    assert (tmp_path / "b.bin").read_bytes() == b"came meanwhile"
    assert names(tmp_path) == ["a.bin", "b.bin"]


@posix
def test_a_link_stays_and_what_it_leads_to_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    real, link = tmp_path / "there" / "a.bin", tmp_path / "link.bin"
    real.write_bytes(b"old")
    real.chmod(0o640)
    link.symlink_to(real)
    write_output(link, b"new", force=True)
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640


@posix
def test_a_pipe_is_written_to_as_it_is(tmp_path: Path) -> None:
    pipe = tmp_path / "a.raw"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_output(pipe, b"new", force=True)
    assert os.read(reader, 9) == b"new"
    os.close(reader)
    assert pipe.is_fifo()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("", "is not the name of a file"),
        ("nowhere/a.bin", "folder not found"),
        (".", "this is a folder"),
        ("n" * 300, "cannot be written (File name too long)"),
        ("a\0b", "cannot be written"),
        ("file/a.bin", "cannot be written (Not a directory)"),
    ],
)
@posix
def test_a_name_is_refused_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_bytes(b"")
    for act in (require_output, OutputFile, GrowingFile):
        with pytest.raises(OutputError) as caught:
            act(name)
        assert words in str(caught.value)
    assert names(tmp_path) == ["file"]


@posix
@pytest.mark.parametrize("way", ["itself", "symbolic link", "hard link", "another spelling"])
def test_no_input_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    monkeypatch.chdir(tmp_path)
    source, other = tmp_path / "in.bin", tmp_path / "other.bin"
    source.write_bytes(b"old")
    if way == "symbolic link":
        other.symlink_to("in.bin")
    elif way == "hard link":
        other.hardlink_to(source)
    target = {"itself": str(source), "another spelling": "./in.bin"}.get(way, str(other))
    for act in (OutputFile, GrowingFile):
        with pytest.raises(OutputError, match="is also an input file: choose another name"):
            act(target, force=True, inputs=["nothing", str(source)])
    with inputs_noted():
        note_input(str(source))
        for act in (OutputFile, GrowingFile):
            with pytest.raises(OutputError, match="is also an input file: choose another name"):
                act(target, force=True)
        write_output(source, b"gone on", is_update=True)
    assert source.read_bytes() == b"gone on"
    write_output(target, b"later", force=True)  # what another command read does not matter
    assert (source if way != "hard link" else other).read_bytes() == b"later"


def grown(path: Path) -> GrowingFile:
    out = GrowingFile(path)
    out.write(memoryview(b"0123456789"))
    return out


def deleted(path: Path) -> None:
    path.unlink()


def moved(path: Path) -> None:
    path.rename(path.with_name("elsewhere"))


def replaced(path: Path) -> None:
    moved(path)
    path.write_bytes(b"of another program")


def cut(path: Path) -> None:
    os.truncate(path, 4)


@posix
@pytest.mark.parametrize(
    ("act", "while_writing", "at_end"),
    [
        (deleted, "a.bin: was deleted by another program", "a.bin: was deleted by another program"),
        (cut, "a.bin, byte 4: was cut short by another program", "a.bin, byte 4: was cut short by another program"),
        (moved, "", "a.bin: was moved by another program while it was recorded; what was moved is whole"),
        (replaced, "", "a.bin: was moved by another program while it was recorded; what was moved is whole"),
    ],
)
def test_a_growing_file_says_what_others_did_to_it(
    tmp_path: Path, act: Callable[[Path], None], while_writing: str, at_end: str
) -> None:
    path = tmp_path / "a.bin"
    out = grown(path)
    act(path)
    if while_writing:
        with pytest.raises(OutputError, match=while_writing):
            out.write(memoryview(b"more"))
        path.unlink(missing_ok=True)
    else:
        out.write(memoryview(b"more"))
        with pytest.raises(OutputError, match=at_end):
            out.close()
        assert (tmp_path / "elsewhere").read_bytes() == b"0123456789more"
    assert not out.is_open
    if while_writing:
        out = grown(path)
        act(path)
        with pytest.raises(OutputError, match=at_end):
            out.close()


def test_what_is_closed_takes_no_more(tmp_path: Path) -> None:
    for out in (GrowingFile(tmp_path / "grown.bin"), OutputFile(tmp_path / "whole.bin")):
        assert out.is_open
        out.write(memoryview(b"ab"))
        out.close()
        assert not out.is_open
        out.close()  # no effect
        with pytest.raises(OutputError, match="is closed already"):
            out.write(memoryview(b"c"))
    assert (tmp_path / "grown.bin").read_bytes() == (tmp_path / "whole.bin").read_bytes() == b"ab"


@posix
@pytest.mark.parametrize("kind", [GrowingFile, OutputFile])
def test_a_file_may_take_the_place_of_a_closed_standard_input(
    kind: type[GrowingFile | OutputFile], tmp_path: Path
) -> None:
    kept = os.dup(0)
    os.close(0)
    try:
        out = kind(tmp_path / "a.bin")
        assert os.path.samestat(os.fstat(0), (next(tmp_path.iterdir())).stat())
        assert out.is_open
        out.write(memoryview(b"ab"))
        out.close()
        assert not out.is_open
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.fstat(0)
    finally:
        os.dup2(kept, 0)
        os.close(kept)
    assert (tmp_path / "a.bin").read_bytes() == b"ab"


def test_what_was_discarded_takes_no_more_and_is_not_there(tmp_path: Path) -> None:
    out = OutputFile(tmp_path / "a.bin")
    assert out.writable()
    out.discard()
    out.discard()
    with pytest.raises(OutputError, match=r"a\.bin: is closed already"):
        out.write(b"c")
    out.close()
    assert names(tmp_path) == []


@pytest.mark.parametrize("sizes", [(3, 1 << 20, 2), ((1 << 20) - 1, 1, 5), (1 << 22,), (0, 1, 0)])
def test_bytes_are_in_order_whatever_their_number(tmp_path: Path, sizes: tuple[int, ...]) -> None:
    parts = [bytes([65 + i]) * size for i, size in enumerate(sizes)]
    with OutputFile(tmp_path / "a.bin") as out:
        assert [out.write(part) for part in parts] == list(sizes)
    assert (tmp_path / "a.bin").read_bytes() == b"".join(parts)


def test_a_tail_is_written_over_and_a_shorter_one_leaves_nothing_of_it(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    out = GrowingFile(path)
    held = []
    for data, tail in ((b"ab", b"TAIL"), (b"c", b""), (b"d", b"T"), (b"efgh", b"UV"), (b"", b"")):
        out.write(memoryview(data), tail=tail)
        held.append((path.read_bytes(), out.size))
    out.close()
    assert held == [(b"abTAIL", 2), (b"abc", 3), (b"abcdT", 4), (b"abcdefghUV", 8), (b"abcdefgh", 8)]


@pytest.mark.parametrize(
    ("before", "least", "left", "message"),
    [
        (b"", 1, [], r"a\.bin: cannot be written \(it is full\): make room, or write elsewhere"),
        (b"abc", 4, [], r"a\.bin: cannot be written \(it is full\)"),
        (
            b"abcd",
            4,
            ["a.bin"],
            r"a\.bin, byte 4: cannot be written any further \(it is full\); all before it is whole",
        ),
    ],
)
def test_a_full_disk_leaves_what_is_whole_or_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: bytes, least: int, left: list[str], message: str
) -> None:
    out = GrowingFile(tmp_path / "a.bin")
    out.least_bytes = least
    if before:
        out.write(memoryview(before))
    real, calls = os.write, iter([2])

    def write(fd: int, data: memoryview) -> int:  # two bytes, then no more
        if (some := next(calls, 0)) == 0:
            raise OSError(errno.ENOSPC, "it is full")
        return real(fd, data[:some])

    monkeypatch.setattr(os, "write", write)
    with pytest.raises(OutputError, match=message):
        out.write(memoryview(b"xyz"), whole=lambda _: 0)
    monkeypatch.undo()
    assert names(tmp_path) == left
    assert not out.is_open
    if left:
        assert (tmp_path / "a.bin").read_bytes() == before


@posix
def test_a_link_replaces_nothing_and_removes_itself_alone(tmp_path: Path) -> None:
    link = tmp_path / "port"
    for target in (str(tmp_path), "nowhere"):
        link.symlink_to(target)
        with pytest.raises(OutputError, match="port: file exists already: choose another path, or remove it first"):
            make_link(link, "/dev/pts/7")
        link.unlink()
    make_link(link, "/dev/pts/7")
    assert link.readlink() == Path("/dev/pts/7")
    remove_link(link, "/dev/pts/8")
    assert link.is_symlink()
    remove_link(link, "/dev/pts/7")
    assert names(tmp_path) == []


def writes(tree: ast.AST) -> set[str]:
    """Names of the calls that make, change or rename files."""
    found = set()
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name == "open":
            values = [ast.unparse(value) for value in (*node.args, *(word.value for word in node.keywords))]
            is_write = any(re.fullmatch(r"'[rbt+]*[wax+][rwaxbt+]*'", value) for value in values)
            if is_write or any("O_CREAT" in value for value in values):
                found.add(name)
        elif name in _WRITE:
            found.add(name)
        elif isinstance(node.func, ast.Attribute) and ast.unparse(node.func.value) == "os":
            found |= {name} & {"rename", "replace", "link", "symlink", "truncate"}
    return found


def test_files_are_made_in_one_place() -> None:
    found = set()
    for path in sorted(PACKAGE.rglob("*.py")):
        place = path.relative_to(PACKAGE).as_posix()
        calls = writes(ast.parse(path.read_text(encoding="utf-8")))
        found |= {f"{place}: {name}" for name in calls if place not in NO_OUTPUT}
    assert found - NO_OUTPUT == set()


@posix
def test_a_terminal_or_port_is_written_to_by_a_drive_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    far, near = os.openpty()
    link = tmp_path / "link.raw"
    link.symlink_to(os.ttyname(near))
    for name in (os.ttyname(near), str(link)):
        with pytest.raises(OutputError, match="is a terminal or a serial port: name a file or redirect to one"):
            require_output(name, force=True)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    with pytest.raises(OutputError, match=r"^standard output: is a terminal or a serial port"):
        refuse_terminal("-")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: False, raising=False)
    for name in ("-", os.devnull, str(tmp_path / "gone.raw"), str(tmp_path), "a\0b"):
        refuse_terminal(name)
    monkeypatch.setattr(sys, "platform", "win32")
    refuse_terminal(os.ttyname(near))  # no file there leads to a port
    os.close(near)
    os.close(far)


@posix
def test_new_files_may_be_read_and_written_as_the_person_lets_them(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        write_output(tmp_path / "whole", b"a")
        GrowingFile(tmp_path / "growing").close()
    finally:
        os.umask(before)
    assert [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("whole", "growing")] == [0o666, 0o666]


@posix
def test_a_file_is_on_the_disk_before_it_has_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    for name in ("fsync", "link", "replace"):
        real = getattr(os, name)

        def note(*arguments: Any, name: str = name, real: Callable[..., object] = real) -> None:
            done.append(name)
            real(*arguments)

        monkeypatch.setattr(os, name, note)
    write_output(tmp_path / "a", b"a")
    write_output(tmp_path / "a", b"b", force=True)
    GrowingFile(tmp_path / "b").close()
    assert done == ["fsync", "link", "fsync", "replace", "fsync"]


@posix
def test_a_file_that_may_not_be_written_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"old")
    monkeypatch.setattr(os, "access", lambda name, mode: not (name == str(path) and mode == os.W_OK))
    with pytest.raises(OutputError, match="Permission denied"):
        write_output(path, b"new", force=True)
    assert (path.read_bytes(), names(tmp_path)) == (b"old", ["a"])


def test_what_a_growing_file_keeps_is_what_it_was_asked_to(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"one two three")
    file = GrowingFile(path, force=True, keep=7)
    assert (file.size, file.is_open, path.read_bytes()) == (7, True, b"one two")
    file.write(memoryview(b"!"))
    file.close()
    assert (file.size, file.is_open, path.read_bytes()) == (8, False, b"one two!")
    file.close()
    GrowingFile(path, force=True).close()
    assert path.read_bytes() == b""
