"""The line against the UART decoder of the sigrok project (sigrok-cli with libsigrokdecode).

It reads our dumps of the level, bit by bit, with code that is not ours; it tests the
first stop bit only.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import vcd
from busbench.capture.base import ReadOptions
from busbench.line import LineSettings
from busbench.model import I64, U8
from busbench.wire.uart import LineFault, encode_line


def sigrok(path: Path, line: LineSettings, annotation: str) -> list[tuple[int, str]]:
    """Start sample (at 10 MHz) and text of each annotation of the outside decoder."""
    tool = shutil.which("sigrok-cli")
    if tool is None:
        pytest.skip("outside tool missing: sigrok-cli")
    parity = {"E": "even", "O": "odd", "N": "none"}[line.parity]
    invert = "yes" if line.inverted else "no"
    decoder = f"uart:rx=bus:baudrate={line.baud}:parity={parity}:stop_bits=1.0:invert_rx={invert}:format=hex"
    chosen = ["-P", decoder, "-A", f"uart={annotation}", "--protocol-decoder-samplenum"]
    done = subprocess.run(
        [tool, "-I", "vcd:downsample=100", "-i", str(path), *chosen],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    rows = re.findall(r"^(\d+)-\d+ uart-1: (.+)$", done.stdout, re.MULTILINE)
    return [(int(start), text) for start, text in rows]


def bursts() -> tuple[U8, I64]:
    """12 bursts of 25 random bytes, 7 ms apart, from 1 ms on."""
    data = np.random.default_rng(3).integers(0, 256, 300, dtype=np.uint8)
    at = np.arange(300)
    return data, 1_000_000 + at // 25 * 7_000_000 + at % 25 * 125_000


def write(path: Path, data: U8, t_ns: I64, line: LineSettings, *, off: float = 0, bad: U8 | None = None) -> None:
    with path.open("wb") as file:
        writer = vcd.VcdWriter(file)
        writer.write(encode_line(data, t_ns, line=line, bit_ns=1e9 / line.baud * (1 + off), bad=bad))
        writer.close()


@pytest.mark.parametrize("off", [0, 0.035, -0.035])
@pytest.mark.parametrize("line", [LineSettings(), LineSettings(inverted=False), LineSettings(parity="O")])
def test_both_read_the_same_bytes_out_of_our_dump(tmp_path: Path, line: LineSettings, off: float) -> None:
    data, t_ns = bursts()
    path = tmp_path / "line.vcd"
    write(path, data, t_ns, line, off=off)
    theirs = sigrok(path, line, "rx-data")
    assert [int(text, 16) for _, text in theirs] == data.tolist()
    with vcd.open_file(str(path), ReadOptions(line=line)) as capture:
        (log,) = capture.blocks()
    assert log.data.tolist() == data.tolist()
    assert log.mark_t_ns.tolist() == t_ns.tolist()


def test_both_find_the_same_parity_errors(tmp_path: Path) -> None:
    data, t_ns = bursts()
    bad = np.zeros(300, np.uint8)
    bad[[2, 77, 299]] = LineFault.PARITY
    path = tmp_path / "line.vcd"
    write(path, data, t_ns, LineSettings(), bad=bad)
    # The parity bit is the tenth: its annotation begins nine bit times (900 samples) after the start edge.
    theirs = [start - 900 for start, _ in sigrok(path, LineSettings(), "rx-parity-err")]
    with vcd.open_file(str(path), ReadOptions()) as capture:
        (log,) = capture.blocks()
    assert log.bad is not None
    ours = log.mark_t_ns[log.bad == LineFault.PARITY]
    assert ours.tolist() == t_ns[[2, 77, 299]].tolist()
    assert theirs == (ours // 100).tolist()
