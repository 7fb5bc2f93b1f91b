"""Mutants: each changes one place, none changes what no user sees, and a test that holds the place catches it."""

from __future__ import annotations

from pathlib import Path

import mutate
import pytest

SOURCE = '''"""A limit of 1."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numbers import Integral


class Base:
    def __init_subclass__(cls, *, is_open: bool) -> None: ...


@dataclass(frozen=True)
class Limit(Base, is_open=False):
    high: int = 3

    def holds(self, value: int) -> bool:
        if value < 0:
            raise ValueError("below 0")
        return value <= self.high

    def why(self) -> str | None:
        return None
'''


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(mutate, "ROOT", tmp_path)
    path = tmp_path / "limit.py"
    path.write_text(SOURCE)
    return path


def test_each_mutant_changes_one_statement_and_nothing_aside(tree: Path) -> None:
    found = [mutate.mutant_at(*place) for place in mutate.places_of(tree)]
    assert [(mutant.line, mutant.was, mutant.is_now) for mutant in sorted(found, key=lambda one: one.line)] == [
        (16, "high: int = 3", "high: int = 4"),
        (19, "if value < 0:", "if True:"),
        (19, "if value < 0:", "if False:"),
        (19, "if value < 0:", "if value <= 0:"),
        (19, "if value < 0:", "if value < 1:"),
        (21, "return value <= self.high", "return None"),
        (21, "return value <= self.high", "return value < self.high"),
    ]


def test_a_mutant_is_caught_by_the_test_that_holds_it(tree: Path) -> None:
    test = "from limit import Limit\n\ndef test() -> None:\n    assert Limit().holds(3)\n"
    (tree.parent / "test_limit.py").write_text(test)
    found = [mutate.mutant_at(*place) for place in mutate.places_of(tree)]
    by_change = {mutant.is_now: mutant for mutant in found}
    run = mutate.Run(["test_limit.py"], 60)
    assert mutate.is_caught(by_change["return value < self.high"], tree.parent, run)
    assert not mutate.is_caught(by_change["high: int = 4"], tree.parent, run)
    assert tree.read_text() == SOURCE
