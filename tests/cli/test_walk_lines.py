"""What a walk on a port shows between its questions: the countdown, how it goes, and what was sent."""

from __future__ import annotations

from contextlib import ExitStack, nullcontext
from types import SimpleNamespace

import pytest

from busbench.bench.receiver import Receiver
from busbench.bench.surface_plan import begin_walk, plan_walk
from busbench.bench.surface_session import SurfaceSession
from busbench.cli import progress
from busbench.cli.walk import WalkTexts, _open_port, _rehearse
from busbench.drive.surface_check import SurfacePhase
from busbench.errors import PortError, PortLost
from busbench.line import BUS_LINE, Chunk
from busbench.port.port import EventKind, FrameSource, HearingPort, PortEvent, Transmission
from busbench.rig.load import parse_rig
from busbench.sim.aircraft_faults import FAULTS, parse_fault
from tests.cli.running import SMALL

pytestmark = pytest.mark.usefixtures("wide")


class Sending(HearingPort):
    """A port that sends for as many reads as it is asked to, and then has sent all."""

    def __init__(self, reads: int) -> None:
        super().__init__("/dev/ttyHERON", line=BUS_LINE)
        self._reads, self._left = reads, -1

    def read(self, timeout_s: float) -> list[Chunk]:
        self._left -= self._left > 0
        return []

    def transmit(self, source: FrameSource) -> None:
        self._left = self._reads

    def stop_transmission(self) -> None: ...

    @property
    def transmission(self) -> Transmission | None:
        if self._left < 0:
            return None
        return Transmission(100 * (self._reads - self._left), is_over=self._left == 0)


def test_each_motion_is_counted_down_shown_and_reported(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(progress, "is_terminal", lambda: True)
    monkeypatch.setattr(progress, "SHOW_S", 0)
    plan = plan_walk(parse_rig(SMALL), rig_path="small.toml", port="/dev/ttyHERON")
    receiver, now_ns = Receiver(Sending(3)), 0

    def now() -> int:
        return now_ns

    monkeypatch.setattr("busbench.cli.walk.time", SimpleNamespace(monotonic=lambda: now_ns / 1e9))
    session = SurfaceSession(receiver, begin_walk(plan), now_ns=now)
    answers = {SurfacePhase.READY: ["\r"], SurfacePhase.ASKING: ["r", "e"]}

    def key(seconds: float) -> str:
        nonlocal now_ns
        now_ns += 250_000_000
        left = answers.get(session.walk.phase, []) if seconds else []
        return left.pop(0) if left else ""

    assert not WalkTexts(session, receiver, read_key=key).go()
    motion = [
        "moving left aileron: up first; any key stops",
        *(f"moving in {seconds} s; any key cancels" for seconds in (3, 2, 1)),
        "\r1.4 s, 100 frames, 0 late, 0 skipped\r300 frames sent, 0 late, 0 skipped, worst lateness 0.000 ms",
        "Did left aileron move, and nothing else?  [y] yes  [n] no  [r] repeat  [k] skip  [t] note  [e] end",
    ]
    ready = "1 of 2: left aileron, channel 1, up first  [Enter] move  [k] skip  [t] note  [e] end"
    assert capsys.readouterr().err.split("\n") == [ready, *motion, *motion, ""]


def test_a_port_that_is_lost_ends_the_note_that_is_typed(capsys: pytest.CaptureFixture[str]) -> None:
    class Losing(HearingPort):
        def read(self, timeout_s: float) -> list[Chunk]:
            if not keys:
                raise PortLost(self.source, "its child is gone", hint="start again")
            return []

    plan = plan_walk(parse_rig(SMALL), rig_path="small.toml", port="/dev/ttyHERON")
    receiver, keys = Receiver(Losing("/dev/ttyHERON", line=BUS_LINE)), ["t", "h", "u", "m"]
    session = SurfaceSession(receiver, begin_walk(plan))

    def key(seconds: float) -> str:
        assert keys, "busbench waits for a key of a walk that is over"
        return keys.pop(0)

    assert not WalkTexts(session, receiver, read_key=key).go()
    assert session.lost == "its child is gone"
    assert capsys.readouterr().err.splitlines()[1:] == ["note: hum"]


class Plugged(HearingPort):
    """A port with one event."""

    def __init__(self, kind: EventKind) -> None:
        super().__init__("/dev/ttyHERON", line=BUS_LINE)
        self._events = [PortEvent(0, kind, "it happens")]

    def read(self, timeout_s: float) -> list[Chunk]:
        return []


def test_a_port_is_opened_to_send_and_looked_at_before_the_first_question(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened: list[tuple[str, dict[str, object]]] = []

    def open_live(name: str, **how: object) -> nullcontext[HearingPort]:
        opened.append((name, how))
        return nullcontext(port)

    monkeypatch.setattr("busbench.bench.sources.open_live", open_live)
    port = Plugged(EventKind.WARNING)
    assert _open_port("/dev/ttyHERON", ExitStack()).port is port
    assert opened == [("/dev/ttyHERON", {"is_sender": True})]
    assert capsys.readouterr().err == "/dev/ttyHERON: it happens\n"
    port = Plugged(EventKind.UNPLUGGED)
    with pytest.raises(PortError, match=r"^/dev/ttyHERON: the port was unplugged: see to the port, then start again$"):
        _open_port("/dev/ttyHERON", ExitStack())


def test_a_rehearsal_names_the_faults_that_no_walk_shows(capsys: pytest.CaptureFixture[str]) -> None:
    plan = plan_walk(parse_rig(SMALL), rig_path="small.toml", port="virtual:")
    _rehearse(plan, [parse_fault("dead:rudder"), parse_fault("jitter")])
    assert capsys.readouterr().err == f"jitter is not seen on a walk; {FAULTS['jitter'].shows}\n"
    _rehearse(plan, [parse_fault("reversed:rudder")])
    assert capsys.readouterr().err == ""
