"""The short form of tools/faults.py: kills, ports that vanish and orphans at some random moments."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

if sys.platform != "linux":
    pytest.skip("whether anyone listens on a pseudo-terminal is reported by Linux alone", allow_module_level=True)

import random

from fault_rounds import ROUNDS_OF
from faults import long_run


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", ROUNDS_OF)
def test_what_was_promised_holds(name: str, seed: int, tmp_path: Path) -> None:
    assert ROUNDS_OF[name](random.Random(seed), tmp_path).trouble == ""


def test_the_whole_live_path_loses_nothing(tmp_path: Path) -> None:
    done = long_run(tmp_path, frames=50_000)
    assert done.sent_bytes == 50_000 * 25
    assert (done.frames, done.recorded_frames, done.damaged_bytes) == (50_000, 50_000, 0)
