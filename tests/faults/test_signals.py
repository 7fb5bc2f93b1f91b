"""Told to end, hung up, stopped: recordings are complete, what moves comes to rest, terminals are given back."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("signals and pseudo-terminals are POSIX", allow_module_level=True)

from fault_rounds import finish, numbered, numbers, read_back, start

from busbench.analysis.recording import read_recording
from tests.cli.running import SMALL, call
from tests.cli.test_drive_pty import Driver, driver, ramped_out, up
from tests.port.ends import Far, Wire, wait_for
from tests.tui.terminal import Terminal

__all__ = ["driver"]  # a fixture


def size_of(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def end_of(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(max(0, size_of(path) - 1000))
        return file.read()


def test_a_recording_told_to_end_is_complete(tmp_path: Path) -> None:
    far, path = Far(tmp_path / "port"), tmp_path / "f.pcapng"
    process = start("record", far.name, "-o", str(path))
    wait_for(path.exists)
    far.write(numbered(500))
    wait_for(lambda: numbered(1, first=499) in path.read_bytes())
    far.write(numbered(1, first=500))
    process.send_signal(signal.SIGTERM)
    code, said = finish(process)
    far.unplug()
    frames = read_recording(str(path)).frames
    assert code == 0
    assert said.startswith(f"busbench: wrote {path} ({len(frames)} frames, ")
    assert len(frames) >= 500


def test_a_recording_that_ignores_hang_ups_goes_on(tmp_path: Path) -> None:
    far, path = Far(tmp_path / "port"), tmp_path / "f.pcapng"
    ignored = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN); from busbench.cli.main import main; main()"
    process = start("record", far.name, "-o", str(path), prelude=ignored)
    wait_for(path.exists)
    process.send_signal(signal.SIGHUP)
    far.write(numbered(100))
    wait_for(lambda: numbered(1, first=99) in path.read_bytes())
    process.send_signal(signal.SIGTERM)
    code, _ = finish(process)
    far.unplug()
    assert code == 0
    assert len(read_back(path)[1].frames) == 100


def test_a_recording_whose_terminal_is_closed_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "f.pcapng"
    terminal = Terminal("record", "virtual:?period=7ms", "-o", str(path))
    wait_for(lambda: size_of(path) > 2000)
    os.close(terminal._fd)
    assert terminal._process.wait() == 0
    recording = read_recording(str(path))
    assert len(recording.frames) > 10
    assert sum(recording.rejects.length) < 25  # nothing but a frame that was under way


def test_a_recording_stopped_for_a_while_has_all_that_came_meanwhile(tmp_path: Path) -> None:
    far, path = Far(tmp_path / "port"), tmp_path / "f.pcapng"
    process = start("record", far.name, "-o", str(path))
    wait_for(path.exists)
    far.write(numbered(10))
    process.send_signal(signal.SIGSTOP)
    far.write(numbered(60_000, first=10))  # far more than any pipe holds: the port's process keeps it
    process.send_signal(signal.SIGCONT)
    wait_for(lambda: numbered(1, first=60_009) in end_of(path) or process.poll() is not None)
    process.send_signal(signal.SIGINT)
    code, said = finish(process)
    far.unplug()
    _, found, marks = read_back(path)
    assert code == 0
    assert set(marks) <= {"recording ended"}  # silence after the last frame, as long as the machine made it
    assert said.count("\n") == 1
    assert numbers(found.frames.channels.astype("int64")).tolist() == list(range(60_010))


def test_two_recordings_to_one_file(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    far, path = Far(tmp_path / "port"), tmp_path / "f.pcapng"
    process = start("record", far.name, "-o", str(path))
    wait_for(path.exists)
    far.write(numbered(100))
    wait_for(lambda: numbered(1, first=99) in path.read_bytes())
    other = ("record", "virtual:?speed=max&duration=1s", "-o", path)
    assert call(capfd, *other).err.startswith(f"busbench: {path}: file exists already: ")
    refused = call(capfd, *other, "--force")
    assert refused.code == 2
    assert refused.err == (
        f"busbench: {path}: is being recorded to by another program: end that one, or choose another name\n"
    )
    far.write(numbered(100, first=100))
    wait_for(lambda: numbered(1, first=199) in path.read_bytes())
    process.send_signal(signal.SIGINT)
    assert finish(process)[0] == 0
    far.unplug()
    assert numbers(read_back(path)[1].frames.channels.astype("int64")).tolist() == list(range(200))
    assert call(capfd, *other, "--force").code == 0  # no one writes to it any more


@pytest.fixture(params=[signal.SIG_DFL, signal.SIG_IGN], ids=["", "in the background of a shell"])
def ctrl_c(request: pytest.FixtureRequest) -> Iterator[None]:
    """What a process that is started now makes of Ctrl-C, until the screen says otherwise."""
    before = signal.signal(signal.SIGINT, request.param)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("ctrl_c")
def test_a_screen_told_to_end_gives_the_terminal_back() -> None:
    with Terminal("watch", "virtual:?period=7ms") as terminal:
        terminal.see("in sync")
        os.kill(terminal._pid, signal.SIGTERM)
        assert terminal.wait() == 0
        assert terminal.is_restored


@pytest.mark.usefixtures("ctrl_c")
def test_a_screen_whose_terminal_is_closed_ends_and_lets_go_of_the_port(tmp_path: Path) -> None:
    far = Far(tmp_path / "port")
    terminal = Terminal("watch", far.name)
    terminal.see("silent")
    os.close(terminal._fd)
    try:
        wait_for(lambda: terminal._process.poll() is not None)
    except AssertionError:
        terminal._process.kill()
        raise
    wait_for(lambda: not far.is_listened_to())
    far.unplug()


def test_a_drive_told_to_end_comes_to_rest(wire: Wire, driver: Driver) -> None:
    import termios

    up(wire)
    while_driving = termios.tcgetattr(driver.keyboard)
    driver.process.send_signal(signal.SIGTERM)
    ramped_out(wire.read())
    code, output = driver.finish()
    assert code == 130
    assert output.endswith("ms (stopped)\n")
    after = termios.tcgetattr(driver.keyboard)
    assert not while_driving[3] & termios.ICANON
    assert after[3] & termios.ICANON
    assert after[3] & termios.ECHO


def test_an_ended_walk_gives_the_terminal_back(tmp_path: Path) -> None:
    (tmp_path / "heron.toml").write_text(SMALL, encoding="utf-8")
    with Terminal("walk", "virtual:", "--rig", str(tmp_path / "heron.toml"), size=(160, 40)) as terminal:
        terminal.see("1 of 2: left aileron")
        os.kill(terminal._pid, signal.SIGTERM)
        assert terminal.wait() == 130
        assert terminal._get_modes() == terminal.modes


# Reading while the terminal goes is answered by an error or by nothing, as it happens to fall.
READING_FAILS = """
import os, textual.drivers.linux_driver as driver
class Os:
    def __getattr__(self, name): return getattr(os, name)
    def read(self, fd, n): return os.read(fd, n) or os.read(-1, n)
driver.os = Os()
"""


@pytest.mark.parametrize("prelude", ["", READING_FAILS], ids=["", "reading fails"])
def test_a_screen_whose_terminal_goes_without_a_word_ends(tmp_path: Path, prelude: str) -> None:
    far, near = os.openpty()  # of a session without a terminal of its own: no signal for a lost terminal comes
    command = [sys.executable, "-c", prelude + "from busbench.cli.main import main; main()", "watch", "virtual:"]
    env = os.environ | {"TERM": "xterm-256color"}
    process = subprocess.Popen(
        command, stdin=near, stdout=near, stderr=near, start_new_session=True, env=env, cwd=tmp_path
    )
    os.close(near)
    try:
        shown = b""
        while b"in sync" not in shown:
            shown += os.read(far, 65536)
        os.write(far, b"r")
        while not any(size_of(path) > 2000 for path in tmp_path.iterdir()):
            os.read(far, 65536)
        os.close(far)
        process.wait(30)  # raises while it runs
    finally:
        process.kill()
        process.wait()
    assert process.returncode in (0, 128 + signal.SIGHUP)
    (path,) = tmp_path.iterdir()
    assert len(read_recording(str(path)).frames) > 10
