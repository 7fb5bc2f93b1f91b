"""Files that writers make of recordings put together by chance: read back, and to the byte as they were.

Where a change of a format is meant, take the new checksums after a look at both files.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
import pytest

from busbench.capture.base import CaptureInfo, Origin
from busbench.capture.left_out import LeftOut, MinuteTotals
from busbench.capture.open import open_capture
from busbench.capture.write import open_writer
from busbench.line import LineSettings, WakeUps
from busbench.model import NO_CLOCK, Annotation, ByteLog, Clock, ClockKind
from tests.wire.collage import collage, cut_up, timed

CLOCKS = {
    ClockKind.NONE: NO_CLOCK,
    ClockKind.PER_BYTE: Clock(ClockKind.PER_BYTE, 125),
    ClockKind.PER_READ: Clock(ClockKind.PER_READ, 1000),
}
WRITTEN = {
    (
        ClockKind.NONE,
        ".pcapng",
    ): "cadf297b 5cd8da49 49d0a781 64082d1f b813b911 ac013c8f 272a3f35 b3baee2a ae9ab222 a87c40a7",
    (
        ClockKind.PER_BYTE,
        ".csv",
    ): "0b9f7765 b197a479 f8350a4e aab59565 5ab7182d 629ffb30 e9590adb 91367ea3 9f923948 f1905aaf",
    (
        ClockKind.PER_BYTE,
        ".vcd",
    ): "f33a56b2 5fb4f380 1e9f584a b8068acc 44372943 f065dbb6 29e389c7 e6e669b9 f36dc456 f220282a",
    (
        ClockKind.PER_BYTE,
        ".pcapng",
    ): "6d8a67bf b98b0338 63c0fa92 5f67f618 e8f3da16 e1bcb851 e400bc57 5d08ff35 348cf764 a414d536",
    (
        ClockKind.PER_READ,
        ".csv",
    ): "3e1fd112 c3a913c1 eb441c12 49bf76b1 62424353 de8529ac 8df9174c f38801f9 278526fd 5019a360",
    (
        ClockKind.PER_READ,
        ".vcd",
    ): "f15796ef 2065dc3e 4d6cc530 0af38e16 26b4fd3d 817d4a39 563ae95a f5181afe eac7a3ca 86dbfe59",
    (
        ClockKind.PER_READ,
        ".pcapng",
    ): "0a51c276 66b6f44a 01b45129 5a705e2d 72b603c2 160b80ee 41b85fc3 8fcb2a08 3ad52762 f32d03f5",
}


def info_of(log: ByteLog, kind: ClockKind, seed: int) -> CaptureInfo:
    info = CaptureInfo("made", "by chance", CLOCKS[kind])
    if seed % 3:
        info.source, info.start_utc_ns = "ttyS3", (0, 1_700_000_000_000_000_000)[seed % 2]
        info.origin = Origin("left wing", "cold" if seed % 2 else "", "A1")
    if kind is not ClockKind.NONE and seed % 2:
        t_ns = int(log.mark_t_ns[len(log.mark_t_ns) // 2])
        info.marks.append(Annotation(t_ns, "gust"))
        info.wakes.append(WakeUps(t_ns, (0, 3, *(0,) * 5, 1)))
        info.left_out.append(LeftOut(t_ns - 5, t_ns, 7, 175))
        info.totals.append(MinuteTotals(t_ns, 3, 99, {"gap": (1, 4)}))
    return info


def made_by(folder: Path, kind: ClockKind, suffix: str, seed: int) -> tuple[ByteLog, Path]:
    log = timed(collage(seed, pieces=12), kind, seed)
    if seed % 5 == 4 and kind is not ClockKind.NONE:  # a clock that was set back
        times = log.mark_t_ns - 3_000_000_000 * (np.arange(log.mark_t_ns.size) > log.mark_t_ns.size // 2)
        log = ByteLog(0, log.data, log.mark_end, times, log.bad)
    path = folder / f"{seed}{suffix}"
    with open_writer(str(path), info_of(log, kind, seed), line=LineSettings(stop_bits=1 + seed % 2)) as writer:
        for piece in cut_up(log, seed):
            writer.write_log(piece)
    return log, path


@pytest.mark.parametrize(("kind", "suffix"), WRITTEN)
def test_what_is_written_of_recordings_put_together_by_chance(tmp_path: Path, kind: ClockKind, suffix: str) -> None:
    made = [made_by(tmp_path, kind, suffix, seed) for seed in range(10)]
    sums = [zlib.crc32(path.read_bytes()) for _, path in made]
    for log, path in made:
        if suffix != ".vcd":
            with open_capture(path) as capture:
                logs = list(capture.blocks())
            assert b"".join(one.data.tobytes() for one in logs) == log.data.tobytes()
        if suffix == ".pcapng" and kind is not ClockKind.NONE and int(path.stem) % 5 != 4:
            start_ns = (0, 1_700_000_000_000_000_000)[int(path.stem) % 2] if int(path.stem) % 3 else 0
            assert np.concatenate([one.mark_t_ns for one in logs]).tolist() == (log.mark_t_ns + start_ns).tolist()
    assert " ".join(f"{one:08x}" for one in sums) == WRITTEN[kind, suffix]
