"""Make the recordings in captures/ again: the same bytes each time, but for the one taken through a real port.

    python tools/make_captures.py [FOLDER]      all that are deterministic
    python tools/make_captures.py --tty         heron-tty.pcapng, in real time through a pty pair

All of it is invented: the quarter-scale glider Heron, its pilot and its faults.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import heron
import heron_power
import numpy as np

from busbench.capture.base import CaptureInfo, Origin
from busbench.capture.pcapng_write import PcapngWriter, SerialLine
from busbench.capture.write import open_writer
from busbench.line import BUS_LINE
from busbench.model import ByteLog, Clock, ClockKind
from busbench.rig.load import read_rig
from busbench.rig.model import Rig
from busbench.sim.line_faults import Noise, OutageSpan
from busbench.sim.receiver import ReceiverSettings, adapter_blocks, line_blocks
from busbench.sim.stick_motion import Hand, Pilot
from busbench.wire.codec import pack_frames

FOLDER = Path(__file__).resolve().parent.parent / "captures"
BEGUN_UTC_NS = 1_780_000_000_000_000_000  # an invented afternoon at the field
PER_READ = Clock(ClockKind.PER_READ, 1)
PER_BYTE = Clock(ClockKind.PER_BYTE, 1)

BENCH = ReceiverSettings(seed=11, period_s=0.015, jitter_s=25e-6, dither=0.02, has_slots=False, duration_s=60)
FLIGHT = ReceiverSettings(
    seed=12,
    period_s=0.015,
    jitter_s=40e-6,
    dither=0.02,
    lost=(OutageSpan(12.0, 0.06), OutageSpan(31.0, 0.21), OutageSpan(55.5, 0.015)),
    failsafe=(OutageSpan(40.0, 1.5),),
    gaps=(OutageSpan(21.0, 0.3), OutageSpan(66.0, 2.0)),
    noise=Noise(flips=8e-5, drops=4e-5, bursts=1e-5),
    duration_s=80,
)
SLOTS = ReceiverSettings(seed=13, period_s=0.015, jitter_s=10e-6, has_slots=True, join_s=0.0011, duration_s=10)
LINE = ReceiverSettings(seed=14, period_s=0.015, jitter_s=10e-6, hand=Hand.MOVING, duration_s=2)
NOISY = ReceiverSettings(
    seed=15,
    period_s=0.015,
    hand=Hand.MIXED,
    noise=Noise(flips=5e-4, drops=3e-4, extras=3e-4, bursts=1e-4),
    join_s=0.0017,
    duration_s=50,
)
# Two receivers of one transmitter: what takes both out at once, and what each loses by itself.
_BOTH = ((6.0, 0.12), (17.5, 0.3), (18.1, 0.08), (29.0, 0.06), (38.2, 0.5), (47.0, 0.1), (55.3, 0.2))
_LEFT = ((2.4, 0.1), (11.0, 0.04), (24.6, 0.3), (33.3, 0.06), (50.9, 0.05))
_RIGHT = ((4.2, 0.06), (14.1, 0.15), (43.7, 0.08))
PAIR = tuple(
    ReceiverSettings(
        seed=17,
        period_s=0.014,
        jitter_s=20e-6,
        lost=tuple(OutageSpan(*one) for one in own),
        gaps=tuple(OutageSpan(at + shift, length * longer) for at, length in _BOTH),
        duration_s=60,
    )
    for own, shift, longer in ((_LEFT, 0.0, 1.0), (_RIGHT, 0.02, 0.8))
)
PAIR_LATE_NS = 3_200_000  # the right receiver after the left
LATE_TIMER_NS, LATE_WOKE_NS, LATE_PPM = 8_000_000, 60_000, 85.0  # of the adapter beside heron-outputs.vcd
TTY = ReceiverSettings(seed=16, period_s=0.014, jitter_s=0.0, duration_s=20)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=FOLDER, metavar="FOLDER")
    parser.add_argument("--tty", action="store_true", help="record heron-tty.pcapng through a pty pair alone")
    chosen = parser.parse_args()
    if chosen.tty:
        record_tty(FOLDER / "heron-tty.pcapng")
    else:
        make(chosen.folder)


def make(folder: Path) -> None:
    """Write every deterministic recording into a folder."""
    _write(folder / "heron-bench.pcapng", BENCH, PER_READ)
    pilot = heron.FlightPilot(seed=FLIGHT.seed, dither=FLIGHT.dither)
    _write(folder / "heron-flight.pcapng", FLIGHT, PER_READ, pilot=pilot)
    _write(folder / "heron-slots.csv", SLOTS, PER_BYTE)
    _write(folder / "heron-line.vcd", LINE, PER_BYTE)
    _write(folder / "heron-noisy.raw", NOISY, PER_READ)
    _write_pair(folder / "heron-pair.pcapng")
    rig = read_rig(heron.RIG)
    heron.write_round(folder / "heron-round.pcapng", rig)
    heron.write_round(folder / "heron-round-faulty.pcapng", rig, faults=heron.FAULTY)
    part = _slider_moved(rig)
    lines = heron.pulse_lines(part, channels={"output_8": 8}, scale=rig.scale)
    heron.write_vcd(folder / "heron-outputs.vcd", lines)
    _write_late(folder / "heron-late.pcapng", part)
    heron_power.write_power(folder / "heron-power.csv", rig)


def _slider_moved(rig: Rig) -> heron.Round:
    """The frames while the slider of the sustainer is moved."""
    flown = heron.fly_round(rig)
    first = int(np.flatnonzero(flown.counts[:, 7] != flown.counts[0, 7])[0])
    piece = slice(first - 20, first + 220)  # the slider goes up, down and back within 190 frames
    t_ns = flown.t_ns[piece]
    return heron.Round(t_ns - t_ns[0] + 1_000_000, flown.counts[piece], flown.flags[piece], flown.is_sent[piece], ())


def _write_late(path: Path, flown: heron.Round) -> None:
    """The bus of heron-outputs.vcd as an adapter passes it on: at each tick of its timer, on its own clock."""
    raw = pack_frames(flown.counts, flown.flags)
    end_ns = (flown.t_ns[:, None] + np.arange(1, raw.shape[1] + 1) * BUS_LINE.character_ns).reshape(-1)
    tick = -(-end_ns // LATE_TIMER_NS)
    last = np.flatnonzero(np.append(np.diff(tick) > 0, True))
    # How late the computer was: by its tick, so that it is the same each time.
    woke_ns = LATE_WOKE_NS + tick[last] * 7919 % 97 * 2_000
    t_ns = np.rint((tick[last] * LATE_TIMER_NS + woke_ns) * (1 + LATE_PPM / 1e6)).astype(np.int64)
    source = "adapter on the bus of the Heron"
    info = CaptureInfo(str(path), "virtual", PER_READ, start_utc_ns=BEGUN_UTC_NS, source=source)
    path.unlink(missing_ok=True)
    writer = open_writer(str(path), info)
    writer.write_log(ByteLog(0, raw.reshape(-1), last + 1, t_ns))
    writer.close()


def _write(path: Path, settings: ReceiverSettings, clock: Clock, *, pilot: Pilot | None = None) -> None:
    info = CaptureInfo(str(path), "virtual", clock, start_utc_ns=BEGUN_UTC_NS, source="virtual receiver on the Heron")
    path.unlink(missing_ok=True)  # an input is never overwritten
    writer = open_writer(str(path), info)
    blocks = line_blocks if clock.kind is ClockKind.PER_BYTE else adapter_blocks
    for log in blocks(settings, pilot=pilot):
        writer.write_log(log)
    writer.close()
    print(f"{path.name}: {path.stat().st_size} bytes")


def _write_pair(path: Path) -> None:
    names = ("left", "right")
    lines = [
        SerialLine(f"virtual receiver, {name} wing", BUS_LINE, PER_READ, Origin(name, "two receivers in the Heron"))
        for name in names
    ]
    writer = PcapngWriter(
        str(path), port=lines[0].port, line=BUS_LINE, clock=PER_READ, origin=lines[0].origin, others=lines[1:],
        start_utc_ns=BEGUN_UTC_NS, force=True, direction_flags=False, is_whole=True,
    )  # fmt: skip
    with writer:
        for number, settings in enumerate(PAIR):
            for log in adapter_blocks(settings, pilot=heron.FlightPilot(seed=settings.seed, dither=0.0)):
                late = replace(log, mark_t_ns=log.mark_t_ns + number * PAIR_LATE_NS)
                writer.write_log(late, number=number)
    print(f"{path.name}: {path.stat().st_size} bytes")


def record_tty(path: Path) -> None:
    """Record a virtual receiver through the kernel's tty layer: a pty pair at 100 000 baud 8E2."""
    import threading

    from busbench.bench.sources import open_live
    from busbench.sim.playback import PtyOutlet, play

    outlet = PtyOutlet()
    player = threading.Thread(target=play, args=(TTY, outlet), daemon=True)
    start_utc_ns = time.time_ns() - time.perf_counter_ns()
    with (
        open_live(outlet.name, line=BUS_LINE) as port,
        PcapngWriter(
            str(path), port="pty", line=BUS_LINE, clock=PER_READ, start_utc_ns=start_utc_ns, force=True
        ) as writer,
    ):
        player.start()
        end = time.monotonic() + (TTY.duration_s or 0) + 1
        while time.monotonic() < end:
            for chunk in port.read(timeout_s=0.2):
                writer.write(chunk)
    outlet.close()


if __name__ == "__main__":
    main()
