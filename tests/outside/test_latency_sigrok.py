"""Latency of a pulse output against the UART and PWM decoders of the sigrok project (sigrok-cli, libsigrokdecode).

They read our dump with code that is not ours: where the last byte of each frame ends, and where each pulse begins.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.pulses import find_pulses
from busbench.capture import vcd
from busbench.capture.edges import read_edges
from busbench.capture.level_write import vcd_text
from busbench.model import I64
from tests.analysis.test_latency import bus, frames, pulses

STEP_NS = 100  # 10 MHz: the dump's 1 ns, downsampled by 100


def decoded(path: Path, decoder: str, annotation: str) -> tuple[I64, list[str]]:
    """Begin in ns, and text, of each annotation of an outside decoder."""
    tool = shutil.which("sigrok-cli")
    if tool is None:
        pytest.skip("outside tool missing: sigrok-cli")
    done = subprocess.run(
        [tool, "-I", "vcd:downsample=100", "-i", str(path), "-P", decoder, "-A", annotation,
         "--protocol-decoder-samplenum"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    rows = re.findall(r"^(\d+)-\d+ \w+-1: (.+)$", done.stdout, re.MULTILINE)
    return np.array([int(begin) for begin, _ in rows], np.int64) * STEP_NS, [text for _, text in rows]


@pytest.mark.parametrize("pulse_period_ms", [None, 20])
def test_both_see_the_same_latency(tmp_path: Path, pulse_period_ms: int | None) -> None:
    t_ns, counts = frames(300)
    counts[:, 0] = np.random.default_rng(8).integers(300, 1700, 300)  # each frame another value
    line, end_ns = bus(t_ns, counts)
    if pulse_period_ms is None:
        begin_ns, row = end_ns + 4_321_000, np.arange(300)
    else:
        begin_ns = np.arange(25_000_000, int(end_ns[-1]), pulse_period_ms * 1_000_000)
        row = np.searchsorted(end_ns, begin_ns - 4_321_000, "right") - 1
    path = tmp_path / "outputs.vcd"
    path.write_text(vcd_text({"bus": line, "a": pulses(begin_ns, counts[row, 0])}), encoding="ascii")
    found = find_pulses(read_edges(vcd.VcdLevels(str(path))))
    assert found is not None
    latency = found.lines[0].latency
    assert latency is not None

    byte_ns, data = decoded(
        path, "uart:rx=bus:baudrate=100000:parity=even:stop_bits=1.0:invert_rx=yes:format=hex", "uart=rx-data"
    )
    assert len(data) == 300 * 25
    # A data annotation begins with the first data bit; 11 bits later the second stop bit ends.
    frame_ns = byte_ns[24::25] + 11 * 10_000
    pulse_ns, _ = decoded(path, "pwm:data=a", "pwm=duty-cycle")
    theirs = pulse_ns[:, None] - frame_ns
    seen = latency.end_ns + latency.late_ns <= pulse_ns[-1]  # the last pulse has no period, so they leave it out
    for end, late in zip(latency.end_ns[seen], latency.late_ns[seen], strict=True):
        at = int(np.argmin(np.abs(frame_ns - end)))
        assert np.abs(theirs[:, at] - late).min() <= 3 * STEP_NS
    assert np.count_nonzero(seen) >= (290 if pulse_period_ms is None else 95)
