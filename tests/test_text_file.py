"""Rig, program and answer files are read within bounds, whatever is at the name."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from busbench import text_file
from busbench.drive.program_file import read_program
from busbench.drive.surface_file import read_walk
from busbench.errors import BusbenchError, TextFileError
from busbench.rig.load import read_rig
from busbench.text_file import BYTES_MAX, load_toml, read_bounded
from tests.rig.rigs import HEAD, HERON

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="named pipes with a path are POSIX")


def no_recording(*_: object) -> object:
    raise AssertionError("no recording is named")


def program(path: Path) -> object:
    return read_program(path, load=no_recording)  # type: ignore[arg-type]


READERS = pytest.mark.parametrize("read", [read_rig, program, read_walk])


@READERS
@posix_only
@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("folder", "folder: this is a folder: name a file inside it"),
        ("/dev/zero", "/dev/zero: this is a device, not a file of text: name a file"),
        ("unwritten", "unwritten: is a pipe that no program writes to: start that program, or name a file"),
        ("large", "large: is larger than 1,000,000 bytes: shorten it"),
        ("absent", "absent: file not found: check the name and the folder"),
    ],
)
def test_each_reader_refuses_in_one_line(
    read: Callable[[Path], object], name: str, line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(text_file, "WRITER_WAIT_S", 0.0)
    Path("folder").mkdir()
    os.mkfifo("unwritten")
    Path("large").write_bytes(b"#" * (BYTES_MAX + 1))
    with pytest.raises(BusbenchError) as caught:
        read(Path(name))
    assert str(caught.value).replace(", or begin one with `busbench rig new`", "") == line


@posix_only
def test_a_pipe_is_read_to_its_end(tmp_path: Path) -> None:
    pipe = tmp_path / "rig.toml"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(HERON.read_bytes()))
    writer.start()
    assert read_rig(pipe).plan.name == "Heron"
    writer.join()


@posix_only
def test_an_endless_pipe_is_left_at_the_limit(tmp_path: Path) -> None:
    pipe = tmp_path / "rig.toml"
    os.mkfifo(pipe)

    def write() -> None:
        with contextlib.suppress(BrokenPipeError), pipe.open("wb", buffering=0) as out:
            while True:
                out.write(b"# endless\n" * 1000)

    writer = threading.Thread(target=write)
    writer.start()
    with pytest.raises(BusbenchError, match="is larger than 1,000,000 bytes"):
        read_rig(pipe)
    writer.join()


def test_the_largest_file_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    text = HEAD + "#" * (BYTES_MAX - len(HEAD))
    path.write_text(text)
    assert (len(text), read_bounded(path)) == (BYTES_MAX, text.encode())
    assert read_rig(path).plan.period_ms == 14.0


def parts(count: int, name: str = "a") -> str:
    return ".".join([name] * count)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (f"{parts(50_000)} = 1", 1),
        (f"a = 1\n[{parts(6)}]", 2),
        (f"[[{parts(6)}]]", 1),
        (f"x = {{ b = 1.5, {parts(6)} = 1 }}", 1),
        (parts(6, '"a b"') + " = 1", 1),
        (" . ".join(["'a'"] * 6) + " = 1", 1),
        ('x = """\n\n"""\n' + parts(6) + " = 1", 4),
    ],
)
def test_a_key_of_many_names_is_refused_before_it_is_parsed(
    text: str, line: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def parse(_: str) -> dict[str, object]:
        raise AssertionError("it was parsed")

    monkeypatch.setattr(tomllib, "loads", parse)
    with pytest.raises(TextFileError, match=f"^line {line} has more than 5 names in a key: shorten it$"):
        load_toml(text)


@pytest.mark.parametrize(
    "text",
    [
        f"{parts(5)} = 1",
        f'[{parts(5)}]\nx = "{parts(9)}"',
        f"x = '{parts(9)}' # {parts(9)}",
        'x = "\\"........." # "',
        'x = """a.b"c.d""e.f\\""".g.h.i"""',
        'x = """.....""""\ny = """....."""""\nz = 1.5',
        "x = '''a.b'c.d''e.f.g.h'''''",
        "x = [1.1, 2.2, 3.3, 4.4, 5.5, 6.6, 7.7, # .....\n 8.8]",
        "x = {a.b = 1.1, c.d = 2.2, e.f = 3.3}",
        "a.b=1.5\nc.d=2.5\ne.f=3.5",
        "x = 1979-05-27T07:32:00.999999-07:00",
        '"a.b.c.d.e.f.g" = 1',
    ],
)
def test_dots_in_strings_comments_and_numbers_are_no_key(text: str) -> None:
    assert load_toml(text) == tomllib.loads(text)


@pytest.mark.parametrize("text", ['x = """a', "x = '''a", 'x = "a', "x = 'a", 'x = "a\\', "x = [", "x = ."])
def test_what_is_not_ended_is_named_where_it_begins(text: str) -> None:
    with pytest.raises(TextFileError, match=r"^line 2 has a value that is not TOML: write texts in quotes"):
        load_toml(f"a = 1\n{text}\n# more\nb = 2\n")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a = 1\n\n[b\nc = 2\n", "line 3 is not the heading of a table:"
         " write [name], or [[name]] where there may be several"),
        ("a = 1\nb c\n", "line 2 is not TOML: write key = value, texts in quotes, numbers with a point"),
        ("a = 1\nb c = 1\n", "line 2 is not TOML: write key = value, texts in quotes, numbers with a point"),
        ("x = [\n1,\n2\n]\ny = 7,4\n", "line 5 has a value that is not TOML: numbers take a point, as in 7.4"),
        ("x = [\n1,\n2 3\n]\ny = 7\n", "line 1 has a value that is not TOML:"
         " write texts in quotes, numbers with a point"),
        ("a = 1\n# b\n[t]\na = 1\n'a' = 2\n", "line 5 states a key again: keep one of the two"),
        ("[a]\nx = 1\n[b]\n[ a ]\n", "line 4 begins the table [a] again:"
         " join the two; where there may be several, write [[a]] above each"),
        ("a = " + "[" * 5000, "is nested too deep: write tables as `busbench help rig-file` shows them"),
        ("a = " + "9" * 5000, "holds a number of thousands of digits: shorten it"),
    ],
)  # fmt: skip
def test_the_first_wrong_line_is_named(text: str, line: str) -> None:
    with pytest.raises(TextFileError) as caught:
        load_toml(text)
    assert str(caught.value) == line


def test_line_ends_of_windows_are_read() -> None:
    assert load_toml('a = """x\r\ny"""\r\nb = 1\r\n') == {"a": "x\ny", "b": 1}
