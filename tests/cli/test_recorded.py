"""Recordings that a program replays."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.capture.base import CaptureInfo
from busbench.capture.write import open_writer
from busbench.cli.recorded import load_recording
from busbench.model import ByteLog, Clock, ClockKind
from tests.wire.corpus import make


def test_what_stands_behind_a_clock_set_back_follows_on(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    data = make("mixed", 600, 1).data
    t_ns = np.arange(600) * 14_000_000 + 10**9
    t_ns[300:] -= 3600 * 10**9
    path = str(tmp_path / "back.pcapng")
    writer = open_writer(path, CaptureInfo("back", "test", Clock(ClockKind.PER_READ, 1000)))
    writer.write_log(ByteLog(0, data, np.arange(25, data.size + 1, 25), t_ns))
    writer.close()
    recorded = load_recording(path)
    assert recorded.levels.shape == (600, 18)
    assert recorded.t_s[-1] == pytest.approx(599 * 0.014)
    assert np.diff(recorded.t_s).min() == pytest.approx(0.014)
    assert capfd.readouterr().err == f"busbench: {path}: its clock goes back; what comes after that follows on\n"
