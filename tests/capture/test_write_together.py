"""What belongs together reaches the file together, however long ago the last hand-over was."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.capture import pcapng_write
from busbench.capture.pcapng_write import PcapngWriter
from busbench.line import BUS_LINE
from busbench.model import ByteLog, Clock, ClockKind


def test_nothing_is_handed_over_between_parts_that_belong_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Killed between the two, a file would hold frames and not the count of those left out before them.
    monkeypatch.setattr(pcapng_write, "_FLUSH_NS", 0)
    path = tmp_path / "x.pcapng"
    frame = ByteLog(0, np.zeros(25, np.uint8), np.array([25]), np.array([0]))
    with PcapngWriter(str(path), port="", line=BUS_LINE, clock=Clock(ClockKind.PER_READ, 1), start_utc_ns=0) as writer:
        writer.flush()
        before = path.stat().st_size
        with writer.together():
            writer.write_log(frame)
            writer.tick()
            assert path.stat().st_size == before
        writer.tick()
        assert path.stat().st_size > before
