"""Long recordings of many receivers, measured; each row is printed as it is known.

    python tools/soak.py --week [HOURS RECEIVERS]   simulated time: size, totals against the truth, memory
    python tools/soak.py --kills [COUNT]            SIGKILL at random moments: what is missing at the end
    python tools/soak.py --ptys [SECONDS]           8 pseudo-terminals at 7 ms: what is lost, and the processor time

`--quick` does a little of each, in some seconds. The results of the full sizes are in soak.md.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections import deque
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from busbench.analysis.recording import Recording, read_recording, read_recordings  # noqa: E402
from busbench.bench.receiver import Reception  # noqa: E402
from busbench.bench.recorder import Recorder, Retention  # noqa: E402
from busbench.capture.base import Origin, ReadOptions  # noqa: E402
from busbench.capture.pcapng_write import SerialLine  # noqa: E402
from busbench.cli.live import give_back_what_is_freed  # noqa: E402
from busbench.line import BUS_LINE  # noqa: E402
from busbench.model import I64, U8, ByteLog, Clock, ClockKind  # noqa: E402
from busbench.wire.codec import pack_frames  # noqa: E402
from busbench.wire.framing import FrameFinder  # noqa: E402

PERIOD_NS = 7_000_000
STEP_S, AROUND_S = 10, 5
CLOCK = Clock(ClockKind.PER_READ, 1)
START_NS = 1_780_000_000_000_000_000


def moves() -> U8:
    """Frames of a stick that moves slowly, uint8 (3200, 25)."""
    counts = np.full((3200, 16), 992, np.int64)
    counts[:, 0] += np.arange(3200) // 8
    return pack_frames(counts, np.zeros(3200, np.int64))


MOVES = moves()


@dataclass(frozen=True, slots=True)
class Sent:
    """What one receiver sends in STEP_S."""

    raw: U8  # frames (N, 25)
    t_ns: I64  # when each is read
    outage_ns: tuple[int, int] | None  # when the first and last frame of an outage were due


class Line:
    """One simulated receiver: frames on time, with some flagged and some missing.

    Args:
        seed: of its outages, about one in ten minutes.
    """

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._finder = FrameFinder(clock=CLOCK)
        self._bytes = self._row = 0
        self.frames = self.flagged = self.missing = 0

    def send(self) -> Sent:
        """The next STEP_S."""
        count = STEP_S * 1_000_000_000 // PERIOD_NS
        rows = self._row + np.arange(count)
        self._row += count
        came, flags = np.ones(count, np.bool_), np.zeros(count, np.int64)
        outage_ns = None
        if self._random.random() < STEP_S / 600:
            first, length = int(self._random.integers(100, count - 400)), int(self._random.geometric(1 / 40))
            part = slice(first, min(first + length, count - 50))
            if self._random.random() < 0.5:
                came[part] = False
            else:
                flags[part] = 4
            outage_ns = int(rows[part][0]) * PERIOD_NS, int(rows[part][-1]) * PERIOD_NS
        self.frames += int(came.sum())
        self.flagged += int((flags > 0).sum())
        self.missing += int((~came).sum())
        raw = MOVES[rows % len(MOVES)]
        raw[:, 23] |= flags.astype(np.uint8)
        late = self._random.integers(50_000, 150_000, int(came.sum()))
        return Sent(raw[came], rows[came] * PERIOD_NS + late, outage_ns)

    def step(self) -> Reception:
        """The same as it is read."""
        sent = self.send()
        ends = self._bytes + np.arange(1, len(sent.raw) + 1) * 25
        log = ByteLog(self._bytes, sent.raw.reshape(-1), ends, sent.t_ns)
        self._bytes = log.end
        return Reception((), log, (), self._finder.feed(log))

    def last(self) -> Reception:
        """The frames that the search still holds."""
        none = np.empty(0, np.int64)
        return Reception((), ByteLog(self._bytes, np.empty(0, np.uint8), none, none), (), self._finder.flush())


def memory_mb() -> float:
    """Memory of this process now."""
    if sys.platform != "linux":
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def altered_surroundings(found: Recording, line: Line, *, steps: int) -> tuple[int, int]:
    """Outages of a line, and around how many of them the recording has other bytes or times than were sent.

    Args:
        found: what was recorded of the line.
        line: the same line, at its start.
        steps: how long it was recorded.
    """
    offset_ns = START_NS - (found.info.start_utc_ns or 0)
    parts = deque[Sent](maxlen=3)
    outages = altered = 0
    nothing = Sent(np.empty((0, 25), np.uint8), np.empty(0, np.int64), None)
    for part in chain([nothing], (line.send() for _ in range(steps)), [nothing]):
        parts.append(part)
        if len(parts) < 3 or parts[1].outage_ns is None:
            continue
        outages += 1
        first_ns, last_ns = parts[1].outage_ns
        inside = AROUND_S * 1_000_000_000 - PERIOD_NS
        sent_raw, sent_t_ns = np.concatenate([one.raw for one in parts]), np.concatenate([one.t_ns for one in parts])
        sent = slice(*np.searchsorted(sent_t_ns, [first_ns - inside, last_ns + inside]))
        rows = slice(*np.searchsorted(found.frames.t_ns - offset_ns, [first_ns - inside, last_ns + inside]))
        is_same = np.array_equal(found.frames.t_ns[rows] - offset_ns, sent_t_ns[sent])
        altered += not (is_same and np.array_equal(found.frames.raw[rows], sent_raw[sent]))
    return outages, altered


def week(hours: float, receivers: int) -> bool:
    """Record simulated days, and compare what the recording says with what was sent."""
    lines = [Line(seed) for seed in range(receivers)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soak.pcapng.zst"
        described = [
            SerialLine(f"line {number}", BUS_LINE, CLOCK, Origin(f"unit {number}")) for number in range(receivers)
        ]
        now = [0]
        recorder = Recorder(
            str(path), described, start_utc_ns=START_NS, retention=Retention(around_s=AROUND_S), now=lambda: now[0]
        )
        least_mb, most_mb = math.inf, -math.inf  # a list of all would grow by 2 MB itself
        begun, begun_cpu = time.monotonic(), time.process_time()
        steps = round(hours * 3600 / STEP_S)
        for step in range(steps):
            now[0] = (step + 1) * (STEP_S * 1_000_000_000 // PERIOD_NS) * PERIOD_NS  # whole frames
            for number, line in enumerate(lines):
                recorder.add(line.step(), number=number)
            if step < min(steps // 10, 3600 // STEP_S):
                continue
            now_mb = memory_mb()
            least_mb, most_mb = min(least_mb, now_mb), max(most_mb, now_mb)
            if step % max(1, steps // 20) == 0:
                print(
                    f"  {step * STEP_S / 3600:.1f} h, {path.stat().st_size / 1e6:.1f} MB, {now_mb:.1f} MB memory"
                    f" ({least_mb:.1f} to {most_mb:.1f} so far)",
                    flush=True,
                )
        for number, line in enumerate(lines):
            recorder.add(line.last(), number=number)
            recorder.end(None, number=number)
        recorder.close()
        lasted, lasted_cpu = time.monotonic() - begun, time.process_time() - begun_cpu
        size_mb = path.stat().st_size / 1e6
        wrong = outages = altered = 0
        for number, line in enumerate(lines):
            recording = read_recording(path, options=ReadOptions(interface=str(number)))
            around = altered_surroundings(recording, Line(number), steps=steps)
            outages, altered = outages + around[0], altered + around[1]
            found = recording.outages()
            truth = line.frames, line.missing, line.flagged
            minutes = sum(one.frames for one in found.minutes), sum(one.missed for one in found.minutes)
            said = found.frames, found.missing, found.summary["lost"].frames
            wrong += said != truth or minutes != (line.frames, line.missing + line.flagged)
    print(
        f"| {hours:g} h, {receivers} receivers | {size_mb:.1f} MB | {wrong} of {receivers} totals differ"
        f" | {altered} of {outages:,} surroundings differ | memory within {most_mb - least_mb:.1f} MB"
        f" | {lasted_cpu:.0f} s of processor, {lasted:.0f} s |"
    )
    return not wrong and not altered


def kills(count: int, *, at_once: int = 3) -> bool:
    """Kill recorders at random moments; how much of the received data is missing."""
    worst, rng = 0.0, random.Random(5)
    left = count
    while left:
        with tempfile.TemporaryDirectory() as folder:
            batch = []
            for number in range(min(left, at_once)):
                suffix, more = rng.choice([("", []), (".gz", []), (".zst", ["--around", "1"]), ("", ["--around", "1"])])
                path = Path(folder) / f"{number}.pcapng{suffix}"
                source = f"virtual:?period=7ms&seed={number}&lost=0.7:0.05"
                words = [sys.executable, "-m", "busbench", "record", source, "-o", str(path), *more]
                batch.append(
                    (path, subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
                )
            while not all(path.exists() for path, _ in batch):
                time.sleep(0.02)
            wait_s = 1.2 + rng.random() * 2
            time.sleep(wait_s)
            for path, process in batch:
                process.send_signal(signal.SIGKILL)
                killed_ns = time.time_ns()
                process.wait()
                found = read_recording(path)
                heard_ns = (found.info.start_utc_ns or 0) + max(
                    [found.span.last_t_ns or 0, *(one.last_t_ns for one in found.info.left_out)]
                )
                lost_s = (killed_ns - heard_ns) / 1e9
                frames = found.outages().frames
                expected = (heard_ns - (found.span.first_t_ns or 0)) / PERIOD_NS
                if abs(frames - expected) > 8 or lost_s > worst:
                    print(f"  {path.name}: {lost_s:.3f} s missing, {frames} frames of {expected:.0f}", flush=True)
                worst = max(worst, lost_s)
            left -= len(batch)
    print(f"| {count} kills | at most {worst:.2f} s missing |")
    return worst <= 1.0


def ptys(seconds: float, *, ports: int = 8) -> bool:
    """Record pseudo-terminals at 7 ms."""
    import pty
    import tty

    ends = [pty.openpty() for _ in range(ports)]
    for _, far in ends:
        tty.setraw(far)
    names = [os.ttyname(far) for _, far in ends]
    frame = pack_frames(np.full((1, 16), 992, np.int64), np.zeros(1, np.int64)).tobytes()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rack.pcapng"
        process = subprocess.Popen(
            [sys.executable, "-m", "busbench", "record", *names, "-o", str(path), "--seconds", str(seconds + 8)],
            cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        while not path.exists():
            time.sleep(0.05)
        time.sleep(1)
        sent = 0
        begun = time.perf_counter()
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        while (now := time.perf_counter()) < begun + seconds:
            for near, _ in ends:
                os.write(near, frame)
            sent += 1
            time.sleep(max(0.0, begun + sent * 0.007 - now))
        _, said = process.communicate()
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        share = (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / (seconds + 8)
        came = [len(one.frames) for one in read_recordings(path)]
    lost = [sent - one for one in came]
    size = f"{sum(lost)} of {ports * sent:,} frames lost"
    print(f"| {ports} ports, {seconds:g} s at 7 ms | {size} | {100 * share:.0f} % of a core |")
    if any(lost):
        print(said)
    return not any(lost)


def main() -> None:
    """Run the named parts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--week", nargs="*", type=float, metavar="NUMBER", help="hours and receivers [168 20]")
    which.add_argument("--kills", nargs="?", type=int, const=200, metavar="COUNT", help="kills [200]")
    which.add_argument("--ptys", nargs="?", type=float, const=600, metavar="SECONDS", help="seconds [600]")
    which.add_argument("--quick", action="store_true", help="a little of each")
    chosen = parser.parse_args()
    give_back_what_is_freed()  # as `record` does
    if chosen.quick:
        fine = [week(0.5, 2), kills(3), ptys(3, ports=2)]
    elif chosen.week is not None:
        hours, receivers = chosen.week if len(chosen.week) == 2 else (168, 20)
        fine = [week(hours, int(receivers))]
    elif chosen.kills is not None:
        fine = [kills(chosen.kills)]
    else:
        fine = [ptys(600 if chosen.ptys is None else chosen.ptys)]
    sys.exit(0 if all(fine) else 1)


if __name__ == "__main__":
    main()
