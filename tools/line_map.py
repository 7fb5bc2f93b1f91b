"""Which lines of busbench/ each test runs, noted once and used to run the tests for one line.

    PYTHONPATH=tools python -m pytest -p line_map --line-map .pytest_cache/line_map

notes it (Python 3.12 or newer), a file per process; `tools/mutate.py` reads the folder. What a test starts as
another process is not seen: such tests are marked instead. The text of each file is kept with its lines, so
that the notes serve a program that has changed a little since.
"""

from __future__ import annotations

import ast
import difflib
import functools
import gzip
import json
import os
import re
import sys
import time
from collections import defaultdict
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = str(ROOT / "busbench") + os.sep
STARTS = {"subprocess.Popen", "os.posix_spawn", "os.fork", "os.forkpty"}  # audit events


@dataclass(frozen=True, slots=True)
class Noted:
    """One test.

    Args:
        node: as pytest names it.
        cost_s: that it took.
        is_started: whether it started processes.
    """

    node: str
    cost_s: float
    is_started: bool

    @property
    def path(self) -> str:
        """The file of it, below the root."""
        return self.node.split("::")[0]


class LineMap:
    """Notes of all files in a folder; of several on one test the newest."""

    def __init__(self, folder: Path) -> None:
        self.tests: dict[str, Noted] = {}
        self._texts: dict[str, list[str]] = {}
        self._ran: dict[tuple[str, int], set[str]] = defaultdict(set)
        self.noted_s = 0.0  # when the newest was noted
        for path in sorted(folder.glob("*.json.gz"), key=lambda one: one.stat().st_mtime):
            self.noted_s = path.stat().st_mtime
            noted = json.loads(gzip.decompress(path.read_bytes()))
            self._texts |= {name: text for name, text in noted["texts"].items() if name.endswith(".py")}
            for node, (cost_s, is_started, lines) in noted["tests"].items():
                self.tests[node] = Noted(node, cost_s, is_started)
                for name, numbers in lines.items():
                    for number in _unpacked(numbers):
                        self._ran[name, number].add(node)

    def reaching(self, path: str, text: str, line: int) -> list[Noted]:
        """The tests that run a line.

        A line outside functions runs in the first test that imports the file: for it the tests are those
        that run a line which mentions what it defines, or else what it mentions.

        Args:
            path: of the file, below the root.
            text: of it now.
            line: number of it in that text.
        """
        outline = _outline(text)
        if start := outline.function_starts.get(line):
            # Of lines that no test knows, the nearest one before it in the same function counts.
            old = _old_numbers("\n".join(self._texts.get(path, [])), text)
            found = (self._ran.get((path, old.get(number, 0)), set()) for number in range(line, start - 1, -1))
            nodes = next(filter(None, found), set())
        else:
            nodes = set[str]().union(*map(self._ran_at, self._mentions(outline.defined.get(line, frozenset()))))
        return [self.tests[node] for node in nodes]

    def is_run_on_import(self, name: str) -> bool:
        """True if a line outside functions calls a function of this name."""
        called = re.compile(rf"(?<!click\.)\b{name}\(")  # what a library has by the same name is another function
        for lines in self._texts.values():
            numbers = [number for number, text in enumerate(lines, 1) if called.search(text)]
            starts = _outline("\n".join(lines)).function_starts if numbers else {}
            if any(number not in starts and not lines[number - 1].lstrip().startswith("def ") for number in numbers):
                return True
        return False

    def _ran_at(self, place: tuple[str, int]) -> set[str]:
        return self._ran.get(place, set())

    def _mentions(self, names: frozenset[str]) -> Iterator[tuple[str, int]]:
        """Lines that mention a name, and those that mention what is defined by it outside functions."""
        seen = frozenset[str]()
        while names:
            seen |= names
            pattern = re.compile(rf"\b({'|'.join(sorted(names))})\b")
            names = frozenset()
            for path, lines in self._texts.items():
                numbers = [number for number, text in enumerate(lines, 1) if pattern.search(text)]
                outline = _outline("\n".join(lines)) if numbers else Outline({}, {})
                yield from ((path, number) for number in numbers)
                for number in numbers:
                    if number not in outline.function_starts:
                        names |= outline.defined.get(number, frozenset()) - seen


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("lines of the program")
    group.addoption("--line-map", metavar="FOLDER", help="note which lines of busbench/ each test runs")
    group.addoption(
        "--chosen-tests", metavar="FILE", help="run those and all that it does not know, its files in their order"
    )


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--line-map") and not hasattr(config, "workerinput"):
        Path(config.getoption("--line-map")).mkdir(parents=True, exist_ok=True)
    if config.getoption("--line-map"):
        config.pluginmanager.register(_Notes(Path(config.getoption("--line-map"))))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not (path := config.getoption("--chosen-tests")):
        return
    chosen = json.loads(Path(path).read_text(encoding="utf-8"))
    left_out = set(chosen["known"]) - set(chosen["run"])
    config.hook.pytest_deselected(items=[item for item in items if item.nodeid in left_out])
    files = {name: number for number, name in enumerate(chosen["files"])}
    kept = (item for item in items if item.nodeid not in left_out)
    items[:] = sorted(kept, key=lambda item: files[item.nodeid.split("::")[0]])


class _Notes:
    """Notes the lines of each test in this process."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / f"{os.environ.get('PYTEST_XDIST_WORKER', 'main')}.json.gz"
        self._tests: dict[str, tuple[float, bool, dict[str, str]]] = {}
        self._lines: dict[str, set[int]] = defaultdict(set)
        self._is_started = False
        self._once: object = None  # to be notified of a place once a test
        if sys.version_info >= (3, 12):
            tool, events = sys.monitoring.COVERAGE_ID, sys.monitoring.events
            sys.monitoring.use_tool_id(tool, "line_map")
            sys.monitoring.register_callback(tool, events.PY_START, self._begun)
            sys.monitoring.register_callback(tool, events.LINE, self._line)
            sys.monitoring.set_events(tool, events.PY_START)
            self._once = sys.monitoring.DISABLE
            sys.addaudithook(self._audit)
        else:
            raise pytest.UsageError("--line-map: Python 3.12 or newer is needed")

    def _begun(self, code: CodeType, _: int) -> object:
        if sys.version_info >= (3, 12) and code.co_filename.startswith(PACKAGE):
            self._lines[code.co_filename].add(code.co_firstlineno)
            sys.monitoring.set_local_events(sys.monitoring.COVERAGE_ID, code, sys.monitoring.events.LINE)
        return self._once

    def _line(self, code: CodeType, number: int) -> object:
        self._lines[code.co_filename].add(number)
        return self._once

    def _audit(self, event: str, _: object) -> None:
        # It is called to the very end, when globals are gone already.
        self._is_started = self._is_started or (STARTS is not None and event in STARTS)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        self._lines.clear()
        self._is_started = False
        if sys.version_info >= (3, 12):
            sys.monitoring.restart_events()
        began, before = time.perf_counter(), os.times()
        done = yield
        cost_s = round(time.perf_counter() - began, 4)
        is_started = self._is_started or os.times().children_user > before.children_user
        lines = {Path(name).relative_to(ROOT).as_posix(): _packed(ran) for name, ran in self._lines.items()}
        self._tests[item.nodeid] = cost_s, is_started, lines
        return done

    def pytest_sessionfinish(self) -> None:
        if sys.version_info >= (3, 12):  # what runs as the process ends would be noted without this file's globals
            for event in (sys.monitoring.events.PY_START, sys.monitoring.events.LINE):
                sys.monitoring.register_callback(sys.monitoring.COVERAGE_ID, event, None)
        if self._tests:
            names = {name for _, _, lines in self._tests.values() for name in lines}
            texts = {name: (ROOT / name).read_text(encoding="utf-8").split("\n") for name in names}
            text = json.dumps({"texts": texts, "tests": self._tests})
            self._path.write_bytes(gzip.compress(text.encode(), compresslevel=5))


def _packed(numbers: set[int]) -> str:
    return format(sum(1 << number for number in numbers), "x")


def _unpacked(packed: str) -> Iterator[int]:
    bits = bin(int(packed, 16))[:1:-1]
    return (number for number, bit in enumerate(bits) if bit == "1")


@dataclass(frozen=True, slots=True)
class Outline:
    """What the lines of a file belong to.

    Args:
        function_starts: for each line that runs when a function does, the first line of that function.
        defined: for each line of a statement of the file itself, the names which that gives a value.
    """

    function_starts: dict[int, int]
    defined: dict[int, frozenset[str]]


@functools.lru_cache(1024)
def _outline(text: str) -> Outline:
    tree = ast.parse(text)
    starts: dict[int, int] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            starts |= dict.fromkeys(range(node.body[0].lineno, (node.end_lineno or 0) + 1), node.lineno)
    defined: dict[int, frozenset[str]] = {}
    for node in tree.body:
        named = [name for name in ast.walk(node) if isinstance(name, ast.Name)]
        # A line that defines nothing may change what it mentions, as one that fills a table.
        names = [name.id for name in named if isinstance(name.ctx, ast.Store)] or [name.id for name in named]
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            names = [node.name]
        defined |= dict.fromkeys(range(node.lineno, (node.end_lineno or 0) + 1), frozenset(names))
    return Outline(starts, defined)


@functools.lru_cache(64)
def _old_numbers(old: str, new: str) -> dict[int, int]:
    """Numbers of lines before a change by those after it."""
    matching = difflib.SequenceMatcher(None, old.split("\n"), new.split("\n"), autojunk=False).get_matching_blocks()
    return {block.b + step + 1: block.a + step + 1 for block in matching for step in range(block.size)}
