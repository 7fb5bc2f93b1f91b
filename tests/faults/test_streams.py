"""Readers that leave, streams that are closed, disks that are full: one line at most, and the exit code of the work."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from busbench.analysis.recording import read_recording
from busbench.cli.main import run
from tests.cli.running import CAPTURES, ROOT, Ran, call

if sys.platform == "win32":
    pytest.skip("shells, /dev/full and pipes of POSIX", allow_module_level=True)

HERON = CAPTURES / "heron-flight.pcapng"
QUICK = "virtual:?speed=max&duration=1s"
DRIVE = ("drive", "sine", "--channel", "1", "--period", "4", "--cycles", "200")


def in_shell(how: str, *words: str | Path) -> Ran:
    """The command with its streams as a shell sets them."""
    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {how}', "sh", sys.executable, "-m", "busbench", *map(str, words)],
        capture_output=True,
        cwd=ROOT,
        check=False,
        timeout=60,
    )
    return Ran(done.returncode, done.stdout.decode(), done.stderr.decode())


@pytest.mark.parametrize(
    ("words", "together"),
    [
        (("frames", "{}"), False),
        (("frames", "{}"), True),
        ((*DRIVE, "--to", "-"), False),
        (("convert", "{}", "-o", "-"), False),
    ],
    ids=["frames", "frames with errors", "drive", "convert"],
)
def test_a_reader_that_has_enough(words: tuple[str, ...], together: bool, tmp_path: Path) -> None:
    long = tmp_path / "long.pcapng"
    assert run(["record", "virtual:?speed=max&duration=200s", "-o", str(long)]) == 0
    process = subprocess.Popen(
        [sys.executable, "-m", "busbench", *(word.format(long) for word in words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT if together else subprocess.PIPE,
        cwd=ROOT,
        bufsize=0,
    )
    assert process.stdout is not None
    assert len(process.stdout.read(100)) > 0
    process.stdout.close()
    said = b"" if process.stderr is None else process.stderr.read()
    if process.stderr is not None:
        process.stderr.close()
    assert process.wait(60) == 0
    assert said == b""


def test_a_reader_that_comes_late_gets_all(tmp_path: Path) -> None:
    import fcntl
    import termios

    from tests.port.ends import wait_for

    process = subprocess.Popen(
        [sys.executable, "-m", "busbench", "frames", str(HERON)], stdout=subprocess.PIPE, cwd=ROOT, bufsize=0
    )
    assert process.stdout is not None
    reader = process.stdout.fileno()

    def is_full() -> bool:
        return int.from_bytes(fcntl.ioctl(reader, termios.FIONREAD, bytes(4)), sys.byteorder) >= 60_000

    wait_for(is_full)
    lines = process.communicate()[0].count(b"\n")
    assert (process.returncode, lines) == (0, 1 + len(read_recording(str(HERON)).frames))


@pytest.mark.parametrize("how", ["<&-", "<&- >&- 2>&-", "2>/dev/full"])
def test_a_recording_needs_none_of_its_streams(how: str, tmp_path: Path) -> None:
    ran = in_shell(how, "record", QUICK, "-o", tmp_path / "f.pcapng")
    assert (ran.code, ran.out) == (0, "")
    assert len(read_recording(str(tmp_path / "f.pcapng")).frames) == 72
    assert ("72 frames" in ran.err) is ("2>" not in how)


@pytest.mark.parametrize(
    ("how", "words", "code", "said"),
    [
        (">&-", ("outages", HERON), 0, ""),
        (">&-", (*DRIVE, "--to", "-"), 0, "busbench: wrote standard output .114,290 frames"),
        ("2>&-", ("outages", "nothing"), 2, ""),
        ("2>/dev/full", ("outages", "nothing"), 2, ""),
        ("<&-", ("outages", "-"), 2, "busbench: (-|standard input): file is empty"),
        ("<&-", ("watch", "virtual:"), 2, "busbench: watch: standard input or error is not a terminal"),
        (">/dev/full", ("frames", HERON), 2, "busbench: standard output: cannot be written .No space left"),
        (
            ">/dev/full",
            (*DRIVE, "--to", "-"),
            2,
            "busbench: (-|standard output): cannot be written any further .No space left",
        ),
    ],
)
def test_closed_and_full_streams(how: str, words: tuple[str | Path, ...], code: int, said: str) -> None:
    import re

    ran = in_shell(how, *words)
    assert (ran.code, ran.out) == (code, "")
    assert re.match(said, ran.err) if said else ran.err == ""
    assert ran.err.count("\n") == (1 if said else 0)


@pytest.mark.parametrize(
    "words",
    [
        ("record", "virtual:?speed=max&duration=60s", "-o", "f.pcapng"),
        *(("convert", HERON, "-o", f"f.{kind}") for kind in ("pcapng", "csv", "vcd", "raw")),
        ("verify", HERON, "--rig", CAPTURES / "heron.toml", "--report", "f.html"),
    ],
    ids=lambda words: f"{words[0]} {words[-1]}",
)
def test_a_full_disk_is_one_line(
    words: tuple[str | Path, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    os.symlink("/dev/full", str(words[-1]))  # noqa: PTH211
    ran = call(capfd, *words, "--force")
    lines = [line for line in ran.err.splitlines() if line.startswith("busbench: ")]
    assert ran.code == 2
    assert len(lines) == 1
    assert lines[0].startswith(f"busbench: {words[-1]}: cannot be written")
    assert "No space left on device" in lines[0]
    assert os.path.islink(str(words[-1]))  # noqa: PTH114


def within(size: int, *words: str | Path) -> Ran:
    """The command where no file may grow beyond a size."""
    limited = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        f" resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size})); from busbench.cli.main import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", limited, *map(str, words)], capture_output=True, text=True, cwd=ROOT, check=False
    )
    return Ran(done.returncode, done.stdout, done.stderr)


def test_a_disk_full_from_the_first_byte_leaves_no_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "f.pcapng"
    ran = within(100, "record", QUICK, "-o", path)
    assert ran.code == 2
    assert ran.err == f"busbench: {path}: cannot be written (File too large): make room, or write elsewhere\n"
    assert not path.exists()


@pytest.mark.parametrize("kind", ["pcapng", "vcd"])
def test_a_full_disk_under_a_drive(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"f.{kind}"
    ran = within(40_000, *DRIVE, "--no-motor", "--to", path)
    assert ran.code == 2
    assert ran.err == f"busbench: {path}: cannot be written (File too large): make room, or write elsewhere\n"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        ("verify", "captures/heron-round-faulty.pcapng", "--rig", "captures/heron.toml"),
        ("verify", "captures/heron-round-faulty.pcapng", "--rig", "captures/heron.toml", "--format", "json"),
        ("probe", "virtual:?inverted=on", "--seconds", "0.1"),
    ],
)
def test_a_verdict_does_not_depend_on_who_reads_it(words: tuple[str, ...]) -> None:
    read, write = os.pipe()
    os.close(read)  # has left before the first line
    command = [sys.executable, "-m", "busbench", *words]
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True, cwd=ROOT, check=False)
    os.close(write)
    assert (done.returncode, done.stderr) == (1, "")
