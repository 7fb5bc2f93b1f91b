"""Rounds with a fault at a random moment; faults.py runs them."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from busbench.bench.sources import open_live
from busbench.capture.open import open_capture
from busbench.drive.surface_file import read_walk
from busbench.errors import BusbenchError
from busbench.model import I64
from busbench.sim.address import parse_virtual
from busbench.sim.playback import Reads
from busbench.tui.live import LiveSession
from busbench.wire.codec import pack_frames, unpack_channels
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.framing import find_in_blocks
from busbench.wire.table import AlignmentResult
from tests.cli.running import SMALL
from tests.port.ends import LIMIT_S, Far, wait_for

PLAIN = "from busbench.cli.main import main; main()"
HURRIED = "import busbench.cli.drive_port as p; p.COUNTDOWN_S = {seconds}; " + PLAIN
NEUTRAL, STEP = 992, 5  # counts, and counts from frame to frame at the default rate and 7 ms
PACE_S = 0.002
ANSWERS = "answers.json"
PLAN = SMALL.replace("period_ms = 14", "period_ms = 7")


@dataclass(frozen=True)
class Told:
    """The result of a round.

    Args:
        trouble: the broken promise, or "".
        figure: the round's measure, such as seconds that are missing.
    """

    trouble: str = ""
    figure: float = 0.0


Round = Callable[[random.Random, Path], Told]


def run_rounds(one: Round, *, count: int, seed: int = 1, at_once: int = 4) -> list[Told]:
    """Run a number of rounds, several at once."""

    def work(number: int) -> Told:
        with tempfile.TemporaryDirectory() as folder:
            try:
                told = one(random.Random(seed * 10_000 + number), Path(folder))
            except (AssertionError, OSError, BusbenchError, subprocess.TimeoutExpired) as error:
                told = Told(f"{type(error).__name__}: {error}")
        return Told(f"round {number}: {told.trouble}", told.figure) if told.trouble else told

    with ThreadPoolExecutor(at_once) as pool:
        return list(pool.map(work, range(count)))


def start(*words: str, prelude: str = PLAIN, keyboard: int | None = None) -> subprocess.Popen[bytes]:
    """Start the command in its own process."""
    return subprocess.Popen(
        [sys.executable, "-c", prelude, *words],
        stdin=subprocess.DEVNULL if keyboard is None else keyboard,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def finish(process: subprocess.Popen[bytes]) -> tuple[int, str]:
    """Exit code and output."""
    try:
        out, err = process.communicate(timeout=LIMIT_S)
    except subprocess.TimeoutExpired:
        process.kill()
        raise
    return process.returncode, (out + err).decode(errors="replace")


def numbered(count: int, *, first: int = 0) -> bytes:
    """Frames with their number on channels 1 and 2."""
    counts = np.full((count, 16), NEUTRAL)
    number = first + np.arange(count)
    counts[:, 0], counts[:, 1] = number & 2047, number >> 11
    return pack_frames(counts).tobytes()


def numbers(counts: I64) -> I64:
    """The numbers of numbered frames."""
    return counts[:, 0] + (counts[:, 1] << 11)


def send_until(far: Far, sent_s: list[float], until_s: float) -> None:
    """Send numbered frames, noting their times; frames that do not fit are lost, as on a line."""
    while time.monotonic() < until_s:
        far.write(numbered(1, first=len(sent_s)))
        sent_s.append(time.monotonic())
        time.sleep(PACE_S)


def read_back(path: Path) -> tuple[bytes, AlignmentResult, list[str]]:
    """Bytes, frames and marks of a recording."""
    with open_capture(str(path)) as capture:
        logs = list(capture.blocks())
        found = AlignmentResult.concat(find_in_blocks(iter(logs), clock=capture.info.clock))
        return b"".join(log.data.tobytes() for log in logs), found, [mark.text for mark in capture.info.marks]


def kill_record(dice: random.Random, folder: Path) -> Told:
    """The file opens, holds the start of the sent frames, and lacks at most the last second."""
    return (_kill_on_pty if dice.random() < 0.5 else _kill_on_virtual)(dice, folder / "f.pcapng")


def _kill_on_pty(dice: random.Random, path: Path) -> Told:
    far = Far(path.with_name("port"))
    process = start("record", far.name, "-o", str(path))
    wait_for(path.exists)
    sent_s: list[float] = []
    send_until(far, sent_s, time.monotonic() + dice.uniform(0, 2.5))
    process.kill()
    killed_s = time.monotonic()
    finish(process)
    data = read_back(path)[0]
    wait_for(lambda: not far.is_listened_to())  # the port's process goes too
    far.unplug()
    if not numbered(len(sent_s)).startswith(data):
        return Told(f"{len(data)} bytes are not the beginning of what was sent")
    missing = len(data) // FRAME_BYTES
    return Told(figure=killed_s - sent_s[missing] if missing < len(sent_s) else 0.0)


def _kill_on_virtual(dice: random.Random, path: Path) -> Told:
    source = f"virtual:?period=4ms&pilot=moving&flips=0.1%&seed={dice.randrange(1000)}"
    process = start("record", source, "-o", str(path))
    wait_for(path.exists)
    time.sleep(dice.uniform(0, 2.5))
    process.kill()
    killed_ns = time.time_ns()
    finish(process)
    data = read_back(path)[0]
    chunks = Reads(parse_virtual(source)[0]).take(60_000_000_000, most=1 << 20)
    if not b"".join(chunk.data for chunk in chunks).startswith(data):
        return Told(f"{len(data)} bytes are not the beginning of what was sent")
    if not data:
        return Told()
    with open_capture(str(path)) as capture:
        begun_ns = int(next(iter(capture.blocks())).mark_t_ns[0]) - chunks[0].t_ns
    ends = np.cumsum([len(chunk.data) for chunk in chunks])
    first_missing = chunks[int(np.searchsorted(ends, len(data), "right"))]
    return Told(figure=max(0.0, (killed_ns - begun_ns - first_missing.t_ns) / 1e9))


def vanish_record(dice: random.Random, folder: Path) -> Told:
    """Recording continues, the gap is noted, and later frames are recorded."""
    far, path = Far(folder / "port"), folder / "f.pcapng"
    process = start("record", far.name, "-o", str(path))
    wait_for(path.exists)
    sent_s: list[float] = []
    send_until(far, sent_s, time.monotonic() + dice.uniform(0, 1))
    before = len(sent_s)
    far.unplug()
    comes_back = dice.random() < 0.7
    time.sleep(dice.uniform(0, 0.5))
    if comes_back:
        far = Far(folder / "port")
        wait_for(far.is_listened_to)
        until = time.monotonic() + LIMIT_S
        while len(path.read_bytes().split(b"the port is back")) < 2 or len(sent_s) < before + 100:
            assert time.monotonic() < until, "the port's return is not noted"
            send_until(far, sent_s, time.monotonic() + 0.05)
        wait_for(lambda: numbered(1, first=len(sent_s) - 1) in path.read_bytes())
    else:
        wait_for(lambda: b"the port is gone" in path.read_bytes())
    process.send_signal(signal.SIGINT)
    code, said = finish(process)
    far.unplug()
    _, found, marks = read_back(path)
    got = numbers(found.frames.channels.astype(np.int64))
    if code or "Traceback" in said:
        return Told(f"exit code {code}: {said}")
    if (np.diff(got) <= 0).any() or (comes_back and got[-1] != len(sent_s) - 1):
        return Told(f"frames {got} are not those that were sent")
    if len([mark for mark in marks if mark != "recording ended"]) != 1 + comes_back:
        return Told(f"marks {marks}")
    return Told(figure=float(before - (got < before).sum()))


def vanish_watch(dice: random.Random, folder: Path) -> Told:
    """A session continues, shows it, notes it in its recording, and is in sync again."""
    far, path = Far(folder / "port"), folder / "f.pcapng"
    session = LiveSession(open_live(far.name))
    session.start_recording(str(path))
    sent_s: list[float] = []

    def look(is_so: Callable[[], bool], *, sends: bool) -> None:
        until = time.monotonic() + LIMIT_S
        while not is_so():
            assert time.monotonic() < until, f"{session.link}: {session.notice}"
            session.tick(0.02)
            session.refresh()
            session.channel_rows(20)
            session.timing()
            if sends:
                send_until(far, sent_s, time.monotonic() + 0.02)

    moment = time.monotonic() + dice.uniform(0, 1)
    look(lambda: time.monotonic() >= moment, sends=True)
    far.unplug()
    look(lambda: session.link == "unplugged", sends=False)
    comes_back = dice.random() < 0.7
    if comes_back:
        far = Far(folder / "port")
        look(lambda: session.link == "in sync", sends=True)
    session.close()
    far.unplug()
    noted, kept = [mark.text for mark in session.marks], read_back(path)[2]
    # A recording that ends without its port says so; one whose port is back may, depending on the machine.
    if len(noted) != 1 + comes_back or kept not in (noted, [*noted, "recording ended"]):
        return Told(f"noted {noted}, kept {kept}")
    return Told()


def _pressing(master: int, process: subprocess.Popen[bytes], said: list[bytes], dice: random.Random) -> None:
    """Answer the questions of the walk; sometimes press a key while it moves."""
    assert process.stderr is not None
    while data := os.read(process.stderr.fileno(), 4096):
        said.append(data)
        with contextlib.suppress(OSError):
            if b"[Enter]" in data:
                os.write(master, b"\r")
            elif b"[y]" in data:
                os.write(master, b"y")
            elif b"[r]" in data:
                os.write(master, b"r")
            elif dice.random() < 0.1:
                os.write(master, b" ")


End = Callable[[], tuple[int, str, bool]]


@contextlib.contextmanager
def moving(kind: str, dice: random.Random, folder: Path, port: str) -> Iterator[tuple[subprocess.Popen[bytes], End]]:
    """A drive or a walk in a terminal.

    Yields its process, and a function that waits for its end: exit code, output, True if the terminal is as before.
    """
    master, terminal = os.openpty()
    before = termios.tcgetattr(terminal)
    words = ["drive", dice.choice(("sine", "triangle", "wander")), "--channel", "1", "--period", "1"]
    words += ["--cycles", dice.choice(("1", "50")), "--to", port, "--motor", "3", "--arm"]
    if kind == "walk":
        (folder / "heron.toml").write_text(PLAN, encoding="utf-8")
        words = ["walk", port, "--rig", str(folder / "heron.toml"), "--answers", str(folder / ANSWERS), "--arm"]
    process = start(*words, prelude=HURRIED.format(seconds=dice.choice((0, 0, 1))), keyboard=terminal)
    said: list[bytes] = []
    hand = threading.Thread(target=_pressing, args=(master, process, said, dice))

    def end() -> tuple[int, str, bool]:
        code = process.wait(LIMIT_S)
        hand.join()
        return code, b"".join(said).decode(errors="replace"), termios.tcgetattr(terminal) == before

    if kind == "walk":
        hand.start()
    else:  # no key is pressed
        hand = threading.Thread(target=lambda: said.extend(process.stderr or ()))
        hand.start()
    try:
        yield process, end
    finally:
        process.kill()
        process.wait()
        hand.join()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()
        for fd in (master, terminal):
            os.close(fd)


def vanish_drive(dice: random.Random, folder: Path) -> Told:
    """It ends with one line, and nothing moves when the port is back."""
    return _vanish_moving("drive", dice, folder)


def vanish_walk(dice: random.Random, folder: Path) -> Told:
    """It ends with one line, the answers are kept, and nothing moves when the port is back."""
    return _vanish_moving("walk", dice, folder)


def _vanish_moving(kind: str, dice: random.Random, folder: Path) -> Told:
    far = Far(folder / "port")
    with moving(kind, dice, folder, far.name) as (process, end), contextlib.ExitStack() as ends:
        if dice.random() < 0.9:  # else even before it was opened
            wait_for(lambda: far.is_listened_to() or process.poll() is not None)
        until = time.monotonic() + dice.uniform(0, 2.5)
        sent = b""
        while time.monotonic() < until:
            sent += far.read()
            time.sleep(PACE_S)
        was_open = far.is_listened_to()
        far.unplug()
        again = None
        if dice.random() < 0.7:
            time.sleep(dice.choice((0.0, dice.uniform(0, 0.5))))
            again = Far(folder / "port")
            ends.callback(again.unplug)
        if not was_open:  # not yet, or not any more: then it is another run
            return Told(figure=len(sent) / FRAME_BYTES)
        code, said, is_restored = end()
        late = again.read() if again is not None else b""
    if "Traceback" in said or code not in ((0, 2) if kind == "drive" else (2,)):
        return Told(f"exit code {code}: {said[-300:]}")
    if kind == "walk" and ("answers go to" in said or (folder / ANSWERS).exists()):  # else gone while it was opened
        read_walk(folder / ANSWERS)
    if not is_restored:
        return Told("the terminal is not as before")
    return Told(f"{len(late)} bytes after the port was back") if late else Told(figure=len(sent) / FRAME_BYTES)


def orphan(dice: random.Random, folder: Path) -> Told:
    """Whole frames only, within the rate, at rest at the end; how many frames more than two and the ramp came."""
    far = Far(folder / "port")
    with moving("drive", dice, folder, far.name) as (process, _):
        wait_for(lambda: far.is_listened_to() or process.poll() is not None)
        data, until = b"", time.monotonic() + dice.uniform(0, 2.5)
        while time.monotonic() < until:
            data += far.read()
            time.sleep(PACE_S)
        process.kill()
        process.wait()  # a busy machine needs time to end it; its pipes are closed from here on
        data += far.read()
        before = len(data) // FRAME_BYTES
        while far.is_listened_to():
            data += far.read()
            time.sleep(PACE_S)
        data += far.read()
        far.unplug()
    if len(data) % FRAME_BYTES:
        return Told(f"a torn frame: {len(data) % FRAME_BYTES} bytes")
    if not data:
        return Told()
    rows = np.frombuffer(data, np.uint8).reshape(-1, FRAME_BYTES)
    level = unpack_channels(np.ascontiguousarray(rows)).astype(np.int64)[:, 0]
    if np.abs(np.diff(level)).max(initial=0) > STEP:
        return Told(f"moved by {np.abs(np.diff(level)).max()} counts in a frame")
    if level[-1] != NEUTRAL:
        return Told(f"ended at {level[-1]}")
    after = level[before:]
    ramp = -(-np.abs(after[:3] - NEUTRAL).max(initial=0) // STEP) + 3
    more = max(0, after.size - ramp)
    return Told(f"{more} frames and the ramp" if more > 2 else "", float(more))


ROUNDS_OF: dict[str, Round] = {
    "kill record": kill_record,
    "vanish record": vanish_record,
    "vanish watch": vanish_watch,
    "vanish drive": vanish_drive,
    "vanish walk": vanish_walk,
    "parent killed": orphan,
}
