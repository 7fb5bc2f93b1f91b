"""Pulse widths against the PWM decoder of the sigrok project (sigrok-cli with libsigrokdecode).

It reads our dump with code that is not ours, and gives each pulse's period and its share of it.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import heron
import numpy as np
import pytest

from busbench.analysis.pulses import find_pulses
from busbench.capture import vcd
from busbench.capture.edges import read_edges
from busbench.wire.scale import Scale
from tests.verify.rounds import RIG

STEP_US = 0.1  # 10 MHz: the dump's 1 ns, downsampled by 100


def test_both_measure_the_same_widths(tmp_path: Path) -> None:
    tool = shutil.which("sigrok-cli")
    if tool is None:
        pytest.skip("outside tool missing: sigrok-cli")
    flown = heron.fly_round(RIG)
    rows = slice(1000, 1250)
    flown = heron.Round(flown.t_ns[rows], flown.counts[rows], flown.flags[rows], flown.is_sent[rows], ())
    scale = Scale(1024, 1520, 0.61)
    path = tmp_path / "outputs.vcd"
    heron.write_vcd(path, heron.pulse_lines(flown, channels={"rudder": 6}, scale=scale))
    done = subprocess.run(
        [tool, "-I", "vcd:downsample=100", "-i", str(path), "-P", "pwm:data=rudder", "-A", "pwm=duty-cycle",
         "--protocol-decoder-samplenum"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    cycles = re.findall(r"^(\d+)-(\d+) pwm-1: ([\d.]+)%$", done.stdout, re.MULTILINE)
    theirs = [(int(end) - int(start)) * STEP_US * float(share) / 100 for start, end, share in cycles]
    # The last pulse has no period, so they leave it out.
    closed_form = scale.to_us(flown.counts[:-1, 5])
    assert len(theirs) == 249
    assert np.abs(np.array(theirs) - closed_form).max() <= 2 * STEP_US

    found = find_pulses(read_edges(vcd.VcdLevels(str(path))))
    assert found is not None
    (line,) = found.lines
    assert line.width_us.max == pytest.approx(max(theirs), abs=2 * STEP_US)
    assert line.width_us.min == pytest.approx(min(theirs), abs=2 * STEP_US)
    fit = np.polyfit(flown.counts[:-1, 5].astype(float), theirs, 1)
    assert line.fit is not None
    assert line.fit.us_per_count == pytest.approx(float(fit[0]), abs=1e-4)
