"""Seeded mutants of one room against its tests: which wrong program would pass? `python tools/mutate.py ROOM`.

A mutant changes one place of one file: a comparison, a sign, a constant, a
condition, a default, a returned value, or it leaves a statement out. It is
caught where a test fails or does not end. Survivors are printed as a diff of
a line: read them, since some change nothing that a user would see.

With notes of which lines each test runs (made by line_map.py, whose head
shows the command) only the tests that reach the changed line run, the quick
ones first, in a process forked where they are collected; then those of the
room that start other processes, on a copy of the project. Without notes all
tests of the room run for each mutant.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from forked_tests import ForkedTests
from line_map import LineMap, Noted

ROOT = Path(__file__).resolve().parent.parent
# Tests beside those of the room itself that hold what the room does.
MORE_TESTS: dict[str, tuple[str, ...]] = {
    ".": tuple(f"tests/{path.name}" for path in sorted((ROOT / "tests").glob("test_*.py"))),
    "wire": ("tests/outside/test_packing.py", "tests/outside/test_sigrok.py"),
    "capture": ("tests/outside/test_pcapng_tools.py", "tests/outside/test_vcd_reader.py", "tests/test_captures.py"),
    "port": ("tests/faults",),
    "analysis": ("tests/outside",),
    "report": ("tests/verify/test_files.py", "tests/bench"),
    "verify": ("tests/bench", "tests/sim"),
    "sim": ("tests/verify", "tests/cli/test_rehearsal.py"),
    "bench": ("tests/cli/test_record.py", "tests/cli/test_walk.py", "tests/cli/test_verify.py"),
    "tui": ("tests/faults/test_away.py",),
}
NO_TESTS_LEFT = 5  # pytest's exit code
LIMIT_S = 60.0  # of each test, or of a run of them beside what they take
NOTES = ROOT / ".pytest_cache" / "line_map"
COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One changed place.

    Args:
        path: of the file, below the root.
        line: number of it.
        was, is_now: the statement before and after.
        tree: of the whole file with the change, and with the numbers of its lines before.
    """

    path: str
    line: int
    was: str
    is_now: str
    tree: ast.Module


def changes_of(node: ast.AST) -> Iterator[Callable[[ast.AST], ast.AST]]:
    """The possible changes of a node, each as a function of it."""
    match node:
        case ast.Compare(ops=[ast.cmpop() as compares]) if type(compares) in COMPARISONS:
            yield lambda it: _set(it, ops=[COMPARISONS[type(compares)]()])
        case ast.BinOp(op=ast.operator() as operator) if type(operator) in OPERATORS:
            yield lambda it: _set(it, op=OPERATORS[type(operator)]())
        case ast.BoolOp(op=joins):
            yield lambda it: _set(it, op=ast.Or() if isinstance(joins, ast.And) else ast.And())
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=inner):
            yield lambda _: inner
        case ast.Constant(value=bool(value)):
            yield lambda it: _set(it, value=not value)
        case ast.Constant(value=int(value)):
            yield lambda it: _set(it, value=value + 1)
        case ast.Constant(value=float(value)):
            yield lambda it: _set(it, value=value * 2 or 1.0)
        case ast.If() | ast.IfExp():
            yield lambda it: _set(it, test=ast.Constant(value=True))
            yield lambda it: _set(it, test=ast.Constant(value=False))
        case ast.Expr(value=ast.Call()) | ast.AugAssign():
            yield lambda _: ast.Pass()
        case ast.Return(value=ast.expr() as returned) if ast.unparse(returned) != "None":
            yield lambda it: _set(it, value=ast.Constant(value=None))


def _set(node: ast.AST, **fields: object) -> ast.AST:
    for name, value in fields.items():
        setattr(node, name, value)
    return node


def places_of(path: Path) -> Iterator[tuple[Path, int, int]]:
    """Every change of a file as (path, number of the node, number of the change), without invisible ones.

    Annotations and what is imported for them, docstrings, error texts, imports and the keywords of a class stay.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    parents = {child: parent for parent in ast.walk(tree) for child in ast.iter_child_nodes(parent)}
    for index, node in enumerate(ast.walk(tree)):
        if not _is_aside(node, parents):
            for number, _ in enumerate(changes_of(node)):
                yield path, index, number


def mutant_at(path: Path, index: int, number: int) -> Mutant:
    """Make one change; see places_of."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    target = list(ast.walk(tree))[index]
    line = getattr(target, "lineno", 0)
    statement = _statement(target, tree)
    was = ast.unparse(statement).splitlines()[0]
    changed = list(changes_of(target))[number](target)
    if changed is not target:
        _replace(tree, target, ast.copy_location(changed, target))
        statement = changed if statement is target else statement
    is_now = ast.unparse(ast.fix_missing_locations(statement)).splitlines()[0]
    return Mutant(path.relative_to(ROOT).as_posix(), line, was, is_now, ast.fix_missing_locations(tree))


def _is_aside(node: ast.AST, parents: dict[ast.AST, ast.AST]) -> bool:
    at: ast.AST | None = node
    while at is not None:
        parent = parents.get(at)
        if isinstance(at, ast.Raise | ast.Import | ast.ImportFrom | ast.Assert | ast.JoinedStr):
            return True
        if isinstance(at, ast.If) and isinstance(at.test, ast.Name) and at.test.id == "TYPE_CHECKING":
            return True
        if isinstance(parent, ast.AnnAssign | ast.arg) and at is parent.annotation:
            return True
        if isinstance(parent, ast.FunctionDef) and at is parent.returns:
            return True
        if isinstance(parent, ast.FunctionDef | ast.ClassDef) and at in parent.decorator_list:
            return True
        if isinstance(parent, ast.ClassDef) and at in parent.keywords:
            return True
        at = parent
    return False


def _statement(node: ast.AST, tree: ast.AST) -> ast.AST:
    parents = {child: parent for parent in ast.walk(tree) for child in ast.iter_child_nodes(parent)}
    while not isinstance(node, ast.stmt):
        node = parents[node]
    return node


def _replace(tree: ast.AST, old: ast.AST, new: ast.AST) -> None:
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            if value is old:
                setattr(parent, name, new)
            elif isinstance(value, list) and any(one is old for one in value):
                value[[one is old for one in value].index(True)] = new


@dataclass(frozen=True, slots=True)
class Run:
    """One run of pytest.

    Args:
        arguments: for pytest.
        limit_s: that it may take.
    """

    arguments: list[str]
    limit_s: float


def is_caught(mutant: Mutant, tree: Path, *runs: Run) -> bool:
    """True if one of the runs, which follow one another, fails with the mutant or does not end."""
    target = tree / mutant.path
    before = target.read_text(encoding="utf-8")
    target.write_text(ast.unparse(mutant.tree), encoding="utf-8")
    try:
        return any(_fails(run, tree) for run in runs)
    finally:
        target.write_text(before, encoding="utf-8")


def _fails(run: Run, tree: Path) -> bool:
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *run.arguments]
    env = os.environ | {"PYTHONPATH": os.pathsep.join(map(str, (tree, tree / "tools")))}
    try:
        done = subprocess.run(command, cwd=tree, env=env, capture_output=True, timeout=run.limit_s, check=False)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode not in (0, NO_TESTS_LEFT)


class Chooser:
    """Chooses the tests for a mutant by notes of the lines that tests run.

    Args:
        folder: of the notes, see line_map.py.
        tests: paths of the tests of the room.
        most_s: that the tests of other rooms may take together.
    """

    def __init__(self, folder: Path, tests: list[str], *, most_s: float) -> None:
        self._lines = LineMap(folder)
        self._tests = tests
        self._most_s = most_s

    def reaching(self, mutant: Mutant, nodes: list[str]) -> list[str]:
        """Those of some tests that reach the line, the room's first, quick files first.

        Tests of the room that are not in the notes are among them, those that start processes are not.
        """
        text = (ROOT / mutant.path).read_text(encoding="utf-8")
        found = [noted for noted in self._lines.reaching(mutant.path, text, mutant.line) if not noted.is_started]
        own = [noted for noted in found if self._is_own(noted.node)]
        others, spent_s = [], 0.0
        for noted in sorted(found, key=lambda one: one.cost_s):
            if not self._is_own(noted.node) and (spent_s := spent_s + noted.cost_s) <= self._most_s:
                others.append(noted)
        new = [node for node in nodes if node not in self._lines.tests and self._is_own(node)]
        return new + [noted.node for noted in (*_quick_files_first(own), *_quick_files_first(others))]

    def is_run_on_import(self, name: str) -> bool:
        """True if modules call a function of this name when they are imported."""
        return self._lines.is_run_on_import(name)

    def run_apart(self, mutant: Mutant, *, is_whole: bool, work: Path) -> Run | None:
        """A run of the room's tests that start processes, with all that reach the line where it is whole."""
        tests = [noted for noted in self._lines.tests.values() if noted.is_started and self._is_own(noted.node)]
        files = [str(path.relative_to(ROOT)) for path in self._new_files()] if is_whole else []
        if is_whole:
            reaching = set(self.reaching(mutant, []))
            tests += [noted for noted in self._lines.tests.values() if noted.node in reaching]
        files = list(dict.fromkeys([*files, *(noted.path for noted in _quick_files_first(tests))]))
        files = [name for name in files if (ROOT / name).exists()]
        chosen = {"files": files, "run": [noted.node for noted in tests], "known": list(self._lines.tests)}
        path = work / "chosen.json"
        path.write_text(json.dumps(chosen), encoding="utf-8")
        limit_s = LIMIT_S + 2 * sum(noted.cost_s for noted in tests)
        return Run(["-p", "line_map", "--chosen-tests", str(path), *files], limit_s) if files else None

    def _is_own(self, node: str) -> bool:
        path = node.split("::")[0]
        return any(path == test or path.startswith(f"{test}/") for test in self._tests)

    def _new_files(self) -> list[Path]:
        """Files of the room's tests that have changed since the notes."""
        found = (ROOT / test for test in self._tests)
        files = (file for one in found for file in ([one] if one.suffix else sorted(one.rglob("test_*.py"))))
        return [file for file in files if file.stat().st_mtime > self._lines.noted_s]


def _quick_files_first(tests: list[Noted]) -> list[Noted]:
    """Tests in the order of what those of their file take together, so that fixtures of a file serve all of it."""
    costs_s: dict[str, float] = defaultdict(float)
    for noted in tests:
        costs_s[noted.path] += noted.cost_s
    return sorted(tests, key=lambda noted: (costs_s[noted.path], noted.path))


@dataclass(frozen=True, slots=True)
class Trial:
    """How mutants are tried.

    Args:
        tests: paths of the tests of the room.
        limit_s: that a run of all of them may take.
        chooser: of tests, where there are notes.
        work: a folder, with a copy of the project in tree.
        forked: the collected tests, with a chooser.
    """

    tests: list[str]
    limit_s: float
    work: Path
    chooser: Chooser | None = None
    forked: ForkedTests | None = None

    def is_caught(self, mutant: Mutant) -> bool:
        """True if a test fails with it or does not end."""
        tree = self.work / "tree"
        if self.chooser is None or self.forked is None:
            return is_caught(mutant, tree, Run(self.tests, self.limit_s))
        changed = self.forked.functions_at(str(ROOT / mutant.path), mutant.tree, mutant.line)
        if any(self.chooser.is_run_on_import(function.__name__) for function, _ in changed):
            changed = []  # it has had its effect
        if changed:
            nodes = self.chooser.reaching(mutant, self.forked.nodes)
            if self.forked.fails(nodes, changed, limit_s=LIMIT_S):
                return True
        apart = self.chooser.run_apart(mutant, is_whole=not changed, work=self.work)
        return apart is not None and is_caught(mutant, tree, apart)


def _module(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def main() -> int:
    """Try mutants of one room; exit code 1 if one survives."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("room", help="a folder of busbench/, one file in it, or . for the files beside the folders")
    parser.add_argument("--count", type=int, default=40, help="how many [40]")
    parser.add_argument("--seed", type=int, default=1, help="other mutants with another seed [1]")
    parser.add_argument("--limit", type=float, default=300, help="seconds a run may take, without notes [300]")
    parser.add_argument("--line-map", type=Path, default=NOTES, help="folder of the notes [.pytest_cache/line_map]")
    parser.add_argument("--others", type=float, default=60, help="seconds of tests of other rooms, with notes [60]")
    parser.add_argument("tests", nargs="*", help="tests to run [those of the room]")
    given = parser.parse_intermixed_args()
    home = ROOT / "busbench" / given.room
    files = sorted(home.glob("*.py") if given.room == "." else home.rglob("*.py")) if home.is_dir() else [home]
    room = given.room.split("/")[0]
    tests = given.tests or ([f"tests/{room}"] if room != "." else []) + [*MORE_TESTS.get(room, ())]
    every = [place for path in files for place in places_of(path)]
    chosen = random.Random(given.seed).sample(every, min(given.count, len(every)))
    output = os.fdopen(os.dup(1), "w")  # pytest takes over what is printed
    survivors = 0

    def try_all(trial: Trial) -> None:
        nonlocal survivors
        for number, where in enumerate(chosen, 1):
            mutant = mutant_at(*where)
            began = time.monotonic()
            caught = trial.is_caught(mutant)
            survivors += not caught
            took = f"{time.monotonic() - began:.0f} s"
            print(f"{number:3} {'caught ' if caught else 'SURVIVED'} {mutant.path}:{mutant.line} {took}", file=output)
            if not caught:
                print(f"      - {mutant.was}\n      + {mutant.is_now}", file=output)
            output.flush()

    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        shutil.copytree(ROOT, work / "tree", ignore=shutil.ignore_patterns(".git", ".venv*", "*_cache", "__pycache__"))
        compileall.compile_dir(work / "tree" / "busbench", quiet=2)
        trial = Trial(tests, given.limit, work)
        if any(given.line_map.glob("*.json.gz")):
            chooser = Chooser(given.line_map, tests, most_s=given.others)
            os.chdir(ROOT)
            modules = [_module(path) for path in files if not path.stem.startswith("__")]
            forked = ForkedTests(lambda forked: try_all(replace(trial, chooser=chooser, forked=forked)), modules)
            pytest.main(["-p", "no:cacheprovider", "tests"], plugins=[forked])
        else:
            try_all(trial)
    tried = len(chosen)
    print(
        f"{given.room}: {tried - survivors} of {tried} caught (seed {given.seed}, of {len(every)} mutants)", file=output
    )
    return int(survivors > 0)


if __name__ == "__main__":
    sys.exit(main())
