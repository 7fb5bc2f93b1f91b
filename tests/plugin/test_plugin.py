"""The pytest plugin: what a project that tests hardware on the bus gets."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from busbench.reference.topics import source_text
from tests.cli.running import CAPTURES

pytest_plugins = ["pytester"]
RIG = CAPTURES / "heron.toml"
ASIDE = ("-p", "no:xdist", "-p", "no:asyncio")  # plugins of this project that the tried one knows nothing of
assert np  # each inner run forgets what it loaded, and numpy cannot be loaded twice
FAST = "virtual:?speed=max&period=10ms&duration=3s"

LINE = """
import pytest

@pytest.mark.frames(least=250, most_missed=0)
def test_no_frame_is_missed(recording):
    recording(seconds=20)

def test_the_period(recording):
    assert round(recording(seconds=20).timing().period_mean_s, 4) == 0.01

def test_it_speaks(bus):
    assert bus.read(1.0)
"""
# A test for each thing that a receiver can do wrong, named after the fault that it is meant to find.
AIRCRAFT = """
import pytest

@pytest.mark.parametrize("name", ["low end", "high end"])
def test_sent_short(aircraft, name):
    aircraft.require("rudder", name)

def test_sent_reversed(aircraft):
    aircraft.require("rudder", "direction")

def test_wrong_period(aircraft):
    aircraft.require("line", "period")

def test_missing_frames(aircraft):
    aircraft.require("line", "missing frames")

def test_lost_frames(aircraft):
    aircraft.require("line", "frames flagged lost")

def test_failsafe_late(aircraft):
    aircraft.require("failsafe", "delay")
"""

FAULTS = ("sent-short:rudder", "sent-reversed:rudder", "wrong-period", "missing-frames", "lost-frames", "failsafe-late")


def outcomes(pytester: pytest.Pytester, *options: str) -> dict[str, list[str]]:
    found = pytester.inline_run(*ASIDE, *options)
    passed, _, failed = found.listoutcomes()
    return {
        "passed": sorted({report.nodeid.split("::")[1].split("[")[0] for report in passed}),
        "failed": sorted({report.nodeid.split("::")[1].split("[")[0] for report in failed}),
    }


def test_a_good_receiver_passes(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(LINE)
    found = outcomes(pytester, "--bus", FAST)
    assert found == {"passed": ["test_it_speaks", "test_no_frame_is_missed", "test_the_period"], "failed": []}
    assert not (pytester.path / "failed-recordings").exists()


def test_the_recording_of_a_failed_test_is_kept_and_named(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(test_line=LINE)
    done = pytester.runpytest_inprocess(*ASIDE, "--bus", f"{FAST}&gaps=1:0.5")
    done.assert_outcomes(passed=2, failed=1)
    kept = pytester.path / "failed-recordings" / "test_line.py-test_no_frame_is_missed-bus-1.pcapng"
    assert kept.stat().st_size > 10_000
    done.stdout.fnmatch_lines(["*50 missed, at most 0 wanted*", "*busbench recording*", str(kept)])


def test_too_few_frames_fail(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(LINE)
    assert outcomes(pytester, "--bus", "virtual:?speed=max&period=10ms&duration=2s")["failed"] == [
        "test_no_frame_is_missed"
    ]


def test_the_good_aircraft_passes(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(AIRCRAFT)
    meant = [f"test_{fault.partition(':')[0].replace('-', '_')}" for fault in FAULTS]
    assert outcomes(pytester, f"--rig={RIG}") == {"passed": sorted(meant), "failed": []}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_fails_the_test_that_is_meant_for_it(pytester: pytest.Pytester, fault: str) -> None:
    pytester.makepyfile(AIRCRAFT)
    meant = f"test_{fault.partition(':')[0].replace('-', '_')}"
    assert outcomes(pytester, f"--rig={RIG}", "--aircraft-fault", fault)["failed"] == [meant]


def test_without_a_plan_it_says_what_is_missing(pytester: pytest.Pytester) -> None:
    pytester.makepyfile("def test(aircraft): pass")
    done = pytester.runpytest_inprocess(*ASIDE)
    done.assert_outcomes(errors=1)
    done.stdout.fnmatch_lines(["*the fixture aircraft needs --rig=RIG.toml*"])


def test_the_plugin_loads_nothing_heavy(pytester: pytest.Pytester) -> None:
    pytester.makepyfile("import sys\n\ndef test():\n    assert not {'numpy', 'serial', 'textual'} & set(sys.modules)")
    done = pytester.runpytest_subprocess("-p", "no:hypothesispytest", *ASIDE)
    done.assert_outcomes(passed=1)


def test_the_example_of_the_reference_passes(pytester: pytest.Pytester) -> None:
    text = source_text("python")
    (example,) = [block for block in re.findall(r"```python\n(.*?)```", text, re.DOTALL) if "def test_" in block]
    pytester.makepyfile(example)
    passed = outcomes(pytester, "--bus", FAST, f"--rig={RIG}")["passed"]
    assert passed == ["test_no_frame_is_missed", "test_the_rudder_is_as_planned"]


def test_the_module_says_how_it_is_used() -> None:
    text = Path(__file__).parents[2].joinpath("busbench", "pytest_plugin.py").read_text(encoding="utf-8")
    for option in ("--bus", "--rig", "--aircraft-fault", "--keep-recordings"):
        assert f'"{option}"' in text
