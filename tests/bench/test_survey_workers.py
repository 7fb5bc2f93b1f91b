"""Where a survey is worked out, and what is said if that is not there."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import sys
import threading
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import connection
from types import SimpleNamespace, TracebackType
from typing import Any

import pytest

from busbench.bench import survey_workers
from busbench.bench.survey_workers import _interrupt_held, open_executor
from busbench.errors import BusbenchError


def test_one_worker_is_this_process() -> None:
    with open_executor(workers=1) as executor:
        assert executor is None


@pytest.mark.parametrize("fails", [False, True])
def test_processes_are_let_go_of_at_the_end(monkeypatch: pytest.MonkeyPatch, fails: bool) -> None:
    made: list[object] = []

    class Pool:
        def __init__(self, workers: int) -> None:
            made.append(workers)

        def shutdown(self, *, cancel_futures: bool) -> None:
            made.append(cancel_futures)

    monkeypatch.setattr(survey_workers, "_Processes", Pool)

    def work() -> None:
        with open_executor(workers=3):
            if fails:
                raise KeyboardInterrupt

    if fails:
        with pytest.raises(KeyboardInterrupt):
            work()
    else:
        work()
    assert made == [3, True]


class Client:
    """A client of a cluster."""

    error: Exception | None = None
    asked: tuple[object, ...] = ()
    is_closed = False

    def __init__(self, address: str, **more: object) -> None:
        Client.asked = address, more
        if self.error is not None:
            raise self.error

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        Client.is_closed = True

    def get_executor(self) -> Executor:
        return ThreadPoolExecutor(1)


def find(monkeypatch: pytest.MonkeyPatch, module: object) -> None:
    real = importlib.import_module

    def load(name: str, *more: Any) -> object:
        if name != "distributed":
            return real(name, *more)
        if module is None:
            raise ImportError(name)
        return module

    monkeypatch.setattr(importlib, "import_module", load)


def test_a_cluster_gives_its_executor(monkeypatch: pytest.MonkeyPatch) -> None:
    find(monkeypatch, SimpleNamespace(Client=Client))
    with open_executor(workers=1, dask="tcp://h:8786") as executor:
        assert isinstance(executor, ThreadPoolExecutor)
    assert Client.asked == ("tcp://h:8786", {"timeout": 20, "set_as_default": False})
    assert Client.is_closed


def test_a_cluster_that_is_not_there_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    find(monkeypatch, SimpleNamespace(Client=Client))
    for error in (OSError("timed out"), ValueError("odd")):
        monkeypatch.setattr(Client, "error", error)
        with pytest.raises(BusbenchError) as caught, open_executor(workers=1, dask="tcp://h:8786"):
            pass
        assert caught.value.what == f"--dask: scheduler tcp://h:8786 cannot be reached ({type(error).__name__})"
    find(monkeypatch, None)
    words = r'--dask: needs the package distributed: .*"dask\[distributed\]"'
    with pytest.raises(BusbenchError, match=words), open_executor(workers=2, dask="tcp://h:8786"):
        pass


def test_outside_the_main_thread_signals_stay_as_they_are() -> None:
    seen: list[bool] = []

    def look() -> None:
        before = signal.getsignal(signal.SIGINT)
        with _interrupt_held():
            seen.append(signal.getsignal(signal.SIGINT) is before)

    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    assert seen == [True]


@pytest.mark.skipif(sys.platform == "win32", reason="masks of signals are POSIX")
def test_a_handler_of_the_person_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    came: list[int] = []
    before = signal.signal(signal.SIGINT, lambda which, _: came.append(which))
    try:
        with _interrupt_held():
            signal.raise_signal(signal.SIGINT)
            assert came == []
        assert came == [signal.SIGINT]
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_process_ends_when_its_parent_has_gone_and_no_sooner(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[object] = []
    monkeypatch.setattr(connection, "wait", done.append)
    monkeypatch.setattr(os, "_exit", done.append)
    survey_workers._end_with(4711)
    assert done == [[4711], 1]


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("parent", [None, SimpleNamespace(sentinel=4711)])
def test_a_process_leaves_ctrl_c_to_its_parent_and_waits_for_its_end(
    monkeypatch: pytest.MonkeyPatch, parent: SimpleNamespace | None
) -> None:
    started: list[object] = []

    class Thread:
        def __init__(self, **more: object) -> None:
            self.more = more

        def start(self) -> None:
            started.append(self.more)

    monkeypatch.setattr(multiprocessing, "parent_process", lambda: parent)
    monkeypatch.setattr(threading, "Thread", Thread)
    before = signal.getsignal(signal.SIGINT)
    try:
        survey_workers._begin()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
    waits = {"target": survey_workers._end_with, "args": (4711,), "daemon": True}
    assert started == ([] if parent is None else [waits])


def test_work_is_handed_on_while_ctrl_c_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[object] = []

    def submit(_: object, work: object, *arguments: object, **more: object) -> str:
        seen.append((work, arguments, more, signal.getsignal(signal.SIGINT) is signal.default_int_handler))
        return "future"

    monkeypatch.setattr(ProcessPoolExecutor, "submit", submit)
    pool = survey_workers._Processes.__new__(survey_workers._Processes)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        handed: object = pool.submit(print, 1, sep="x")
        assert handed == "future"
    finally:
        signal.signal(signal.SIGINT, before)
    assert seen == [(print, (1,), {"sep": "x"}, sys.platform == "win32")]
