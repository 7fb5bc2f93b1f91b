"""pytest plugin: test hardware on the serial servo bus, or a virtual receiver and aircraft.

    pytest --bus=/dev/ttyUSB0 --rig=heron.toml

    @pytest.mark.frames(least=100, most_missed=0)
    def test_no_frame_is_lost(recording):
        recording(seconds=2)

    def test_the_rudder_reaches_its_endpoints(aircraft):
        aircraft.require("rudder", "high end")

The recording of a test that failed is kept, and its name is in the report.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from busbench.analysis.recording import Recording
    from busbench.bench.sign_off import SignOff
    from busbench.port.port import LivePort
    from busbench.verify.result import Check

_KEPT = pytest.StashKey[list[Path]]()
_MADE = pytest.StashKey[list["Recording"]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options of the plugin."""
    group = parser.getgroup("busbench", "serial servo bus")
    group.addoption(
        "--bus", action="append", default=[], metavar="PORT",
        help="port under test; with several workers (-n), give one for each of them in turn [virtual:]",
    )  # fmt: skip
    group.addoption("--rig", default=None, metavar="RIG.toml", help="plan of the aircraft under test")
    group.addoption(
        "--aircraft-fault", action="append", default=[], metavar="KIND[:DEVICE[:VALUE]]",
        help="build a fault into the virtual aircraft",
    )  # fmt: skip
    group.addoption(
        "--keep-recordings", default="failed-recordings", metavar="DIR",
        help="folder for recordings of failed tests [failed-recordings]",
    )  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    """Declare the marker of the plugin."""
    words = "frames(least=N, most_missed=N): fail where recordings of the test hold fewer frames, or more are missed"
    config.addinivalue_line("markers", words)


@pytest.fixture
def bus(request: pytest.FixtureRequest) -> Iterator[LivePort]:
    """The open port of --bus, by default a virtual receiver."""
    from busbench.bench.sources import open_source

    with open_source(_bus_of(request.config.getoption("--bus"))) as port:
        yield port


def _bus_of(ports: Sequence[str]) -> str:
    """The port of this worker: each has its own, but any number may share a virtual receiver."""
    from busbench.bench.sources import VIRTUAL, is_virtual

    if not ports or (len(ports) == 1 and is_virtual(ports[0])):
        return ports[0] if ports else VIRTUAL
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    if worker >= len(ports):
        pytest.fail(f"worker {worker + 1} has no port: give --bus=PORT once per worker of -n", pytrace=False)
    return ports[worker]


class BusRecorder:
    """Records the bus; call it with a duration."""

    def __init__(self, port: LivePort, folder: Path) -> None:
        self._port, self._folder = port, folder
        self.paths: list[Path] = []
        self.made: list[Recording] = []

    def __call__(self, *, seconds: float) -> Recording:
        """Record for this time, or until the source ends.

        Raises:
            PortError: the port is lost; what was recorded is kept.
        """
        from busbench.analysis.recording import read_recording
        from busbench.bench.receiver import LOOK_S, LinkState, Receiver

        path = self._folder / f"bus-{len(self.paths) + 1}.pcapng"
        self.paths.append(path)
        until = time.monotonic() + seconds
        with Receiver(self._port, record=str(path)) as receiver:
            while receiver.state is not LinkState.ENDED and (left := until - time.monotonic()) > 0:
                receiver.pump(min(LOOK_S, left))
        self.made.append(read_recording(path))
        return self.made[-1]


@pytest.fixture
def recording(request: pytest.FixtureRequest, bus: LivePort, tmp_path: Path) -> BusRecorder:
    """Records the bus: `recording(seconds=2)` gives the recording, with its outages, timing and channels."""
    recorder = BusRecorder(bus, tmp_path)
    request.node.stash[_KEPT] = recorder.paths
    request.node.stash[_MADE] = recorder.made
    return recorder


class Aircraft:
    """A virtual aircraft after its whole test sequence, which is recorded, held against its plan."""

    def __init__(self, found: SignOff, path: Path) -> None:
        self.found, self.path = found, path

    def checks(self, subject: str, name: str = "") -> Sequence[Check]:
        """Checks whose subject contains a text, for example a device's name; of one check name if given."""
        return [
            check
            for check in self.found.found.checks
            if re.search(rf"\b{re.escape(subject)}\b", check.subject) and name in ("", check.name)
        ]

    def require(self, subject: str, name: str = "") -> None:
        """Fail the test unless these checks exist and all passed.

        Args:
            subject: part of the subject, for example "rudder", "line" or "failsafe".
            name: name of the check; empty for all checks of the subject.
        """
        from busbench.verify.result import Verdict

        checks = self.checks(subject, name)
        amiss = [f"{one.subject}: {one.name}: {one.verdict.value}: {one.message}" for one in checks
                 if one.verdict is not Verdict.PASS]  # fmt: skip
        if not checks or amiss:
            pytest.fail("\n".join(amiss) or f"no check of {subject}{name and ': '}{name}", pytrace=False)


@pytest.fixture(scope="session")
def flown_aircraft(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Aircraft:
    """The virtual aircraft of --rig after one test sequence; see `aircraft`."""
    from busbench.analysis.recording import read_recording
    from busbench.bench.receiver import Receiver
    from busbench.bench.sign_off import sign_off
    from busbench.bench.sources import VIRTUAL, open_aircraft
    from busbench.rig.load import read_rig
    from busbench.sim.aircraft_faults import parse_fault

    rig_path = request.config.getoption("--rig")
    if rig_path is None:
        pytest.fail("the fixture aircraft needs --rig=RIG.toml", pytrace=False)
    faults = [parse_fault(text) for text in request.config.getoption("--aircraft-fault")]
    path = tmp_path_factory.mktemp("aircraft") / "sequence.pcapng"
    with open_aircraft(f"{VIRTUAL}{rig_path}?speed=max", faults=faults, flies_alone=True) as port:
        for _ in Receiver(port, record=str(path)):
            pass
    return Aircraft(sign_off(read_recording(path), read_rig(rig_path)), path)


@pytest.fixture
def aircraft(request: pytest.FixtureRequest, flown_aircraft: Aircraft) -> Aircraft:
    """The virtual aircraft of --rig after its test sequence, with the faults of --aircraft-fault."""
    request.node.stash[_KEPT] = [flown_aircraft.path]
    return flown_aircraft


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Generator[None, object, object]:
    """Check the recordings of a test against its marker `frames`."""
    result = yield
    mark = pyfuncitem.get_closest_marker("frames")
    if mark is not None:
        _require_frames(pyfuncitem.stash.get(_MADE, []), **mark.kwargs)
    return result


def _require_frames(made: list[Recording], *, least: int = 1, most_missed: int | None = None) -> None:
    frames = sum(len(one.frames) for one in made)
    if frames < least:
        pytest.fail(f"{frames} frames recorded, at least {least} wanted", pytrace=False)
    missed = [one.outages().missed for one in made]
    if most_missed is not None and (None in missed or sum(filter(None, missed)) > most_missed):
        words = "cannot be counted" if None in missed else f"{sum(filter(None, missed))} missed"
        pytest.fail(f"frames: {words}, at most {most_missed} wanted", pytrace=False)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Keep the recordings of a test that failed, and name them in its report."""
    report = yield
    if report.when == "call" and report.failed:
        kept = [str(_keep(path, item)) for path in item.stash.get(_KEPT, []) if path.exists()]
        if kept:
            report.sections.append(("busbench recording", "\n".join(kept)))
    return report


def _keep(path: Path, item: pytest.Item) -> Path:
    folder = Path(item.config.invocation_params.dir, str(item.config.getoption("--keep-recordings")))
    folder.mkdir(parents=True, exist_ok=True)
    name = re.sub(r"[^\w.-]+", "-", item.nodeid).strip("-")
    target = folder / f"{name}-{path.name}"
    number = 1
    while target.exists():
        number += 1
        target = folder / f"{name}-{path.stem}-{number}{path.suffix}"
    shutil.copyfile(path, target)
    return target
