"""Signals while a command reads or writes, and answers that are lines."""

from __future__ import annotations

import io
import os
import select
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from busbench.cli.keys import GONE, _ends_as_by_a_key, read_answers
from busbench.cli.live import stop_signals
from busbench.cli.output import require_reader, to_the_end

HANG_UP: Any = getattr(signal, "SIGHUP", None)  # of POSIX alone
ENDING = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]


def handlers() -> list[object]:
    return [signal.getsignal(number) for number in ENDING]


@contextmanager
def handled(number: signal.Signals, handler: signal.Handlers) -> Iterator[None]:
    """A signal that the process handles in another way meanwhile."""
    before = signal.signal(number, handler)
    try:
        yield
    finally:
        signal.signal(number, before)


@pytest.mark.parametrize("number", ENDING)
def test_a_signal_asks_to_stop_and_is_as_before_afterwards(number: signal.Signals) -> None:
    before = handlers()
    with stop_signals() as stop:
        assert not stop.is_set()
        signal.raise_signal(number)
        assert stop.is_set()
    assert handlers() == before


@pytest.mark.skipif(sys.platform == "win32", reason="SIGHUP is one of POSIX")
def test_what_the_parent_ignores_stays_ignored_but_for_ctrl_c() -> None:
    with handled(HANG_UP, signal.SIG_IGN), handled(signal.SIGTERM, signal.SIG_DFL), stop_signals() as stop:
        signal.raise_signal(HANG_UP)
        assert not stop.is_set()
        assert signal.getsignal(HANG_UP) is signal.SIG_IGN
        signal.raise_signal(signal.SIGTERM)
        assert stop.is_set()
    with handled(signal.SIGINT, signal.SIG_IGN), stop_signals() as stop:
        signal.raise_signal(signal.SIGINT)
        assert stop.is_set()


def test_only_the_main_thread_takes_signals() -> None:
    before, seen = handlers(), list[object]()

    def work() -> None:
        with stop_signals() as stop:
            seen.extend([stop.is_set(), handlers() == before])
        if sys.platform != "win32":
            with _ends_as_by_a_key():
                seen.append(handlers() == before)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [False, True, True][: 2 + (sys.platform != "win32")]


@pytest.mark.skipif(sys.platform == "win32", reason="these signals are of POSIX")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP"])
def test_while_keys_are_read_a_signal_is_ctrl_c(name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    with pytest.raises(KeyboardInterrupt), _ends_as_by_a_key():
        signal.raise_signal(number)
    assert signal.getsignal(number) == before


def test_lines_answer_in_turn_and_their_end_is_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n\nno\n"))
    with read_answers() as read_key:
        assert read_key(0) == ""  # a waiting line stops no motion
        assert [read_key(60) for _ in range(5)] == ["y\n", "\n", "no\n", GONE, GONE]
        assert read_key(0) == ""
    monkeypatch.setattr(sys, "stdin", None)
    with read_answers() as read_key:
        assert read_key(60) == GONE


def test_a_line_that_does_not_come_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = threading.Event()

    class Slow:
        def isatty(self) -> bool:
            return False

        def __iter__(self) -> Iterator[str]:
            asked.wait(60)
            return iter(())

    monkeypatch.setattr(sys, "stdin", Slow())
    with read_answers() as read_key:
        assert read_key(0.01) == ""
        asked.set()
        assert read_key(60) == GONE


@pytest.mark.skipif(not hasattr(select, "poll"), reason="the system does not report it")
def test_a_reader_that_has_gone_is_noticed_before_anything_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    with os.fdopen(writing, "w") as pipe:
        monkeypatch.setattr(sys, "stdout", pipe)
        require_reader()
        os.close(reading)
        with pytest.raises(BrokenPipeError):
            require_reader()
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    require_reader()  # what is no file has no reader to lose


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe of Windows has no such end")
def test_a_reader_that_leaves_early_does_not_change_the_exit_code(monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("a row that waits for the next one", "a row that is written at once\n" * 10_000):
        reading, writing = os.pipe()
        os.close(reading)
        with os.fdopen(writing, "w") as pipe:
            monkeypatch.setattr(sys, "stdout", pipe)
            with to_the_end():
                pipe.write(text)
            assert os.path.samestat(os.fstat(writing), Path(os.devnull).stat())  # so nothing fails at the exit


def test_what_is_printed_is_handed_over_at_its_end(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with (tmp_path / "out").open("w") as file:
        monkeypatch.setattr(sys, "stdout", file)
        with to_the_end():
            file.write("a row")
        assert (tmp_path / "out").read_text() == "a row"
