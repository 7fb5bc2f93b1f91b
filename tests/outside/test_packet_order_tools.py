"""Copies and packets out of order against the tools that repair captures.

Source: mergecap, editcap and reordercap of the Wireshark project, and tshark, which read
what they made; all work packet by packet and know nothing of frames.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.wire.codec import pack_frames
from tests.capture.blocks import interface, packet, section

COUNTS = np.full((400, 16), 992)
COUNTS[:, 0] = 172 + np.arange(400) % 1600 // 8  # is for eight frames at a time
FRAMES = pack_frames(COUNTS)


def run(tool: str, *arguments: str) -> str:
    path = shutil.which(tool)
    if path is None:
        pytest.skip(f"outside tool missing: {tool}")
    done = subprocess.run([path, *arguments], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def capture(path: Path, rows: list[int]) -> str:
    parts = [packet(1_000_000 + 7_000 * row, FRAMES[row].tobytes()) for row in rows]
    path.write_bytes(b"".join([section(), interface(), *parts]))
    return str(path)


def bytes_by_tshark(path: str) -> bytes:
    return bytes.fromhex("".join(run("tshark", "-r", path, "-T", "fields", "-e", "data.data").split()))


def test_two_captures_of_one_line_merged(tmp_path: Path) -> None:
    """They overlap from frame 150 to frame 250."""
    first = capture(tmp_path / "a.pcapng", list(range(250)))
    second = capture(tmp_path / "b.pcapng", list(range(150, 400)))
    both, single = str(tmp_path / "both.pcapng"), str(tmp_path / "single.pcapng")
    run("mergecap", "-w", both, first, second)
    run("editcap", "-w", "0", both, single)
    found = read_recording(both)
    assert "exact copies of packets, left out: 100" in found.info.notes
    assert found.frames.raw.tobytes() == bytes_by_tshark(single) == FRAMES.tobytes()


def test_packets_out_of_order(tmp_path: Path) -> None:
    rows = np.arange(400)
    for at in np.random.default_rng(5).choice(np.arange(10, 380, 10), 25, replace=False).tolist():
        rows[at : at + 5] = np.roll(rows[at : at + 5], 1)
    shaken, ordered = capture(tmp_path / "a.pcapng", rows.tolist()), str(tmp_path / "b.pcapng")
    said = run("reordercap", shaken, ordered)
    found = read_recording(shaken)
    assert "25 out of order" in said
    assert found.info.notes == ["packets out of order, put where their times belong: 25"]
    assert found.frames.raw.tobytes() == bytes_by_tshark(ordered) == FRAMES.tobytes()
