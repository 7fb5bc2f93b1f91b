"""Tests collected once, of which any may then run with other code for one function, in a process forked for it.

To start pytest, import the program and collect a room's tests takes longer than the few tests that reach a
line. Code outside functions has had its effect by then: a change of it cannot be tried so.
"""

from __future__ import annotations

import ast
import contextlib
import functools
import gc
import importlib
import inspect
import os
import select
import signal
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from types import CodeType, FunctionType

import pytest

PASSED = "passed"


class ForkedTests:
    """A plugin of pytest that gives the collected tests to one function, in place of running them.

    Args:
        work: called with it when the tests are collected.
        modules: to be imported before, since code of a module that a test imports cannot be changed. Caches of
            functions in their packages, and in tests, are cleared with each change.
    """

    def __init__(self, work: Callable[[ForkedTests], None], modules: Iterable[str]) -> None:
        self._work = work
        self._modules = list(modules)
        self._items: dict[str, pytest.Item] = {}
        self._functions: dict[tuple[str, str, int], list[FunctionType]] = defaultdict(list)
        self._caches: list[functools._lru_cache_wrapper[object]] = []
        self._is_passing: dict[str, bool] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Take the place of pytest's own loop."""
        self._session = session
        self._items = {item.nodeid: item for item in session.items}
        packages = {"tests"} | {name.split(".")[0] for name in self._modules}
        for name in self._modules:
            importlib.import_module(name)
        gc.unfreeze()
        for one in gc.get_objects():
            if type(one) is FunctionType:
                code = one.__code__
                self._functions[code.co_filename, code.co_qualname, code.co_firstlineno].append(one)
            elif isinstance(one, functools._lru_cache_wrapper) and one.__module__.split(".")[0] in packages:
                self._caches.append(one)
        gc.freeze()
        self._work(self)
        return True

    @property
    def nodes(self) -> list[str]:
        """What was collected, as pytest names it."""
        return list(self._items)

    def functions_at(self, path: str, tree: ast.Module, line: int) -> list[tuple[FunctionType, CodeType]]:
        """The functions that hold a line of a file, each with its code of a changed tree.

        Empty where none holds it, or where the change cannot be made in a function that exists already.

        Args:
            path: of the file, as its code has it.
            tree: of the file, changed, with line numbers of before.
            line: of the change.
        """
        found = []
        for code in _functions(compile(tree, path, "exec", dont_inherit=True)):
            lines = [number for inner in _all_codes(code) for *_, number in inner.co_lines() if number is not None]
            if lines and code.co_firstlineno <= line <= max(lines):
                same = self._functions.get((path, code.co_qualname, code.co_firstlineno), [])
                # A default of an argument is in the line of a function and not in its code.
                same = [one for one in same if one.__code__ != code]
                found += [(one, code) for one in same if len(one.__code__.co_freevars) == len(code.co_freevars)]
        return found

    def fails(self, nodes: list[str], changed: list[tuple[FunctionType, CodeType]], *, limit_s: float) -> str:
        """The first test that fails with other code for some functions, or "" where all pass.

        A test that fails without the change as well, in a forked process, does not count.

        Args:
            nodes: tests, in their order.
            changed: each function with its other code.
            limit_s: for each; one that does not end in that time has failed.
        """
        left = [node for node in nodes if node in self._items and self._is_passing.get(node, True)]
        while failed := self._first_failed(left, changed, limit_s):
            if self._passes(failed, limit_s):
                return failed
            left = left[left.index(failed) + 1 :]
        return ""

    def _passes(self, node: str, limit_s: float) -> bool:
        if node not in self._is_passing:
            self._is_passing[node] = not self._first_failed([node], [], limit_s)
        return self._is_passing[node]

    def _first_failed(self, nodes: list[str], changed: list[tuple[FunctionType, CodeType]], limit_s: float) -> str:
        reading, writing = os.pipe()
        if (child := os.fork()) == 0:
            os.close(reading)
            self._run_and_exit(nodes, changed, writing)
        os.close(writing)
        names = b""
        while select.select([reading], [], [], limit_s)[0] and (more := os.read(reading, 65536)):
            names += more
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(reading)
        last = (names.decode().splitlines() or ["no test was started"])[-1]
        return "" if last == PASSED else last

    def _run_and_exit(self, nodes: list[str], changed: list[tuple[FunctionType, CodeType]], writing: int) -> None:
        try:
            os.setpgid(0, 0)
            self._session.config.pluginmanager.unregister(name="terminalreporter")
            for function, code in changed:
                function.__code__ = code
            for cache in self._caches:  # holds what the code before has given
                cache.cache_clear()
            items = [self._items[node] for node in nodes]
            for item, following in zip(items, [*items[1:], None], strict=False):
                os.write(writing, f"{item.nodeid}\n".encode())
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if self._session.testsfailed:
                    break
            else:
                os.write(writing, PASSED.encode())
        finally:
            os._exit(0)


def _functions(module: CodeType) -> Iterator[CodeType]:
    """Functions and methods of a module's code, those inside of others too: some live on by themselves."""
    # What has local variables of its own is a function, and not the body of a class.
    return (code for code in _all_codes(module) if code.co_flags & inspect.CO_NEWLOCALS)


def _all_codes(code: CodeType) -> Iterator[CodeType]:
    yield code
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            yield from _all_codes(inner)
