"""The live figures of bench.py: lateness of timestamps and frames beside a running UI, and processor time."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from busbench.bench.sources import open_live
from busbench.model import I64
from busbench.port.port import LivePort
from busbench.tui.flow import QUESTION
from busbench.tui.text import scale_words
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.scale import Scale

PERIOD_NS = 7_000_000
_PROVEN = 5  # frames before the first result
UI = [sys.executable, "-m", "busbench", "watch"]
PAINTED = scale_words("counts", Scale()).encode()  # in the head of the channels, after the state line


class Frames:
    """A source of resting frames for the port's own process."""

    period_s = PERIOD_NS / 1e9

    def __init__(self, count: int) -> None:
        self._left = count
        self._frame = pack_frames([[992] * 16]).tobytes()

    def next_frame(self) -> bytes | None:
        """The next frame, None at the end."""
        self._left -= 1
        return self._frame if self._left >= 0 else None

    def request_stop(self) -> None:
        """End now."""
        self._left = 0


@contextmanager
def _terminal(source: str, *, columns: int = 120, rows: int = 40) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """The terminal UI on a pseudo terminal, and the far end's descriptor."""
    import fcntl
    import pty
    import struct
    import termios

    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    env = os.environ | {"TERM": "xterm-256color", "COLORTERM": "truecolor", "XDG_CONFIG_HOME": tempfile.mkdtemp()}
    process = subprocess.Popen([*UI, source], stdin=slave, stdout=slave, stderr=slave, env=env, start_new_session=True)
    os.close(slave)
    try:
        yield process, master
    finally:
        process.kill()  # it may wait for this terminal to be read
        process.wait(10)
        os.close(master)


@contextmanager
def running_ui() -> Iterator[int]:
    """The terminal UI with a virtual receiver; yields its process id."""
    with _terminal("virtual:?period=7ms&pilot=moving") as (process, master):
        threading.Thread(target=_drain, args=(master,), daemon=True).start()
        time.sleep(3)  # until it has started
        if process.poll() is not None:
            raise SystemExit("the terminal UI did not start")
        yield process.pid


def first_paint_s(source: str, *, limit_s: float = 30) -> float:
    """Seconds from the start of the program to the first picture of the channels.

    Raises:
        SystemExit: it did not appear in time.
    """
    begun = time.perf_counter()
    with _terminal(source) as (_, master):
        shown = b""
        while PAINTED not in shown:
            left_s = begun + limit_s - time.perf_counter()
            if left_s <= 0 or not select.select([master], [], [], left_s)[0]:
                raise SystemExit(f"the channels were not painted in {limit_s:g} s")
            shown += os.read(master, 65536)
        return time.perf_counter() - begun


@dataclass(frozen=True)
class Answers:
    """Response times of keys, from the write to the last byte of the answer.

    Args:
        keys: as they were pressed.
        wall_ns: time, int64 (N,).
        cpu_ns: processor time of the screen's main thread within it, int64 (N,).
    """

    keys: tuple[str, ...]
    wall_ns: I64
    cpu_ns: I64


_REST_NS = 10_000_000  # of processor time in 120 ms: threads that wait take less

# Keys that change what is shown, so that an answer is due: views, lists, the large channel, places, zoom, units.
_MOVES = ("right", "left", "s-right", "s-left", "pgdn", ".", ".", ",", "n", "n", "p")
_TOUR = (
    *("2", *_MOVES, "3", *_MOVES, "u", "down", "down", "up", "enter", "down", "enter", "k", "n", "k", "k", "k"),
    *("4", "pgdn", "n", "n", "p", "1", *_MOVES, "u", "enter", "down", "v", "down", "v", ".", ",", *_MOVES, "y", "y"),
    *("escape", "u", ",", "end", "home", "end"),
)
_SENT = {"right": b"\x1b[C", "left": b"\x1b[D", "s-right": b"\x1b[1;2C", "s-left": b"\x1b[1;2D", "up": b"\x1b[A",
         "down": b"\x1b[B", "pgdn": b"\x1b[6~", "pgup": b"\x1b[5~", "end": b"\x1b[F", "home": b"\x1b[H",
         "enter": b"\r", "escape": b"\x1b"}  # fmt: skip


def key_answers(source: str, *, loaded: bytes, rounds: int, limit_s: float = 120) -> Answers:
    """Response times of keys in the views of a recording.

    Args:
        source: the recording.
        loaded: what is on the screen once it has been read.
        rounds: times that all keys are pressed.
        limit_s: time that reading may take.

    Raises:
        SystemExit: it was not read in time, or the screen ended.
    """
    pressed, wall, cpu = [], [], []
    with _terminal(source) as (process, master):
        for words, then in ((loaded, b"2"), (b"period, mean", b" ")):  # measured too; then it is paused
            _await(master, words, limit_s)
            os.write(master, then)
        for key in _TOUR * rounds:
            _quiet(master, process.pid)
            used, begun = _on_cpu_ns(process.pid), time.perf_counter_ns()
            os.write(master, _SENT.get(key, key.encode()))
            answer = None
            while select.select([master], [], [], 1.0 if answer is None else 0.03)[0]:
                if len(_take(master)) > len(QUESTION):  # a question is asked at any time
                    answer = time.perf_counter_ns() - begun, _on_cpu_ns(process.pid) - used
            if answer is not None:  # at an end of a list some keys change nothing
                pressed.append(key)
                wall.append(answer[0])
                cpu.append(answer[1])
    return Answers(tuple(pressed), np.array(wall, np.int64), np.array(cpu, np.int64))


def _on_cpu_ns(pid: int, *, beside: bool = False) -> int:
    """Processor time of a process's main thread, which answers keys, or of those that work beside it (Linux)."""
    total = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        if (thread.name != str(pid)) is beside:
            with suppress(OSError):  # it has ended
                total += int((thread / "schedstat").read_text().split()[0])
    return total


def _await(master: int, words: bytes, limit_s: float) -> None:
    """Read output until some words are painted."""
    shown, end = b"", time.monotonic() + limit_s
    while words not in shown:
        left_s = end - time.monotonic()
        if left_s <= 0 or not select.select([master], [], [], left_s)[0]:
            raise SystemExit(f"{words.decode()!r} was not painted in {limit_s:g} s")
        shown = shown[-1000:] + _take(master)


def _take(master: int) -> bytes:
    """Read output; questions for the cursor position are answered as by a terminal."""
    data = os.read(master, 65536)
    if QUESTION.encode() in data:
        os.write(master, b"\x1b[1;1R")
    return data


def _quiet(master: int, pid: int) -> None:
    """Read output until there is none for 120 ms, and no thread works that will draw without a key."""
    used, before = _on_cpu_ns(pid, beside=True), -1
    while used - before > _REST_NS or select.select([master], [], [], 0)[0]:
        while select.select([master], [], [], 0.12)[0]:
            _take(master)
        used, before = _on_cpu_ns(pid, beside=True), used


def _drain(master: int) -> None:
    try:
        while os.read(master, 65536):
            pass
    except OSError:
        pass


def cpu_s(pid: int) -> float:
    """Processor seconds that a process has taken."""
    with open(f"/proc/{pid}/stat", encoding="utf-8") as file:  # noqa: PTH123
        fields = file.read().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def children(pid: int) -> list[int]:
    """Processes that a process started."""
    with open(f"/proc/{pid}/task/{pid}/children", encoding="utf-8") as file:  # noqa: PTH123
        return [int(word) for word in file.read().split()]


@contextmanager
def pty_port() -> Iterator[tuple[int, LivePort]]:
    """A port on a pseudo terminal: the far end's descriptor and the port."""
    import pty

    master, slave = pty.openpty()
    with open_live(os.ttyname(slave)) as port:
        yield master, port
    os.close(master)
    os.close(slave)


def receive_lateness_ns(frames: int) -> tuple[I64, int]:
    """Write frames on time and compare each timestamp with the time of writing.

    Returns:
        Lateness of each frame's timestamp, ns, and lost bytes.
    """
    frame = pack_frames([[992] * 16]).tobytes()
    written = np.zeros(frames, np.int64)
    with pty_port() as (master, port):
        port.read(0.5)

        writer = threading.Thread(target=_write_on_time, args=([(master, written)], [frame] * frames))
        writer.start()
        ends, stamps = [], []
        total, quiet_until = 0, time.monotonic() + 5
        while total < frames * FRAME_BYTES and time.monotonic() < quiet_until:
            for chunk in port.read(0.2):
                total += len(chunk.data)
                ends.append(total)
                stamps.append(chunk.t_ns)
                quiet_until = time.monotonic() + 5
        writer.join()
    holds = np.searchsorted(ends, FRAME_BYTES * np.arange(1, total // FRAME_BYTES + 1))
    return np.array(stamps)[holds] - written[: holds.size], frames * FRAME_BYTES - total


def _write_on_time(files: Sequence[tuple[int, I64]], frames: Sequence[bytes]) -> None:
    """Write a frame per period into each file, and note when, (N,)."""
    begun = time.perf_counter_ns() + 50_000_000
    for index, frame in enumerate(frames):
        wait = begun + index * PERIOD_NS - time.perf_counter_ns()
        if wait > 0:
            time.sleep(wait / 1e9)
        for file, written_ns in files:
            written_ns[index] = time.perf_counter_ns()
            os.write(file, frame)


# A minimal reader: a line per read, with the number of the frame in it.
_PLAIN = """
import os, sys
port, at, held = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY), 0, b""
os.write(1, b"head\\n")
while data := os.read(port, 4096):
    held += data
    while len(held) >= 25:
        os.write(1, b",%d,%d\\n" % (at, int.from_bytes(held[1:3], "little") & 2047))
        at, held = at + 25, held[25:]
"""


@dataclass(frozen=True)
class Followed:
    """The lines that a program wrote of a pty.

    Args:
        late_ns: from the last byte of each frame to its line, int64 (N,).
        lost: frames without a line of their own.
        cpu_s: processor seconds of the program and its children per frame.
    """

    late_ns: I64
    lost: int
    cpu_s: float


def follow_lateness_ns(frames: int) -> dict[str, Followed]:
    """Let `busbench frames` and a plain reader write the lines of a pty each into a pipe, at the same time."""
    import pty
    import tty

    raw = pack_frames((np.arange(frames) % 1000 // 2 + 700)[:, None].repeat(16, axis=1))
    ports = {name: pty.openpty() for name in ("busbench", "plain")}
    tty.setraw(ports["plain"][1])
    words = {"busbench": [sys.executable, "-m", "busbench", "frames"], "plain": [sys.executable, "-S", "-c", _PLAIN]}
    written = {name: np.zeros(frames, np.int64) for name in ports}
    lines: dict[str, list[bytes]] = {name: [] for name in ports}
    came: dict[str, list[int]] = {name: [] for name in ports}
    rest = dict.fromkeys(ports, b"")
    processes = {
        name: subprocess.Popen(
            [*words[name], os.ttyname(slave)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, bufsize=0
        )
        for name, (_, slave) in ports.items()
    }
    by_pipe = {}
    for name, process in processes.items():
        assert process.stdout is not None
        process.stdout.readline()  # the head: the port is open
        by_pipe[process.stdout.fileno()] = name
    pids = {name: (process.pid, *children(process.pid)) for name, process in processes.items()}
    used = {name: -sum(map(cpu_s, of)) for name, of in pids.items()}
    masters = [(ports[name][0], written[name]) for name in ports]
    writer = threading.Thread(target=_write_on_time, args=(masters, [row.tobytes() for row in raw]))
    writer.start()
    while any(len(some) < frames for some in lines.values()):
        ready = select.select(list(by_pipe), [], [], 5)[0]
        now = time.perf_counter_ns()
        for pipe in ready:
            name = by_pipe[pipe]
            *some, rest[name] = (rest[name] + os.read(pipe, 65536)).split(b"\n")
            lines[name] += some
            came[name] += [now] * len(some)
        if not ready:
            break
    writer.join()
    found = {}
    for name, process in processes.items():
        cells = [line.split(b",") for line in lines[name]]
        wrong = sum(
            (int(row[1]), int(row[2])) != (FRAME_BYTES * index, index % 1000 // 2 + 700)
            for index, row in enumerate(cells)
        )
        # The first frames of all wait until they are proven.
        late = (np.array(came[name]) - written[name][: len(came[name])])[_PROVEN:]
        cpu = (used[name] + sum(map(cpu_s, pids[name]))) / frames
        found[name] = Followed(late, frames - len(lines[name]) + wrong, cpu)
        process.terminate()
        process.wait()
        for end in ports[name]:
            os.close(end)
    return found


def transmit_lateness_ns(frames: int) -> tuple[I64, int]:
    """Let the port process send on time, and timestamp frames at the far end.

    Returns:
        Lateness of each frame against the earliest possible timing, ns, and skipped slots.
    """
    arrived: list[int] = []
    with pty_port() as (master, port):

        def look() -> None:
            have = 0
            try:
                while have < frames * FRAME_BYTES:
                    have += len(os.read(master, 4096))
                    arrived.append(time.perf_counter_ns())
            except OSError:
                pass

        reader = threading.Thread(target=look, daemon=True)
        reader.start()
        port.transmit(Frames(frames))
        while (state := port.transmission) is None or not state.is_over:
            port.read(0.1)
        reader.join(1)
        skipped = state.skipped
    t = np.array(arrived)
    # The reference is the phase of most arrivals; almost nothing arrives earlier.
    phase = (t - t[0]) % PERIOD_NS
    counts, edges = np.histogram(phase, bins=140, range=(0, PERIOD_NS))
    beat = edges[int(np.argmax(counts))]
    late: I64 = ((phase - beat + 200_000) % PERIOD_NS).astype(np.int64) - 200_000
    return np.maximum(late, 0), skipped


def words(late_ns: I64) -> str:
    """Median, 99th percentile and max, in milliseconds."""
    p50, p99 = np.percentile(late_ns, [50, 99]) / 1e6
    return f"{p50:.3f} / {p99:.3f} / {late_ns.max() / 1e6:.3f} ms"
