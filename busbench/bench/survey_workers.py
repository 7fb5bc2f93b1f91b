"""Where a survey is worked out: processes of this computer, or a dask cluster."""

from __future__ import annotations

import contextlib
import importlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from multiprocessing import connection
from typing import Any, ParamSpec, TypeVar, cast

from busbench.errors import BusbenchError

P = ParamSpec("P")
T = TypeVar("T")
_TIMEOUT_S = 20
_ENDING = (signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGINT))


@contextlib.contextmanager
def open_executor(*, workers: int, dask: str | None = None) -> Iterator[Executor | None]:
    """Processes or a cluster while the block runs; None for one worker: this process.

    Args:
        workers: processes of this computer.
        dask: address of a dask scheduler instead, as in tcp://10.0.0.5:8786.

    Raises:
        BusbenchError: the scheduler does not answer, or the `cluster` extra is not installed.
    """
    if dask is not None:
        with _cluster(dask) as executor:
            yield executor
    elif workers == 1:
        yield None
    else:
        pool = _Processes(workers)
        try:
            yield pool
        finally:
            pool.shutdown(cancel_futures=True)


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        hint = 'install the cluster extra, as by `pip install "dask[distributed]"`'
        raise BusbenchError("--dask: needs the package distributed", hint=hint) from None
    try:
        client: Any = distributed.Client(address, timeout=_TIMEOUT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        what = f"--dask: scheduler {address} cannot be reached ({type(error).__name__})"
        raise BusbenchError(what, hint="give the address that `dask scheduler` prints, as in tcp://HOST:8786") from None
    with client:
        yield cast(Executor, client.get_executor())


class _Processes(ProcessPoolExecutor):
    """Processes that leave Ctrl-C to this one, and end when it is killed."""

    def __init__(self, workers: int) -> None:
        if sys.platform != "win32":
            # Its start would end the hold of Ctrl-C in submit.
            from multiprocessing import resource_tracker

            resource_tracker.ensure_running()
        super().__init__(workers, mp_context=multiprocessing.get_context("spawn"), initializer=_begin)

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """As Executor.submit; processes that it starts never hear of Ctrl-C."""
        with _interrupt_held():
            return super().submit(fn, *args, **kwargs)


@contextlib.contextmanager
def _interrupt_held() -> Iterator[None]:
    """Ctrl-C, and what ends a program like it, waits until the end of the block; processes started in it hear nothing.

    A mask is inherited, but another thread of this process may take the signal in spite of it.
    """
    if sys.platform == "win32" or threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [one for one in _ENDING if signal.getsignal(one) is signal.default_int_handler]
    came: list[int] = []
    for number in numbers:
        signal.signal(number, lambda which, _: came.append(which))
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        for number in numbers:
            signal.signal(number, signal.default_int_handler)
        if came:
            raise KeyboardInterrupt


def _begin() -> None:
    """What each process does first."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    """Leave when the parent has gone: this process would wait for its queue without end."""
    connection.wait([sentinel])
    os._exit(1)
