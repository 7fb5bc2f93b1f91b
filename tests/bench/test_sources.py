"""What a name is: a port, an address, a virtual receiver or aircraft, or a file; and what is refused."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from busbench.bench import sources
from busbench.bench.sources import (
    aircraft_path,
    has_pilot,
    is_live,
    is_virtual,
    open_aircraft,
    open_live,
    open_source,
    require_port,
    rig_in,
)
from busbench.errors import PortError, PortMissing
from busbench.line import BUS_LINE, LineSettings
from busbench.rig.load import read_rig
from busbench.sim.aircraft_faults import parse_fault
from tests.cli.running import CAPTURES

HERON = str(CAPTURES / "heron.toml")


@pytest.mark.parametrize(
    ("source", "is_port"),
    [
        ("virtual:", True), ("virtual:heron.toml", True), ("virtual", False),
        ("socket://127.0.0.1:7000", True), ("s3://bucket/a.pcapng", False), ("https://heron/a.pcapng", False),
        ("COM3", True), ("com12", True), ("COM", False), ("COMPASS", False), ("COM3.csv", False), ("XCOM3", False),
        ("\\\\.\\COM10", True), ("\\\\COM10", False),
        ("/dev/ttyUSB7", True), ("dev/ttyUSB7", False), (os.devnull, True),
        ("a.pcapng", False), ("-", False), ("there", True), ("elsewhere", False),
    ],
)  # fmt: skip
def test_a_port_is_known_by_its_name(source: str, is_port: bool) -> None:
    assert is_live(source, ports=("here", "there")) is is_port


@pytest.mark.skipif(sys.platform == "win32", reason="nodes are POSIX")
def test_a_link_to_a_device_is_a_port(tmp_path: Path) -> None:
    (tmp_path / "port").symlink_to(os.devnull)
    (tmp_path / "file").touch()
    assert [is_live(str(tmp_path / name)) for name in ("port", "file", "gone")] == [True, False, False]


@pytest.mark.parametrize(
    ("source", "rig_path", "aircraft", "pilot"),
    [
        ("virtual:", None, "own.toml", True),
        ("virtual:?seed=3", None, "own.toml", False),
        ("virtual:heron.toml", "heron.toml", "heron.toml", True),
        ("virtual:heron.toml?seed=3", "heron.toml", "heron.toml", True),
        ("virtual:what?.toml?seed=3", "what?.toml", "what?.toml", True),
        ("/dev/ttyUSB0", None, None, False),
        ("heron.toml", None, None, False),
    ],
)
def test_a_virtual_source_may_name_a_rig_file(
    source: str, rig_path: str | None, aircraft: str | None, pilot: bool
) -> None:
    assert (rig_in(source), aircraft_path(source, "own.toml"), has_pilot(source)) == (rig_path, aircraft, pilot)
    assert is_virtual(source) is source.startswith("virtual:")
    assert aircraft_path("virtual:", None) is None


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("virtual", "did you mean virtual: (with its colon)?"),
        ("Virtuel?seed=3", "did you mean virtual: (with its colon)?"),
        ("ttyHERON", "plug it in; `busbench ports` lists what is there, now "),
    ],
)
def test_a_port_that_is_missing_may_lack_its_colon(source: str, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    for tries in (lambda: require_port(source, then="read it"), lambda: open_live(source)):
        if sys.platform == "win32":
            continue  # no node says that it is missing
        with pytest.raises(PortMissing) as caught:
            tries()
        assert (caught.value.port, caught.value.problem) == (source, "port not found")
        assert caught.value.hint.startswith(words)


def test_an_address_is_tried_when_it_is_opened_and_a_file_is_no_port(tmp_path: Path) -> None:
    require_port("socket://127.0.0.1:1", then="read it")
    (tmp_path / "f.raw").touch()
    with pytest.raises(PortError, match="is a file, not a port: read it"):
        require_port(str(tmp_path / "f.raw"), then="read it")


@pytest.mark.parametrize("query", ["seed=x", "seed=", "speed=slow", "seed=3&speed", "pilot=1", "seed=-1"])
def test_a_virtual_aircraft_has_a_seed_and_a_speed(query: str) -> None:
    with pytest.raises(PortError, match=r"is not understood: give it as in virtual:heron\.toml"):
        open_aircraft(f"virtual:{HERON}?{query}")


@pytest.mark.parametrize(
    ("query", "is_fast", "speeds"),
    [("", None, False), ("?speed=real", None, False), ("?speed=max", None, True), ("?speed=max&seed=7", None, True),
     ("?speed=max", False, False), ("", True, True)],
)  # fmt: skip
def test_the_source_says_how_fast_unless_the_caller_does(
    query: str, is_fast: bool | None, speeds: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: dict[str, object] = {}

    class Port:
        def __init__(self, source: str, *, aircraft: object, **more: object) -> None:
            made.update(more, source=source)

    monkeypatch.setattr("busbench.sim.aircraft_port.AircraftPort", Port)
    open_aircraft(f"virtual:{HERON}{query}", is_fast=is_fast)
    assert (made["is_fast"], made["flies_alone"]) == (speeds, False)
    open_source(f"virtual:{HERON}{query}", is_fast=is_fast, flies_alone=True)
    assert (made["is_fast"], made["flies_alone"], made["source"]) == (speeds, True, f"virtual:{HERON}{query}")


def test_seeds_make_other_aircraft(monkeypatch: pytest.MonkeyPatch) -> None:
    seeds: list[object] = []

    class Aircraft:
        def __init__(self, rig: object, *, faults: object, seed: int) -> None:
            seeds.append(seed)

    monkeypatch.setattr("busbench.sim.aircraft.VirtualAircraft", Aircraft)
    monkeypatch.setattr("busbench.sim.aircraft_port.AircraftPort", lambda *_, **__: None)
    for query in ("", "?seed=0", "?seed=12"):
        open_aircraft(f"virtual:{HERON}{query}")
    assert seeds == [1, 0, 12]


def test_plain_virtual_is_an_aircraft_with_a_plan_alone() -> None:
    rig = read_rig(HERON)
    with pytest.raises(PortError, match=r"names no rig file: give it as in virtual:heron\.toml"):
        open_aircraft("virtual:")
    assert type(open_source("virtual:", rig=rig)).__name__ == "AircraftPort"
    assert type(open_source("virtual:?seed=3", rig=rig)).__name__ == "VirtualPort"
    assert type(open_source("virtual:")).__name__ == "VirtualPort"
    with pytest.raises(PortError, match="--fault: works with virtual:RIG only: leave it out"):
        open_source("virtual:", faults=[parse_fault("jitter")])


def test_a_port_is_opened_as_it_was_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []

    def ask(source: str, *, line: LineSettings, is_sender: bool) -> None:
        asked.append((source, line, is_sender))

    monkeypatch.setattr("busbench.port.port.open_client", ask)
    sources.open_live("/dev/ttyHERON")
    sources.open_live("/dev/ttyHERON", is_sender=True)
    sources.open_source("/dev/ttyHERON")
    assert asked == [("/dev/ttyHERON", BUS_LINE, is_sender) for is_sender in (False, True, False)]
