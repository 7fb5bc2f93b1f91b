"""Recordings that survive whatever happens to port, disk and program."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.capture.open import open_capture
from busbench.cli.main import run
from busbench.cli.record import command, record
from busbench.errors import PortError
from busbench.line import BUS_LINE, Chunk
from busbench.model import Reason
from busbench.port.ipc import EventKind
from busbench.wire.framing import find_in_blocks
from busbench.wire.table import AlignmentResult
from tests.cli.running import invoke
from tests.tui.ports import START_NS, Hands, ScriptedPort

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and signals are POSIX")
LIMIT_S = 30.0


def frames_of(path: Path) -> tuple[AlignmentResult, list[str]]:
    """What a recording holds: its frames and its marks."""
    with open_capture(str(path)) as capture:
        found = AlignmentResult.concat(find_in_blocks(capture.blocks(), clock=capture.info.clock))
        return found, [mark.text for mark in capture.info.marks]


def busbench(*args: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "busbench", *args],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def wait_for_size(path: Path, size: int) -> None:
    until = time.monotonic() + LIMIT_S
    while not path.exists() or path.stat().st_size < size:
        assert time.monotonic() < until
        time.sleep(0.01)


@pytest.fixture
def receiver(tmp_path: Path) -> Iterator[str]:
    """A virtual receiver on a pseudo-terminal."""
    simulate = busbench("simulate", "--period", "7ms", "--link", str(tmp_path / "receiver"))
    assert simulate.stdout is not None
    yield simulate.stdout.readline().strip()
    simulate.send_signal(signal.SIGINT)
    simulate.communicate(timeout=LIMIT_S)
    assert simulate.returncode == 0
    assert not (tmp_path / "receiver").is_symlink()


def test_a_virtual_receiver_is_recorded_to_its_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "heron.pcapng"
    source = "virtual:?speed=max&duration=60s&slots=on&period=15ms&lost=2:0.3&failsafe=10:0.15&flips=0.01%"
    before_ns = time.time_ns()
    assert run(["record", source, "-o", str(path)]) == 0
    found, marks = frames_of(path)
    assert len(found.frames) > 3900
    assert found.frames.t_ns[0] >= before_ns  # since the epoch
    assert np.median(np.diff(found.frames.t_ns)) == 15_000_000
    assert marks == []
    marked = found.frames.suspect
    assert marked.any()
    lost = int((found.frames.flags[~marked] & 4 > 0).sum())
    failsafe = int((found.frames.flags[~marked] & 8 > 0).sum())
    damaged = found.rejects.of(Reason.DAMAGED).bytes_total
    out = capsys.readouterr()
    assert out.out == ""
    assert out.err == (
        f"busbench: wrote {path} ({len(found.frames):,} frames, {lost} flagged lost, {failsafe} failsafe,"
        f" {marked.sum()} damaged, {damaged:,} damaged bytes,"
        f" {out.err.split(' damaged bytes, ')[1]}"
    )


def test_it_stops_after_its_seconds(tmp_path: Path) -> None:
    (done,) = record(
        ["virtual:?period=7ms"],
        str(tmp_path / "f.pcapng"),
        seconds=0.3,
        force=False,
        line=BUS_LINE,
        stop=threading.Event(),
    )
    assert not done.is_cut_short
    assert done.frames > 0
    assert len(frames_of(tmp_path / "f.pcapng")[0].frames) == done.frames


def test_nothing_is_written_over_without_force(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "f.pcapng"
    path.write_bytes(b"precious")
    args = ["record", "virtual:?speed=max&duration=1s", "-o", str(path)]
    assert run(args) == 2
    assert path.read_bytes() == b"precious"
    assert capsys.readouterr().err == (
        f"busbench: {path}: file exists already: choose another name, or write over it with --force\n"
    )
    assert run([*args, "--force"]) == 0
    assert len(frames_of(path)[0].frames) == 72


def test_a_port_that_cannot_be_opened_leaves_no_file(tmp_path: Path) -> None:
    result = invoke(command, str(tmp_path / "none"), "-o", str(tmp_path / "f.pcapng"))
    assert isinstance(result.exception, PortError)
    assert not (tmp_path / "f.pcapng").exists()


def test_another_suffix_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["record", "virtual:", "-o", "f.csv"]) == 2
    assert capsys.readouterr().err == (
        "busbench: f.csv: recordings are pcapng: end the name in .pcapng, .pcapng.gz or .pcapng.zst,"
        " and convert it afterwards\n"
    )


@posix
@pytest.mark.parametrize(("seconds", "code"), [((), 0), (("--seconds", "600"), 130)], ids=["open end", "cut short"])
def test_ctrl_c_ends_it_cleanly(receiver: str, tmp_path: Path, seconds: tuple[str, ...], code: int) -> None:
    path = tmp_path / "f.pcapng"
    process = busbench("record", receiver, "-o", str(path), *seconds)
    wait_for_size(path, 2000)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=LIMIT_S)
    assert (process.returncode, out) == (code, "")
    found, _ = frames_of(path)
    assert err.startswith(f"busbench: wrote {path} ({len(found.frames):,} frames, 0 flagged lost, ")
    assert len(found.frames) > 10


@posix
def test_killed_it_opens_with_all_but_the_last_second(receiver: str, tmp_path: Path) -> None:
    path = tmp_path / "f.pcapng"
    process = busbench("record", receiver, "-o", str(path))
    wait_for_size(path, 12_000)  # written a second apart, so this is the third time
    process.kill()
    process.communicate(timeout=LIMIT_S)
    found, _ = frames_of(path)
    assert len(found.frames) > 100
    assert found.rejects.of(Reason.DAMAGED).bytes_total == 0


@posix
@pytest.mark.parametrize(
    ("name", "more", "size"), [("f.pcapng.zst", ("--around", "1"), 1500), ("f-00003.pcapng", ("--every", "20"), 50_000)]
)
def test_killed_it_has_counted_each_frame_until_then(
    tmp_path: Path, name: str, more: tuple[str, ...], size: int
) -> None:
    source = "virtual:?speed=max&duration=36000s&period=7ms&lost=5:0.3&seed=3"
    process = busbench("record", source, "-o", str(tmp_path / name.replace("-00003", "")), *more)
    wait_for_size(tmp_path / name, size)
    process.kill()
    process.communicate(timeout=LIMIT_S)
    for path in sorted(tmp_path.iterdir()):
        found = read_recording(path)
        if not len(found.frames) and path.name > name:  # it has just begun
            continue
        outages = found.outages()
        heard_ns = max([found.span.last_t_ns or 0, *(one.last_t_ns for one in found.info.left_out)])
        assert outages.frames - 1 == round((heard_ns - (found.span.first_t_ns or 0)) / 7e6)
        assert (outages.missing, outages.stray_bytes) == (0, 0)
        assert outages.frames > 500
    assert [path.name for path in tmp_path.iterdir()].count(name) == 1


@posix
def test_a_full_disk_is_one_line_and_the_file_opens(tmp_path: Path) -> None:
    path = tmp_path / "f.pcapng"
    limited = (
        "import resource, sys, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        " resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000));"
        " from busbench.cli.main import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", limited, "record", "virtual:?speed=max&duration=60s", "-o", str(path)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert done.returncode == 2
    assert done.stderr.startswith(f"busbench: {path}, byte ")
    assert done.stderr.count("\n") == 1
    assert "all before it is whole" in done.stderr
    assert len(frames_of(path)[0].frames) > 500


@posix
def test_an_unplugged_adapter_is_noted_and_waited_for(tmp_path: Path) -> None:
    from tests.port.ends import Far, wait_for

    far, path, stop = Far(tmp_path / "port"), tmp_path / "f.pcapng", threading.Event()
    frame = bytes([0x0F]) + bytes(24)
    work = threading.Thread(
        target=record,
        args=([far.name], str(path)),
        kwargs={"seconds": None, "force": False, "line": BUS_LINE, "stop": stop},
    )
    work.start()
    try:
        wait_for(path.exists)  # made once the port is open
        far.write(frame * 4)
        wait_for(lambda: path.read_bytes().count(frame) == 4)
        far.unplug()
        far = Far(tmp_path / "port")
        wait_for(lambda: b"the port is back after " in path.read_bytes())  # and what came before is flushed
        far.write(frame * 3)
        wait_for(lambda: path.read_bytes().count(frame) == 7)
    finally:
        stop.set()
        work.join()
        far.unplug()
    found, marks = frames_of(path)
    assert len(found.frames) == 7
    assert marks[0] == "the port is gone: unplugged, or its other end has closed"
    assert marks[1].startswith("the port is back after ")


class Away(ScriptedPort):
    """A port that is there for four seconds, then gone; back and silent at a time, or never."""

    def __init__(self, hands: Hands, back_s: float | None) -> None:
        super().__init__(hands, "virtual:?period=7ms")
        self.back_s = back_s

    def read(self, timeout_s: float) -> list[Chunk]:
        self._hands.t_ns += round(timeout_s * 1e9)
        now_s = (self._hands.t_ns - START_NS) / 1e9
        if now_s > 4 and not self.is_mute:
            self.is_mute = True
            self.happens(EventKind.UNPLUGGED, "the port is gone")
        if self.back_s is not None and now_s >= self.back_s:
            self.back_s = None
            self.happens(EventKind.RECONNECTED, "the port is back")
        return super().read(timeout_s)


@pytest.mark.parametrize(
    ("back_s", "said", "marks"),
    [
        (None, "; the port was away for 7.8 s", ["the port is gone", "recording ended"]),
        (
            7.0,
            "; the port was away for 2.8 s; nothing came in the last 8.0 s",
            ["the port is gone", "the port is back", "recording ended"],
        ),
    ],
    ids=["to the end", "back, and silent"],
)
def test_the_time_without_a_port_is_told_and_is_an_outage(
    back_s: float | None,
    said: str,
    marks: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    hands, path = Hands(), tmp_path / "f.pcapng"
    monkeypatch.setattr("busbench.bench.sources.open_source", lambda *_, **__: Away(hands, back_s))
    clock = SimpleNamespace(perf_counter_ns=hands, monotonic=lambda: hands.t_ns / 1e9)
    monkeypatch.setattr("busbench.cli.record.time", clock)
    monkeypatch.setattr("busbench.bench.receiver.perf_counter_ns", hands)
    assert run(["record", "port", "-o", str(path), "--seconds", "12"]) == 0
    assert capsys.readouterr().err.endswith(f"0:00:12{said})\n")
    assert frames_of(path)[1] == marks
    assert run(["outages", str(path), "--format", "json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (event,) = told["events"]
    assert event["kind"] == "gap"
    assert event["start_s"] == pytest.approx(4.0, abs=0.02)
    assert event["end_s"] == pytest.approx(12.0, abs=0.02)
    assert event["frames"] == told["missed"] == pytest.approx(8.0 / 0.007, abs=3)


def test_noise_only_is_recorded_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "f.pcapng"
    assert run(["record", "virtual:?speed=max&frames=off&chatter=500&duration=20s", "-o", str(path)]) == 0
    with open_capture(str(path)) as capture:
        data = b"".join(log.data.tobytes() for log in capture.blocks())
    assert 9000 < len(data) < 11_000


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("frames=off", "not one byte came: try `busbench probe 'virtual:?frames=off&speed=max&duration=1s'`"),
        ("inverted=on", "bytes came, but no frame: try `busbench probe "),
        ("period=7ms", ""),
    ],
)
def test_a_recording_without_a_frame_says_what_to_try(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], settings: str, words: str
) -> None:
    source = f"virtual:?{settings}&speed=max&duration=1s"
    assert run(["record", source, "-o", str(tmp_path / "line.pcapng"), "--seconds", "30"]) == 0
    _, _, advice = capfd.readouterr().err.partition(")")
    assert advice.startswith(f"; {words}" if words else "\n")
