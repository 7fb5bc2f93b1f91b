"""Forty styles of exports, each of which gives the same frames."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import vcd as pyvcd

from busbench.analysis.recording import Recording, read_recording
from busbench.capture.base import ReadOptions
from busbench.wire.uart import decode_line
from tests.capture.export_styles import BYTES, CHANGES, EDGES, FRAMES, SIGNALS, STEP_NS, STYLES, T_NS, levels_of_samples

ENDS_NS = T_NS.reshape(FRAMES, 25)[:, -1]


def hold(found: Recording, *, within_ns: int) -> None:
    """The frames are those that were written, at the same times but for a constant."""
    assert (found.frames.raw == BYTES.reshape(FRAMES, 25)).all()
    off = found.frames.t_ns - ENDS_NS
    assert np.ptp(off) <= within_ns
    assert not found.frames.suspect.any()


@pytest.mark.parametrize("style", STYLES)
def test_every_style_gives_the_same_frames(style: str) -> None:
    options = ReadOptions(signal=SIGNALS.get(style))
    hold(read_recording(io.BytesIO(STYLES[style]), options=options), within_ns=2 * STEP_NS)


def test_there_are_forty_styles() -> None:
    assert len(STYLES) >= 40


def test_dates_are_known_where_they_are_written() -> None:
    found = read_recording(io.BytesIO(STYLES["ISO with zone"]))
    assert found.outages().start_utc == "2026-05-28T10:15:00.002000000Z"
    assert read_recording(io.BytesIO(STYLES["time of day"])).outages().start_utc is None


def test_times_of_day_go_on_behind_midnight() -> None:
    text = STYLES["time of day"].decode().replace("10:15:00.0", "23:59:59.9")
    rows = text.splitlines()
    for i, row in enumerate(rows[100:], 100):
        rows[i] = row.replace("23:59:59.9", "00:00:00.0").replace("10:15:00.1", "00:00:00.1")
    found = read_recording(io.BytesIO("\n".join(rows).encode()))
    assert found.frames.t_ns[-1] - found.frames.t_ns[0] == 11 * 14_000_000 + 100_000_000


def test_what_pyvcd_writes() -> None:
    file = io.StringIO()
    with pyvcd.VCDWriter(file, timescale="1 us", init_timestamp=0) as writer:
        rx = writer.register_var("top", "rx", "wire", size=1, init=CHANGES[0][1])
        port = writer.register_var("top", "port", "wire", size=8, init=0)
        for t, level in CHANGES[1:]:
            writer.change(rx, t // 1000, level)
            writer.change(port, t // 1000, level << 5)
        writer.close(CHANGES[-1][0] // 1000 + 200)
    text = file.getvalue().encode()
    for signal in ("top.rx", "top.port[5]"):
        hold(read_recording(io.BytesIO(text), options=ReadOptions(signal=signal)), within_ns=2000)


def test_what_sigrok_cli_writes(tmp_path: Path) -> None:
    if shutil.which("sigrok-cli") is None:
        pytest.skip("outside tool missing: sigrok-cli")
    (tmp_path / "samples.bin").write_bytes(bytes(levels_of_samples()))
    words = ["sigrok-cli", "-i", "samples.bin", "-I", "binary:numchannels=1:samplerate=500000"]
    for kind in ("csv", "vcd", "srzip"):
        subprocess.run([*words, "-O", kind, "-o", f"out.{kind}"], cwd=tmp_path, check=True, capture_output=True)
        hold(read_recording(tmp_path / f"out.{kind}"), within_ns=2 * STEP_NS)


def test_what_tshark_writes(tmp_path: Path) -> None:
    if shutil.which("text2pcap") is None or shutil.which("tshark") is None:
        pytest.skip("outside tool missing: text2pcap or tshark")
    lines = []
    for end_ns, raw in zip(ENDS_NS.tolist(), BYTES.reshape(FRAMES, 25), strict=True):
        lines += [f"2026-05-28 10:15:00.{end_ns:09d}", "000000 " + bytes(raw).hex(" ")]
    (tmp_path / "dump.txt").write_text("\n".join(lines) + "\n")
    words = ["text2pcap", "-q", "-l", "147", "-t", "%Y-%m-%d %H:%M:%S.%f", "dump.txt", "first.pcapng"]
    subprocess.run(words, cwd=tmp_path, check=True, capture_output=True)
    words = ["tshark", "-r", "first.pcapng", "-F"]
    for layout in ("pcapng", "nsecpcap"):
        subprocess.run([*words, layout, "-w", f"out.{layout}"], cwd=tmp_path, check=True, capture_output=True)
        hold(read_recording(tmp_path / f"out.{layout}"), within_ns=0)


def test_the_line_of_the_styles_is_the_bus() -> None:
    assert decode_line(EDGES).data.tolist() == BYTES.tolist()
