"""Readings of a meter or logger: which columns are understood, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.errors import RigError
from busbench.rig.measurement import Measurement, read_measurement
from tests.rig.rigs import device, hub, rig

PLAN = rig(hub("left wing"), device("left flap", 1, 'on = "left wing"'), device("rudder", 2))


def read(tmp_path: Path, text: str | bytes) -> Measurement:
    path = tmp_path / "readings.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_measurement(path, PLAN)


def error_of(tmp_path: Path, text: str | bytes) -> str:
    with pytest.raises(RigError) as error:
        read(tmp_path, text)
    return str(error.value).removeprefix(f"{tmp_path}/")


def test_columns_are_named_by_node_and_unit(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "time_s,receiver V,left-flap mV,Hub Left Wing [A],supply (mA),RUDDER_V,case,Temp\n"
        "0.5,7.1,6900,0.7,1500,7.0,all moving,21\n1.5,7.2,6950.5,0.06,100,,idle,21\n",
    )
    assert {name: column.tolist()[0] for name, column in found.volts.items()} == {
        "receiver": 7.1,
        "left flap": 6.9,
        "rudder": 7.0,
    }
    assert np.isnan(found.volts["rudder"][1])
    assert {name: column.tolist() for name, column in found.amps.items()} == {
        "left wing": [0.7, 0.06],
        "supply": [1.5, 0.1],
    }
    assert found.t_s is not None
    assert found.t_s.tolist() == [0.5, 1.5]
    assert not found.is_utc
    assert found.cases == ("all moving", "idle")
    assert found.step_v == pytest.approx(0.0001)  # 6950.5 mV
    assert found.notes == ('columns not used: "Temp"',)
    assert len(found) == 2


def test_a_comma_may_be_the_decimal_sign(tmp_path: Path) -> None:
    found = read(tmp_path, "﻿t;receiver V\r\n0,5;7,12\r\n\r\n0,6;7,13\r\n")
    assert found.volts["receiver"].tolist() == [7.12, 7.13]
    assert found.t_s is not None
    assert found.t_s.tolist() == [0.5, 0.6]
    assert found.step_v == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("head", "cells", "first", "is_utc"),
    [
        ("time", ("2026-05-28T20:26:40Z", "2026-05-28T20:26:40.5Z"), 1780000000.0, True),
        ("Date Time", ("2026-05-28 22:26:40+02:00", "2026-05-28 22:26:40.5+02:00"), 1780000000.0, True),
        ("date", ("2026-05-28 20:26:40", "2026-05-28 20:26:40.5"), 1780000000.0, True),  # without a zone: UTC
        ("timestamp", ("1780000000", "1780000000.5"), 1780000000.0, True),
        ("time", ("1:02:03.0", "1:02:03.5"), 3723.0, False),
        ("time_ms", ("1000", "1500"), 1.0, False),
        ("s", ("999999999", "999999999.5"), 999999999.0, False),
    ],
)
def test_times_in_seconds_or_dates(
    tmp_path: Path, head: str, cells: tuple[str, str], first: float, is_utc: bool
) -> None:
    found = read(tmp_path, f"{head},receiver V\n{cells[0]},7.1\n{cells[1]},7.2\n")
    assert found.t_s is not None
    assert found.t_s.tolist() == [first, first + 0.5]
    assert found.is_utc is is_utc


def test_a_column_without_a_number_is_left_out(tmp_path: Path) -> None:
    found = read(tmp_path, "receiver V,rudder V\n7.1,\n7.2,\n")
    assert list(found.volts) == ["receiver"]
    assert found.notes == ("columns without a number: rudder V",)


def test_a_row_without_a_current_is_left_out(tmp_path: Path) -> None:
    found = read(tmp_path, "receiver V,supply A\n7.1,1\n7.2,\n7.3,2\n")
    assert found.volts["receiver"].tolist() == [7.1, 7.3]
    assert found.notes == ("rows left out, since a current is missing: 1",)
    assert found.t_s is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("receiver V\n", "readings.csv: holds no readings: put a row of names first, then a row per reading"),
        ("supply A\n1\n", "readings.csv, line 1: names no column of voltages: name a node of the plan and a unit, "
         "as in `receiver V`"),
        ("left flop V\n1\n", 'readings.csv, line 1: "left flop" is not in the plan: did you mean `left flap`?'),
        ("xyz V\n1\n", 'readings.csv, line 1: "xyz" is not in the plan: name a device or hub as in the plan'),
        ("rudder V,rudder mV\n1,2\n", 'readings.csv, line 1: "rudder V" is there twice: keep one'),
        ("rudder V\n7.1\n\n7.x\n", 'readings.csv, line 4: "7.x" is not a number: write it as 7.41'),
        ("rudder V\ninf\n", 'readings.csv, line 2: "inf" is not a number: write it as 7.41'),
        ("rudder V\nfew\n", 'readings.csv, line 2: "few" is not a number: write it as 7.41'),
        ("rudder V\n1e300\n", 'readings.csv, line 2: "1e300" is out of range: give at most 1e+13 of the column\'s '
         "unit"),
        ("rudder V,rudder A\n,1\n", "readings.csv: holds no voltage: fill in a reading per row"),
        ("rudder V,rudder A\n7.1,\n", "readings.csv: has no row with all its currents: fill them in"),
        ("t,rudder V\n1,7\n0.5,7\n", "readings.csv, line 3: its time is before that of the line above: put the rows in "
         "order"),
        ("t,rudder V\n1,7\n,7\n", "readings.csv, line 3: has no time: fill it in, or leave out the column"),
        ("t,rudder V\n2026-05-28 99:00:00,7\n", 'readings.csv, line 2: "2026-05-28 99:00:00" is not a time: write '
         "it as 2026-05-28T20:26:40.5"),
        (b"rudder V\n\xff\n", "readings.csv: is not UTF-8 text: save it as CSV in UTF-8"),
        (b"\x89PNG\r\n", "readings.csv: this is a picture, not CSV: save the readings as CSV"),
    ],
)  # fmt: skip
def test_what_is_not_understood_is_one_line(tmp_path: Path, text: str | bytes, said: str) -> None:
    assert error_of(tmp_path, text) == said


def test_a_file_that_is_missing_or_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(RigError, match=r"no\.csv: file not found: check the name and the folder"):
        read_measurement(tmp_path / "no.csv", PLAN)
    monkeypatch.setattr("busbench.rig.measurement.SIZE_MAX", 20)
    assert error_of(tmp_path, "rudder V\n7.123\n7.123\n") == "readings.csv: is larger than 20 bytes: shorten it"
