"""The figures of the live path: busbench waits for what the screen shows."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="these figures are taken on Linux alone")
CAPTURES = Path(__file__).parents[2] / "captures"


@pytest.mark.parametrize("source", ["virtual:", str(CAPTURES / "heron-bench.pcapng")])
def test_the_first_paint_is_seen(source: str) -> None:
    from bench_live import first_paint_s

    assert first_paint_s(source) > 0.05  # more than the start of the interpreter


def test_a_paint_that_does_not_come_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    import bench_live

    monkeypatch.setattr(bench_live, "PAINTED", b"words of no screen")
    with pytest.raises(SystemExit, match="not painted in 1 s"):
        bench_live.first_paint_s("virtual:", limit_s=1)
