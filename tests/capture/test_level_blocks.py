"""Tables of levels over blocks: line numbers, times that go back, what is left out, and the limits of each block."""

from __future__ import annotations

import io

import pytest

from busbench.capture import file_io
from busbench.capture.edges import read_edges
from busbench.capture.level_csv import LevelCsvFile
from busbench.capture.volts_csv import open_levels
from busbench.errors import CaptureError

HEAD = "time s,rx\n"
ROWS = "0.000,0\n0.001,1\n0.002,0\n0.003,1\n"  # eight bytes each


@pytest.fixture(params=[8, 24, 1 << 20], autouse=True)
def _blocks(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(file_io, "BLOCK_BYTES", request.param)


def table(text: str) -> LevelCsvFile:
    return LevelCsvFile(file_io.ObjectSource(io.BytesIO(text.encode()), name="made"))


def read(text: str) -> tuple[list[int], list[str]]:
    """Changes in ms, and notes."""
    file = table(HEAD + text)
    pieces = [edges for piece in file.pieces(["rx"]) for edges in piece.values()]
    assert [one.start_ns for one in pieces[1:]] == [one.end_ns for one in pieces[:-1]]
    return [t // 1_000_000 for one in pieces for t in one.t_ns.tolist()], file.notes


def fault(text: str) -> tuple[list[int], str]:
    """Changes in ms before it, and what is said."""
    file, found = table(HEAD + text), list[int]()
    with pytest.raises(CaptureError) as caught:
        found.extend(t // 1_000_000 for piece in file.pieces(["rx"]) for t in piece["rx"].t_ns.tolist())
    return found, str(caught.value)


def test_times_rise_from_block_to_block() -> None:
    assert read(ROWS + "0.003,1\n0.004,0\n") == ([1, 2, 3, 4], [])
    assert fault(ROWS + "0.002,0\n0.004,1\n") == ([1, 2, 3], "made: line 6 goes back in time: save it again")
    assert fault(ROWS + "0.004,0\n0.005,0\n0.004,1\n") == (
        [1, 2, 3, 4],
        "made: line 8 goes back in time: save it again",
    )


def test_damaged_rows_are_named_by_the_first_line() -> None:
    assert read(ROWS + "x.004,0\n0.005,0\nx.006,0\n") == (
        [1, 2, 3, 5],
        ["2 rows hold no time with levels, the first in line 6: left out"],
    )
    assert read(ROWS + "\n      \n0.004,2\n0.005,0\n") == (
        [1, 2, 3, 5],
        ["1 row holds no time with levels, the first in line 8: left out"],
    )


def test_the_last_row_may_be_cut() -> None:
    cut = ["the file is cut inside its last row"]
    assert read(ROWS + "0.004,0") == ([1, 2, 3, 4], [])
    assert read(ROWS + "0.00") == ([1, 2, 3], cut)
    assert read(ROWS + "x.004,0\n0.00") == (
        [1, 2, 3],
        ["1 row holds no time with levels, the first in line 6: left out", *cut],
    )
    assert read(ROWS + "x.004,0\n") == ([1, 2, 3], ["1 row holds no time with levels, the first in line 6: left out"])


def test_a_time_beyond_all_bounds_is_named_by_its_line() -> None:
    beyond = "has a time beyond all bounds: save it again"
    assert fault(ROWS + "0.004,0\n9.99e99,0\n0.005,1\n") == ([1, 2, 3, 4], f"made: line 7 {beyond}")
    assert fault(ROWS + "-9.9e99,0\n") == ([1, 2, 3], f"made: line 6 {beyond}")


@pytest.mark.parametrize("row", ["0.004,0,", "4", ",0.004,0", "0.004,.5", "0.004,-1", "4,nan", "nan,0", "1,0,0"])
def test_rows_that_are_none(row: str) -> None:
    said = ["1 row holds no time with levels, the first in line 6: left out"]
    assert read(f"{ROWS}{row}\n0.005,0\n") == ([1, 2, 3, 5], said)


@pytest.mark.parametrize("row", [" 0.004 , 0 ", "+4e-3,0.0", "4e-3,0", ".004,0", '"0.004","0"', "4.E-3,+0", "4e-3,0\r"])
def test_rows_as_they_may_be_written(row: str) -> None:
    assert read(f"{ROWS}{row}\n0.005,1\n") == ([1, 2, 3, 4, 5], [])


def test_voltages_that_are_none_are_left_out() -> None:
    rows = "".join(f"0.{n:03d},{3.25 if n % 4 < 2 else 0.25}\n" for n in range(12))
    file = open_levels(file_io.ObjectSource(io.BytesIO((HEAD + rows + "0.1,x\n0.2,3.25\n0.3,").encode()), name="made"))
    assert file is not None
    assert read_edges(file)["rx"].t_ns.tolist() == [2_000_000 * n for n in range(1, 6)] + [200_000_000]
    assert file.notes == [
        '"rx" holds voltages: the threshold is 1.75',
        "1 row holds no time with levels, the first in line 14: left out",
        "the file is cut inside its last row",
    ]
