"""`busbench compare`: table, CSV, JSON and exit code."""

from __future__ import annotations

import csv
import io
import json

import pytest

import busbench
from tests.cli.running import CAPTURES, call

Capfd = pytest.CaptureFixture[str]
FLIGHT, BENCH = CAPTURES / "heron-flight.pcapng", CAPTURES / "heron-bench.pcapng"


def test_json_and_exit_code(capfd: Capfd) -> None:
    done = call(capfd, "compare", FLIGHT, BENCH, "--format", "json")
    assert done.code == 1
    found = json.loads(done.out)
    assert found["verdict"] == "different"
    assert all(
        list(one) == ["name", "unit", "old", "new", "floor", "low", "high", "verdict"] for one in found["figures"]
    )
    figures = {one["name"]: one for one in found["figures"]}
    period = figures["period"]
    assert (period["verdict"], period["unit"]) == ("same", "s")
    assert period["old"] == pytest.approx(0.015, abs=1e-6)
    assert figures["bursts of losses"]["verdict"] == "different"
    assert figures["bursts of losses"]["new"] == 0.0
    old, new = busbench.read_recording(FLIGHT), busbench.read_recording(BENCH)
    assert old.compare(new).to_json() == busbench.compare(old, new).to_json() == found


def test_the_same_recording_is_not_different(capfd: Capfd) -> None:
    done = call(capfd, "compare", BENCH, BENCH, "--ascii")
    assert done.code == 0
    rows = done.out.splitlines()
    assert rows[0].split() == ["figure", "old", "new", "floor", "change", "verdict"]
    assert rows[1].split()[:3] == ["period", "jitter,", "rms,"]
    assert rows[1].endswith("<----o---->  cannot tell")
    assert rows[-1].startswith("cannot tell: ")
    assert ", 0 different, " in rows[-1]
    assert max(map(len, rows)) <= 80
    assert done.out.isascii()


def test_a_plan_names_its_channels(capfd: Capfd) -> None:
    both = CAPTURES / "heron-round.pcapng"
    done = call(capfd, "compare", both, both, "--rig", CAPTURES / "heron.toml", "--format", "csv")
    assert done.code == 0
    rows = list(csv.DictReader(io.StringIO(done.out)))
    names = [row["name"] for row in rows]
    assert "endpoint high, ch1 left aileron" in names
    assert not any("ch16" in name for name in names)
    value = rows[names.index("failsafe value, ch6 rudder")]
    assert (value["old"], value["new"], value["floor"], value["verdict"]) == ("1024.0", "1024.0", "0.0", "same")
