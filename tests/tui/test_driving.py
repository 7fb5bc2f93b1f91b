"""Nothing moves before all was said; any key stops; locked channels stay."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import pytest

from busbench.bench.plan_limits import NO_SOURCES, LimitSources, MotorOption
from busbench.drive.frame_source import DriveSource
from busbench.errors import PortError
from busbench.line import Chunk
from busbench.port.port import FrameSource, Transmission
from busbench.tui import palette
from busbench.tui.app_state import AppState
from busbench.tui.driving import Drive, DrivePhase
from busbench.tui.live import LiveSession
from busbench.wire.codec import pack_frames, unpack_channels
from tests.rig.rigs import device, rig
from tests.tui.ports import Hands, ScriptedPort, ticks
from tests.verify.rounds import RIG

PORT = "/dev/ttyHERON"


class SendingPort(ScriptedPort):
    """Sends what it is given, a frame each 7 ms of the test's clock, and hears it too where it echoes."""

    def __init__(self, hands: Hands, *, echoes: bool = False) -> None:
        super().__init__(hands, "virtual:?frames=off")
        self.source = PORT
        self.echoes, self.period_ns = echoes, 7_000_000
        self.stops = 0
        self.out: list[Chunk] = []
        self.sending: FrameSource | None = None
        self.how: Transmission | None = None
        self.due_ns = 0

    def read(self, timeout_s: float) -> list[Chunk]:
        while self.sending is not None and self.due_ns <= self._hands.t_ns:
            data = self.sending.next_frame()
            assert self.how is not None
            if data is None:
                self.how = Transmission(self.how.frames, is_over=True, reason="stopped" if self.stops else "")
                self.sending = None
                break
            self.how = Transmission(self.how.frames + 1)
            self.out.append(Chunk(self.due_ns, data))
            if self.echoes:
                self.queue.append(Chunk(self.due_ns, data))
            self.due_ns += self.period_ns
        return super().read(timeout_s)

    def sent(self) -> list[Chunk]:
        out, self.out = self.out, []
        return out

    @property
    def transmission(self) -> Transmission | None:
        return self.how

    def transmit(self, source: FrameSource) -> None:
        if self.is_closed:
            raise PortError(self.source, "the port is closed")
        self.sending, self.how, self.due_ns = source, Transmission(), self._hands.t_ns

    def stop_transmission(self) -> None:
        self.stops += 1
        if self.sending is not None:
            self.sending.request_stop()


NO_MOTOR = LimitSources(has_no_motor=True)
MOTOR_ON_3 = LimitSources(motors=(MotorOption(2, -100.0),))


@dataclass
class Bench:
    """A drive on a port in the hands of a test."""

    echoes: bool = False
    ui: AppState = field(
        default_factory=lambda: AppState(palette.of_theme("bench-dark"), is_armed=True, sources=NO_MOTOR)
    )

    def __post_init__(self) -> None:
        self.hands = Hands()
        self.port = SendingPort(self.hands, echoes=self.echoes)
        self.session = LiveSession(self.port, now=self.hands)
        self.ui.session = self.session
        self.drive = Drive(self.ui)
        self.frames: list[bytes] = []

    def pass_s(self, seconds: float) -> None:
        for tick_s in ticks(seconds):
            self.hands.t_ns += round(tick_s * 1e9)
            self.session.tick(tick_s)
            seen = len(self.drive.sent)
            if self.ui.mover is not None:
                self.ui.mover.tick(tick_s)
            self.frames += [one.data for one in list(self.drive.sent)[seen:]]

    def begin(self) -> None:
        self.drive.go_on()
        self.drive.go_on()
        assert self.is_in(DrivePhase.COUNTING)
        self.pass_s(3.0)
        assert self.is_in(DrivePhase.MOVING)

    def is_in(self, phase: DrivePhase) -> bool:
        return self.drive.phase is phase


@pytest.mark.parametrize(
    ("is_armed", "is_said", "words"),
    [
        (False, True, "Not armed: leave with q and start again with --arm"),
        (True, False, "It is not said which channel drives a motor: leave with q and start again with --motor CH"),
        (False, False, "Not armed, and it is not said which channel drives a motor: leave with q and start again with"),
    ],
)
def test_without_arming_and_an_answer_nothing_is_transmitted(is_armed: bool, is_said: bool, words: str) -> None:
    bench = Bench(
        ui=AppState(palette.of_theme("bench-dark"), is_armed=is_armed, sources=NO_MOTOR if is_said else NO_SOURCES)
    )
    for _ in range(4):
        bench.drive.go_on()
        bench.pass_s(5.0)
    assert bench.drive.phase is not DrivePhase.MOVING
    assert bench.port.how is None
    bench.drive.phase = DrivePhase.CAUTIONS
    bench.drive.go_on()
    assert bench.drive.said.startswith(words)
    assert bench.ui.mover is None


def test_cautions_come_before_the_countdown_and_it_lasts_three_seconds() -> None:
    bench = Bench()
    bench.drive.go_on()
    bench.pass_s(10.0)
    assert (bench.drive.phase, bench.port.how) == (DrivePhase.CAUTIONS, None)
    bench.drive.go_on()
    bench.pass_s(2.95)
    assert (bench.drive.phase, bench.port.how) == (DrivePhase.COUNTING, None)
    bench.pass_s(0.05)
    assert bench.is_in(DrivePhase.MOVING)
    assert isinstance(bench.port.sending, DriveSource)


def another_sends(bench: Bench, seconds: float) -> None:
    for _ in range(round(seconds / 0.05)):
        frame = pack_frames(np.full((1, 16), 992, np.uint16)).tobytes()
        bench.port.queue += [Chunk(bench.hands.t_ns + at * 14_000_000, frame) for at in range(3)]
        bench.pass_s(0.05)


def test_nothing_is_sent_where_another_sender_is_on_the_line() -> None:
    bench = Bench()
    another_sends(bench, 1.0)
    bench.drive.go_on()
    bench.drive.go_on()
    another_sends(bench, 3.0)
    assert bench.drive.said.startswith("nothing was sent, since another sender is on the line (")
    assert bench.drive.said.endswith(" frames came): unplug the bus lead from the receiver, or the receive wire")
    assert (bench.drive.phase, bench.ui.mover, bench.port.how) == (DrivePhase.SETTING, None, None)
    bench.begin()  # the lead is unplugged


def test_an_echo_of_the_drive_before_is_no_other_sender() -> None:
    bench = Bench(echoes=True)
    bench.begin()
    bench.pass_s(1.0)
    bench.drive.stop()
    while not bench.is_in(DrivePhase.SETTING):
        bench.pass_s(0.05)
    assert len(bench.session.store)
    bench.begin()


def test_a_key_ends_the_countdown() -> None:
    bench = Bench()
    bench.drive.go_on()
    bench.drive.go_on()
    bench.pass_s(2.9)
    bench.drive.stop()
    bench.pass_s(5.0)
    assert bench.drive.said == "cancelled; nothing was sent"
    assert (bench.drive.phase, bench.ui.mover, bench.port.how) == (DrivePhase.SETTING, None, None)


def test_a_screen_that_stood_still_does_not_swallow_the_countdown() -> None:
    bench = Bench()
    bench.drive.go_on()
    bench.drive.go_on()
    bench.drive.tick(0.9)
    assert (bench.drive.phase, bench.drive.left_s) == (DrivePhase.COUNTING, 2.75)


def test_a_pause_in_the_countdown_cancels() -> None:
    """Stopped or suspended for per minute, it does not go on by itself."""
    bench = Bench()
    bench.drive.go_on()
    bench.drive.go_on()
    bench.pass_s(1.0)
    bench.drive.tick(60.0)
    bench.pass_s(5.0)
    assert bench.drive.said == "cancelled: busbench was stopped for 60.0 s; nothing was sent"
    assert (bench.drive.phase, bench.ui.mover, bench.port.how) == (DrivePhase.SETTING, None, None)


def test_a_key_stops_by_way_of_neutral_then_silence() -> None:
    bench = Bench()
    bench.begin()
    bench.pass_s(1.0)
    assert int(unpack_channels(np.frombuffer(bench.drive.sent[-1].data, np.uint8)[None])[0, 0]) > 1200
    bench.drive.stop()
    bench.pass_s(3.0)
    assert (bench.port.stops, bench.drive.phase, bench.ui.mover) == (1, DrivePhase.SETTING, None)
    assert unpack_channels(np.frombuffer(bench.drive.sent[-1].data, np.uint8)[None])[0].tolist() == [992] * 16
    assert bench.port.sending is None
    assert "frames sent" in bench.drive.said
    assert "(stopped)" in bench.drive.said


def test_at_its_own_end_it_is_over() -> None:
    bench = Bench()
    bench.drive.settings.cycles = 1
    bench.begin()
    bench.pass_s(7.0)
    assert (bench.drive.phase, bench.port.stops, bench.ui.mover) == (DrivePhase.SETTING, 0, None)
    assert bench.port.sending is None


def test_the_motor_stays_while_others_move_and_is_refused_itself() -> None:
    bench = Bench(ui=AppState(palette.of_theme("bench-dark"), is_armed=True, sources=MOTOR_ON_3))
    bench.drive.settings.change("channel", 2)
    bench.drive.go_on()
    assert bench.drive.said == "channel 3 (motor) is locked: it will not move; choose another"
    assert (bench.drive.phase, bench.port.how) == (DrivePhase.SETTING, None)
    bench.drive.settings.change("channel", -2)
    bench.begin()
    bench.pass_s(4.0)
    raw = np.frombuffer(b"".join(one.data for one in bench.drive.sent), np.uint8).reshape(-1, 25)
    counts = unpack_channels(raw)
    assert set(counts[:, 2].tolist()) == {173}
    assert int(np.ptp(counts[:, 0])) > 700


@pytest.mark.parametrize("source", [PORT, "virtual:"])
def test_a_plan_that_contradicts_itself_moves_nothing_and_its_faults_are_listed(source: str) -> None:
    turned = rig(device("m", 8, "motor = true", 'kind = "off-bus"', "reversed = true", failsafe="-100"))
    ui = AppState(palette.of_theme("bench-dark"), is_armed=True, sources=LimitSources((("heron.toml", turned),)))
    bench = Bench(ui=ui)
    bench.session.source = source
    for _ in range(3):
        bench.drive.go_on()
        bench.pass_s(4.0)
    assert (bench.drive.phase, bench.port.how, bench.drive.sent) == (DrivePhase.SETTING, None, deque())
    assert bench.drive.said == (
        "heron.toml: nothing moves with 1 fault in what is moved or held: correct the plan; `busbench rig check`"
        " lists it (m: it is reversed, and the plan does not state what goes on the wire while it is off)"
    )


def test_another_source_ends_it() -> None:
    bench = Bench()
    bench.begin()
    bench.ui.session = LiveSession(SendingPort(bench.hands), now=bench.hands)
    bench.pass_s(0.05)
    assert bench.is_in(DrivePhase.SETTING)
    assert bench.ui.mover is None


def test_a_port_that_is_lost_ends_it() -> None:
    bench = Bench()
    bench.begin()
    bench.port.fails = "the process that owns the port has died"
    bench.pass_s(0.1)
    assert bench.drive.phase is DrivePhase.SETTING
    assert bench.drive.said.endswith("(the port was lost)")


def test_a_port_that_will_not_send_is_told() -> None:
    bench = Bench()
    bench.port.is_closed = True
    bench.drive.go_on()
    bench.drive.go_on()
    bench.pass_s(3.1)
    assert (bench.drive.phase, bench.drive.said) == (DrivePhase.SETTING, "the port is closed")


def test_a_rehearsal_sends_nothing_and_needs_no_arming() -> None:
    bench = Bench(ui=AppState(palette.of_theme("bench-dark")))
    bench.session.source = "virtual:"
    bench.drive.settings.cycles = 1
    bench.begin()
    bench.pass_s(1.0)
    assert len(bench.drive.sent) == 143
    assert bench.port.how is None
    bench.drive.stop()
    bench.pass_s(3.0)
    assert bench.drive.said.startswith("rehearsed, stopped: ")
    assert (bench.port.how, bench.port.stops) == (None, 0)


def test_fields_keep_to_their_ends() -> None:
    settings = Drive(Bench().ui).settings
    for name, steps, ends in (
        ("channel", -1, 18),
        ("low", -99, -100),
        ("high", 99, 100),
        ("period", 99, 20.0),
        ("cycles", 99, 20),
    ):
        settings.change(name, steps)
        assert getattr(settings, name) == ends
    settings.change("low", 99)
    assert settings.low == settings.high == 100


def test_the_rig_says_the_frame_period() -> None:
    bench = Bench()
    assert bench.drive.program.program.period_s == 0.007
    bench.ui.rig = RIG
    assert bench.drive.program.program.period_s == 0.015
