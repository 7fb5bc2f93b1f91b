"""The line that is written over."""

import itertools
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.cli import progress
from busbench.cli.progress import Progress, ProgressLine
from busbench.port.port import Transmission
from tests.cli.running import CAPTURES, call


def test_it_is_written_over_and_taken_away(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    now = iter((10.0, 10.1, 10.3))
    monkeypatch.setattr(progress, "is_terminal", lambda: True)
    monkeypatch.setattr("busbench.cli.progress.time.monotonic", lambda: next(now))
    line = ProgressLine()
    line.clear()
    for text in ("one", "too soon", "two"):
        line.show(text)
    line.clear()
    line.clear()
    assert capsys.readouterr().err == "\rone\rtwo\r"  # the codes that clear it are left out of what is no terminal


def test_nothing_where_nobody_looks(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(progress, "is_terminal", lambda: False)
    line = ProgressLine()
    line.show("one")
    line.clear()
    assert capsys.readouterr().err == ""


def test_how_a_drive_goes() -> None:
    how = Transmission(frames=1757, late=2, skipped=1)
    assert how.progress_text(0.007) == "12.3 s, 1,757 frames, 2 late, 1 skipped"
    how = Transmission(frames=1757, late=2, skipped=1, reason="stopped")
    assert how.progress_text(0.007) == "12.3 s, 1,757 frames, 2 late, 1 skipped, stopping"


def test_long_work_says_how_far_it_is_after_a_second(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now = [10.0]
    monkeypatch.setattr(progress, "is_terminal", lambda: True)
    monkeypatch.setattr("busbench.cli.progress.time.monotonic", lambda: now[0])
    work = Progress("reading")
    for seconds, done in ((0.5, "1 frame"), (1.0, "2 frames"), (1.1, "3 frames"), (1.2, "4 frames"), (3.6, "5 frames")):
        now[0] = 10.0 + seconds
        work.at(done)
    work.end()
    assert capsys.readouterr().err == "\rreading: 3 frames, 1 s \rreading: 5 frames, 4 s \r"


def test_a_terminal_that_was_closed_ends_the_line_and_not_the_work(monkeypatch: pytest.MonkeyPatch) -> None:
    said = []

    def echo(text: str, **_: object) -> None:
        said.append(text)
        raise OSError("closed")

    now = iter((10.0, 20.0, 30.0))
    monkeypatch.setattr(progress, "is_terminal", lambda: True)
    monkeypatch.setattr("busbench.cli.progress.time.monotonic", lambda: next(now))
    monkeypatch.setattr("busbench.cli.progress.click.echo", echo)
    line = ProgressLine()
    line.show("one")
    line.show("two")
    assert said == ["\r\x1b[Kone"]


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        (("frames", "slots.csv"), ["frames: 666, 2 s "]),
        (("channels", "slots.csv"), ["reading: 666 frames, 2 s ", "reading: 666 frames, 6 s "]),
        (("timing", "slots.csv"), ["reading: 666 frames, 2 s ", "reading: 666 frames, 6 s "]),
        (
            ("outages", "pair.pcapng"),
            [
                f"reading: {many} frames, {at_s} s "
                for many, at_s in (("4,187", 2), ("4,187", 6), ("8,397", 10), ("8,397", 14))
            ],
        ),
        (
            ("survey", "slots.csv", "line.vcd"),
            [f"reading: {done} of 2 recordings, {at_s} s " for done, at_s in ((0, 2), (1, 6), (2, 10))],
        ),
        (("convert", "slots.csv", "-o", "slots.raw"), ["converting: 17,694 bytes, 2 s "]),
    ],
    ids=["frames", "channels", "timing", "several", "survey", "convert"],
)
def test_a_terminal_shows_how_far_a_command_has_read(
    words: tuple[str, ...],
    shown: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """By a clock that goes on by two seconds whenever it is looked at."""
    now = itertools.count(10, 2)
    monkeypatch.setattr(progress, "is_terminal", lambda: True)
    monkeypatch.setattr(progress, "time", SimpleNamespace(monotonic=lambda: next(now)))
    monkeypatch.chdir(tmp_path)
    names = [CAPTURES / f"heron-{word}" if (CAPTURES / f"heron-{word}").exists() else word for word in words]
    ran = call(capfd, *names)
    *lines, rest = ran.err.split("\r")
    assert (ran.code, lines) == (0, ["", *shown])
    assert rest == ("busbench: wrote slots.raw (17,694 bytes)\n" if "convert" in words else "")
