"""The line that is written over."""

import pytest

from busbench.cli import progress
from busbench.cli.progress import ProgressLine
from busbench.port.port import Transmission


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
