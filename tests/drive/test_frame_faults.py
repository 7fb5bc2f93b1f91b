"""Faults of a program frame by frame, and how a run goes from its start to its end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from busbench.drive.frame_generator import EndState, FrameGenerator, NoiseReach
from busbench.drive.program import Program
from busbench.model import U8
from tests.drive.helpers import counts_of, make, sent

GOLDEN = 0x9E3779B97F4A7C15


def random64(place: int, seed: int) -> int:
    """The finaliser of SplitMix64 in plain integers, constants from memory."""
    x = (place + (seed + 1) * GOLDEN) % 2**64
    x = (x ^ x >> 30) * 0xBF58476D1CE4E5B9 % 2**64
    x = (x ^ x >> 27) * 0x94D049BB133111EB % 2**64
    return x ^ x >> 31


def struck(slot: int, *, flips: float, seed: int, bytes_struck: int = 25) -> list[int]:
    """The bits that noise turns in the bytes of one frame of a program."""
    return [
        1 << random64(slot * 25 + byte, seed) % 8
        if byte < bytes_struck and (random64(slot * 25 + byte, seed ^ 2**62) >> 11) / 2**53 < flips
        else 0
        for byte in range(25)
    ]


def still(seconds: float, *faults: dict[str, object], channel: int = 1, level: object = 992) -> Program:
    """A program at rest, at 10 frames a second."""
    hold = {"channel": channel, "shape": "hold", "level": level, "duration": seconds}
    return make(hold, fault=faults, frame_period=0.1)


def frames(program: Program, *, reach: NoiseReach = "any byte", takes: Sequence[int] = (10_000,)) -> U8:
    feed, raw, number = FrameGenerator(program, reach=reach, end=EndState.SILENCE), [], 0
    while not feed.is_over:
        raw.append(feed.take(takes[number % len(takes)]).raw)
        number += 1
    return np.concatenate(raw)


@pytest.mark.parametrize("takes", [(10_000,), (1,), (7, 2, 30)])
@pytest.mark.parametrize(("reach", "bytes_struck"), [("any byte", 25), ("header", 1)])
def test_noise_turns_the_bits_that_its_seed_says(reach: NoiseReach, bytes_struck: int, takes: tuple[int, ...]) -> None:
    noise = ({"start": 1.0, "duration": 3.0, "flips": 0.2, "seed": 5}, {"start": 2.0, "duration": 9.0, "flips": 0.5})
    program = still(6.0, *({"kind": "flips", **one} for one in noise))
    clean = frames(still(6.0))
    want = np.zeros_like(clean)
    for slot in range(10, 40):
        want[slot] ^= np.array(struck(slot, flips=0.2, seed=5, bytes_struck=bytes_struck), np.uint8)
    for slot in range(20, 60):
        want[slot] ^= np.array(struck(slot, flips=0.5, seed=0, bytes_struck=bytes_struck), np.uint8)
    assert np.array_equal(frames(program, reach=reach, takes=takes) ^ clean, want)


def test_no_noise_and_all_noise() -> None:
    clean = frames(still(2.0))
    assert np.array_equal(frames(still(2.0, {"kind": "flips", "duration": 9, "flips": 0})), clean)
    all_struck = frames(still(2.0, {"kind": "flips", "duration": 9, "flips": 1})) ^ clean
    assert (np.bitwise_count(all_struck) == 1).all()


@pytest.mark.parametrize("takes", [(10_000,), (1,), (3, 4)])
def test_each_fault_lasts_from_its_first_slot_to_its_last(takes: tuple[int, ...]) -> None:
    # 0.3 s and 0.7 s are a few parts in 1e16 off the times of slots 3 and 7.
    faults: tuple[dict[str, object], ...] = (
        {"kind": "lost", "start": 0.3, "duration": 0.4},
        {"kind": "failsafe", "start": 0.65, "duration": 0.1},
        {"kind": "failsafe", "start": 1.1, "duration": 0.2},
        {"kind": "gap", "start": 1.2, "duration": 0.15},
        {"kind": "lost", "start": 1.5, "duration": 0},
    )
    feed = FrameGenerator(still(2.0, *faults), end=EndState.REST)
    flags: list[int] = []
    is_sent: list[bool] = []
    number = 0
    while not feed.is_over:
        block = feed.take(takes[number % len(takes)])
        number += 1
        flags += block.raw[:, 23].tolist()
        is_sent += block.is_sent.tolist()
    lost, failsafe = 4, 8
    want = [0] * 23  # 20 slots and 3 at rest
    want[3:7] = [lost] * 4
    want[7] = failsafe
    want[11:13] = [failsafe] * 2
    assert flags == want
    assert [slot for slot, one in enumerate(is_sent) if not one] == [12, 13]


def test_faults_are_timed_from_the_start_of_the_program_and_not_of_its_ramp() -> None:
    slow = make(
        {"channel": 1, "shape": "hold", "level": 1012, "duration": 1},
        fault=[{"kind": "lost", "duration": 0.2}],
        frame_period=0.1,
        limits={"rate": 50},  # 5 counts in a frame: 1012 is 4 frames away
    )
    assert sent(slow).raw[:, 23].tolist() == [0] * 5 + [4] * 2 + [0] * 8


@pytest.mark.parametrize("states", [("off", "off"), ("on", "off"), ("off", "on"), ("on", "on")])
def test_on_off_channels_and_flags_share_a_byte(states: tuple[str, str]) -> None:
    hold = {"shape": "hold", "duration": 0.3}
    program = make(
        *({"channel": 17 + number, **hold, "level": state} for number, state in enumerate(states)),
        fault=[{"kind": "failsafe", "start": 0.1, "duration": 0.1}],
        frame_period=0.1,
    )
    bits = sum(1 << number for number, state in enumerate(states) if state == "on")
    assert sent(program).raw[:, 23].tolist() == [bits, bits | 8, bits]


def test_a_run_has_a_ramp_its_slots_and_an_end() -> None:
    program = make({"channel": 1, "shape": "hold", "level": 1012, "duration": 1}, frame_period=0.1, limits={"rate": 50})
    feed = FrameGenerator(program, end=EndState.REST)
    slots = []
    while not feed.is_over:
        slot = feed.run_slot
        block = feed.take(4)
        slots.append((block.slot, slot, len(block)))
    assert slots == [
        (0, None, 4), (4, None, 1),  # 992, 997, ... 1012
        (5, 0, 4), (9, 4, 4), (13, 8, 2),
        (15, None, 4), (19, None, 3),  # 4 frames back and 3 at rest
    ]  # fmt: skip
    assert len(feed.take(4)) == 0


@pytest.mark.parametrize(("hold_s", "count"), [(1.0, 10), (0.11, 2), (0.1, 1), (0.0, 0)])
def test_a_hold_lasts_as_long_as_it_is_told(hold_s: float, count: int) -> None:
    feed = FrameGenerator(still(0.5, level=1500), end=EndState.HOLD, hold_s=hold_s)
    total = 0
    while not feed.is_over:
        total += len(feed.take(3))
    assert total == 2 + 5 + count  # it says where it rests, and is there


def test_a_hold_without_an_end_goes_on_until_a_second_stop() -> None:
    feed = FrameGenerator(still(0.5, level=1500), end=EndState.HOLD, hold_s=None)
    feed.take(1)
    feed.stop()
    assert [len(feed.take(70)) for _ in range(3)] == [70, 70, 70]
    assert not feed.is_over
    assert feed.run_slot is None
    feed.stop()
    assert feed.is_over
    feed.stop()
    assert feed.is_over


@pytest.mark.parametrize("end", EndState)
@pytest.mark.parametrize("taken", [1, 2, 5])
def test_a_stop_ends_as_the_end_state_says(end: EndState, taken: int) -> None:
    # 992 and then 100 counts in each frame.
    program = make(
        {"channel": 1, "shape": "hold", "level": 1592, "duration": 1}, frame_period=0.1, limits={"rate": 1000}
    )
    feed = FrameGenerator(program, end=end, hold_s=0.4)
    for _ in range(taken):
        feed.take(1)
    at = 992 + 100 * (taken - 1)
    feed.stop()
    got = []
    while not feed.is_over:
        got += counts_of(feed.take(1).raw)[:, 0].tolist()
    want = {
        EndState.REST: [*range(at - 100, 991, -100), 992, 992, 992],
        EndState.HOLD: [at] * 4,
        EndState.SILENCE: [],
    }
    assert got == want[end]


def test_skipped_slots_are_those_of_the_program_alone() -> None:
    feed = FrameGenerator(still(1.0), end=EndState.REST)
    feed.take(4)
    feed.skip(3)
    assert (feed.run_slot, feed.take(2).slot) == (7, 7)
    feed.skip(99)
    assert feed.run_slot is None
    feed.skip(2)  # nothing of the end
    block = feed.take(9)
    assert (block.slot, len(block)) == (10, 3)


def test_end_bytes_go_on_over_ramp_program_and_end() -> None:
    program = make(
        {"channel": 1, "shape": "hold", "level": 1012, "duration": 0.3},
        frame_period=0.1,
        limits={"rate": 50},
        end_byte="slots",
    )
    ends = sent(program, end=EndState.REST, block=2).raw[:, 24].tolist()
    assert ends == [(0x04, 0x14, 0x24, 0x34)[number % 4] for number in range(5 + 3 + 4 + 3)]
