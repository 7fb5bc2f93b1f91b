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
    assert figures["bursts of outages"]["verdict"] == "different"
    assert figures["bursts of outages"]["new"] == 0.0
    old, new = busbench.read_recording(FLIGHT), busbench.read_recording(BENCH)
    assert old.compare(new).to_json() == busbench.compare(old, new).to_json() == found


def test_the_same_recording_is_not_different(capfd: Capfd) -> None:
    done = call(capfd, "compare", BENCH, BENCH)
    assert done.code == 0
    assert done.out == (
        "not listed: 35 figures (--all lists them): 18 changed too little to matter, 17\n"
        "  cannot be judged\n"
        "no floor, as seen too few times: endpoint high (ch5 ch7 ch8), endpoint low (ch7\n"
        "  ch8)\n"
        "below the floor: period jitter rms, bursts of outages, endpoint low (ch1 ch2 ch3\n"
        "  ch4 ch6), endpoint high (ch1 ch2 ch3 ch4 ch6)\n"
        "to judge more of them, for both recordings: move each control to both ends three\n"
        "  times or more; record for longer; record with a logic analyser\n"
        "cannot tell: no difference found; 17 of 35 figures cannot be judged, 18 are the\n"
        "  same\n"
    )


def test_all_figures_fit_a_terminal(capfd: Capfd) -> None:
    done = call(capfd, "compare", FLIGHT, BENCH, "--all", "--ascii")
    assert done.code == 1
    rows = done.out.splitlines()
    assert rows[0].split() == ["figure", "old", "new", "floor", "change", "verdict"]
    assert rows[1] == "period, ms                   15.0000  15.0000  0.0001    [  o  ]           same"
    assert rows.index("") == 1 + 36
    assert rows[-1] == "different: 4 of 36 figures; 17 are the same, 15 cannot be judged"
    assert max(map(len, rows)) <= 80
    assert done.out.isascii()


def test_what_is_different_or_looks_so_is_listed(capfd: Capfd) -> None:
    done = call(capfd, "compare", CAPTURES / "heron-round.pcapng", CAPTURES / "heron-round-faulty.pcapng")
    assert done.code == 0
    assert done.out.splitlines()[:6] == [
        "figure                         old     new  floor     change        verdict",
        "endpoint low, ch5, counts    255.0   550.0      -               cannot tell",
        "endpoint high, ch5, counts  1729.0  1434.0      -               cannot tell",
        "failsafe delay, ms           615.0       -      -               cannot tell",
        "",
        "not listed: 36 figures (--all lists them): 22 changed too little to matter, 14",
    ]


def test_latencies_of_pulse_outputs_are_compared(capfd: Capfd) -> None:
    both = CAPTURES / "heron-outputs.vcd"
    figures = json.loads(call(capfd, "compare", both, both, "--format", "json").out)["figures"]
    (latency,) = (one for one in figures if one["name"].startswith("latency"))
    assert latency["floor"] == pytest.approx(2e-9, rel=0.01)
    assert (latency["name"], latency["unit"], latency["verdict"]) == ("latency, line.output_8", "s", "same")
    assert (latency["old"], latency["new"]) == pytest.approx((0.001, 0.001))


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
