"""What is seen of one motion of a virtual aircraft, and a port that makes frames as simulated time passes."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from busbench.port.pacer import FrameSource
from busbench.rig.load import parse_rig
from busbench.sim.devices import DeviceState
from busbench.sim.rehearsal_port import RehearsalPort
from busbench.sim.surface_rehearsal import Watch
from busbench.verify.stations import LATE_DEG, SEEN_DEG

PLAN = parse_rig("""
[rig]
name = "Heron"
period_ms = 14
[supply]
voltage_v = 7.4
[[device]]
name = "rudder"
channel = 2
above_neutral = "left"
geometry = { throw_deg = 20 }
[[device]]
name = "gear"
channel = 3
""")


def state(name: str, deg: float, *, is_moving: bool = False, is_powered: bool = True) -> DeviceState:
    return DeviceState(name, 0.0, deg, is_moving, is_powered)


def watched(*looks: list[DeviceState], first: list[DeviceState] | None = None) -> list[str]:
    watch = Watch(PLAN, first or [state("rudder", 1.0), state("gear", 0.0)])
    for look in looks:
        watch.look(look)
    return list(watch.words())


def test_nothing_moved_below_what_is_seen() -> None:
    assert watched() == ["nothing moved"]
    assert watched([state("rudder", 1.0 + SEEN_DEG - 0.01), state("gear", 0.01 - SEEN_DEG)]) == ["nothing moved"]
    assert watched([state("rudder", 1.0 + SEEN_DEG)]) != ["nothing moved"]


def test_each_way_is_told_by_its_farthest_in_the_order_of_first_sight() -> None:
    looks = [[state("rudder", 1.0 + deg)] for deg in (-5.0, -20.4, -3.0, 15.0, 30.6, 2.0)]
    assert watched(*looks, [state("gear", 45.0)]) == [
        "rudder moved 20° right, then 31° left",
        "gear moved high (arm 45°)",
    ]


def test_one_degree_is_seen_and_four_degrees_from_rest_are_late() -> None:
    assert watched([state("rudder", 1.99)]) == ["nothing moved"]
    assert watched([state("rudder", 2.0)]) == ["rudder moved 1° left"]
    assert watched([state("rudder", 0.0)]) == ["rudder moved 1° right"]
    late = "rudder is still moving, though it should be back at rest"
    for deg, is_late in ((5.0, True), (4.99, False), (-3.0, True), (-2.99, False)):
        assert (late in watched([state("rudder", deg, is_moving=True)])) is is_late
    assert watched([state("rudder", 5.0)]) == ["rudder moved 4° left"]


def test_what_is_late_and_what_lost_power() -> None:
    late = [state("rudder", 1.0 + LATE_DEG, is_moving=True), state("gear", 0.0)]
    assert watched(late)[-1] == "rudder is still moving, though it should be back at rest"
    early = [state("rudder", 1.0 + LATE_DEG - 0.01, is_moving=True), state("gear", LATE_DEG)]
    assert not [line for line in watched(late, early) if "still moving" in line]  # the last look counts
    weak = [state("rudder", 1.0, is_powered=False), state("gear", 0.0)]
    assert watched(weak, weak) == ["nothing moved", "rudder lost power for a while"]
    both = [state("gear", 0.0, is_powered=False)]
    assert watched(weak, both) == ["nothing moved", "every device lost power for a while"]
    assert watched(both, first=[state("gear", 0.0, is_powered=False)]) == ["nothing moved"]
    assert watched(both, first=[state("gear", 0.0)]) == ["nothing moved", "gear lost power for a while"]


@dataclass
class Source:
    """Frames of a test: bytes, none for an empty slot, and the end."""

    frames: list[bytes]
    period_s: float = 0.015
    stops: list[bool] = field(default_factory=list)

    def next_frame(self) -> bytes | None:
        return self.frames.pop(0) if self.frames else None

    def request_stop(self) -> None:
        self.stops.append(True)


def source(*frames: bytes, period_s: float = 0.015) -> FrameSource:
    return Source(list(frames), period_s)


def test_frames_come_in_their_slots_as_time_passes() -> None:
    port = RehearsalPort()
    assert (port.play(1.0), port.now_ns(), port.port) == ([], 0, port)
    port.transmit(source(b"a", b"", b"c", b"d", b"e"))
    assert port.play(0.015) == [(0.0, b"a")]  # the second slot is due too, and empty
    assert port.now_ns() == 30_000_000
    assert port.play(0.0149) == []
    assert port.play(0.0001) == [(0.03, b"c")]
    assert port.transmission is not None
    assert (port.transmission.frames, port.transmission.is_over) == (2, False)
    assert [data for _, data in port.play(1.0)] == [b"d", b"e"]
    assert (port.transmission.frames, port.transmission.is_over) == (4, True)
    assert port.play(1.0) == []
    assert port.now_ns() == 75_000_000


def test_the_next_transmission_begins_at_its_own_zero() -> None:
    port = RehearsalPort()
    port.stop_transmission()  # nothing to stop
    port.transmit(source(b"a", b"b", b"c"))
    port.play(0.02)
    second = source(b"x", period_s=0.007)
    port.transmit(second)
    assert port.now_ns() == 30_000_000
    assert port.play(0.001) == [(0.0, b"x")]
    assert port.now_ns() == 37_000_000
    port.stop_transmission()
    assert port.transmission is not None
    assert port.transmission.reason == "stopped"
    assert second.stops == [True]  # type: ignore[attr-defined]


@pytest.mark.parametrize("steps", [1, 3, 100])
def test_however_time_is_cut_the_frames_are_the_same(steps: int) -> None:
    port = RehearsalPort()
    port.transmit(source(*[bytes([65 + i]) for i in range(9)]))
    came = [one for _ in range(steps) for one in port.play(0.105 / steps)]
    assert b"".join(data for _, data in came) == b"ABCDEFGH"


def test_a_device_that_the_plan_does_not_know_moves_by_its_sign() -> None:
    first = [state("rudder", 1.0), state("stranger", 0.0)]
    assert watched([first[0], state("stranger", 9.0)], [first[0], state("stranger", -7.0)], first=first) == [
        "stranger moved plus (arm 9°), then minus (arm 7°)"
    ]
