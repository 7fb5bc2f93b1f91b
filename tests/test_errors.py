"""The words that all messages are made of: numbers, times, names, and why a file could not be read or written."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from busbench.errors import (
    OutputError,
    TextFileError,
    display_name,
    pluralize,
    quote_value,
    require_kind,
    sanitize,
    seconds,
    unreadable,
    unwritable,
)


@pytest.mark.parametrize(
    ("value_s", "text"),
    [
        (None, "-"), (0.0, "0 s"), (4e-9, "4 ns"), (-4e-9, "-4 ns"), (4.94e-8, "49 ns"), (5e-8, "50 ns"),
        (5.1e-8, "0.1 µs"),
        (0.00099, "990.0 µs"), (0.001, "1.000 ms"), (-0.0015, "-1.500 ms"), (0.9994, "999.400 ms"), (1.0, "1.000 s"),
        (3599.5, "3599.500 s"), (3600.0, "1 h 00 min"), (7384.0, "2 h 03 min"),
    ],
)  # fmt: skip
def test_a_time_has_the_unit_that_suits_it(value_s: float | None, text: str) -> None:
    assert seconds(value_s) == text


@pytest.mark.parametrize(("number", "text"), [(0, "0 frames"), (1, "1 frame"), (5172, "5,172 frames")])
def test_one_is_singular(number: int, text: str) -> None:
    assert pluralize(number, "frame") == text


@pytest.mark.parametrize(
    ("text", "most", "shown"),
    [
        ("abcd", 0, "abcd"), ("abcd", 4, "abcd"), ("abcde", 4, "abc…"), ("a\x1bb", 0, "a\\x1bb"),
        (b"a\xffb", 0, "a\\xffb"),
        (b"abcde", 4, "abc…"), (b"abcd", 4, "abcd"), ("a\u202eb", 0, "a\\u202eb"), ("\x1b" * 9, 6, "\\x1b\\…"),
    ],
)  # fmt: skip
def test_foreign_text_is_harmless_and_short(text: str | bytes, most: int, shown: str) -> None:
    assert sanitize(text, most=most) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("x", '"x"'), ("x" * 38, f'"{"x" * 38}"'), ("x" * 39, f'"{"x" * 37}…"'), (True, "true"), (1, "1"),
        (0.1 + 0.2, "0.3"), ([1, 2], "[1, 2]"),
        pytest.param(10**9000, "a number of thousands of digits", id="long"),
    ],
)  # fmt: skip
def test_a_value_is_shown_as_it_is_written(value: object, shown: str) -> None:
    assert quote_value(value) == shown


@pytest.mark.parametrize(
    ("source", "shown"),
    [
        ("-", "standard input"), ("a.pcapng", "a.pcapng"), ("C:\\a", "C:\\a"), ("C:", '"C:"'), ("a:b:c", '"a:b:c"'),
        ("ab:", '"ab:"'), ("virtual:", '"virtual:"'), ("C:/", "C:/"), (Path("x"), "x"),
    ],
)  # fmt: skip
def test_a_name_with_a_colon_is_quoted(source: str | Path, shown: str) -> None:
    assert display_name(source) == shown


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (TextFileError("is odd", hint="mend it"), ("is odd", "mend it")),
        (FileNotFoundError(), ("file not found", "check the name and the folder")),
        (IsADirectoryError(), ("this is a folder", "name a file inside it")),
        (OSError(5, "it broke"), ("cannot be read (it broke)", "check its name and your permissions")),
        (ValueError("odd name"), ("cannot be read (odd name)", "check its name and your permissions")),
    ],
)
def test_why_a_file_cannot_be_read(error: Exception, words: tuple[str, str]) -> None:
    assert unreadable(error) == words


@pytest.mark.parametrize(
    ("name", "error", "words"),
    [
        ("", OSError(), ("this is a folder", "name a file inside it")),
        ("x", None, ("file exists already", "choose another name, or write over it with --force")),
        ("x", FileExistsError(), ("file exists already", "choose another name, or write over it with --force")),
        ("x", FileNotFoundError(), ("folder not found", "make it first")),
        ("x", OSError(errno.ENOSPC, "it is full"), ("cannot be written (it is full)", "make room, or write elsewhere")),
        ("x", OSError(13, "no"), ("cannot be written (no)", "check the folder and your permissions in it")),
        ("\0", ValueError("odd"), ("cannot be written (odd)", "check the folder and your permissions in it")),
    ],
)
def test_why_a_file_cannot_be_written(
    tmp_path: Path, name: str, error: Exception | None, words: tuple[str, str]
) -> None:
    assert unwritable(tmp_path / name, error) == words


def test_a_suffix_of_another_kind_is_refused() -> None:
    for name in ("a.html", "a.HTM", "a.page", "a", "a.htmlx"):
        require_kind(name, suffix=".html", what="a page")
    with pytest.raises(OutputError, match=r"^a\.pdf: file would hold a page: end the name in \.html$"):
        require_kind("a.pdf", suffix=".html", what="a page")
    with pytest.raises(OutputError, match=r"^a\.txt: file would hold a page: end the name in \.html; print it$"):
        require_kind("a.txt", suffix=".html", what="a page", then="print it")
