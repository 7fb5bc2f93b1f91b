"""Several receivers on one clock: each in its interface, none held up by another."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from busbench.analysis.recording import read_recording, read_recordings
from busbench.bench.rack import Rack
from busbench.capture.base import Origin, ReadOptions
from busbench.cli.main import run
from busbench.errors import BusbenchError, CaptureError, PortError
from busbench.line import Chunk
from busbench.port.port import EventKind
from tests.tui.ports import START_NS, Hands, ScriptedPort

LEFT, RIGHT = "virtual:?period=10ms", "virtual:?period=14ms"


class Rackful:
    """A rack whose time is the test's."""

    def __init__(self, *sources: str, **more: object) -> None:
        self.hands = Hands()
        self.ports = [ScriptedPort(self.hands, source) for source in sources]
        self.rack = Rack(self.ports, now=self.hands, **more)  # type: ignore[arg-type]

    def pass_s(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.1)):
            self.hands.t_ns += 100_000_000
            self.rack.pump(0)


def read(path: Path, interface: str) -> tuple[int, list[tuple[float, str]], Origin]:
    got = read_recording(path, options=ReadOptions(interface=interface))
    start_ns = got.info.start_utc_ns or 0
    zero_ns = read_recording(path, options=ReadOptions(interface="0")).span.first_t_ns or 0
    assert start_ns == 0
    return len(got.frames), [((m.t_ns - zero_ns) / 1e9, m.text) for m in got.info.marks], got.info.origin


def test_each_port_has_an_interface_on_one_clock(tmp_path: Path) -> None:
    path = tmp_path / "pair.pcapng"
    made = Rackful(LEFT, RIGHT, record=str(path), units=["left", "right"], note="range check")
    made.pass_s(2)
    made.ports[1].happens(EventKind.UNPLUGGED, "unplugged")
    made.ports[1].is_mute = True
    made.pass_s(1)
    made.rack.finish()
    assert read(path, "0") == (300, [], Origin("left", "range check"))
    frames, marks, origin = read(path, "1")
    assert (frames, origin) == (143, Origin("right", "range check"))
    assert [(round(t_s, 1), text) for t_s, text in marks] == [(2.0, "unplugged"), (3.0, "recording ended")]
    assert read(path, "right") == (frames, marks, origin)
    both = read_recordings(path)
    assert [(one.info.origin.unit, len(one.frames)) for one in both] == [("left", 300), ("right", 143)]
    # one clock: both began at the same time
    assert both[0].span.first_t_ns is not None
    assert both[1].span.first_t_ns is not None
    assert abs(both[0].span.first_t_ns - both[1].span.first_t_ns) < 5_000_000


def test_without_a_choice_the_interfaces_are_named(tmp_path: Path) -> None:
    path = tmp_path / "pair.pcapng"
    made = Rackful(LEFT, RIGHT, record=str(path), units=["left", "right"])
    made.pass_s(1)
    made.rack.finish()
    with pytest.raises(CaptureError, match="holds frames of several serial interfaces") as caught:
        read_recording(path)
    assert caught.value.hint == (f"choose one with --interface NUMBER; it holds 0 ({LEFT}, left), 1 ({RIGHT}, right)")


def test_a_port_that_is_lost_holds_up_no_other(tmp_path: Path) -> None:
    path = tmp_path / "pair.pcapng"
    made = Rackful(LEFT, RIGHT, record=str(path))
    made.pass_s(1)
    made.ports[0].fails = "is gone"
    made.pass_s(1)
    assert [(number, str(error).split(": ")[-2]) for number, error in made.rack.lost.items()] == [(0, "is gone")]
    assert not made.rack.has_ended
    made.ports[1].fails = "is gone too"
    with pytest.raises(PortError, match="is gone too"):
        made.pass_s(0.1)
    assert made.rack.has_ended
    made.rack.finish()
    assert [len(one.frames) for one in read_recordings(path)] == [100, 143]


def test_units_are_one_for_all_or_one_for_each() -> None:
    with pytest.raises(BusbenchError, match="--unit: 2 units for 3 ports: give one for all"):
        Rackful(LEFT, LEFT, LEFT, units=["a", "b"])


def test_a_silent_port_is_one_of_the_recordings(tmp_path: Path) -> None:
    path = tmp_path / "pair.pcapng"
    made = Rackful(LEFT, RIGHT, record=str(path))
    made.ports[1].is_mute = True
    made.pass_s(1)
    made.rack.finish()
    assert [len(one.frames) for one in read_recordings(path)] == [100, 0]


def test_what_was_recorded_stands_in_every_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, kept = tmp_path / "f.pcapng", tmp_path / "kept.pcapng"
    source = "virtual:?speed=max&duration=2s"
    words = ["--unit", "Heron, <left>", "--note", "wing on"]
    assert run(["record", source, "-o", str(path), *words]) == 0
    assert run(["convert", str(path), "-o", str(kept)]) == 0
    origin = {"unit": "Heron, <left>", "note": "wing on", "adapter_serial": None}
    for command in ("outages", "timing", "channels"):
        capsys.readouterr()
        assert run([command, str(kept), "--format", "json"]) == 0
        assert json.loads(capsys.readouterr().out)["origin"] == origin
    page = tmp_path / "page.html"
    assert run(["report", str(kept), "-o", str(page)]) == 0
    assert "Recorded: Heron, &lt;left&gt;, wing on." in page.read_text(encoding="utf-8")
    assert START_NS  # the clock of scripted ports


def test_several_ports_are_read_after_a_wait_and_one_waits_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    waits: list[object] = []

    def read(timeout_s: float) -> list[Chunk]:
        waits.append(("read", timeout_s))
        return []

    monkeypatch.setattr(time, "sleep", lambda seconds: waits.append(("sleep", seconds)))
    for sources in ((LEFT,), (LEFT, RIGHT)):
        made = Rackful(*sources)
        for port in made.ports:
            monkeypatch.setattr(port, "read", read)
        made.rack.pump(0.2)
        made.rack.pump(0.2)
    assert waits == [("read", 0.2)] * 2 + [("sleep", 0.2), ("read", 0), ("read", 0)] * 2


def test_bytes_that_are_ahead_of_the_clock_are_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """As those of a virtual receiver at full speed."""
    waits: list[float] = []
    monkeypatch.setattr(time, "sleep", waits.append)
    made = Rackful(LEFT, RIGHT)
    made.pass_s(0.5)
    waits.clear()
    made.hands.t_ns = (made.rack.receivers[0].last_t_ns or 0) - 1
    made.rack.pump(0.2)
    assert waits == []


def test_a_unit_is_for_all_or_for_none(tmp_path: Path) -> None:
    for units, wanted in (([], ["", ""]), (["Heron"], ["Heron", "Heron"]), (["a", "b"], ["a", "b"])):
        path = tmp_path / f"{len(units)}.pcapng"
        made = Rackful(LEFT, RIGHT, record=str(path), units=units)
        made.pass_s(1)
        with made.rack as rack:
            assert rack is made.rack  # its end ends the recording
        assert [one.info.origin.unit or "" for one in read_recordings(path)] == wanted
        made.rack.finish()
