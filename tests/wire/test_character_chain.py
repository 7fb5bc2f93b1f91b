"""Characters begin at the same edges, whether they are walked one by one or from all pauses at once."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.wire.character_chain import followers, walk, walk_all

REACH_NS = 105_000


@pytest.mark.parametrize(("apart_ns", "pause_every"), [(12_000, 20), (30_000, 25), (60_000, 7), (9_000, 10**9)])
def test_all_pauses_at_once_give_what_one_walk_gives(apart_ns: int, pause_every: int) -> None:
    rng = np.random.default_rng(apart_ns)
    steps = rng.integers(apart_ns // 2, 2 * apart_ns, 3000)
    steps[::pause_every] += 500_000
    times = np.cumsum(steps)
    follow = followers(times, REACH_NS)
    assert follow.tolist() == np.searchsorted(times, times + REACH_NS).tolist()
    for first in (0, 3, times.size):
        assert walk_all(follow, times, first, REACH_NS).tolist() == walk(follow, first, times.size).tolist()
    assert walk(follow, 5, 2).tolist() == [5, follow[5]]
