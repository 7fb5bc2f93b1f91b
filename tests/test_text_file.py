"""Rig, program and answer files are read within bounds, whatever is at the name."""

from __future__ import annotations

import contextlib
import io
import os
import sys
import threading
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench import text_file
from busbench.drive.program_file import read_program
from busbench.drive.surface_file import read_walk
from busbench.errors import BusbenchError, TextFileError
from busbench.rig.load import read_rig
from busbench.text_file import BYTES_MAX, FOREIGN, load_toml, read_bounded, read_toml, require_small
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


def refusal(data: bytes, path: Path, *, recording_hint: str = "") -> str:
    path.write_bytes(data)
    with pytest.raises(TextFileError) as caught:
        read_toml(path, what="a rig file", hint="name another", recording_hint=recording_hint)
    return f"{caught.value.what}|{caught.value.hint}"


@pytest.mark.parametrize(("magic", "what", "_"), FOREIGN)
def test_a_file_of_another_kind_is_named_by_its_first_bytes(tmp_path: Path, magic: bytes, what: str, _: str) -> None:
    assert refusal(magic + b"\x00rest", tmp_path / "f.toml") == f"{what}, not a rig file|name another"


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b'{"a": 1}', "this is JSON"), (b"\n  {}", "this is JSON"), (b"<html>", "this is HTML or SVG"),
        (b" <svg>", "this is HTML or SVG"), (b"a = 1\0", "this is binary data"),
    ],
)  # fmt: skip
def test_what_is_no_table_is_named(tmp_path: Path, data: bytes, what: str) -> None:
    assert refusal(data, tmp_path / "f.toml") == f"{what}, not a rig file|name another"


@pytest.mark.parametrize(
    "data",
    [
        b"\n\r\r\n\x1c\0\0\0", b"\xd4\xc3\xb2\xa1\2\0\4\0", b"\xa1\xb2\xc3\xd4\0\2\0\4", b"\x4d\x3c\xb2\xa1\2\0",
        b"\xa1\xb2\x3c\x4d\0\2", b"$date today $end", b"\n $timescale 1ns $end", b"$comment x $end", b"$scope module x",
        b"$var wire 1 ! a $end", b"$version 1 $end", b"time_s,level\n0.1,1\n", b"Time [s];Channel 0\n-1;0\n",
        b'"t","b"\n"1","2"\n', (b"\x0f" + bytes(24)) * 4, b"x" * 99 + (b"\x0f" + bytes(24)) * 3 + b"\x0f",
    ],
)  # fmt: skip
def test_a_recording_is_known(tmp_path: Path, data: bytes) -> None:
    assert refusal(data, tmp_path / "f.toml") == "this is a recording, not a rig file|name another"
    words = refusal(data, tmp_path / "f.toml", recording_hint="draft one")
    assert words == "this is a recording, not a rig file|draft one"


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"$dated = 1", "line 1 is not TOML"), ((b"\x0f" + bytes(24)) * 3, "this is binary data, not a rig file"),
        (b"a, b = 1\n2", "line 1 is not TOML"), (b"x = 1,\n", "line 1 has a value that is not TOML"),
    ],
)  # fmt: skip
def test_what_looks_a_little_like_a_recording_is_none(tmp_path: Path, data: bytes, what: str) -> None:
    assert refusal(data, tmp_path / "f.toml").partition("|")[0] == what
    (tmp_path / "f.toml").write_bytes(b"a = 1 # $date\n[t]\nx = [1,2]\n")
    assert read_toml(tmp_path / "f.toml", what="a rig file", hint="")[0] == {"a": 1, "t": {"x": [1, 2]}}


def test_text_is_utf8_with_or_without_its_mark(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_bytes(b"\xef\xbb\xbfa = '\xc3\xa4'\n")
    assert read_toml(path, what="a rig file", hint="") == ({"a": "ä"}, "a = 'ä'\n")
    assert refusal(b"a = 1\nb = 2\nc = '\xe4'\n", path) == "line 3 is not UTF-8 text|save the file as UTF-8"
    for mark, text in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        assert refusal(mark + "a = 1".encode(text), path) == "line 1 is not UTF-8 text|save the file as UTF-8"


def test_only_a_missing_file_has_the_hint_for_it(tmp_path: Path) -> None:
    for path, words in (
        (tmp_path / "gone.toml", "file not found|check the name and the folder, or begin one"),
        (tmp_path, "this is a folder|name a file inside it"),
    ):
        with pytest.raises(TextFileError) as caught:
            read_toml(path, what="a rig file", hint="", missing_hint=", or begin one")
        assert f"{caught.value.what}|{caught.value.hint}" == words


def test_standard_input_is_read_where_it_is_meant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(b"a = 1\n" + b"#" * BYTES_MAX)))
    with pytest.raises(FileNotFoundError):
        read_bounded("-")
    assert read_bounded("-", takes_stdin=True, most=5) == b"a = 1\n"
    with pytest.raises(TextFileError, match="is larger than 5 bytes"):
        require_small(b"a = 1\n", most=5)
    require_small(b"a = 1", most=5)


def test_a_pipe_whose_writer_pauses_is_read_on(tmp_path: Path) -> None:
    if sys.platform == "win32":
        pytest.skip("named pipes with a path are POSIX")
    pipe = tmp_path / "f.toml"
    os.mkfifo(pipe)

    def write() -> None:
        with pipe.open("wb", buffering=0) as out:
            for part in (b"a = 1\n", b"b = 2\n"):
                out.write(part)
                time.sleep(0.05)

    writer = threading.Thread(target=write)
    writer.start()
    assert read_bounded(pipe) == b"a = 1\nb = 2\n"
    writer.join()
