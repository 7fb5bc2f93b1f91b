"""Surveys of many recordings, measured; each row is printed as it is known.

    python tools/season.py --speed [COUNT]   processor time per recording of a real mix, and that of a short recording
    python tools/season.py --kills [COUNT]   SIGKILL at random moments, then --resume: whether the table is the same

`--quick` does a little of each, in some seconds. The results of the full sizes are in season.md.
"""

from __future__ import annotations

import argparse
import gzip
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from busbench.bench.survey import survey, survey_rows  # noqa: E402
from busbench.bench.survey_inputs import find_inputs  # noqa: E402
from busbench.capture.base import Origin  # noqa: E402
from busbench.capture.extract import Extract, split  # noqa: E402
from busbench.capture.open import open_capture  # noqa: E402
from busbench.capture.write import open_writer  # noqa: E402

CAPTURES = ROOT / "captures"
CUT = ("heron-flight.pcapng", "heron-bench.pcapng", "heron-round.pcapng", "heron-tty.pcapng", "heron-slots.csv")
DAY_NS = 86_400_000_000_000


def write_piece(path: Path, source: Path, *, start_s: float, seconds: float, unit: str = "", day: int = 0) -> None:
    """Write a part of a recording, as if it was made on a later day.

    Args:
        start_s, seconds: where the part begins, and its length.
        unit: what was recorded.
        day: days later.
    """
    with open_capture(source) as capture:
        part = Extract(capture, start_s=start_s, end_s=start_s + seconds)
        info = replace(part.info, origin=Origin(unit=unit), start_utc_ns=(part.info.start_utc_ns or 0) + day * DAY_NS)
        with open_writer(str(path), info) as writer:
            for log in part.blocks():
                writer.write_log(log)


def make_season(folder: Path, count: int, *, seed: int = 1) -> None:
    """Write recordings of a real mix: pieces of 2 s, some of 8 s and some whole; some in gzip, some broken.

    Args:
        folder: is there and empty.
        count: files.
    """
    rng = random.Random(seed)
    pieces: dict[float, list[tuple[str, bytes]]] = {}
    with tempfile.TemporaryDirectory() as place:
        for seconds in (2.0, 8.0):
            made = pieces[seconds] = []
            for name in CUT:
                with open_capture(CAPTURES / name) as capture:
                    for number, info, logs in split(capture, every_s=seconds):
                        path = Path(place, f"{seconds:g}-{number}-{name}")
                        with open_writer(str(path), info) as writer:
                            for log in logs:
                                writer.write_log(log)
                        made.append((path.suffix, path.read_bytes()))
    whole = [(Path(name).suffix, (CAPTURES / name).read_bytes()) for name in CUT]
    for number in range(count):
        suffix, data = rng.choice(rng.choices([pieces[2.0], pieces[8.0], whole], [90, 8, 2])[0])
        way = rng.random()
        if way < 0.01:
            data = data[: rng.randrange(len(data))]  # cut off
        elif way < 0.02:
            data = rng.randbytes(2000)  # something else
        elif way < 0.2:
            suffix, data = f"{suffix}.gz", gzip.compress(data, 6, mtime=0)
        (folder / f"{number:06}{suffix}").write_bytes(data)


def speed(count: int) -> bool:
    """Processor time of rows in this process."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_season(folder, count)
        inputs = find_inputs([folder])
        short = [one for one in inputs if Path(one.place).stat().st_size < 20_000 and one.place.endswith(".pcapng")]
        for one in short[:20]:
            survey_rows(one)
        begun = time.process_time()
        for one in short:
            survey_rows(one)
        each_ms = 1e3 * (time.process_time() - begun) / max(1, len(short))
        print(f"| {len(short):,} recordings of 2 s | {each_ms:.1f} ms each |", flush=True)
        begun = time.process_time()
        table = survey([folder], output=folder / "season.parquet")
        each_ms = 1e3 * (time.process_time() - begun) / count
        broken = len(table.errors())
    minutes = each_ms * 1e5 / 1e3 / 60 / 2
    print(f"| {count:,} recordings of a real mix, {broken} broken | {each_ms:.1f} ms each with table and journal |")
    print(f"| 100,000 of them on 2 cores | {minutes:.1f} minutes by the row above |", flush=True)
    return minutes <= 15


def command(folder: Path, output: Path, *more: str) -> list[str]:
    """The survey of a folder as a command."""
    return [sys.executable, "-m", "busbench", "survey", str(folder), "-o", str(output), *more]


def kill_and_resume(folder: Path, output: Path, moments_s: Sequence[float]) -> int:
    """Kill a survey again and again, then let it come to its end.

    Args:
        output: is not there.
        moments_s: how long after its start each kill comes; a survey that ends before counts as done.

    Returns:
        How many kills came before its end.
    """
    done = 0
    for moment_s in moments_s:
        ran = subprocess.Popen(command(folder, output, "--resume", "--workers", "2"), cwd=ROOT, stdout=-3, stderr=-3)
        time.sleep(moment_s)
        if ran.poll() is not None:
            break
        os.kill(ran.pid, signal.SIGKILL)
        ran.wait()
        done += 1
    if not output.exists() or output.with_name(f"{output.name}.jsonl").exists():
        subprocess.run(
            command(folder, output, "--resume", "--workers", "2"), cwd=ROOT, stdout=-3, stderr=-3, check=True
        )
    return done


def kills(count: int, *, recordings: int, seed: int = 3) -> bool:
    """Check that a killed and resumed survey makes the same table."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name, "season")
        folder.mkdir()
        make_season(folder, recordings)
        whole = Path(name, "whole.parquet")
        begun = time.monotonic()
        subprocess.run(command(folder, whole), cwd=ROOT, stdout=-3, stderr=-3, check=True)
        lasts_s = time.monotonic() - begun
        came = wrong = rounds = 0
        while came < count and rounds < 10 * count:
            output = Path(name, f"killed-{rounds}.parquet")
            moments_s = [rng.uniform(0.1, lasts_s) for _ in range(min(4, count - came))]
            came += kill_and_resume(folder, output, moments_s)
            wrong += output.read_bytes() != whole.read_bytes()
            rounds += 1
    print(
        f"| {came} kills at random moments, {recordings:,} recordings | {wrong} of {rounds} tables differ |", flush=True
    )
    return not wrong and came >= count


def main() -> None:
    """Run the named parts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--speed", nargs="?", type=int, const=2000, metavar="COUNT", help="recordings [2000]")
    which.add_argument("--kills", nargs="?", type=int, const=20, metavar="COUNT", help="kills [20]")
    which.add_argument("--quick", action="store_true", help="a little of each")
    chosen = parser.parse_args()
    if chosen.quick:
        fine = [speed(40), kills(2, recordings=40)]
    elif chosen.kills is not None:
        fine = [kills(chosen.kills, recordings=400)]
    else:
        fine = [speed(2000 if chosen.speed is None else chosen.speed)]
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"memory of this process: {used:.0f} MB", file=sys.stderr)
    sys.exit(0 if all(fine) else 1)


if __name__ == "__main__":
    main()
