"""Seeded mutants of one room against its tests: which wrong program would pass? `python tools/mutate.py ROOM`.

A mutant changes one place of one file: a comparison, a sign, a constant, a
condition, a default, a returned value, or it leaves a statement out. It is
caught where a test fails or does not end. Survivors are printed as a diff of
a line: read them, since some change nothing that a user would see.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
# Tests beside those of the room itself that hold what the room does.
MORE_TESTS = {
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
        source: the whole file with the change.
    """

    path: str
    line: int
    was: str
    is_now: str
    source: str


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
        case ast.Return(value=ast.expr()):
            yield lambda it: _set(it, value=ast.Constant(value=None))


def _set(node: ast.AST, **fields: object) -> ast.AST:
    for name, value in fields.items():
        setattr(node, name, value)
    return node


def places_of(path: Path) -> Iterator[tuple[Path, int, int]]:
    """Every change of a file as (path, number of the node, number of the change), without invisible ones.

    Annotations, docstrings, error texts and imports stay as they are.
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
    text = ast.unparse(ast.fix_missing_locations(tree))
    return Mutant(path.relative_to(ROOT).as_posix(), line, was, is_now, text)


def _is_aside(node: ast.AST, parents: dict[ast.AST, ast.AST]) -> bool:
    at: ast.AST | None = node
    while at is not None:
        parent = parents.get(at)
        if isinstance(at, ast.Raise | ast.Import | ast.ImportFrom | ast.Assert | ast.JoinedStr):
            return True
        if isinstance(parent, ast.AnnAssign | ast.arg) and at is parent.annotation:
            return True
        if isinstance(parent, ast.FunctionDef) and at is parent.returns:
            return True
        if isinstance(parent, ast.FunctionDef | ast.ClassDef) and at in parent.decorator_list:
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


def is_caught(mutant: Mutant, tree: Path, tests: list[str], *, limit_s: float) -> bool:
    """True if the tests fail with it, or do not end."""
    target = tree / mutant.path
    before = target.read_text(encoding="utf-8")
    target.write_text(mutant.source, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    env = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(command, cwd=tree, env=env, capture_output=True, timeout=limit_s, check=False)
        return done.returncode != 0
    except subprocess.TimeoutExpired:
        return True
    finally:
        target.write_text(before, encoding="utf-8")


def main() -> int:
    """Try mutants of one room; exit code 1 if one survives."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("room", help="a folder of busbench/, or one file in it")
    parser.add_argument("--count", type=int, default=40, help="how many [40]")
    parser.add_argument("--seed", type=int, default=1, help="other mutants with another seed [1]")
    parser.add_argument("--limit", type=float, default=300, help="seconds a run of the tests may take [300]")
    parser.add_argument("tests", nargs="*", help="tests to run [those of the room]")
    given = parser.parse_intermixed_args()
    home = ROOT / "busbench" / given.room
    files = sorted(home.rglob("*.py")) if home.is_dir() else [home]
    room = given.room.split("/")[0]
    tests = given.tests or [f"tests/{room}", *MORE_TESTS.get(room, ())]
    chosen = random.Random(given.seed)
    every = [place for path in files for place in places_of(path)]
    survivors = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv*", "*_cache", "__pycache__"))
        for number, where in enumerate(chosen.sample(every, min(given.count, len(every))), 1):
            mutant = mutant_at(*where)
            caught = is_caught(mutant, tree, tests, limit_s=given.limit)
            survivors += not caught
            print(f"{number:3} {'caught ' if caught else 'SURVIVED'} {mutant.path}:{mutant.line}", flush=True)
            if not caught:
                print(f"      - {mutant.was}\n      + {mutant.is_now}", flush=True)
    tried = min(given.count, len(every))
    print(f"{room}: {tried - survivors} of {tried} caught (seed {given.seed}, of {len(every)} mutants)")
    return int(survivors > 0)


if __name__ == "__main__":
    sys.exit(main())
