"""The steps by which frames of two recordings are matched, beside loops that follow their definitions."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.frame_match import Matches, _agrees, _between, _by_time, _Contents, _near, _slots, _without_doubt
from busbench.model import I64, U64

US = 1000.0


@pytest.mark.parametrize("seed", range(8))
def test_a_run_is_matched_to_the_only_like_one_near_its_time(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sizes, keys = rng.integers(1, 40, 2), rng.integers(0, 4, 80).astype(np.uint64)
    rows = [np.sort(rng.choice(60, size, replace=False)) for size in sizes.tolist()]
    draws = [np.sort(rng.integers(0, 100, 60)) for _ in rows]
    times = [np.asarray(3 * US * draw + 7e6 * seed, np.float64) for draw in draws]  # in no doubt by a microsecond
    low, high = -40.5 * US, 25.5 * US
    first, second = (keys[: sizes[0]], rows[0]), (keys[40 : 40 + sizes[1]], rows[1])
    wanted = np.full(60, -1)
    for key, row in zip(*first, strict=True):
        near = [
            other for like, other in zip(*second, strict=True)
            if like == key and low <= times[0][row] - times[1][other] <= high
        ]  # fmt: skip
        wanted[row] = near[0] if len(near) == 1 else -1
    assert _near(first, times[0], second, times[1], (low, high)).tolist() == wanted.tolist()


def test_groups_of_like_runs_do_not_run_into_one_another() -> None:
    """The last time of one group and the first of the next lie side by side."""
    t_ns, rows = US * np.arange(0.0, 400, 3), np.arange(134)
    keys = np.repeat(np.array([1, 2], np.uint64), 67)
    first, second = (keys, rows), (keys[::-1].copy(), rows)
    for reach in (0.5, 1.5, 4.5, 9.5):
        found = _near(first, t_ns, second, t_ns, (-reach * US, reach * US))
        like = np.abs(t_ns - t_ns[:, None]) <= reach * US
        like &= keys[:, None] == keys[::-1]
        assert found.tolist() == np.where(like.sum(axis=1) == 1, like.argmax(axis=1), -1).tolist()


def test_runs_of_a_day_are_matched() -> None:
    keys, rows, t_ns = np.arange(6000, dtype=np.uint64), np.arange(6000), 14e9 * np.arange(6000.0)
    found = _near((keys, rows), t_ns, (keys[::-1].copy(), rows[::-1].copy()), t_ns + 1e6, (-2e6, 0.0))
    assert found.tolist() == rows.tolist()


@pytest.mark.parametrize("which", [0, 1])
def test_without_runs_nothing_is_near(which: int) -> None:
    none, one = (np.empty(0, np.uint64), np.empty(0, np.int64)), (np.ones(1, np.uint64), np.zeros(1, np.int64))
    pair = (none, one) if which else (one, none)
    assert _near(pair[0], np.zeros(3), pair[1], np.zeros(1), (-1.0, 1.0)).tolist() == [-1, -1, -1]


@pytest.mark.parametrize("seed", range(6))
def test_a_match_agrees_with_the_middle_of_five_before_or_after_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lost = np.cumsum(rng.integers(0, 2, 30)) + (rng.random(30) < 0.3) * rng.integers(-3, 4, 30)
    wanted = []
    for at, one in enumerate(lost.tolist()):
        before = [int(lost[max(0, row)]) for row in range(at - 4, at + 1)]
        after = [int(lost[min(29, row)]) for row in range(at, at + 5)]
        wanted.append(one in (sorted(before)[2], sorted(after)[2]))
    assert _agrees(lost).tolist() == wanted
    assert _agrees(lost[:4]).tolist() == [False] * 4  # fewer than five show nothing
    assert _agrees(np.zeros(5, np.int64)).all()


def drawn(seed: int) -> tuple[I64, I64, U64, U64, I64]:
    """Rows known to be the same, hashes of both, and the slots of the second, which lost some frames."""
    rng = np.random.default_rng(seed)
    contents = rng.integers(0, 3, 60).astype(np.uint64)
    one, other = np.flatnonzero(rng.random(60) < 0.85), np.flatnonzero(rng.random(60) < 0.9)
    both = one[np.isin(one, other)]
    some = np.sort(rng.choice(both, both.size // 4, replace=False))
    return (
        np.searchsorted(one, some), np.searchsorted(other, some), contents[one], contents[other], other - other[0],
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_frames_between_matches_are_matched_where_the_first_lost_none(seed: int) -> None:
    known, at, first, second, slot = drawn(seed)
    wanted: dict[int, int] = dict(zip(known.tolist(), at.tolist(), strict=True))
    for left, right in zip(range(known.size - 1), range(1, known.size), strict=True):
        if known[right] - known[left] != slot[at[right]] - slot[at[left]]:
            continue
        for row in range(int(known[left]) + 1, int(known[right])):
            there = np.flatnonzero(slot == slot[at[left]] + row - known[left])
            if there.size and first[row] == second[there[0]]:
                wanted[row] = int(there[0])
    found = _between(known, at, first, second, slot)
    assert dict(zip(found.first.tolist(), found.second.tolist(), strict=True)) == wanted


@pytest.mark.parametrize("count", [0, 1])
def test_between_fewer_than_two_matches_there_is_nothing(count: int) -> None:
    known, at, first, second, slot = drawn(3)
    found = _between(known[:count], at[:count], first, second, slot)
    assert (found.first.tolist(), found.second.tolist()) == (known[:count].tolist(), at[:count].tolist())
    assert len(_without_doubt(found, second, slot)) <= count


@pytest.mark.parametrize("seed", range(12))
def test_a_frame_is_in_doubt_where_one_that_may_be_lost_is_like_it(seed: int) -> None:
    """Up to five rows on, as many slots as were lost before the next match; or where the second lost one there too."""
    known, at, _, second, slot = drawn(seed + 20)
    kept = []
    for one, two in zip(range(known.size), [*range(1, known.size), known.size - 1], strict=True):
        row = int(at[one])
        lost = int(slot[at[two]] - known[two] - slot[row] + known[one])
        came = sum(slot[row] < other <= slot[row] + lost for other in slot.tolist())
        after = range(row + 1, min(row + 6, second.size))
        like = any(slot[other] - slot[row] <= lost and second[other] == second[row] for other in after)
        kept.append(not (came < lost or like))
    found = _without_doubt(Matches(known, at), second, slot)
    assert found.first.tolist() == known[np.array(kept)].tolist()
    assert found.second.tolist() == at[np.array(kept)].tolist()


def test_slots_are_numbered_with_those_that_are_empty() -> None:
    assert _slots(5, np.array([1, 3]), np.array([2, 1])).tolist() == [0, 3, 4, 6, 7]
    assert _slots(3, np.empty(0, np.int64), np.empty(0, np.int64)).tolist() == [0, 1, 2]


def contents(t_ms: list[float], keys: list[int]) -> _Contents:
    return _Contents(1e6 * np.array(t_ms), np.array(keys, np.uint64), np.ones(len(keys), np.bool_))


@pytest.mark.parametrize(
    ("known", "later", "matched"),
    [
        ([*range(9), 15, 16], [], [*range(9), *range(9, 17)]),  # all between by their times
        ([*range(9), 15, 16], [1.0], [*range(9), *range(9, 12), *range(13, 17)]),  # two may be frame 12: neither is
        ([*range(9), 12, 15, 16], [1.0], [*range(9), *range(9, 17)]),  # one is known to be it
        (list(range(7)), [], list(range(7))),  # fewer than eight matches give no line
    ],
)
def test_other_frames_are_matched_by_their_time_alone(known: list[int], later: list[float], matched: list[int]) -> None:
    """Frames 0 to 16 of the second on a clock that is 100 ppm slower; one of the first seems to come twice."""
    numbers = list(range(17))
    b = contents([7.0 * number for number in numbers], numbers)
    t_ms = [40.0 + 7.0007 * number for number in numbers]
    extra = [(t_ms[12] + more, 12) for more in later]
    rows = sorted([*zip(t_ms, numbers, strict=True), *extra])
    a = contents([t for t, _ in rows], [key for _, key in rows])
    first = np.array([rows.index((t_ms[number], number)) for number in known])
    found = _by_time(Matches(first, np.array(known)), a, b, 7e6)
    assert found.second.tolist() == matched
    assert [rows[row] for row in found.first.tolist()] == [(t_ms[number], number) for number in matched]


@pytest.mark.parametrize(("spread_ms", "is_matched"), [(5.5, True), (5.7, False)])
def test_lateness_spread_over_most_of_a_period_leaves_times_open(spread_ms: float, is_matched: bool) -> None:
    """0.8 of the period: beyond, no frame is matched by its time."""
    numbers = list(range(20))
    late = [spread_ms * (number in (3, 16)) for number in numbers]
    b = contents([7.0 * number for number in numbers], numbers)
    a = contents([7.0 * number + one for number, one in zip(numbers, late, strict=True)], numbers)
    known = np.array([number for number in numbers if number != 10])
    found = _by_time(Matches(known, known), a, b, 7e6)
    assert (10 in found.first.tolist()) is is_matched
