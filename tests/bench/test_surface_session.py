"""What a plan makes of its walk, and the walk by a clock that the test holds."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from busbench.bench import surface_session
from busbench.bench.surface_plan import begin_walk, plan_walk
from busbench.bench.surface_session import SurfaceSession, WalkState
from busbench.drive.surface_check import Event, SurfacePhase, Word, Wrote
from busbench.errors import DriveError, PortError
from busbench.port.pacer import FrameSource, Transmission
from busbench.rig.load import parse_rig
from busbench.verify.inputs import channel_plans
from busbench.wire.codec import unpack_channels

RIG = """
[rig]
name = "Egret"
period_ms = 14
[supply]
voltage_v = 6
[[device]]
name = "rudder"
channel = 6
[[device]]
name = "brake lock"
channel = 17
rest_pct = 100
[[device]]
name = "gear"
kind = "off-bus"
motor = false
channel = 7
rest_pct = -100
"""


def test_what_is_not_moved_stands_where_the_plan_has_it_rest() -> None:
    plan = plan_walk(parse_rig(RIG), rig_path="egret.toml", port="virtual:")
    head, stops = plan.head, plan.stops
    assert head.limits.channels[6].rest == 173
    assert head.limits.switches_rest == (True, False)
    brake = stops[1]
    assert (brake.announced, brake.low, brake.neutral, brake.high) == ("brake lock, channel 17, off first", 0, 1, 1)


def test_a_reversed_motor_on_a_channel_of_two_states_rests_where_it_is_off() -> None:
    motor = '[[device]]\nname = "motor"\nchannel = 18\nmotor = true\nreversed = true\nrest_pct = 100\nfailsafe = 100\n'
    rig = parse_rig(RIG + motor)
    assert [mapped.rest_counts for mapped in channel_plans(rig) if mapped.channel == 18] == [1811]
    head = plan_walk(rig, rig_path="egret.toml", port="virtual:").head
    assert head.limits.switches_rest == (True, True)


ENGINE = """
[[device]]
name = "throttle"
channel = 3
motor = "engine"
reversed = true
idle_pct = 80
ignition_kill = "kill switch"
failsafe = 80
[[device]]
name = "kill switch"
channel = 18
failsafe = "hold"
"""


def test_a_walk_holds_an_engine_at_idle_and_its_ignition_off() -> None:
    plan = plan_walk(parse_rig(RIG + ENGINE), rig_path="egret.toml", port="virtual:")
    head, sources = plan.head, plan.sources
    assert head.not_walked[-2:] == (
        ("throttle", "can turn a propeller, so its channel is locked"),
        ("kill switch", "kills the ignition, so its channel is locked"),
    )
    assert sources.cautions == ("  - throttle: ignition held off on channel 18 (kill switch); see that it is dead",)
    for made in (plan.program_of(plan.stops[0]), plan.hold):
        limits = made.program.limits
        assert (limits.channels[2].rest, limits.channels[2].is_locked) == (1647, True)
        assert (limits.switches_rest[1], limits.switches_locked[1]) == (False, True)


def test_a_walk_on_another_aircraft_does_not_move_what_is_a_motor_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    motor = '[[device]]\nname = "motor"\nkind = "off-bus"\nchannel = 6\nmotor = true\nfailsafe = -100\n'
    Path("other.toml").write_text(RIG.partition("[[device]]")[0] + motor, encoding="utf-8")
    with pytest.raises(DriveError) as caught:
        plan_walk(parse_rig(RIG), rig_path="egret.toml", port="virtual:other.toml")
    assert str(caught.value) == (
        "egret.toml: rudder is on channel 6, where other.toml has a motor: make the two plans agree"
    )


@dataclass
class Port:
    """Sends a frame each 14 ms of the test's clock."""

    t_ns: int = 0
    transmission: Transmission | None = None
    frames: list[bytes] = field(default_factory=list)
    source: FrameSource | None = None
    stops: int = 0

    def transmit(self, source: FrameSource) -> None:
        self.source, self.transmission, self.stops = source, Transmission(), 0

    def stop_transmission(self) -> None:
        assert self.source is not None
        self.stops += 1
        self.source.request_stop()

    def pass_ns(self, gone_ns: int) -> None:
        self.t_ns += gone_ns
        how = self.transmission
        for _ in range(gone_ns // 14_000_000):
            if self.source is None or how is None or how.is_over:
                return
            data = self.source.next_frame()
            how = Transmission(how.frames + bool(data), is_over=data is None, reason="stopped" * bool(self.stops))
            self.frames += [data] if data else []
            self.transmission = how

    def breaks(self, reason: str) -> None:
        self.source, self.transmission = None, Transmission(5, is_over=True, reason=reason)


class Bench:
    """A walk whose port, clock and keys are the test's."""

    def __init__(self, path: Path | None = None, *, is_resumed: bool = False) -> None:
        self.port = Port()
        self.times_away = self.frames_total = 0
        plan = plan_walk(parse_rig(RIG), rig_path="egret.toml", port="/dev/ttyEGRET")
        start = begin_walk(plan, path=path, is_resumed=is_resumed)
        self.session = SurfaceSession(self, start, now_ns=lambda: self.port.t_ns)

    def pass_s(self, seconds: float) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        """Let time pass; the counts that were sent meanwhile."""
        self.port.frames.clear()
        for _ in range(round(seconds / 0.056)):
            self.port.pass_ns(56_000_000)
            self.session.tick()
        raw = np.frombuffer(b"".join(self.port.frames), np.uint8).reshape(-1, 25)
        return unpack_channels(raw).astype(np.int64)

    def hear(self, *events: Event) -> None:
        for event in events:
            self.session.hear(event)

    def moved(self) -> None:
        """Go until the motion is over and the keyboard quiet."""
        self.hear(Word.GO)
        while self.session.state is not WalkState.WORD:
            self.pass_s(0.5)


def kept(path: Path) -> list[tuple[object, ...]]:
    devices = json.loads(path.read_text(encoding="utf-8"))["devices"]
    return [(tuple(one["answers"].values()), one["note"], [move["ended"] for move in one["moves"]]) for one in devices]


def test_another_sender_on_the_line_is_reported_and_the_motion_can_be_asked_for_again() -> None:
    bench = Bench()
    bench.hear(Word.GO)
    bench.frames_total = 40
    assert bench.pass_s(4.0).size == 0
    assert (bench.session.state, bench.session.lost) == (WalkState.WORD, "")
    assert bench.session.run is not None
    assert bench.session.run.result_text.startswith("nothing was sent, since another sender is on the line (40 frames")
    bench.hear(Word.REPEAT)
    assert bench.pass_s(4.0).size
    bench.moved()
    bench.frames_total += 40  # as the echo of what is held
    bench.hear(Word.REPEAT)
    assert bench.pass_s(4.0).size


def test_a_motion_waits_for_the_countdown_and_all_is_held_after_it() -> None:
    bench = Bench()
    bench.hear(Word.GO)
    assert bench.pass_s(2.9).size == 0
    moved = bench.pass_s(3.0)
    assert np.ptp(moved[:, 5]) > 400
    assert np.ptp(np.delete(moved, 5, axis=1), axis=0).max() == 0
    while bench.session.state is not WalkState.WORD:
        bench.pass_s(0.5)
    assert bench.session.walk.phase is SurfacePhase.ASKING
    held = bench.pass_s(5.0)
    assert len(held) > 300
    assert np.ptp(held, axis=0).max() == 0


def test_a_key_in_the_countdown_cancels_and_means_nothing_else() -> None:
    bench = Bench()
    bench.hear(Word.GO)
    bench.pass_s(1.0)
    bench.session.stop(Word.SKIP)
    assert bench.pass_s(9.0).size == 0
    run, walk = bench.session.run, bench.session.walk
    assert run is not None
    assert (run.result_text, walk.phase, walk.at) == ("cancelled; nothing was sent", SurfacePhase.STOPPED, 0)


def test_a_key_that_stops_a_motion_means_its_word_once_the_keyboard_is_quiet() -> None:
    bench = Bench()
    bench.hear(Word.GO)
    bench.pass_s(5.0)
    bench.session.stop(Word.SKIP)
    for _ in range(20):  # more keys, hit in haste
        bench.pass_s(0.3)
        bench.session.stop(Word.END)
        assert bench.port.stops <= 1
    assert bench.session.state is WalkState.QUIET
    bench.hear(Word.END)
    assert bench.session.walk.phase is SurfacePhase.MOVING  # nothing is heard yet
    bench.pass_s(0.5)
    walk = bench.session.walk
    assert (bench.session.state, walk.phase, walk.at) == (WalkState.WORD, SurfacePhase.READY, 1)
    assert [str(move.ended) for move in walk.entries[0].moves] == ["stopped"]
    assert walk.entries[0].is_skipped


def test_what_is_held_comes_to_its_end_before_the_next_motion_and_where_one_leaves() -> None:
    bench = Bench()
    bench.moved()
    assert len(bench.pass_s(1.0)) > 60
    bench.session.rest()
    bench.pass_s(0.1)
    assert bench.pass_s(1.0).size == 0
    bench.hear(Word.REPEAT)
    assert len(bench.pass_s(4.0)) > 60
    assert bench.session.state is WalkState.MOVING


@pytest.mark.parametrize("when", ["at a question", "in the countdown", "while moving", "for good"])
def test_a_port_that_goes_ends_the_walk_and_its_answers_are_kept(tmp_path: Path, when: str) -> None:
    path = tmp_path / "egret.walk.json"
    bench = Bench(path)
    bench.moved()
    bench.hear(Word.YES, Word.NO, Wrote("it hums"))
    if when in ("in the countdown", "while moving"):
        bench.hear(Word.REPEAT)
        bench.pass_s(1.0 if when == "in the countdown" else 5.0)
    if when == "while moving":
        bench.port.breaks("the port was unplugged")
    elif when == "for good":
        bench.session.lose("the port was unplugged")
    else:
        bench.times_away = 1
    bench.pass_s(0.1)
    assert (bench.session.state, bench.session.lost) == (WalkState.OVER, "the port was unplugged")
    moves = ["ran", "lost"] if when == "while moving" else ["ran"]
    assert kept(path)[0] == ((True, False, None, None), "it hums", moves)
    again = Bench(path, is_resumed=True)
    assert again.session.walk.entry.answers == (True, False, None, None)


def test_answers_that_cannot_be_written_are_reported_and_tried_again(tmp_path: Path) -> None:
    path = tmp_path / "there" / "egret.walk.json"
    path.parent.mkdir()
    bench = Bench(path)
    bench.moved()
    path.unlink()
    path.parent.rmdir()
    bench.hear(Word.YES)
    assert str(bench.session.save_error) == f"{path}: folder not found: make it first"
    path.parent.mkdir()
    bench.hear(Word.BACK)  # any word tries again
    assert bench.session.save_error is None
    assert kept(path)[0] == ((True, None, None, None), "", ["ran"])


@pytest.mark.parametrize("is_fast", [True, False])
def test_a_rehearsal_shows_the_same_at_any_speed(is_fast: bool) -> None:
    plan = plan_walk(parse_rig(RIG), rig_path="egret.toml", port="virtual:")
    t_ns = 0
    session = SurfaceSession(plan.rehearsal(), begin_walk(plan), is_fast=is_fast, now_ns=lambda: t_ns)
    session.hear(Word.GO)
    while session.is_moving:
        t_ns += 37_000_000
        session.tick()
    (move,) = session.walk.entry.moves
    assert move.seen == ("rudder moved right (arm 45°), then left (arm 45°)",)
    assert (move.duration_s, str(move.ended)) == (14.56, "ran")


def test_a_rehearsal_takes_its_time_unless_it_may_be_fast() -> None:
    plan = plan_walk(parse_rig(RIG), rig_path="egret.toml", port="virtual:")
    took_s = []
    for more in ({}, {"is_fast": True}):
        t_ns = 0
        session = SurfaceSession(plan.rehearsal(), begin_walk(plan), now_ns=lambda: t_ns, **more)  # noqa: B023
        session.hear(Word.GO)
        while session.is_moving:
            t_ns += 50_000_000
            session.tick()
        took_s.append(t_ns / 1e9)
    assert took_s == [pytest.approx(14.56, abs=0.05), pytest.approx(14.56 / 10, abs=0.05)]


def test_what_is_not_walked_is_locked_and_nothing_else() -> None:
    head = plan_walk(parse_rig(RIG), rig_path="egret.toml", port="virtual:").head
    assert [channel + 1 for channel in range(18) if head.limits.is_locked(channel)] == [7]


def test_the_keyboard_must_be_quiet_for_four_tenths_of_a_second() -> None:
    bench = Bench()
    bench.hear(Word.GO)
    bench.pass_s(5.0)
    session = bench.session
    session.stop(Word.SKIP)
    while session.is_moving:
        bench.pass_s(0.056)
    session.stop(Word.END)  # one more, in haste
    pauses = 0
    while session.state is WalkState.QUIET:
        bench.port.t_ns += 50_000_000
        session.tick()
        pauses += 1
    assert pauses == 8
    session.stop(Word.END)
    bench.port.t_ns += 10**10  # a look that was late takes off a quarter of a second only
    session.tick()
    assert session.state is WalkState.WORD
    assert session.walk.at == 1


def test_what_is_held_and_breaks_off_ends_the_walk() -> None:
    bench = Bench()
    bench.moved()
    bench.port.breaks("stopped")  # as a user ends it
    bench.pass_s(0.1)
    assert bench.session.state is WalkState.WORD
    bench.port.breaks("the port took nothing for 0.5 s")
    bench.pass_s(0.1)
    assert (bench.session.state, bench.session.lost) == (WalkState.OVER, "the port took nothing for 0.5 s")
    bench.session.lose("later")
    assert bench.session.lost == "the port took nothing for 0.5 s"


def test_before_a_motion_nothing_is_held_and_nothing_is_stopped() -> None:
    bench = Bench()
    assert (bench.session.is_moving, bench.session.rehearsal) == (False, None)
    bench.port.breaks("the port was unplugged")  # by what was sent before the walk
    bench.pass_s(0.1)
    assert bench.session.state is WalkState.WORD
    bench.session.rest()
    bench.session.stop(Word.SKIP)
    assert (bench.port.stops, bench.session.run, bench.session.walk.at) == (0, None, 0)
    bench.session.lose("its process has died")
    assert (bench.session.state, bench.session.lost) == (WalkState.OVER, "its process has died")


def test_a_port_that_does_not_hold_ends_the_walk(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench()
    bench.hear(Word.GO)
    bench.pass_s(5.0)
    assert bench.session.state is WalkState.MOVING

    def refuse(_: FrameSource) -> None:
        raise PortError("port", "the port is closed")

    monkeypatch.setattr(bench.port, "transmit", refuse)
    while bench.session.is_moving:
        bench.pass_s(0.5)
    assert (bench.session.state, bench.session.lost) == (WalkState.OVER, "the port is closed")
    assert [str(move.ended) for move in bench.session.walk.entries[0].moves] == ["ran"]


def test_a_motion_has_its_beginning_and_length(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(surface_session, "now_utc", lambda: "2026-05-01T09:30:00Z")
    bench = Bench()
    bench.hear(Word.GO)
    bench.pass_s(1.0)
    bench.session.stop()
    bench.pass_s(1.0)
    assert not bench.session.walk.entries[0].moves  # nothing was sent
    bench.hear(Word.REPEAT)
    while bench.session.state is not WalkState.WORD:
        bench.pass_s(0.5)
        bench.port.t_ns += 12_345
    (move,) = bench.session.walk.entries[0].moves
    assert (move.t_utc, move.reason, move.seen) == ("2026-05-01T09:30:00Z", "", ())
    assert move.duration_s == round(move.duration_s, 3)
    assert 14.0 < move.duration_s < 15.0  # as long as in a rehearsal, to the next look


def test_the_end_of_a_walk_stops_what_is_held() -> None:
    bench = Bench()
    bench.moved()
    bench.hear(Word.END)
    assert bench.session.state is WalkState.OVER
    assert bench.port.stops == 1
    bench.hear(Word.GO)
    bench.times_away = 1  # unplugged after the end
    bench.pass_s(0.1)
    assert bench.session.state is WalkState.OVER
    assert bench.session.lost == ""
