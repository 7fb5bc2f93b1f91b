"""Motion from frames: closed forms of travel, direction, speed, soft start, silence and holding."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.rig.linkage import straight_throw_mm
from busbench.rig.servo import ServoMotion
from busbench.wire.frame_spec import FLAG_CH17, FLAG_CH18
from tests.rig.rigs import device, rig

FULL, CENTRE, LOW = 1811, 992, 173
SPEED = "speed_s_per_60deg = 0.15"  # 400 degrees a second; the arm's 45 degrees take 112.5 ms
STEP_S = 0.01


def counts(**channels: int) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
    """Counts of a frame: all centred but the channels given as c1=…"""
    row = np.full(16, CENTRE, np.uint16)
    for name, value in channels.items():
        row[int(name[1:]) - 1] = value
    return row


def motion(*tables: str) -> ServoMotion:
    plan = rig(*tables)
    return ServoMotion(plan.driven, scale=plan.scale)


def settle(
    moved: ServoMotion, row: np.ndarray[tuple[int, ...], np.dtype[np.uint16]], flags: int = 0, s: float = 2.0
) -> None:
    for _ in range(round(s / STEP_S)):
        moved.step(STEP_S, row, flags=flags)


def test_a_device_obeys_its_own_channel_only() -> None:
    moved = motion(device("a", 3), device("b", 4))
    row = np.full(16, FULL, np.uint16)
    row[3] = CENTRE
    settle(moved, row)
    assert moved.position_pct.tolist() == [100.0, 0.0]
    assert moved.arm_deg().tolist() == [45.0, 0.0]


def test_a_device_on_no_channel_of_the_frame_obeys_none() -> None:
    moved = motion(device("none", None), device("low", 0), device("high", 19), device("last", 18, failsafe="100"))
    assert moved.command_pct(np.full(16, FULL, np.uint16), FLAG_CH17 | FLAG_CH18) == [None, None, None, 100.0]
    settle(moved, np.full(16, FULL, np.uint16), flags=FLAG_CH17 | FLAG_CH18)
    assert moved.position_pct.tolist() == [0, 0, 0, 100]
    assert not any(servo.is_moving for servo in moved.servos)


def test_direction_travel_and_neutral() -> None:
    moved = motion(
        device("plain", 1),
        device("reversed", 1, "reversed = true"),
        device("short", 1, "travel_pct = 60"),
        device("offset", 1, "neutral_us = 1520"),  # 20 µs of 511.875
    )
    settle(moved, counts(c1=FULL))
    assert moved.position_pct == pytest.approx([100, -100, 60, 100 - 100 * 20 / 511.875])
    settle(moved, counts(c1=LOW))
    assert moved.position_pct == pytest.approx([-100, 100, -60, -100])


def test_two_state_channels() -> None:
    moved = motion(device("a", 17), device("b", 18))
    settle(moved, counts(), flags=FLAG_CH17)
    assert moved.position_pct.tolist() == [100, -100]
    settle(moved, counts(), flags=FLAG_CH18)
    assert moved.position_pct.tolist() == [-100, 100]


def test_speed_is_a_straight_line_in_time() -> None:
    moved = motion(device("a", 1, SPEED))
    moved.step(0, counts(c1=FULL))
    seen = []
    for _ in range(13):
        moved.step(STEP_S, counts(c1=FULL))
        seen.append(round(float(moved.arm_deg()[0]), 9))
    assert seen == [4, 8, 12, 16, 20, 24, 28, 32, 36, 40, 44, 45, 45]
    assert not moved.servos[0].is_moving


def test_start_ramp_covers_half_the_way() -> None:
    moved = motion(device("a", 1, SPEED, "start_ramp_s = 0.1"))
    moved.step(0, counts(c1=FULL))
    for _ in range(10):
        moved.step(STEP_S, counts(c1=FULL))
    assert moved.arm_deg()[0] == pytest.approx(400 * 0.1 / 2)  # the integral of a ramp
    moved.step(STEP_S, counts(c1=FULL))
    assert moved.arm_deg()[0] == pytest.approx(24)


def test_start_ramp_does_not_hang_on_the_step() -> None:
    fine, coarse = (motion(device("a", 1, SPEED, "start_ramp_s = 0.1")) for _ in range(2))
    fine.step(0, counts(c1=FULL))
    coarse.step(0, counts(c1=FULL))
    for _ in range(140):
        fine.step(0.0005, counts(c1=FULL))
    coarse.step(0.07)
    assert fine.arm_deg()[0] == pytest.approx(float(coarse.arm_deg()[0]))


@pytest.mark.parametrize("band_us", [3, 2.5])
def test_dead_band(band_us: float) -> None:
    moved = motion(device("a", 1, f"dead_band_us = {band_us}"))
    settle(moved, counts())
    settle(moved, counts(c1=CENTRE + 4))  # 2.5 µs
    assert moved.position_pct[0] == 0
    settle(moved, counts(c1=CENTRE + 5))  # 3.125 µs
    assert moved.position_pct[0] == pytest.approx(100 * 5 / 819)


def test_frames_stop() -> None:
    moved = motion(
        device("holds", 1, SPEED),
        device("lets go", 1, SPEED, 'when_silent = "release"'),
        device("parks", 1, SPEED, "when_silent = -50"),
        device("parks reversed", 1, SPEED, "when_silent = -50", "reversed = true"),
    )
    settle(moved, counts(c1=FULL))
    moved.step(0.09)
    assert moved.position_pct.tolist() == [100, 100, 100, -100]
    assert [servo.is_released for servo in moved.servos] == [False] * 4
    for _ in range(100):
        moved.step(STEP_S)
    assert moved.position_pct == pytest.approx([100, 100, -50, 50])
    assert [servo.is_released for servo in moved.servos] == [False, True, False, False]
    settle(moved, counts(c1=LOW))
    assert moved.position_pct == pytest.approx([-100, -100, -100, 100])


@pytest.mark.parametrize(("pause_s", "is_silent"), [(0.1, False), (0.1001, True)])
def test_a_tenth_of_a_second_is_no_silence_yet(pause_s: float, is_silent: bool) -> None:
    moved = motion(
        device("lets go", 1, 'when_silent = "release"'),
        device("parks", 1, "when_silent = -50"),
        device("soft", 1, SPEED, "start_ramp_s = 0.1"),
        device("rough", 1, "dead_band_us = 50"),
    )
    moved.settle(counts(c1=CENTRE))
    moved.step(pause_s)
    assert moved.servos[0].is_released == is_silent
    assert moved.position_pct[1] == (-50 if is_silent else 0)
    moved.step(0, counts(c1=CENTRE + 41))  # 25.6 us, 5 % and 2.25 degrees
    moved.step(0.005)
    # Awake it goes at 400 degrees a second; after silence its start and its dead band begin again.
    assert moved.arm_deg()[2] == pytest.approx(400 * 0.005**2 / 2 / 0.1 if is_silent else 2.0)
    assert moved.position_pct[3] == pytest.approx(100 * 41 / 819 if is_silent else 0)


def test_a_device_that_lets_go_stops_on_its_way() -> None:
    slow = "speed_s_per_60deg = 6"  # 10 degrees a second
    moved = motion(device("a", 1, slow, 'when_silent = "release"'), device("b", 1, slow))
    moved.step(0, counts(c1=FULL))
    for _ in range(100):
        moved.step(STEP_S)
    assert moved.arm_deg()[0] == pytest.approx(1.0, abs=0.11)  # it notices after 0.1 s
    assert moved.arm_deg()[1] == pytest.approx(10)


def test_start_ramp_begins_anew_after_silence() -> None:
    moved = motion(device("a", 1, SPEED, "start_ramp_s = 0.1"))
    settle(moved, counts())
    for _ in range(20):
        moved.step(STEP_S)
    moved.step(0, counts(c1=FULL))
    moved.step(0.1)
    assert moved.arm_deg()[0] == pytest.approx(20)


def test_nothing_moves_before_the_first_frame() -> None:
    moved = motion(device("a", 1, "when_silent = 100"))
    for _ in range(100):
        moved.step(STEP_S)
    assert moved.position_pct[0] == 0


def test_without_power_a_device_stands_and_must_hear_a_frame_again() -> None:
    moved = motion(device("a", 1, SPEED))
    moved.step(0, counts(c1=FULL))
    moved.step(0.05, counts(c1=FULL))
    moved.step(0.05, counts(c1=FULL), powered=[False])
    assert moved.arm_deg()[0] == pytest.approx(20)
    assert moved.current_a()[0] == 0
    moved.step(0.05)
    assert moved.arm_deg()[0] == pytest.approx(20)
    moved.step(0, counts(c1=FULL))
    moved.step(0.05, counts(c1=FULL))
    assert moved.arm_deg()[0] == pytest.approx(40)


def test_currents_and_the_lowered_hold() -> None:
    draws = "current_a = {idle = 0.1, moving = 1, holding = 0.4, hold_lowered_after_s = 30}"
    moved = motion(device("gear", 1, SPEED, draws), device("flap", 1, SPEED, "current_a = {idle = 0.1, holding = 0.4}"))
    moved.step(0, counts(c1=FULL))
    moved.step(STEP_S, counts(c1=FULL))
    assert moved.current_a() == pytest.approx([1.0, 0.1])  # what is not stated falls back on idle
    settle(moved, counts(c1=FULL), s=29)
    assert moved.current_a() == pytest.approx([0.4, 0.4])
    settle(moved, counts(c1=FULL), s=2)
    assert moved.current_a() == pytest.approx([0.1, 0.4])
    settle(moved, counts(c1=LOW), s=1)
    assert moved.current_a() == pytest.approx([0.4, 0.4])


def test_surfaces() -> None:
    geometry = "geometry = {throw_deg = 20, chord_mm = 50, arm_deg = 40}"
    linkage = "geometry = {arm_mm = 12, horn_mm = 20, base_mm = 80, arm_deg = 30}"
    moved = motion(
        device("left", 1, geometry),
        device("right", 1, geometry, 'mounting = "mirrored"', "reversed = true"),
        device("wrong", 1, geometry, 'mounting = "mirrored"'),
        device("bars", 1, linkage),
    )
    settle(moved, counts(c1=FULL))
    assert moved.surface_deg() == pytest.approx([20, 20, -20, 17.6657], abs=5e-5)
    assert straight_throw_mm(50, moved.surface_deg()[1:3]) == pytest.approx([17.3648, -17.3648], abs=5e-5)
    settle(moved, counts(c1=LOW))
    assert moved.surface_deg()[3] == pytest.approx(-17.2351, abs=5e-5)


def test_no_devices() -> None:
    empty = motion()
    empty.step(0.01, counts())
    assert empty.surface_deg().size == 0


def test_speed_and_dead_band_in_units_of_their_own() -> None:
    scaled = rig(
        device("a", 1, SPEED, "geometry = {arm_deg = 90}"),  # 400 degrees a second: 225 ms
        device("b", 2, "dead_band_us = 10"),
        "[scale]\nus_per_count = 0.5\ncentre_us = 1520\n",
    )
    moved = ServoMotion(scaled.driven, scale=scaled.scale)
    moved.settle(counts())
    moved.step(0, counts(c1=FULL, c2=CENTRE + 20))  # 10 us
    moved.step(0.1, counts(c1=FULL, c2=CENTRE - 21))
    assert moved.arm_deg()[0] == pytest.approx(40)
    assert moved.position_pct[1] == 0
    moved.step(0.1)
    assert moved.position_pct[1] == pytest.approx(-100 * 21 / 819)


def test_a_device_that_lost_its_power_does_not_park_before_it_hears_a_frame() -> None:
    moved = motion(device("a", 1, "when_silent = -50", "current_a = {idle = 0.1, holding = 0.4}"))
    moved.settle(counts())
    moved.step(0.2, powered=[False])
    assert (moved.servos[0].is_released, moved.current_a()) == (True, [0.0])
    for _ in range(50):
        moved.step(STEP_S)
    assert moved.position_pct[0] == 0
    assert moved.servos[0].is_released is False
    moved.step(0, counts())
    for _ in range(50):
        moved.step(STEP_S)
    assert moved.position_pct[0] == -50


def test_what_is_drawn_at_rest() -> None:
    moved = motion(
        device("holds", 1, "current_a = {idle = 0.1, moving = 1, holding = 0.4}"),
        device("lets go", 1, 'when_silent = "release"', "current_a = {idle = 0.1, moving = 1, holding = 0.4}"),
        device("eases", 1, "current_a = {idle = 0.1, holding = 0.4, hold_lowered_after_s = 0.5}"),
        device("nothing", 1, "current_a = {}"),
        device("only moving", 1, SPEED, "current_a = {moving = 0.7}"),
        device("all zero", 1, SPEED, "current_a = {idle = 0.1, moving = 0, holding = 0}"),
    )
    moved.settle(counts())
    moved.step(0.25, counts())
    assert moved.current_a() == pytest.approx([0.4, 0.4, 0.4, 0, 0, 0])
    moved.step(0.25, counts())
    assert moved.current_a() == pytest.approx([0.4, 0.4, 0.1, 0, 0, 0])  # at rest for half a second
    moved.step(0.2)
    assert moved.current_a() == pytest.approx([0.4, 0.1, 0.1, 0, 0, 0])
    moved.step(0, counts(c1=FULL))
    moved.step(0.01)
    assert moved.current_a() == pytest.approx([1, 1, 0.1, 0, 0.7, 0])  # a device that jumps moves for one step
    moved.step(0.01)
    assert moved.current_a() == pytest.approx([0.4, 0.4, 0.4, 0, 0.7, 0])


def test_some_devices_may_be_without_power() -> None:
    moved = motion(device("a", 1, SPEED), device("b", 1, SPEED))
    moved.settle(counts())
    moved.step(0, counts(c1=FULL))
    moved.step(0.05, powered=[True, False])
    assert moved.arm_deg().tolist() == pytest.approx([20, 0])
    moved.step(0.05, counts(c1=LOW))
    assert moved.arm_deg().tolist() == pytest.approx([40, 0])
    moved.step(0.05)
    assert moved.arm_deg().tolist() == pytest.approx([20, -20])


def test_a_soft_start_over_steps_of_any_length() -> None:
    for steps in ([0.3], [0.05, 0.25], [0.1, 0.2], [0.15, 0.15], [0.001] * 300):
        moved = motion(device("a", 1, "speed_s_per_60deg = 0.6", "start_ramp_s = 0.1"))  # 100 degrees a second
        moved.step(0, counts(c1=FULL))
        for step_s in steps:
            moved.step(step_s)
        assert moved.arm_deg()[0] == pytest.approx(100 * (0.05 + 0.2))  # half of the ramp, and the rest in full
