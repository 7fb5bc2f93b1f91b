"""What time does to a recording: the last second, and a wall clock that is set."""

from __future__ import annotations

import random
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.cli.record import record
from busbench.line import BUS_LINE
from tests.tui.ports import START_NS, Live

HOUR_NS = 3_600_000_000_000


def test_at_any_moment_the_file_lacks_less_than_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live, path, dice = Live("virtual:?period=7ms"), tmp_path / "f.pcapng", random.Random(1)
    monkeypatch.setattr(time, "monotonic_ns", live.hands)
    live.session.start_recording(str(path))
    for _ in range(60):
        # A screen that is late now and then.
        live.hands.t_ns += round(dice.choice((0.05, 0.05, dice.uniform(0, 0.4))) * 1e9)
        live.session.tick(0.05)
        # What is in the file now is what a kill at this moment leaves.
        recording = read_recording(str(path))
        last_ns = int(recording.frames.t_ns[-1]) if len(recording.frames) else START_NS + live.port.start_utc_ns
        assert live.hands.t_ns + live.port.start_utc_ns - last_ns < 1_000_000_000
    live.session.close()
    assert len(read_recording(str(path)).frames) == (live.hands.t_ns - START_NS) // 7_000_000


@pytest.mark.parametrize("jump_ns", [-24 * HOUR_NS, 24 * HOUR_NS, -50_000_000])
def test_a_wall_clock_that_is_set_moves_no_frame(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, jump_ns: int) -> None:
    true_time_ns, asked = time.time_ns, 0

    def set_anew() -> int:
        nonlocal asked
        asked += 1  # right when the port is opened, then further off each time
        return true_time_ns() + (asked - 1) * jump_ns

    before_ns = true_time_ns()
    monkeypatch.setattr(time, "time_ns", set_anew)
    monkeypatch.setattr(time, "time", lambda: set_anew() / 1e9)
    path = tmp_path / "f.pcapng"
    source = "virtual:?period=7ms&duration=400ms&lost=0.1:0.1"
    (done,) = record([source], str(path), seconds=None, force=False, line=BUS_LINE, stop=threading.Event())
    monkeypatch.undo()
    recording = read_recording(str(path))
    assert done.frames == len(recording.frames) > 50
    assert set(np.diff(recording.frames.t_ns).tolist()) == {7_000_000}
    assert before_ns <= recording.frames.t_ns[0] <= true_time_ns()


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_stamps_of_a_port_do_not_follow_the_wall_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.bench.sources import open_live
    from tests.port.ends import Far, Seen, read_until

    far = Far(tmp_path / "port")
    before_ns = time.perf_counter_ns()
    with open_live(far.name) as port:
        begun_utc_ns = port.start_utc_ns
        seen = Seen()
        for number in range(6):
            far.write(bytes([number]) * 25)
            read_until(port, seen, lambda seen, number=number: len(seen.data) == 25 * (number + 1))  # type: ignore[misc]
            monkeypatch.setattr(time, "time_ns", lambda number=number: number % 2 * HOUR_NS)
            assert port.start_utc_ns == begun_utc_ns
    far.unplug()
    times = [chunk.t_ns for chunk in seen.chunks]
    assert before_ns <= times[0] <= times[-1] <= time.perf_counter_ns()
    assert times == sorted(times)
