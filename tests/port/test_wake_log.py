"""The process that owns the port writes down how late it wakes, and the recording keeps it."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

from busbench.capture.open import open_capture
from busbench.capture.pcapng_blocks import read_wakes, wake_comment
from busbench.capture.pcapng_write import PcapngWriter
from busbench.line import BUS_LINE, WAKE_EDGES_US, Chunk, WakeUps
from busbench.model import Clock, ClockKind
from busbench.port.clocks import WakeLog

MS = 1_000_000
SECOND_NS = 1_000_000_000


def test_a_second_of_wakes_is_counted_by_how_late_they_were() -> None:
    """Due every 20 ms: late by 0.06 and by 0.4 ms, 46 times by nothing, and by 30 ms, which misses the next."""
    log = WakeLog(0)
    late_ns = {20 * MS: 60_000, 40 * MS: 400_000, 60 * MS: 30 * MS}
    due = log.due_ns
    entries: list[WakeUps] = []
    while not entries:
        assert log.woken(due - 1) is None
        entry = log.woken(due + late_ns.get(due, 0))
        entries += [] if entry is None else [entry]
        due = log.due_ns
    assert entries[0].t_ns == SECOND_NS
    counts = dict.fromkeys(range(len(WAKE_EDGES_US) + 1), 0) | {0: 46, 2: 1, 7: 1, 13: 1}
    assert entries[0].counts == tuple(counts.values())


@pytest.mark.parametrize(
    ("text", "counts"),
    [
        ("woke=0,3,47", (0, 3, 47)),
        ("woke=50", (50,)),
        ("woke=", None),
        ("woke=1,x", None),
        ("mark=woke=1", None),
        ("woke=" + ",".join("1" * 16), None),
        ("woke=1234567", None),
    ],
)
def test_comments_of_wakes(text: str, counts: tuple[int, ...] | None) -> None:
    found = read_wakes(text)
    assert found == (None if counts is None else counts + (0,) * (len(WAKE_EDGES_US) + 1 - len(counts)))
    if found is not None:
        assert wake_comment(found) == text


def test_a_recording_keeps_the_wakes_and_they_are_no_marks(tmp_path: Path) -> None:
    path = str(tmp_path / "a.pcapng")
    wakes = [WakeUps(SECOND_NS, (50, *[0] * 14)), WakeUps(2 * SECOND_NS, (40, 0, 8, *[0] * 11, 1))]
    clock = Clock(ClockKind.PER_READ, 1)
    with PcapngWriter(path, port="p", line=BUS_LINE, clock=clock, start_utc_ns=0) as writer:
        writer.write(Chunk(5, b"abc"))
        writer.write_wakes(wakes)
        writer.mark(3 * SECOND_NS, "rudder")
    with open_capture(path) as capture:
        assert sum(len(log) for log in capture.blocks()) == 3
        assert capture.info.wakes == wakes
        assert [mark.text for mark in capture.info.marks] == ["rudder"]


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal means the port")
def test_a_serial_port_is_watched_and_a_virtual_one_is_never_late() -> None:
    from busbench.bench.sources import open_live
    from busbench.sim.playback import PtyOutlet

    outlet = PtyOutlet()
    with open_live(outlet.name, line=BUS_LINE) as port:
        wakes: list[WakeUps] = []
        until = time.monotonic() + 20
        while len(wakes) < 2 and time.monotonic() < until:
            port.read(0.2)
            wakes += port.wakes()
    outlet.close()
    assert len(wakes) >= 2
    assert all(1 <= sum(one.counts) <= 51 for one in wakes)
    assert wakes[1].t_ns - wakes[0].t_ns >= SECOND_NS
    with open_live("virtual:?duration=3s&speed=max") as virtual:
        while not virtual.has_ended:
            virtual.read(0.1)
        assert [one.counts[0] for one in virtual.wakes()] == [50, 50]


def test_each_second_has_its_entry_and_counts_of_its_own() -> None:
    log = WakeLog(5 * SECOND_NS)
    entries = [entry for _ in range(150) if (entry := log.woken(log.due_ns)) is not None]
    assert [(entry.t_ns, sum(entry.counts)) for entry in entries] == [
        (6 * SECOND_NS, 50), (7 * SECOND_NS, 50), (8 * SECOND_NS, 50),
    ]  # fmt: skip
