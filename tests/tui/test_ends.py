"""How the screen ends when its terminal has gone or a signal comes, by a watch whose time and terminal are made up."""

from __future__ import annotations

import io
import signal
import sys
from collections.abc import Callable, Iterator
from types import SimpleNamespace

import pytest

if sys.platform == "win32":
    pytest.skip("terminals that vanish and their signals are POSIX", allow_module_level=True)

from busbench.tui import main
from busbench.tui.terminal import Clicks

ERROR, GONE = 8, 16  # what poll reports of a line unasked
PID = 4321


class Watched:
    """A terminal with a watch that runs only when a test runs it.

    Args:
        reports: what each look at the line gives, the last one for ever.
        is_terminal: whether standard input is one.
        ends_itself: whether the screen ends within the time it is given.
    """

    def __init__(self, *reports: int, is_terminal: bool = True, ends_itself: bool = False) -> None:
        self.log: list[tuple[object, ...]] = []
        self.watch: Callable[[], object] | None = None
        self.is_over = False
        self._reports = list(reports)
        self._is_terminal, self._ends_itself = is_terminal, ends_itself

    def replace(self, monkeypatch: pytest.MonkeyPatch) -> None:
        line = SimpleNamespace(register=lambda *what: self.log.append(("register", *what)), poll=self._poll)
        system = SimpleNamespace(
            isatty=lambda fd: self._is_terminal and fd == 0,
            getpid=lambda: PID,
            kill=lambda *what: self.log.append(("kill", *what)),
            _exit=self._exit,
        )
        monkeypatch.setattr(main, "select", SimpleNamespace(poll=lambda: line, POLLHUP=GONE))
        monkeypatch.setattr(main, "os", system)
        monkeypatch.setattr(main, "threading", SimpleNamespace(Event=lambda: self, Thread=self._thread))

    def set(self) -> None:
        self.is_over = True

    def wait(self, limit_s: float) -> bool:
        self.log.append(("wait", limit_s))
        is_after_signal = ("kill", PID, signal.SIGHUP) in self.log
        return self.is_over or (self._ends_itself and is_after_signal)

    def _poll(self, wait_ms: int) -> list[tuple[int, int]]:
        self.log.append(("poll", wait_ms))
        report = self._reports.pop(0) if len(self._reports) > 1 else self._reports[0]
        return [(0, report)] if report else []

    def _exit(self, code: int) -> None:
        self.log.append(("exit", code))
        self.is_over = True

    def _thread(self, *, target: Callable[[], object], daemon: bool, name: str) -> SimpleNamespace:
        assert daemon, "it would keep the program from ending"
        del name
        return SimpleNamespace(start=lambda: setattr(self, "watch", target))


LOOK = [("register", 0, 0), ("poll", 0)]


@pytest.mark.parametrize("ends_itself", [True, False])
def test_a_terminal_that_has_gone_ends_the_screen_in_order_or_hard_five_seconds_later(
    ends_itself: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    watched = Watched(0, ERROR, GONE, ends_itself=ends_itself)
    watched.replace(monkeypatch)
    with main._ends_with_its_terminal():
        assert watched.watch is not None
        watched.watch()
    told = [*([("wait", 0.5), *LOOK] * 3), ("kill", PID, signal.SIGHUP), ("wait", 5.0)]
    after = [("wait", 0.5)]  # it is over
    assert watched.log == [*told, *after] if ends_itself else [*told, ("exit", 129), *after]


def test_a_screen_that_has_ended_is_watched_no_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    watched = Watched(GONE)
    watched.replace(monkeypatch)
    with main._ends_with_its_terminal():
        assert not watched.is_over
    assert watched.watch is not None
    watched.watch()
    assert watched.log == [("wait", 0.5)]


@pytest.mark.parametrize(("is_terminal", "system"), [(False, "linux"), (True, "win32")])
def test_what_cannot_go_away_is_not_watched(is_terminal: bool, system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    watched = Watched(GONE, is_terminal=is_terminal)
    watched.replace(monkeypatch)
    monkeypatch.setattr("sys.platform", system)
    with main._ends_with_its_terminal():
        assert watched.watch is None
    with pytest.raises(OSError, match="elsewhere"), main._ends_with_its_terminal():
        raise OSError("elsewhere")


def test_an_output_that_fails_is_no_fault_once_the_terminal_has_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    watched = Watched(GONE)
    watched.replace(monkeypatch)
    with main._ends_with_its_terminal():
        raise OSError(5, "Input/output error")
    assert watched.is_over
    for report in (0, ERROR):
        watched = Watched(report)
        watched.replace(monkeypatch)
        with pytest.raises(OSError, match="No space left"), main._ends_with_its_terminal():
            raise OSError(28, "No space left on device")
        assert watched.is_over


@pytest.fixture
def handlers() -> Iterator[dict[int, object]]:
    """Handlers of a background job of a shell, put back afterwards."""
    numbers = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)
    before = {number: signal.getsignal(number) for number in numbers}
    for number in numbers:
        signal.signal(number, signal.SIG_IGN if number == signal.SIGINT else lambda *_: None)
    yield {number: signal.getsignal(number) for number in numbers}
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_signals_that_end_are_as_ctrl_c_while_the_screen_runs(number: int, handlers: dict[int, object]) -> None:
    with pytest.raises(KeyboardInterrupt), main._ends_when_told():
        signal.raise_signal(number)
    assert {one: signal.getsignal(one) for one in handlers} == handlers


class Stream(io.StringIO):
    """A terminal that may be gone."""

    def __init__(self, fails: Exception | None = None) -> None:
        super().__init__()
        self.fails, self.flushed = fails, ""

    def write(self, text: str) -> int:
        if self.fails is not None:
            raise self.fails
        return super().write(text)

    def flush(self) -> None:
        self.flushed = self.getvalue()


@pytest.mark.parametrize("fails", [OSError(5, "Input/output error"), ValueError("I/O operation on closed file"), None])
def test_the_mouse_is_given_back_at_once_to_a_terminal_that_is_there(
    fails: Exception | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    clicks, stream = Clicks(), Stream(fails)
    clicks._is_heard = True
    monkeypatch.setattr(sys, "__stderr__", None)
    clicks.restore()
    monkeypatch.setattr(sys, "__stderr__", stream)
    clicks.restore()
    assert stream.flushed == ("" if fails else "\x1b[?1006l\x1b[?1000l")
