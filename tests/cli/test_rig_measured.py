"""`busbench rig power --measured`: literal output, forms and pictures."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from busbench.cli.rig import command
from tests.cli.running import CAPTURES, invoke, refusal_of
from tests.rig.rigs import HERON

pytestmark = pytest.mark.usefixtures("wide")
READINGS, FLIGHT = CAPTURES / "heron-power.csv", CAPTURES / "heron-flight.pcapng"


def run(*args: object) -> str:
    result = invoke(command, "power", str(HERON), *map(str, args))
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_contact_is_named_beside_all_readings() -> None:
    assert run("--measured", READINGS).splitlines() == [
        "Heron: 800 rows in 79.900 s: 5 voltages, 4 currents; leads at 20 degrees Celsius",
        "planned at the measured currents, source without load 7.50 V, planned 7.4 V:",
        "",
        "measured at  mean, V  planned, V  differs, mV  min, V  mean, A",
        "supply         7.425       7.425         +0.2   6.879     1.66",
        "receiver       7.160       7.408       -248.1   4.622        -",
        "left wing      7.128       7.377       -248.8   4.421     0.37",
        "right wing     7.128       7.377       -248.5   4.415     0.37",
        "tail           7.040       7.289       -248.8   3.693     0.62",
        "",
        "lead from supply to receiver: 150.0 mΩ more than planned (149.6 to 150.3, 95 % interval; planned 10.6 mΩ)",
        "  loses 2.092 V more at 13.95 A: check its contacts first, then length and gauge",
        "not explained: 10.0 mV rms",
        "",
        "other leads, mΩ         planned  more, from    to",
        "supply                     45.0        -0.7  +0.5",
        "lead to hub left wing      85.3        -3.0  +2.0",
        "lead to hub right wing     85.3        -4.2  +0.7",
        "lead to hub tail          192.1        -1.5  +1.1",
    ]


def test_sags_beside_the_outages_of_the_flight() -> None:
    lines = run("--measured", READINGS, "--recording", FLIGHT, "--ascii").splitlines()
    assert "other leads, mohm       planned  more, from    to" in lines
    assert all(line.isascii() for line in lines)
    assert lines[-6:] == [
        "",
        "receiver, below 5.5 V: 1 sag; readings 100.000 ms apart: shorter sags may be missing",
        "sag from, s      lasted  min, V               outage beside it",
        "65.900       300.000 ms   4.622  gap from 66.000 s for 2.010 s",
        "without a sag: 23 of 24 outages: 6.727 V or more in them",
        "1 of 1 burst coincides, 0.196 expected by chance: too few to say whether more coincide than by chance",
    ]
    late = run("--measured", READINGS, "--recording", FLIGHT, "--shift", "-3").splitlines()
    assert "62.900       300.000 ms   4.622              none" in late
    assert late[-2] == "without a sag: 24 of 24 outages: 6.691 V or more in them"


def test_in_json_and_csv() -> None:
    result = json.loads(run("--measured", READINGS, "--recording", FLIGHT, "--format", "json"))
    assert list(result) == [
        "rig", "temperature_c", "rows", "verdict", "leads", "alternatives", "bounds", "unseen", "next_node",
        "next_differs_v", "next_current", "source_v", "noise_v", "readings", "reason", "notes", "sags",
    ]  # fmt: skip
    assert (result["verdict"], result["rows"], result["alternatives"]) == ("explained", 800, [])
    (lead,) = result["leads"]
    assert list(lead) == [
        "name", "to", "planned_ohm", "extra_ohm", "low_ohm", "high_ohm", "lost_v", "current_a",
    ]  # fmt: skip
    assert lead["extra_ohm"] == pytest.approx(0.15, abs=0.0005)
    assert result["sags"]["events"] == [{"start_s": 65.9, "end_s": 66.2, "min_v": 4.622}]
    rows = list(csv.DictReader(run("--measured", READINGS, "--format", "csv").splitlines()))
    assert list(rows[0]) == ["lead", "planned_ohm", "extra_ohm", "low_ohm", "high_ohm"]
    assert [row["lead"] for row in rows][:2] == ["lead from supply to receiver", "supply"]
    assert json.loads(run("--measured", READINGS, "--format", "json"))["sags"] is None


def test_pictures_of_the_tree_and_of_the_time() -> None:
    tree = run("--measured", READINGS, "--svg", "-")
    texts = [one.text for one in ElementTree.fromstring(tree).iter("{http://www.w3.org/2000/svg}text")]
    assert "0.25 m AWG 16 ◄ +150.0 mΩ" in texts
    assert texts[texts.index("receiver") :][2] == "7.16"
    assert texts.count("7.13") == 2  # both wings
    thick = [one for one in ElementTree.fromstring(tree).iter() if one.get("stroke-width") == "4"]
    assert len(thick) == 1
    drawn = run("--measured", READINGS, "--recording", FLIGHT, "--svg", "-")
    root = ElementTree.fromstring(drawn)
    texts = [one.text for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert texts[:8] == [
        "voltage at receiver", "min 5.5 V", "7.42 V", "4.62 V", "gap G", "damaged D", "lost L", "failsafe F",
    ]  # fmt: skip
    line = next(root.iter("{http://www.w3.org/2000/svg}polyline")).get("points") or ""
    points = [tuple(map(float, one.split(","))) for one in line.split()]
    assert points[0][0] == 96.0
    assert points[0][1] == pytest.approx(27.9, abs=0.2)
    x, y = max(points, key=lambda one: one[1])
    assert x == pytest.approx(573.3, abs=1.7)  # 66 of 80 s
    assert y == 124.0  # the lowest
    gaps = [one for one in root.iter("{http://www.w3.org/2000/svg}rect") if one.get("y") == "148"]
    assert len(gaps) == 2


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "m.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_leads_that_fit_equally_well_and_what_to_measure_next(tmp_path: Path) -> None:
    # Only the flap draws: its lead and that of its hub carry the same. Planned 85.3 + 50.5 mohm; measured 200.
    rows = "".join(
        f"{7.4 - 0.055 * amps:.3f},{7.4 - (0.055 + 0.2) * amps + (0.001 if at % 3 else -0.001):.3f},{amps},"
        + "0,0,0,0,0,0,0,0,0\n"
        for at, amps in enumerate([0.1, 1.0, 2.0, 0.5, 3.0] * 4)
    )
    others = ["left aileron", "right aileron", "right flap", "left elevator", "right elevator", "rudder", "gear",
              "tow release", "pack voltage"]  # fmt: skip
    head = ",".join(["receiver V", "left flap V", "left flap A", *(f"{name} A" for name in others)])
    lines = run("--measured", written(tmp_path, f"{head}\n{rows}")).splitlines()
    at = lines.index("cannot tell: these fit equally well")
    assert sorted(line.split(" mΩ")[0] for line in lines[at + 1 : at + 3]) == [
        "  lead to hub left wing: 63.4",
        "  lead to left flap: 63.4",
    ]
    assert lines[at + 3] == "measure the voltage at left wing next: it differs by 0.190 V between them"


def test_nothing_found_says_so(tmp_path: Path) -> None:
    rows = "".join(f"{7.4 - 0.045 * amps:.3f},{7.4 - 0.0556 * amps:.3f},{amps}\n" for amps in [1, 2, 3, 4] * 5)
    lines = run("--measured", written(tmp_path, "supply V,receiver V,supply A\n" + rows)).splitlines()
    assert "no lead differs from the plan by more than these readings can show" in lines
    short = written(tmp_path, "supply V,case\n7.3,all moving\n")
    assert "cannot tell: there are too few readings" in run("--measured", short).splitlines()


@pytest.mark.parametrize(
    ("begin", "more", "from_s"),
    [("66", (), "66.000"), ("1780000066.003", (), "66.000"), ("1780000066.003", ("--shift", "2"), "68.000")],
    ids=["from the first byte", "since 1970", "shifted"],
)
def test_two_readings_are_laid_beside_a_recording_by_its_first_byte_or_its_date(
    begin: str, more: tuple[str, ...], from_s: str, tmp_path: Path
) -> None:
    """The flight begins 1,780,000,000.003 s after 1970."""
    path = written(tmp_path, f"time_s,receiver V,supply A\n{begin},5,9\n{float(begin) + 0.5:.3f},7,1\n")
    lines = run("--measured", path, "--recording", FLIGHT, *more).splitlines()
    at = next(at for at, line in enumerate(lines) if line.startswith("sag from, s"))
    assert lines[at - 1].startswith("receiver, below 5.5 V: 1 sag; readings 500.000 ms apart")
    assert lines[at + 1].split()[:4] == [from_s, "500.000", "ms", "5.000"]


def test_one_reading_is_not_laid_beside_a_recording(tmp_path: Path) -> None:
    path = written(tmp_path, "time_s,receiver V\n66,5\n")
    words = ("power", HERON, "--measured", path, "--recording", FLIGHT)
    assert refusal_of(command, *words).startswith(f"{path}: has no times to lay beside a recording")
