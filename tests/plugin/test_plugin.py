"""The pytest plugin: what a project that tests hardware on the bus gets."""

from __future__ import annotations

import re
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from busbench import pytest_plugin
from busbench.analysis import recording
from busbench.bench import receiver, sign_off
from busbench.reference.topics import source_text
from busbench.sim import aircraft_faults, aircraft_port
from busbench.sim.aircraft_faults import parse_fault
from busbench.sim.playback import PtyOutlet
from tests.cli.running import CAPTURES

pytest_plugins = ["pytester"]
RIG = CAPTURES / "heron.toml"
ASIDE = ("-p", "no:xdist", "-p", "no:asyncio")  # plugins of this project that the tried one knows nothing of
LOADED = (np, aircraft_port, receiver, recording, sign_off)  # an inner run forgets what it loads; numpy loads once
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
# A plan that is flown in half the time of the Heron.
SMALL = """
[rig]
name = "Heron"
period_ms = 14
[supply]
voltage_v = 7.4
minimum_v = 6
[[device]]
name = "rudder"
channel = 1
control = "rudder stick"
high_when = "right"
failsafe = 0
current_a = { moving = 2 }
[[device]]
name = "sustainer"
channel = 2
kind = "off-bus"
motor = true
control = "motor slider"
high_when = "full"
failsafe = -100
"""
# A test for each thing that a receiver can do wrong: subject and name of a check.
TESTS = {
    "period": ("line", "period"),
    "jitter": ("line", "jitter"),
    "missing": ("line", "missing frames"),
    "lost": ("line", "frames flagged lost"),
    "flagged": ("line", "frames flagged failsafe"),
    "damaged": ("line", "damaged frames"),
    "outage": ("line", "longest outage"),
    "glitches": ("line", "glitches"),
    "rest": ("rudder", "rest"),
    "low": ("rudder", "low end"),
    "high": ("rudder", "high end"),
    "direction": ("rudder", "direction"),
    "alone": ("rudder", "moves alone"),
    "noise": ("rudder", "noise at rest"),
    "while_lost": ("rudder", "while lost"),
    "value": ("rudder", "failsafe value"),
    "after_return": ("rudder", "after return"),
    "power_up": ("rudder", "from the first frame on"),
    "motor_rest": ("sustainer", "rest"),
    "motor_alone": ("sustainer", "moves alone"),
    "motor_value": ("sustainer", "failsafe value"),
    "motor_after_return": ("sustainer", "after return"),
    "motor_power_up": ("sustainer", "from the first frame on"),
    "shows": ("failsafe", "how it shows"),
    "delay": ("failsafe", "delay"),
    "flag": ("failsafe", "flag stays up"),
    "recovery": ("failsafe", "recovery"),
    "flag_power_up": ("power-up", "flagged until the link"),
}
AIRCRAFT = "".join(
    f"def test_{test}(aircraft):\n    aircraft.require({subject!r}, {name!r})\n"
    for test, (subject, name) in TESTS.items()
)
# Each fault, and the tests that fail with it. What was held or not flagged leaves further things untested.
FAULTS: dict[str, set[str]] = {
    # the receiver restarts whenever the rudder moves
    "brown-out": {"outage", "missing", "flag", "flag_power_up", "high", "value", "after_return", "motor_rest"},
    "sent-on:rudder": {"low", "high", "alone", "direction", "value", "after_return"},
    "sent-reversed:rudder": {"direction"},
    "sent-short:rudder": {"low", "high"},
    "sent-with:rudder": {"alone"},
    "no-failsafe": {"shows", "delay", "flag", "value", "motor_value", "motor_after_return", "flag_power_up"},
    "failsafe-held": {"value", "motor_value"},
    "failsafe-late": {"delay"},
    "failsafe-value:rudder": {"value", "power_up"},
    "failsafe-silent": {"shows", "flag", "value", "motor_value"},
    "failsafe-drops": {"flag"},
    "failsafe-stays:rudder": {"after_return"},
    "power-up-wild:rudder": {"power_up"},
    "pulse-at-rest:rudder": {"rest"},
    "pulse-between:rudder": {"motor_alone"},
    "pulse-lost:rudder": {"while_lost"},
    "pulse-failsafe:rudder": {"value"},
    "pulse-return:rudder": {"after_return"},
    "lost-frames": {"lost"},
    "missing-frames": {"missing"},
    "jitter": {"jitter"},
    "wrong-period": {"period"},
}


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


def failed_with(pytester: pytest.Pytester, *faults: str) -> set[str]:
    """Which of the tests fail on the aircraft; all others must pass."""
    pytester.makepyfile(AIRCRAFT)
    rig = pytester.path / "small.toml"
    rig.write_text(SMALL, encoding="utf-8")
    found = outcomes(pytester, f"--rig={rig}", *(word for one in faults for word in ("--aircraft-fault", one)))
    names = {kind: {name.removeprefix("test_") for name in tests} for kind, tests in found.items()}
    assert names["passed"] | names["failed"] == set(TESTS)
    return names["failed"]


def test_every_kind_of_fault_is_tried() -> None:
    kinds = {fault.partition(":")[0] for fault in FAULTS}
    assert kinds == {kind for kind in aircraft_faults.FAULTS if parse_fault(f"{kind}:rudder").shows_on_bus}
    assert set().union(*FAULTS.values()) <= set(TESTS)


def test_faults_that_only_a_walk_can_find_fail_no_test(pytester: pytest.Pytester) -> None:
    kinds = {kind for kind in aircraft_faults.FAULTS if not parse_fault(f"{kind}:rudder").shows_on_bus}
    assert kinds == {"wrong-channel", "reversed", "dead", "slow", "stalled"}
    assert failed_with(pytester, *(f"{kind}:rudder" for kind in sorted(kinds))) == set()


def test_the_good_aircraft_passes(pytester: pytest.Pytester) -> None:
    assert failed_with(pytester) == set()


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_fails_exactly_the_tests_that_are_meant_for_it(pytester: pytest.Pytester, fault: str) -> None:
    assert failed_with(pytester, fault) == FAULTS[fault]


@pytest.mark.parametrize(
    ("ports", "worker", "bus"),
    [
        ([], "gw3", "virtual:"),
        (["virtual:?seed=2"], "gw3", "virtual:?seed=2"),
        (["/dev/a", "/dev/b"], None, "/dev/a"),
        (["/dev/a", "/dev/b"], "gw0", "/dev/a"),
        (["/dev/a", "/dev/b"], "gw1", "/dev/b"),
        (["virtual:?seed=2", "virtual:?seed=3"], "gw1", "virtual:?seed=3"),
    ],
)
def test_each_worker_has_a_port_of_its_own(
    monkeypatch: pytest.MonkeyPatch, ports: list[str], worker: str | None, bus: str
) -> None:
    monkeypatch.delenv("PYTEST_XDIST_WORKER", raising=False)
    if worker is not None:
        monkeypatch.setenv("PYTEST_XDIST_WORKER", worker)
    assert pytest_plugin._bus_of(ports) == bus


def test_a_worker_without_a_port_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTEST_XDIST_WORKER", "gw2")
    with pytest.raises(pytest.fail.Exception) as failed:
        pytest_plugin._bus_of(["/dev/a", "/dev/b"])
    assert str(failed.value) == "worker 3 has no port: give --bus=PORT once per worker of -n"


EACH_WORKER = """
def test_the_bus_is_my_own(bus, worker_id):
    data = b""
    while len(data) < 200:
        data += b"".join(chunk.data for chunk in bus.read(1.0))
    assert set(data) == {int(worker_id.removeprefix("gw"))}
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_eight_workers_read_eight_ports_at_once(pytester: pytest.Pytester) -> None:
    # Takes as long as eight interpreters with a port process each take to start.
    outlets = [PtyOutlet() for _ in range(8)]
    is_over = threading.Event()

    def feed() -> None:
        while not is_over.wait(0.01):
            for number, outlet in enumerate(outlets):
                outlet.write(bytes([number]) * 25)

    feeder = threading.Thread(target=feed)
    feeder.start()
    try:
        pytester.makepyfile(EACH_WORKER)
        aside = ("-p", "no:hypothesispytest", "-p", "no:asyncio")
        buses = [f"--bus={outlet.name}" for outlet in outlets]
        done = pytester.runpytest_subprocess(*aside, "-n8", "--dist=each", *buses, timeout=60)
    finally:
        is_over.set()
        feeder.join()
        for outlet in outlets:
            outlet.close()
    done.assert_outcomes(passed=8)


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
