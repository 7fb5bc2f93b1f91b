"""What commands print, whole, as it is kept in outputs.txt: no figure, table or sentence of theirs changes unseen.

A line with `$` there is a command; below it come its standard output, its standard error and its exit code unless 0.
Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes them all again; read the difference then.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.sign_off import sign_off
from busbench.capture.pcapng_write import PcapngWriter
from busbench.line import BUS_LINE, Chunk
from busbench.model import Clock, ClockKind
from busbench.report.provenance import gather
from busbench.report.recording_page import RecordingPage
from busbench.rig.load import read_rig
from busbench.wire.codec import pack_frames
from tests.cli.running import CAPTURES, call

pytestmark = pytest.mark.every_row

KEPT = Path(__file__).with_name("outputs.txt")
HELD = dict(re.findall(r"^\$ busbench (.*)\n((?:(?!\$ ).*\n)*)", KEPT.read_text("utf-8"), re.MULTILINE))


# Long names, an engine with an ignition cut on a channel of its own, and a fault: no failsafe for the rudder.
EGRET = """
[rig]
name = "Egret"
period_ms = 14
[supply]
voltage_v = 7.4
resistance_ohm = 0.05
minimum_v = 5.0
limit_a = 5
lead = { length_m = 0.2, awg = 18 }
[supply.pack]
cells = 2
capacity_mah = 3000
[[hub]]
name = "removable outer panel of the left wing"
from = "receiver"
lead = { length_m = 1.2, awg = 24, connector_ohm = 0.01 }
limit_a = 3
[[device]]
name = "outer aileron of the left wing panel"
channel = 1
control = "aileron stick"
high_when = "right"
above_neutral = "down"
failsafe = 0
on = "removable outer panel of the left wing"
lead = { length_m = 0.8, awg = 26 }
reversed = true
mounting = "mirrored"
speed_s_per_60deg = 0.15
current_a = { idle = 0.02, moving = 0.5, stall = 2.0 }
[[device]]
name = "rudder"
channel = 2
neutral_us = 1520
geometry = { throw_deg = 20 }
lead = { length_m = 0.8, awg = 26 }
current_a = { idle = 0.02, moving = 0.5, stall = 2.0, holding = 0.3 }
[[device]]
name = "throttle of the four-stroke engine in the nose"
kind = "off-bus"
channel = 3
motor = "engine"
idle_pct = -80
ignition_kill = "ignition cut-off switch beside the tank"
failsafe = -80
[[device]]
name = "ignition cut-off switch beside the tank"
channel = 18
rest_pct = -100
failsafe = -100
lead = { length_m = 0.3, awg = 24 }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped recordings, and some that are small or odd."""
    at = tmp_path_factory.mktemp("outputs")
    shutil.copytree(CAPTURES, at / "captures", ignore=shutil.ignore_patterns("pages", "pictures"))
    frames = pack_frames(np.tile(np.arange(200, 1800, 100), (60, 1)))
    (at / "none.raw").write_bytes(b"")
    (at / "one.raw").write_bytes(frames[0].tobytes())
    (at / "zeros.raw").write_bytes(bytes(2000))
    (at / "egret.toml").write_text(EGRET, encoding="utf-8")
    for name, count in (("one", 1), ("two", 2)):
        packed(at / f"{name}.pcapng", [(7 * i, frames[i].tobytes()) for i in range(count)])
    # Three bytes of noise between two frames; four glitches of channel 1; one frame with a marked byte.
    odd = np.tile(np.arange(200, 1800, 100), (300, 1))
    odd[[50, 100, 150, 200], 0] = 1500
    raw = pack_frames(odd)
    reads = [(7 * i, raw[i].tobytes()) for i in range(300) if i % 25 != 24]
    packed(at / "odd.pcapng", sorted([*reads, (7 * 12 + 4, b"\1\2\3")]), marked=7 * 30)
    packed(at / "marked.pcapng", reads[:40], texts={70: "30 paces", 140: "antenna down"})
    recording = read_recording(at / "two.pcapng")
    provenance = gather(source="two.pcapng", recording_path=str(at / "two.pcapng"), rig_path="")
    (at / "page.html").write_text(RecordingPage(recording).html(provenance), encoding="utf-8")
    flown, rig = at / "captures" / "heron-round.pcapng", at / "captures" / "heron.toml"
    signed = sign_off(read_recording(flown), read_rig(rig))
    page = signed.page(source=flown.name, recording_path=str(flown), rig_path=str(rig))
    (at / "sign.html").write_text(page, encoding="utf-8")
    return at


def packed(
    path: Path, reads: list[tuple[int, bytes]], *, marked: int = -1, texts: Mapping[int, str] = MappingProxyType({})
) -> None:
    """A recording of reads, each with its ms; of one a byte is marked; annotations by their ms."""
    clock = Clock(ClockKind.PER_READ, 1)
    with PcapngWriter(str(path), port="tty", line=BUS_LINE, clock=clock, start_utc_ns=1_780_000_000_123_000_000) as out:
        for t_ms, data in reads:
            bad = bytes([4] * (t_ms == marked)) + bytes(len(data) - (t_ms == marked))
            out.write(Chunk(t_ms * 1_000_000 + 3_000_000, data, bad))
            if t_ms in texts:
                out.mark(t_ms * 1_000_000 + 3_000_000, texts[t_ms])


@pytest.mark.parametrize("line", HELD)
def test_a_command_prints_what_is_kept(
    line: str, folder: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    done = call(capfd, *shlex.split(line))
    shown = "".join(f"{row.rstrip()}\n" for row in (done.out + done.err).splitlines())
    shown += f"exit code {done.code}\n" if done.code else ""
    shown = re.sub(r"^\$", " $", shown, flags=re.MULTILINE)
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        HELD[line] = shown
        KEPT.write_text("".join(f"$ busbench {one}\n{text}" for one, text in HELD.items()), encoding="utf-8")
    assert shown.splitlines() == HELD[line].splitlines(), f"{line} prints something else"
