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
