"""A virtual receiver played by a clock that the test holds: what is due, what is heard, and when it ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from busbench.line import Chunk
from busbench.sim import playback
from busbench.sim.line_faults import Noise
from busbench.sim.playback import Reads, play
from busbench.sim.receiver import ReceiverSettings

MS = 1_000_000
SETTINGS = ReceiverSettings(period_s=0.01, duration_s=0.2)
ALL = Reads(SETTINGS).take(1 << 62)


class Clock:
    """Time passes where the program sleeps."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.now_ns, self.naps_s = 7_000_000, list[float]()
        patch.setattr(playback, "perf_counter_ns", lambda: self.now_ns)
        patch.setattr("busbench.sim.playback.time.sleep", self.sleep)

    def sleep(self, time_s: float) -> None:
        self.naps_s.append(time_s)
        self.now_ns += max(1, round(time_s * 1e9))


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    return Clock(monkeypatch)


class Ear:
    """An outlet with a listener for some of the time.

    Args:
        hears: whether one listens, from the time since the clock's start.
    """

    name, warning = "ear", ""

    def __init__(self, clock: Clock, hears: Callable[[int], bool] = lambda t_ns: True) -> None:
        self._clock, self._hears = clock, hears
        self.heard: list[tuple[int, bytes]] = []
        self.waits: list[bool] = []

    def is_heard(self) -> bool:
        return self._hears(self._clock.now_ns)

    def write(self, data: bytes, *, waits_while: Callable[[], bool] | None = None) -> None:
        self.heard.append((self._clock.now_ns, data))
        self.waits.append(waits_while is not None)

    def close(self) -> None:
        """Nothing is open."""


def test_each_read_is_given_when_it_is_due(clock: Clock) -> None:
    ear, begin_ns = Ear(clock), clock.now_ns
    assert play(SETTINGS, ear) == sum(len(chunk.data) for chunk in ALL)
    assert [data for _, data in ear.heard] == [chunk.data for chunk in ALL]
    assert all(0 <= t_ns - begin_ns - chunk.t_ns < 2 for (t_ns, _), chunk in zip(ear.heard, ALL, strict=True))
    assert not any(ear.waits)
    assert max(clock.naps_s) <= 0.2


def test_it_waits_for_a_listener_and_begins_then(clock: Clock) -> None:
    ear = Ear(clock, lambda t_ns: t_ns > 500 * MS)
    play(SETTINGS, ear)
    assert [data for _, data in ear.heard] == [chunk.data for chunk in ALL]
    assert ear.heard[0][0] - 500 * MS - ALL[0].t_ns <= 20 * MS  # it looks every 20 ms
    assert clock.naps_s[0] == 0.02


def test_what_comes_while_no_program_listens_is_lost(clock: Clock) -> None:
    begin_ns = clock.now_ns
    ear = Ear(clock, lambda t_ns: not 50 * MS <= t_ns - begin_ns < 120 * MS)
    given = play(SETTINGS, ear)
    kept = [chunk for chunk in ALL if not 50 * MS <= chunk.t_ns < 120 * MS]
    assert [data for _, data in ear.heard] == [chunk.data for chunk in kept]
    assert given == sum(len(chunk.data) for chunk in kept)


@pytest.mark.parametrize("is_fast", [False, True])
def test_it_ends_when_it_is_no_longer_wanted(clock: Clock, is_fast: bool) -> None:
    ear, asked = Ear(clock), iter([True] * 9 + [False] * 9)
    given = play(replace(SETTINGS, duration_s=None), ear, is_fast=is_fast, is_wanted=lambda: next(asked))
    assert given == sum(len(data) for _, data in ear.heard) > 0
    nobody = Ear(clock, lambda t_ns: False)
    asked = iter([True, True, True, False, False])
    assert play(SETTINGS, nobody, is_fast=is_fast, is_wanted=lambda: next(asked)) == 0
    assert next(asked, "all asked") == "all asked"


def test_a_fast_one_gives_all_at_once_and_waits_for_its_listener(clock: Clock) -> None:
    ear = Ear(clock)
    assert play(SETTINGS, ear, is_fast=True) == sum(len(chunk.data) for chunk in ALL)
    assert b"".join(data for _, data in ear.heard) == b"".join(chunk.data for chunk in ALL)
    assert all(ear.waits)
    assert clock.naps_s == []
    turns = iter([True] + [False, True] * 1000)
    ear = Ear(clock, lambda t_ns: next(turns))
    long = replace(SETTINGS, duration_s=20.0)
    whole = [chunk.data for chunk in Reads(long).take(1 << 62, most=1 << 30)]
    play(long, ear, is_fast=True)
    # by 256 reads at a time, of which every other is not heard
    wanted = [b"".join(whole[at : at + 256]) for at in range(256, len(whole), 512)]
    assert [data for _, data in ear.heard if data] == wanted


def test_a_silent_line_is_looked_at_five_times_a_second(clock: Clock) -> None:
    looks = []
    ear = Ear(clock, lambda t_ns: looks.append(t_ns) or True)  # type: ignore[func-returns-value]
    assert play(replace(SETTINGS, has_frames=False, duration_s=2.0), ear) == 0
    assert max(after - before for before, after in pairwise(looks[1:])) <= 200 * MS


def test_the_next_read_is_known_before_it_is_due() -> None:
    reads = Reads(SETTINGS)
    for chunk in ALL:
        assert reads.next_ns == chunk.t_ns
        assert reads.take(chunk.t_ns - 1) == []
        assert reads.take(chunk.t_ns) == [chunk]
    assert not reads.is_over
    assert reads.take(1 << 62) == []
    assert (reads.is_over, reads.next_ns) == (True, None)


@pytest.mark.parametrize(
    ("settings", "next_ns"),
    [
        (replace(SETTINGS, has_frames=False, duration_s=None), 2_560 * MS),  # the block of 256 slots is empty
        (replace(SETTINGS, has_frames=False, duration_s=None, join_s=0.5), 2_060 * MS),
        (replace(SETTINGS, has_frames=False, duration_s=1.0), 1_000 * MS),
        (replace(SETTINGS, has_frames=False, duration_s=None, join_s=5.0), 0),
    ],
)
def test_without_a_read_the_next_block_is_due(settings: ReceiverSettings, next_ns: int) -> None:
    assert Reads(settings).next_ns == next_ns


@pytest.mark.parametrize("most", [1, 5, 20, 21])
def test_no_more_reads_are_taken_than_asked_for(most: int) -> None:
    reads = Reads(SETTINGS)
    assert reads.take(1 << 62, most=most) == ALL[:most]
    assert reads.take(1 << 62) == ALL[most:]


def test_marks_are_given_with_the_bytes_they_are_of() -> None:
    noisy = replace(SETTINGS, noise=Noise(flips=0.01), batch_s=0.016, duration_s=3.0)
    chunks = Reads(noisy).take(1 << 62)
    assert all(not chunk.bad or (len(chunk.bad) == len(chunk.data) and any(chunk.bad)) for chunk in chunks)
    assert 0 < sum(sum(chunk.bad) for chunk in chunks) < 100
    bare = Reads(replace(noisy, has_marks=False)).take(1 << 62)
    assert [chunk.data for chunk in bare] == [chunk.data for chunk in chunks]
    assert not any(chunk.bad for chunk in bare)
    assert isinstance(bare[0], Chunk)
