"""What was not understood in a table is named by its line and column."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.capture.open import open_capture
from busbench.capture.text_fault import text_fault
from busbench.errors import CaptureError


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time,byte\n" + "12:30,0x0F\n" * 5, 'line 2, column 1, "12:30" as a time?'),
        ("time;value\n" + "soon;0x0F\n" * 5, 'line 2, column 1, "soon" as a time?'),
        (
            "# made\n\nt\tstate\n" + "".join(f"0.{i}\trising\n" for i in range(5)),
            'line 4, column 2, "rising" as a byte',
        ),
        ("t,a,b\n" + '0.1,"","up"\n' * 5, 'line 2, column 3, "up" as a byte or a level?'),
        ("2 Jan 2026 10:00,15\n" * 5, 'line 2, column 1, "2 Jan 2026 10:00" as a time?'),
        ("t,rx\n" + "0.1,\x7f[2J" + "x" * 80 + "\n0.2,y\n0.3,y\n", 'line 2, column 2, "\\x7f[2J'),
    ],
)
def test_the_cell_that_is_not_understood_is_named(tmp_path: Path, text: str, said: str) -> None:
    assert text_fault(text.encode()).startswith(said)
    path = tmp_path / "a.csv"
    path.write_text(text, newline="")
    with pytest.raises(CaptureError) as caught:
        open_capture(str(path))
    assert f"unknown text layout ({said}" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "\x7f" not in str(caught.value)


@pytest.mark.parametrize(
    "text", ["", "a letter\nof some lines\n", "a,b\n", "time,byte\n0.1,0x0F\n0.2,0x01\n0.3,0x02\n"]
)
def test_of_what_is_no_table_or_could_be_read_nothing_is_named(text: str) -> None:
    assert text_fault(text.encode()) == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0.1,up\n" * 2, ""),  # three rows make a table
        ("0.1,up\n" * 3, 'line 2, column 2, "up" as a byte or a level?'),
        ("a,b\n" * 3 + "0.1,up\n" * 3, 'line 4, column 2, "up" as a byte or a level?'),  # half of them with digits
        ("a,b\n" * 4 + "0.1,up\n" * 3, ""),
        ("n,m\nx,y\n0.1,up\n0.2,up\n", 'line 3, column 2, "up" as a byte or a level?'),  # the first with a number
        ("a1,b\n" * 3, 'line 2, column 1, "a1" as a time?'),
        ("# 1,2\n% 1,2\n ; 1,2\n\n" + "0.1,up\n" * 3, 'line 6, column 2, "up" as a byte or a level?'),
        ("# 1,2\n% 1,2\n; 1,2\n" + "0.1,up\n" * 2, ""),  # remarks are no rows
        ("x\n" * 397 + "0.1,up\n" * 3, 'line 399, column 2, "up" as a byte or a level?'),
        ("x\n" * 398 + "0.1,up\n" * 3, ""),  # only two rows in the first 400 lines
        ("up,0.1\n" * 3, 'line 2, column 1, "up" as a byte or a level?'),
        ("12:30,5\n" * 3, 'line 2, column 1, "12:30" as a time?'),
        ("5,12:30\n" * 3, 'line 2, column 2, "12:30" as a byte or a level?'),
        ("1:3,5\n" * 3, 'line 2, column 1, "1:3" as a byte or a level?'),  # no time of day
        ("0.1,up,0x0F\n" * 3, ""),  # one that can be read will do
        ("0.1,,\n" * 3, ""),
        ('0.1, "" ,up\n' * 3, 'line 2, column 3, "up" as a byte or a level?'),
        ("0.1,'0x0F'\n" * 3, ""),
        ("0.1,1000\n" * 3, 'line 2, column 2, "1000" as a byte or a level?'),
        ("0.1,FFF\n" * 3, 'line 2, column 2, "FFF" as a byte or a level?'),
        ("0.1,FF\n" * 3, ""),
        ("0,1;up\n" * 3, 'line 2, column 2, "up" as a byte or a level?'),  # of as many rows of both the semicolon
        ("0,1;up\n" * 3 + "a,b\n", 'line 2, column 2, "1;up" as a byte or a level?'),
        ("0.1,up,up\n" * 3 + "0.1,on\n" * 4, 'line 5, column 2, "on" as a byte or a level?'),  # the most common length
        (f"0.1,{'u' * 30}\n" * 3, 'line 2, column 2, "' + "u" * 30 + '" as a byte or a level?'),
        (f"0.1,{'u' * 31}\n" * 3, 'line 2, column 2, "' + "u" * 29 + '…" as a byte or a level?'),
    ],
)
def test_which_cell_of_which_table(text: str, said: str) -> None:
    assert text_fault(text.encode()) == said
