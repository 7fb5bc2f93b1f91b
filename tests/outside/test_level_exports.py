"""Levels that other programs wrote: the pyvcd library, and sigrok-cli as CSV.

The line is made here bit by bit, apart from busbench: start, 8 data bits, parity, stop bits (common practice).
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from vcd import VCDWriter

from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.line import LineSettings

FRAMES = 20


def sent() -> bytes:
    rng = np.random.default_rng(6)
    return b"".join(b"\x0f" + rng.bytes(22) + b"\0\0" for _ in range(FRAMES))


def changes(parity: str, stop_bits: int, *, idle: int) -> list[tuple[int, int]]:
    """Time in µs and level of each change of a line that sends frames every 7 ms, the first after 2 ms."""
    found, level = [(0, idle)], idle
    for place, byte in enumerate(sent()):
        start = 2000 + place // 25 * 7000 + place % 25 * (9 + (parity != "N") + stop_bits) * 10
        bits = [0, *(byte >> k & 1 for k in range(8))]
        if parity != "N":
            bits.append(byte.bit_count() & 1 ^ (parity == "O"))
        for k, bit in enumerate([*bits, *[1] * stop_bits]):
            if (bit ^ 1 ^ idle) != level:
                level = bit ^ 1 ^ idle
                found.append((start + 10 * k, level))
    return [*found, (found[-1][0] + 2000, 1 - idle)]


def by_pyvcd(path: Path, some: list[tuple[int, int]]) -> str:
    with path.open("w") as file, VCDWriter(file, timescale="1 us") as out:
        line = out.register_var("bench", "rx", "wire", size=1, init=some[0][1])
        for us, level in some[1:]:
            out.change(line, us, level)
    return str(path)


@pytest.mark.parametrize("idle", [0, 1])
@pytest.mark.parametrize(
    ("parity", "stop_bits", "note"),
    [
        ("E", 2, None),
        ("E", 1, "the line is 8E1 (even parity, 1 stop bit) but was read as 8E2: give --stop-bits 1"),
        ("O", 2, "the line is 8O2 (odd parity, 2 stop bits) but was read as 8E2: give --parity O"),
        ("N", 1, "the line is 8N1 (no parity, 1 stop bit) but was read as 8E2: give --parity N --stop-bits 1"),
    ],
)
def test_a_line_of_other_settings_is_named_and_its_polarity_kept(
    tmp_path: Path, parity: str, stop_bits: int, note: str | None, idle: int
) -> None:
    path = by_pyvcd(tmp_path / "line.vcd", changes(parity, stop_bits, idle=idle))
    with open_capture(path) as capture:
        list(capture.blocks())
    expected = [] if note is None else [note]
    assert capture.info.notes == expected + ["the line idles high: inverted polarity"] * idle
    with open_capture(path, options=ReadOptions(line=LineSettings(parity=parity, stop_bits=stop_bits))) as capture:
        logs = list(capture.blocks())
    assert b"".join(log.data.tobytes() for log in logs)[: 25 * FRAMES] == sent()


def test_a_session_that_sigrok_writes_holds_the_same_bytes(tmp_path: Path) -> None:
    tool = shutil.which("sigrok-cli")
    if tool is None:
        pytest.skip("outside tool missing: sigrok-cli")
    source = by_pyvcd(tmp_path / "line.vcd", changes("E", 2, idle=0))
    path = tmp_path / "line.sr"
    command = [tool, "-I", "vcd", "-i", source, "-O", "srzip", "-o", str(path)]
    subprocess.run(command, capture_output=True, timeout=60, check=True)
    with open_capture(str(path)) as capture:
        logs = list(capture.blocks())
    assert (capture.info.format, capture.info.source) == ("sigrok session", "rx")
    assert b"".join(log.data.tobytes() for log in logs)[: 25 * FRAMES] == sent()
    assert int(logs[0].mark_t_ns[0]) == 2_000_000


@pytest.mark.parametrize("options", ["label=channel", "label=units", "label=channel:time=true", "label=off"])
def test_samples_that_sigrok_writes_are_timed_by_its_rate(tmp_path: Path, options: str) -> None:
    """Version 0.5.2 of libsigrok writes 0 as the time of each sample: the stated rate serves."""
    tool = shutil.which("sigrok-cli")
    if tool is None:
        pytest.skip("outside tool missing: sigrok-cli")
    source = by_pyvcd(tmp_path / "line.vcd", changes("E", 2, idle=0))
    path = tmp_path / "line.csv"
    command = [tool, "-I", "vcd", "-i", source, "-O", f"csv:{options}", "-o", str(path)]
    subprocess.run(command, capture_output=True, timeout=60, check=True)
    with open_capture(str(path)) as capture:
        logs = list(capture.blocks())
    times = np.concatenate([log.mark_t_ns for log in logs])
    assert b"".join(log.data.tobytes() for log in logs)[: 25 * FRAMES] == sent()
    assert times[: 25 * FRAMES].tolist() == [
        (2000 + at // 25 * 7000 + at % 25 * 120) * 1000 for at in range(25 * FRAMES)
    ]
