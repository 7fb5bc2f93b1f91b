"""A port that was away: nothing moves by itself once it is back, and a full disk ends the recording alone."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.surface_session import WalkState
from busbench.capture import pcapng_write
from busbench.errors import OutputError, PortError
from busbench.port.ipc import EventKind
from busbench.port.pacer import STOPPED, Pacer
from busbench.tui.driving import DrivePhase
from tests.cli.running import SMALL
from tests.port.sources import Counting
from tests.tui.ports import Live
from tests.tui.test_driving import NO_MOTOR
from tests.tui.test_driving import Bench as DriveBench
from tests.tui.test_walk import Bench as WalkBench

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


def test_a_stop_does_not_hide_that_the_port_went() -> None:
    run = Pacer(Counting(100), start_ns=0, character_ns=120_000, real_ns=0)
    run.stop(STOPPED)
    assert not run.state.is_broken_off
    run.cut("the port was unplugged")
    assert (run.state.reason, run.state.is_broken_off, run.is_over) == ("the port was unplugged", True, True)
    run.cut("the end state took too long")
    assert run.state.reason == "the port was unplugged"


@posix
@pytest.mark.parametrize("is_back", [True, False])
def test_away_in_the_countdown_nothing_is_sent(
    is_back: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from busbench.bench.sources import open_live
    from busbench.cli import drive_port
    from busbench.drive.frame_generator import EndState
    from busbench.port.port import LivePort
    from tests.drive.helpers import locked, make
    from tests.port.ends import Far, wait_for

    ends = [Far(tmp_path / "port")]
    ports: list[LivePort] = []

    def opened(name: str, *, is_sender: bool) -> LivePort:
        ports.append(open_live(name, is_sender=is_sender))
        return ports[0]

    def away(seconds: float) -> bool:
        if len(ends) == 1 and ends[0].master >= 0:
            ends[0].unplug()
            if is_back:
                ends.append(Far(tmp_path / "port"))
                wait_for(ends[1].is_listened_to)
        time.sleep(seconds)
        return False

    @contextlib.contextmanager
    def no_keys() -> Iterator[object]:
        yield away

    monkeypatch.setattr(drive_port, "open_live", opened)
    monkeypatch.setattr(drive_port, "listen_for_keys", no_keys)
    monkeypatch.setattr(drive_port, "has_keyboard", lambda: True)
    program = make({"channel": 1, "shape": "hold", "level": 1200, "duration": 0.1})
    with pytest.raises(PortError, match="the port was unplugged: see to the port, then start again"):
        drive_port.run_on_port(ends[0].name, locked(program), end=EndState.REST, is_armed=True, sources=NO_MOTOR)
    assert "driving" not in capsys.readouterr().err
    if is_back:
        assert ends[1].read() == b""
        ends[1].unplug()


def test_away_in_the_countdown_of_the_screen() -> None:
    bench = DriveBench()
    bench.drive.go_on()
    bench.drive.go_on()
    bench.pass_s(1)
    bench.port.happens(EventKind.UNPLUGGED, "unplugged")
    bench.port.happens(EventKind.RECONNECTED, "back")
    bench.pass_s(5)
    assert bench.drive.phase is DrivePhase.SETTING
    assert bench.drive.said == "cancelled: the port was unplugged; nothing was sent"
    assert bench.port.how is None


def test_away_in_the_countdown_of_a_walk_on_the_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.drive.surface_check import Word

    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    bench = WalkBench(tmp_path / "small.toml")
    bench.walking.begin()
    bench.walking.hear(Word.GO)
    bench.pass_s(1)
    bench.port.happens(EventKind.UNPLUGGED, "unplugged")
    bench.port.happens(EventKind.RECONNECTED, "back")
    assert bench.pass_s(5).size == 0
    assert bench.walking.state is WalkState.OVER  # as in the command
    assert bench.walking.said.startswith("the port was unplugged: see to the port")
    assert bench.port.how is None


@posix
def test_away_while_the_screen_drives(tmp_path: Path) -> None:
    from tests.port.ends import Far, Wire, wait_for
    from tests.tui.terminal import Terminal
    from tests.tui.test_drive_terminal import drive

    far = Far(tmp_path / "port")
    with Terminal("watch", far.name, "--arm", "--no-motor") as terminal:
        drive(terminal, Wire(far.listener, far.name))
        far.unplug()
        terminal.see("frames sent", "(the port was")
        again = Far(tmp_path / "port")
        wait_for(again.is_listened_to)
        terminal.see("the port is back")
        assert again.read() == b""
        terminal.press("q")
        assert terminal.wait() == 0
        assert terminal.is_restored
        assert again.read() == b""
    again.unplug()


def fill_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on nothing can be written, and everything is at once."""

    def full(fd: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    monkeypatch.setattr(pcapng_write, "_FLUSH_NS", 0)


def test_a_full_disk_ends_the_recording_and_not_the_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live, path = Live("virtual:?period=10ms"), tmp_path / "f.pcapng"
    live.session.start_recording(str(path))
    live.pass_s(2)
    (recorder,) = live.session.receiver._recorders.values()
    recorder._writer.flush()

    fill_disk(monkeypatch)
    live.port.happens(EventKind.UNPLUGGED, "unplugged")
    live.port.happens(EventKind.RECONNECTED, "back")
    session = live.pass_s(2)
    assert session.recording == ""
    assert "cannot be written any further (No space left on device); all before it is whole" in session.notice
    assert (session.losses.frames, session.link) == (400, "in sync")
    session.mark(session.place, "goes on")
    session.close()
    assert len(read_recording(str(path)).frames) == 200


def test_a_mark_on_a_full_disk_is_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live = Live("virtual:?period=10ms")
    live.session.start_recording(str(tmp_path / "f.pcapng"))
    session = live.pass_s(1)

    fill_disk(monkeypatch)
    with pytest.raises(OutputError, match="No space left on device"):
        session.mark(session.place, "30 paces")
    assert session.recording == ""
    session.mark(session.place, "60 paces")
    assert [mark.text for mark in session.marks] == ["30 paces", "60 paces"]
