"""Measure the speed of busbench, each figure with its comparison, in one run.

    python tools/bench.py            all of it (some minutes, about 4 GB of scratch files)
    python tools/bench.py --short    an hour of recording instead of a day
    python tools/bench.py align      only the sections named

Figures depend on the machine, ratios within one run much less.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parent.parent), str(Path(__file__).resolve().parent)]

from bench_rows import COMMAND, ROOT, Row, best, measured, ran  # noqa: E402
from bench_streams import SECTIONS as STREAMS  # noqa: E402
from readers import simple_reader  # noqa: E402
from synthetic import write_recording  # noqa: E402

from busbench.model import NO_CLOCK, ByteLog  # noqa: E402
from busbench.wire.codec import pack_frames, unpack_channels  # noqa: E402
from busbench.wire.frame_spec import FRAME_BYTES, decode_frame  # noqa: E402
from busbench.wire.framing import find_frames  # noqa: E402

# As installed: compiled files are kept.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

FRAMES_A_DAY = 12_342_857  # at 7 ms
HOURS = (1, 6, 24)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("sections", nargs="*", help=f"some of: {', '.join(SECTIONS)}")
    parser.add_argument("--short", action="store_true", help="an hour of recording instead of a day")
    wanted = parser.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}")
    rows = []
    for name, section in SECTIONS.items():
        if wanted.sections and name not in wanted.sections:
            continue
        for row in section(wanted.short):
            goal = f"  (goal {row.goal})" if row.goal else ""
            print(f"{row.what:<46} {row.figure:>26}  {row.compared}{goal}", flush=True)
            rows.append(row)


def codec(_: bool) -> Iterator[Row]:
    """Packing and unpacking."""
    count = 2_000_000
    counts = np.random.default_rng(1).integers(0, 2048, (count, 16), dtype=np.uint16)
    raw = pack_frames(counts)
    some = [row.tobytes() for row in raw[:2000]]
    one = best(lambda: [decode_frame(frame) for frame in some], times=2) / len(some)
    spent = best(lambda: unpack_channels(raw))
    yield Row(
        "unpack", f"{count / spent / 1e6:.1f} M frames/s", f"{one * count / spent:.0f} x construct, frame by frame"
    )
    spent = best(lambda: pack_frames(counts))
    yield Row("pack", f"{count / spent / 1e6:.1f} M frames/s")


def align(short: bool) -> Iterator[Row]:
    """Alignment: speed, missed frames and false rows, against a rescanning reader."""
    from tests.wire.corpus import END_CYCLE, make

    corpora = {
        "clean": {},
        "1e-4 a byte": {"flip": 1e-4, "lose": 1e-4, "extra": 1e-4, "bursts": 1e-4},
        "1e-3 a byte": {"flip": 1e-3, "lose": 1e-3, "extra": 1e-3, "bursts": 2e-4},
        "1e-2 a byte": {"flip": 1e-2, "lose": 1e-2, "extra": 1e-2, "bursts": 2e-3},
    }
    count = 20_000 if short else 100_000
    for ends, kind in (((0,), "plain"), (END_CYCLE, "slots")):
        for name, damage in corpora.items():
            more = {"slots": 0.3} if kind == "slots" else {}
            corpus = make("mixed", count, 5, end=ends, **damage, **more)
            log = ByteLog.from_bytes(corpus.data)
            begun = time.perf_counter()
            frames = find_frames(log, clock=NO_CLOCK).frames
            spent = time.perf_counter() - begun
            missed, stray = corpus.score(frames.offset, frames.raw)
            theirs = simple_reader(corpus.data, rescans=True)
            their_missed, their_stray = corpus.score(theirs, corpus.data[theirs[:, None] + np.arange(FRAME_BYTES)])
            yield Row(
                f"align, {kind}, {name}: missed, stray",
                f"{missed}, {stray} of {corpus.whole.size}",
                f"rescanning reader {their_missed}, {their_stray}; {count / spent / 1e6:.2f} M frames/s",
            )


def recordings(short: bool) -> Iterator[Row]:
    """outages and timing on long recordings, against tools that only list packets."""
    from busbench.capture.open import open_capture

    hours = HOURS[:1] if short else HOURS
    with tempfile.TemporaryDirectory() as folder:
        for span in hours:
            path = Path(folder) / f"{span}h.pcapng"
            write_recording(path, frames=FRAMES_A_DAY * span // 24)
            size = path.stat().st_size / 1e6
            list(open_capture(str(path)).blocks())  # into the page cache
            scan = best(lambda path=path: [len(log) for log in open_capture(str(path)).blocks()], times=2)  # type: ignore[misc]
            yield Row(f"pcapng scan, {span} h ({size:.0f} MB)", f"{scan:.2f} s, {size / scan:.0f} MB/s")
            spent, used = {}, {}
            for command in ("outages", "timing", "channels"):
                runs = [ran([*COMMAND, command, str(path), "--format", "json"]) for _ in range(3)]
                spent[command], peak, _ = min(runs)
                used[command] = min(cpu_s for _, _, cpu_s in runs)
                yield Row(
                    f"{command}, {span} h",
                    f"{spent[command]:.2f} s, {used[command]:.2f} s of processor",
                    f"{peak:.0f} MB peak",
                )
            if span == hours[-1] and shutil.which("tshark"):
                words = ["tshark", "-r", str(path), "-T", "fields", "-e", "frame.time_epoch", "-e", "data.data"]
                listing, _, cpu_s = ran(words)
                faster = ", ".join(f"{command} {cpu_s / s:.0f} x" for command, s in used.items())
                figure = f"{listing:.1f} s, {cpu_s:.1f} s of processor"
                yield Row(f"tshark lists the packets, {span} h", figure, f"{faster} faster, by processor time")
            if span == hours[0]:
                yield from _others(path, scan, spent)
            path.unlink()
        path = Path(folder) / "cut.pcapng"
        write_recording(path, frames=FRAMES_A_DAY * hours[-1] // 24, cuts=True)
        for command in ("outages", "timing"):
            again, peak = min(measured([*COMMAND, command, str(path), "--format", "json"]) for _ in range(2))
            times = f"{again / spent[command]:.1f} x one read a frame"
            yield Row(f"{command}, {hours[-1]} h, 4-6 reads a frame", f"{again:.2f} s, {peak:.0f} MB peak", times)


def _others(path: Path, scan: float, ours: dict[str, float]) -> Iterator[Row]:
    """dpkt on the same file, alone and with construct on each frame."""
    import dpkt

    def packets() -> Iterator[bytes]:
        with path.open("rb") as file:
            yield from (data for _, data in dpkt.pcapng.Reader(file))

    spent = best(lambda: sum(map(len, packets())), times=1)
    yield Row("dpkt reads the packets, 1 h", f"{spent:.1f} s", f"pcapng scan {spent / scan:.0f} x faster")
    spent = best(lambda: sum(decode_frame(data).end for data in packets()), times=1)
    faster = ", ".join(f"{command} {spent / s:.0f} x faster" for command, s in ours.items())
    yield Row("dpkt and construct decode the frames, 1 h", f"{spent:.1f} s", faster)


def start(_: bool) -> Iterator[Row]:
    """Start-up time of commands."""
    bare = min(measured([sys.executable, "-c", "pass"])[0] for _ in range(10))
    helped = min(measured([*COMMAND, "--help"])[0] for _ in range(10))
    yield Row("busbench --help", f"{helped * 1e3:.0f} ms", f"bare Python {bare * 1e3:.0f} ms")
    text, _peak = min(measured([*COMMAND, "outages", str(ROOT / "captures/heron-bench.pcapng")]) for _ in range(5))
    yield Row("busbench outages on a minute of recording", f"{text * 1e3:.0f} ms")
    if sys.platform != "win32":
        import bench_live as live_

        for source in ("virtual:", str(ROOT / "captures/heron-bench.pcapng")):
            paint = statistics.median(live_.first_paint_s(source) for _ in range(9))
            yield Row(f"busbench watch {Path(source).name}: first paint", f"{paint * 1e3:.0f} ms", "median of 9")


def keys(short: bool) -> Iterator[Row]:
    """Response time of keys while a day of frames is open."""
    import bench_live as live_

    frames = FRAMES_A_DAY // 24 if short else FRAMES_A_DAY
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.pcapng"
        write_recording(path, frames=frames, losses=frames // 400)
        answers = live_.key_answers(str(path), loaded=b"95 %", rounds=1 if short else 3)
        p50, p99 = (float(one) / 1e6 for one in np.percentile(answers.cpu_ns, [50, 99]))
        wall50, wall99 = (float(one) / 1e6 for one in np.percentile(answers.wall_ns, [50, 99]))
        slowest = answers.keys[int(answers.wall_ns.argmax())]
        yield Row(
            "keys answered, p50 / p99",
            f"{wall50:.0f} ms / {wall99:.0f} ms",
            f"{frames:,} frames and {frames // 400:,} outages open, {len(answers.keys)} keys, slowest {slowest!r} after"
            f" {answers.wall_ns.max() / 1e6:.0f} ms; {p50:.0f} ms / {p99:.0f} ms of processor time",
            "50 ms",
        )


def live(short: bool) -> Iterator[Row]:
    """Lateness on a pty beside a running UI, and processor time of the processes."""
    import bench_live as live_

    frames = 1500 if short else 86_000  # ten minutes
    with live_.running_ui() as pid:
        before, begun = {one: live_.cpu_s(one) for one in (pid, *live_.children(pid))}, time.monotonic()
        late, lost = live_.receive_lateness_ns(frames)
        spent = time.monotonic() - begun
        yield Row(
            "stamps of a pty, lateness p50 / p99 / most", live_.words(late), f"{frames} frames, {lost} bytes lost"
        )
        for one, cpu in before.items():
            share = (live_.cpu_s(one) - cpu) / spent
            yield Row("terminal UI, 120x40" if one == pid else "its child process", f"{100 * share:.1f} % of a core")
        followed = live_.follow_lateness_ns(frames)
        for name, goal in (("busbench", "20 ms"), ("plain", "")):
            it = followed[name]
            what = "frames PORT" if name == "busbench" else "a plain reader"
            more = f"{frames} frames, {it.lost} lost, {it.cpu_s * 1e6:.0f} µs of processor each"
            yield Row(f"last byte to line of {what}, p50 / p99", live_.words(it.late_ns), more, goal)
        late, skipped = live_.transmit_lateness_ns(1500)
        yield Row("frames sent, lateness p50 / p99 / most", live_.words(late), f"1500 frames, {skipped} slots skipped")


SECTIONS: dict[str, Callable[[bool], Iterator[Row]]] = {
    "codec": codec,
    "align": align,
    "start": start,
    "recordings": recordings,
    "keys": keys,
    "live": live,
    **STREAMS,
}

if __name__ == "__main__":
    main()
