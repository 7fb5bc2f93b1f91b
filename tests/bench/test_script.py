"""Programs and runs for scripts: what locks a program, what may be sent, and how a run ends."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.bench import script
from busbench.bench.receiver import Reception
from busbench.bench.safety import LISTEN_S
from busbench.bench.script import DriveProgram, DriveRun, open_port, read_program, sign_off
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.errors import DriveError, PortError, PortLost
from busbench.line import BUS_LINE, Chunk
from busbench.port.pacer import FrameSource, Transmission
from busbench.port.port import HearingPort
from busbench.rig.load import read_rig
from busbench.wire.codec import pack_frames
from tests.bench.test_parity import keep_answers
from tests.cli.running import CAPTURES
from tests.drive.helpers import make
from tests.rig.rigs import device, rig

SINE = {"channel": 1, "shape": "sine", "low": 900, "high": 1100, "period": 1, "cycles": 1}


@pytest.fixture(autouse=True)
def _no_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(script, "LISTEN_S", 0)


class Sender(HearingPort):
    """Sends a frame in each read, by a script of what happens in them."""

    def __init__(self, source: str = "far", *, on_read: Callable[[int], None] = lambda _: None) -> None:
        super().__init__(source, line=BUS_LINE)
        self.on_read, self.reads, self.stops = on_read, 0, 0
        self.source_of_frames: DriveSource | None = None
        self.how: Transmission | None = None
        self.frames: list[bytes] = []
        self.waits_s: list[float] = []

    def read(self, timeout_s: float) -> list[Chunk]:
        self.reads += 1
        self.waits_s.append(timeout_s)
        self.on_read(self.reads)
        if self.source_of_frames is not None and self.how is not None and not self.how.is_over:
            frame = self.source_of_frames.next_frame()
            self.frames += [] if frame is None else [frame]
            reason = "stopped" if self.stops else ""
            self.how = Transmission(len(self.frames), is_over=frame is None, reason=reason)
        return [Chunk(self.reads, b"a")]

    @property
    def transmission(self) -> Transmission | None:
        return self.how

    def transmit(self, source: FrameSource) -> None:
        assert isinstance(source, DriveSource)
        self.source_of_frames, self.how = source, Transmission()

    def stop_transmission(self) -> None:
        assert self.source_of_frames is not None
        self.stops += 1
        self.source_of_frames.request_stop()


def program(**top: object) -> LockedProgram:
    return DriveProgram(make(SINE, frame_period=0.02, **top)).without_motor()


def test_a_program_is_sent_to_its_end_and_all_is_heard() -> None:
    port, heard = Sender(), list[Reception]()
    how = DriveRun(port, program(), armed=True, listener=heard.append).wait()
    assert (how.is_over, how.reason, how.frames) == (True, "", len(port.frames))
    assert how.frames >= 50
    assert len(heard) == port.reads + 1  # with the end
    assert port.waits_s == [0.05] * (port.reads - 1) + [0.2]  # at last for what the last frames caused
    assert port.stops == 0


def test_the_end_state_is_the_one_asked_for() -> None:
    held, rested = Sender(), Sender()
    offset = {"channel": 1, "shape": "hold", "level": 1800, "duration": 0.1}
    locked = DriveProgram(make(offset, frame_period=0.02)).without_motor()
    DriveRun(held, locked, armed=True, end=EndState.SILENCE).wait()
    DriveRun(rested, locked, armed=True).wait()
    assert rested.frames[-1] != held.frames[-1]
    assert rested.frames[: len(held.frames)] == held.frames


def test_a_real_port_must_be_armed_and_a_virtual_one_need_not() -> None:
    with pytest.raises(DriveError, match="far: nothing was sent, since it is not armed"):
        DriveRun(Sender(), program(), armed=False)
    assert DriveRun(Sender("virtual:heron.toml"), program(), armed=False).wait().frames > 0


def test_nothing_is_sent_where_another_sender_is_on_the_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(script, "LISTEN_S", LISTEN_S)

    class Busy(Sender):
        def read(self, timeout_s: float) -> list[Chunk]:
            time.sleep(0.014)
            return [Chunk(time.perf_counter_ns(), pack_frames(np.full((1, 16), 992, np.uint16)).tobytes())]

    port = Busy()
    with pytest.raises(PortError) as caught:
        DriveRun(port, program(), armed=True).wait()
    assert port.how is None
    assert re.fullmatch(
        r"far: nothing was sent, since another sender is on the line \(\d+ frames came\):"
        " unplug the bus lead from the receiver, or the receive wire",
        str(caught.value),
    )


@pytest.mark.parametrize("by_key", [False, True])
def test_a_stop_goes_to_the_end_state(by_key: bool) -> None:
    run: DriveRun | None = None

    def stop(number: int) -> None:
        if number == 20:
            if by_key:
                raise KeyboardInterrupt
            assert run is not None
            run.stop()

    port = Sender(on_read=stop)
    run = DriveRun(port, program(), armed=True)
    how = run.wait()
    assert (how.reason, how.is_over, port.stops) == ("stopped", True, 1)
    assert port.frames[-1] == port.frames[0]  # at rest again


def test_a_run_that_is_broken_off_says_that_positions_are_unknown() -> None:
    port = Sender()

    def breaks(number: int) -> None:
        if number == 10:
            port.how, port.source_of_frames = Transmission(9, is_over=True, reason="the port was unplugged"), None

    port.on_read = breaks
    with pytest.raises(PortLost) as caught:
        DriveRun(port, program(), armed=True).wait()
    assert str(caught.value) == "far: the port was unplugged: the positions of the surfaces are not known"


def test_each_way_to_lock_a_program_states_its_motors() -> None:
    made = DriveProgram(make(SINE))
    assert made.duration_s == made.program.duration_s == 1.0
    limits = made.with_motor(3, 18).program.limits
    assert [channel + 1 for channel in range(18) if limits.is_locked(channel)] == [3, 18]
    assert not any(made.without_motor().program.limits.is_locked(channel) for channel in range(18))
    planned = made.locked_for(rig(device("motor", 5, "motor = true", 'kind = "off-bus"', failsafe="-100")))
    assert [channel + 1 for channel in range(18) if planned.program.limits.is_locked(channel)] == [5]
    with pytest.raises(DriveError) as caught:
        made.locked_for(rig(device("motor", 5, 'kind = "off-bus"')))
    assert caught.value.what == (
        "Heron: nothing was sent, since the plan does not say what can turn a propeller (motor)"
    )
    assert "--motor" not in caught.value.hint


def test_a_program_is_read_from_its_file_and_a_port_by_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "sweep.toml"
    path.write_text('[[part]]\nchannel = 1\nshape = "hold"\nlevel = 10\nduration = 2\n', encoding="utf-8")
    assert read_program(path).duration_s == 2.0
    asked: list[object] = []
    monkeypatch.setattr(script, "open_source", lambda source, line: asked.append((source, line)))
    open_port("far")
    assert asked == [("far", BUS_LINE)]


def test_a_verdict_counts_the_answers_outputs_and_earlier_recording_that_are_named(tmp_path: Path) -> None:
    keep_answers(tmp_path)
    path, rig_ = CAPTURES / "heron-outputs.vcd", read_rig(CAPTURES / "heron.toml")
    recording = read_recording(path)
    answers = tmp_path / "heron.walk.json"
    inputs = {"walk": {"answers": answers}, "pulse": {"pulses": path}, "change": {"baseline": path}}
    for given in ((False, False, False), (True, False, True), (False, True, True)):
        named = [part for part, is_given in zip(inputs, given, strict=True) if is_given]
        done = sign_off(recording, rig_, **{key: value for part in named for key, value in inputs[part].items()})
        assert {check.part for check in done.found.checks} & set(inputs) == set(named)
        assert (done.answers is not None, done.compared is not None) == (given[0], given[2])
        if done.compared is not None:  # latency is that of pulse outputs, if both have them
            assert any(one.what == "latency" for one in done.compared.found.figures) is given[1]
            assert done.compared.old == str(path)
