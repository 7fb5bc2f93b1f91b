"""Readings of a meter or logger: names of columns, forms of times and cells, and what is said of a row."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest

from busbench.errors import RigError
from busbench.rig.measurement import Measurement, read_measurement
from tests.rig.rigs import device, hub, rig

PLAN = rig(hub("left wing"), device("left flap", 1, 'on = "left wing"'), device("supply pack", 2))


def read(tmp_path: Path, text: str) -> Measurement:
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return read_measurement(path, PLAN)


def refusal(tmp_path: Path, text: str) -> str:
    with pytest.raises(RigError) as caught:
        read(tmp_path, text)
    return str(caught.value).removeprefix(str(tmp_path / "readings.csv"))


@pytest.mark.parametrize(
    ("head", "factor"),
    [
        ("time", 1.0), ("time_s", 1.0), ("Time [s]", 1.0), ("t", 1.0), ("t (s)", 1.0), ("T_s", 1.0), ("seconds", 1.0),
        ("s", 1.0), ("Timestamp", 1.0), ("date", 1.0), ("Date-Time", 1.0), ("datetime", 1.0), ("UTC", 1.0),
        ("time_ms", 1e-3), ("time (ms)", 1e-3), ("t [ms]", 1e-3), ("ms", 1e-3),
    ],
)  # fmt: skip
def test_the_names_of_a_column_of_times(head: str, factor: float, tmp_path: Path) -> None:
    found = read(tmp_path, f"{head},receiver V\n2000,7\n3000,7\n")
    assert found.t_s is not None
    assert found.t_s.tolist() == [2000 * factor, 3000 * factor]
    assert found.notes == ()


@pytest.mark.parametrize(
    ("head", "node", "factor"),
    [
        ("supply V", "supply", 1.0), ("receiver_mV", "receiver", 1e-3), ("LEFT WING [µV]", "left wing", 1e-6),
        ("left-wing uV", "left wing", 1e-6), ("hub left wing V", "left wing", 1.0), ("Left Flap (V)", "left flap", 1.0),
        ("supply pack: V", "supply pack", 1.0), ("supply_pack[mV]", "supply pack", 1e-3),
    ],
)  # fmt: skip
def test_the_names_of_a_column_of_voltages(head: str, node: str, factor: float, tmp_path: Path) -> None:
    found = read(tmp_path, f"{head}\n7125\n")
    assert {name: column.tolist() for name, column in found.volts.items()} == {node: [pytest.approx(7125 * factor)]}
    amps = read(tmp_path, f"receiver V,{head.replace('V', 'A')}\n7,7125\n").amps
    assert {name: column.tolist() for name, column in amps.items()} == {node: [pytest.approx(7125 * factor)]}


@pytest.mark.parametrize(
    ("head", "notes", "cases"),
    [
        ("case", (), ("idle", "b")),
        ("Load case", (), ("idle", "b")),
        ("note", ('columns not used: "note"',), ()),
        ("", (), ()),
        ("V", ('columns not used: "V"',), ()),  # of no node
    ],
)
def test_other_columns(head: str, notes: tuple[str, ...], cases: tuple[str, ...], tmp_path: Path) -> None:
    found = read(tmp_path, f"receiver V,{head}\n7,idle\n7, b \n")
    assert (found.notes, found.cases) == (notes, cases)


def test_the_first_of_two_columns_of_times_or_cases_counts(tmp_path: Path) -> None:
    found = read(tmp_path, "t,s,case,load case,receiver V,Temp\n1,5,a,b,7,20\n")
    assert found.t_s is not None
    assert (found.t_s.tolist(), found.cases) == ([1.0], ("a",))
    assert found.notes == ('columns not used: "s", "load case", "Temp"',)


@pytest.mark.parametrize(
    ("cells", "t_s", "is_utc"),
    [
        (("0:00:00", "00:01:02.5"), [0.0, 62.5], False),
        (("23:59:59", "99:00:00"), [86_399.0, 356_400.0], False),
        (("-2", "-1"), [-2.0, -1.0], False),
        (("999999999", "1000000000"), [999_999_999.0, 1e9], False),
        (("1000000000", "1000000001"), [1e9, 1e9 + 1], True),
        (("1970-01-01 00:00:05", "1970-01-01T00:01:00+00:00"), [5.0, 60.0], True),
        (("5", "1970-01-01 00:00:06"), [5.0, 6.0], False),  # of two kinds
        (("1", "1"), [1.0, 1.0], False),
    ],
)
def test_the_forms_of_a_time(cells: tuple[str, str], t_s: list[float], is_utc: bool, tmp_path: Path) -> None:
    found = read(tmp_path, "time,receiver V\n" + "".join(f"{cell},7\n" for cell in cells))
    assert found.t_s is not None
    assert (found.t_s.tolist(), found.is_utc) == (t_s, is_utc)
    assert read(tmp_path, "receiver V\n7\n").is_utc is False


@pytest.mark.parametrize(
    ("cells", "step_v"),
    [
        (("7", "8"), 1.0),
        (("7.1", "7"), 0.1),
        (("7.12", "7.125"), 0.001),
        (("7e0", "7.1e1"), 1.0),  # 71 has no decimals, nor has 7
        (("7.1e-2", "7"), 0.001),
        (("7E-1", ""), 0.1),
        (("120", "1.2e2"), 1.0),
    ],
)
def test_the_last_digit_as_written(cells: tuple[str, str], step_v: float, tmp_path: Path) -> None:
    rows = "".join(f"{cell},x\n" for cell in cells)
    assert read(tmp_path, f"receiver V,note\n{rows}").step_v == pytest.approx(step_v)
    assert read(tmp_path, f"receiver mV,note\n{rows}").step_v == pytest.approx(step_v / 1000)


@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")])
def test_rows_with_a_sign_between_cells_and_one_in_numbers(delimiter: str, decimal: str, tmp_path: Path) -> None:
    cells = ("receiver V", "supply A"), ("7.12", "0.5"), ("7.1", "1.25")
    rows = (delimiter.join(row).replace(".", decimal) for row in cells)
    found = read(tmp_path, "\n".join(rows) + "\n")
    assert (found.volts["receiver"].tolist(), found.amps["supply"].tolist()) == ([7.12, 7.1], [0.5, 1.25])
    assert found.step_v == pytest.approx(0.01)


def test_a_comma_in_a_file_of_one_column_is_the_decimal_sign(tmp_path: Path) -> None:
    found = read(tmp_path, "receiver V\n7,12\n7,1\n")
    assert found.volts["receiver"].tolist() == [7.12, 7.1]
    assert found.step_v == pytest.approx(0.01)


def test_cells_that_are_empty_or_not_there(tmp_path: Path) -> None:
    found = read(tmp_path, "receiver V,left flap V,supply A,case\n7,,1\n\n , ,\n,6.5,2,b\n8,6,,c\n8,6,3,\n")
    np.testing.assert_array_equal(found.volts["receiver"], [7, np.nan, 8])
    np.testing.assert_array_equal(found.volts["left flap"], [np.nan, 6.5, 6])
    assert (found.amps["supply"].tolist(), found.cases) == ([1, 2, 3], ("", "b", ""))
    assert (len(found), found.notes) == (3, ("rows left out, since a current is missing: 1",))


def test_a_number_is_within_bounds(tmp_path: Path) -> None:
    for cell in ("1e13", "-1e13"):
        assert read(tmp_path, f"receiver V\n{cell}\n").volts["receiver"].tolist() == [float(cell)]
    for cell in ("1.1e13", "-1.1e13"):
        assert f'"{cell}" is out of range' in refusal(tmp_path, f"receiver V\n{cell}\n")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("receiver V\n\n\nx\n", ', line 4: "x" is not a number: write it as 7.41'),
        ("receiver V\n7,1\n7\nx\n", ', line 4: "x" is not a number: write it as 7.41'),
        ("t,receiver V\n1,7\n\n2,7\n1.9,7\n", ", line 5: its time is before that of the line above: put the rows in"
         " order"),
        ("t,receiver V,supply A\n3,7,\n5,7,1\n4,7,1\n", ", line 4: its time is before that of the line above: put the"
         " rows in order"),
        ("t,receiver V\n1,7\n,7\n", ", line 3: has no time: fill it in, or leave out the column"),
        ("t,receiver V\n1:2:3,7\n", ', line 2: "1:2:3" is not a number: write it as 7.41'),
        ("t,receiver V\n2026-01-01T1:00,7\n", ', line 2: "2026-01-01T1:00" is not a time: write it as'
         " 2026-05-28T20:26:40.5"),
        ("t,receiver V\n2026-01-01,7\n", ', line 2: "2026-01-01" is not a number: write it as 7.41'),
        ("\n\n", ": holds no readings: put a row of names first, then a row per reading"),
        ("t,receiver V\n,\n", ": holds no readings: put a row of names first, then a row per reading"),
        ("left flap\n1\n", ", line 1: names no column of voltages: name a node of the plan and a unit, as in"
         " `receiver V`"),
        ('receiver V\n"7\n8"\n', ', line 3: "7\\n8" is not a number: write it as 7.41'),  # and not 78
        ("t,receiver V\n0,7\n0,5,7,12\n", ", line 3: has 4 cells for 2 names: name each column, or write"
         " decimals with a point"),
        ("t;receiver V\n0;7;;\n1;7;;x\n", ", line 3: has 4 cells for 2 names: name each column, or write"
         " decimals with a point"),
        ("case V\n1\n", ', line 1: "case" is not in the plan: name a device or hub as in the plan'),
        ("receiver V,receiver V\n1,2\n", ', line 1: "receiver V" is there twice: keep one'),
        ("hub left wing V,left wing mV\n1,2\n", ', line 1: "left wing V" is there twice: keep one'),
    ],
    ids=str,
)  # fmt: skip
def test_what_is_refused_with_its_line(text: str, said: str, tmp_path: Path) -> None:
    assert refusal(tmp_path, text) == said


def test_readings_may_come_from_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"receiver V\n7.1\n")))
    assert read_measurement("-", PLAN).volts["receiver"].tolist() == [7.1]
