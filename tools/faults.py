"""Faults at random moments: `python tools/faults.py [--short] [NAME...]` prints what was promised and what held.

Each round runs the real program on pseudo-terminals, with a fault at a random moment.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tools")]

from fault_rounds import PLAIN, ROUNDS_OF, finish, read_back, run_rounds, start  # noqa: E402

from busbench.bench.sources import open_live  # noqa: E402
from busbench.capture.open import open_capture  # noqa: E402
from busbench.tui.live import LiveSession  # noqa: E402
from busbench.wire.frame_spec import FRAME_BYTES  # noqa: E402
from busbench.wire.framing import find_in_blocks  # noqa: E402
from tests.port.ends import LIMIT_S  # noqa: E402

FULL = (
    "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
    " resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000)); " + PLAIN
)


def full_disk(folder: Path, *, prelude: str = PLAIN) -> Iterator[tuple[str, str]]:
    """Every command that writes, on a disk that fills up: its name, and the broken promise.

    Args:
        folder: on a small disk; or any, with FULL as the prelude.
        prelude: what the command's process runs.
    """
    fast = "virtual:?speed=max&duration=300s&period=7ms"
    with tempfile.TemporaryDirectory() as roomy:
        big = Path(roomy) / "big.pcapng"
        finish(start("record", fast, "-o", str(big)))
        jobs = {
            "record": ("f.pcapng", ("record", fast, "-o")),
            **{f"convert to .{kind}": (f"f.{kind}", ("convert", str(big), "-o"))
               for kind in ("pcapng", "csv", "vcd", "raw", "parquet")},
            **{f"drive to .{kind}": (f"f.{kind}", ("drive", "sine", "--channel", "1", "--period", "4", "--cycles", "99",
                                                   "--to")) for kind in ("pcapng", "csv", "vcd", "raw")},
            "verify --report": ("f.html", ("verify", str(big), "--rig", str(ROOT / "captures/heron.toml"), "--report")),
        }  # fmt: skip
        for name, (file, words) in jobs.items():
            path = folder / file
            _, wanted = finish(start(*words, str(Path(roomy) / file)))
            code, said = finish(start(*words, str(path), prelude=prelude))
            lines = [line for line in said.splitlines() if line not in wanted.splitlines()]
            trouble = ""
            if code != 2 or len(lines) != 1 or not lines[0].startswith(f"busbench: {path}"):
                trouble = f"exit code {code}: {said}"
            elif name == "record":
                data = read_back(path)[0]
                trouble = "" if len(data) > 10_000 else f"only {len(data)} bytes are left"
            elif left := [one.name for one in folder.iterdir()]:
                trouble = f"{', '.join(left)}: incomplete"
            path.unlink(missing_ok=True)
            yield name, trouble


@contextlib.contextmanager
def small_disk() -> Iterator[tuple[Path, str]]:
    """A folder that is soon full, with its prelude."""
    with tempfile.TemporaryDirectory() as folder:
        mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", folder]
        if subprocess.run(mount, capture_output=True, check=False).returncode:
            yield Path(folder), FULL  # only root may mount: then no file may grow
            return
        try:
            yield Path(folder), PLAIN
        finally:
            subprocess.run(["umount", folder], check=True)


_PLAYER = """
import sys
from busbench.sim.playback import PtyOutlet, play
from busbench.sim.address import read_settings
outlet = PtyOutlet()
print(outlet.name, flush=True)
sys.stdin.readline()
settings = {"period": "7ms", "pilot": "moving", "duration": sys.argv[1]}
print(play(read_settings(settings, source="faults"), outlet, is_fast=True), flush=True)
sys.stdin.read()
outlet.close()
"""


@dataclass(frozen=True)
class Long:
    """The result of a long run: frames and bytes, seconds, and megabytes after a tenth of it and at most."""

    sent_bytes: int
    frames: int
    recorded_frames: int
    damaged_bytes: int
    spent_s: float
    child_mb: tuple[float, float]
    session_mb: tuple[float, float]


def resident_mb(pid: int) -> float:
    """Memory that a process holds."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return 0.0


def long_run(folder: Path, *, frames: int) -> Long:
    """A virtual receiver on a pty, the port's process, a session, and its recording."""
    from busbench.port.port_client import PortClient

    player = subprocess.Popen(
        [sys.executable, "-c", _PLAYER, f"{(frames - 0.5) * 0.007:.6f}s"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert player.stdout is not None
    assert player.stdin is not None
    path = folder / "long.pcapng"
    port = open_live(player.stdout.readline().strip())
    assert isinstance(port, PortClient)
    session = LiveSession(port)
    session.start_recording(str(path))
    player.stdin.write("\n")  # bytes from before the port was opened are discarded, as they should be
    player.stdin.flush()
    begun, quiet_since, seen = time.monotonic(), time.monotonic(), 0
    child, own = [resident_mb(port.pid)], [resident_mb(os.getpid())]
    while len(session.store) < frames and time.monotonic() - quiet_since < LIMIT_S:
        session.tick(0.02)
        if len(session.store) == seen:
            time.sleep(0.001)
            continue
        seen, quiet_since = len(session.store), time.monotonic()
        if seen > frames // 10 * len(own):
            session.refresh()
            child.append(resident_mb(port.pid))
            own.append(resident_mb(os.getpid()))
    spent = time.monotonic() - begun
    sent_bytes = int(player.stdout.readline())
    session.close()
    player.communicate()
    recorded, damaged = 0, 0
    with open_capture(str(path)) as capture:
        for found in find_in_blocks(capture.blocks(), clock=capture.info.clock):
            recorded += len(found.frames)
            damaged += found.rejects.bytes_total
    return Long(sent_bytes, seen, recorded, damaged, spent, _from_first_tenth(child), _from_first_tenth(own))


def _from_first_tenth(mb: list[float]) -> tuple[float, float]:
    return mb[:2][-1], max(mb)


def _long_row(frames: int) -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        done = long_run(Path(folder), frames=frames)
        whole = done.sent_bytes == frames * FRAME_BYTES and done.frames == done.recorded_frames == frames
        size = (Path(folder) / "long.pcapng").stat().st_size / 1e6
    lost = "nothing lost" if whole and not done.damaged_bytes else f"LOST: {done}"
    yield (
        f"{'10 million frames' if frames == 10_000_000 else 'frames':<16} {frames:>9,}  {lost}; {done.spent_s:.0f} s,"
        f" child process {done.child_mb[0]:.0f} to {done.child_mb[1]:.0f} MB,"
        f" session {done.session_mb[0]:.0f} to {done.session_mb[1]:.0f} MB, recording {size:.0f} MB"
    )


AT_REST = "no frame after the port was back; {some} were cut off while frames went out"
ROUNDS: dict[str, tuple[int, str]] = {
    "kill record": (200, "lacks at most {most:.2f} s"),
    "vanish record": (100, "at most {most:.0f} frames cut off with the line"),
    "vanish watch": (100, "gap noted, in sync again"),
    "vanish drive": (100, AT_REST),
    "vanish walk": (100, AT_REST),
    "parent killed": (50, "at most {most:.0f} frames before the ramp"),
}
KILL_LIMIT_S = 1.0


def rows(name: str, *, is_short: bool) -> Iterator[str]:
    """Lines of the table."""
    if name == "disk full":
        with small_disk() as (folder, prelude):
            found = list(full_disk(folder, prelude=prelude))
        bad = [f"{job}: {trouble}" for job, trouble in found if trouble]
        disk = "a small disk" if prelude == PLAIN else "a limit of size"
        yield from _row(
            name, len(found), bad, f"{disk}: one line, exit code 2, a recording readable up to there, else no file"
        )
    elif name == "long run":
        yield from _long_row(100_000 if is_short else 10_000_000)
    else:
        count, words = ROUNDS[name]
        told = run_rounds(ROUNDS_OF[name], count=max(4, count // 20) if is_short else count)
        bad = [one.trouble for one in told if one.trouble]
        if name == "kill record":
            bad += [f"{one.figure:.2f} s missing" for one in told if one.figure > KILL_LIMIT_S]
        yield from _row(
            name,
            len(told),
            bad,
            words.format(most=max(one.figure for one in told), some=sum(one.figure > 0 for one in told)),
        )


def _row(name: str, count: int, bad: list[str], words: str) -> Iterator[str]:
    yield f"{name:<16} {count:>9,}  {f'{len(bad)} BROKEN' if bad else 'all held'}; {words}"
    yield from (f"    {line}" for line in bad)


def main() -> int:
    """Run the named faults, or all, and print the table at the end."""
    names = [*ROUNDS, "disk full", "long run"]
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(names))
    parser.add_argument("--short", action="store_true", help="a twentieth of the rounds")
    wanted = parser.parse_args()
    if unknown := set(wanted.names) - set(names):
        parser.error(f"{', '.join(unknown)}: there are {', '.join(names)}")
    table: list[str] = []
    for name in wanted.names or names:
        begun = time.monotonic()
        table += rows(name, is_short=wanted.short)
        print(f"{name}: {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    print("\n".join(table))
    return int(any("BROKEN" in line or "LOST" in line for line in table))


if __name__ == "__main__":
    sys.exit(main())
