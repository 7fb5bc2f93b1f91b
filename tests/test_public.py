"""The public names, and that what is imported is what is listed."""

from __future__ import annotations

import ast
import doctest
import subprocess
import sys
from pathlib import Path

import pytest

import busbench


def test_every_listed_name_is_there_and_documented() -> None:
    assert busbench.__all__ == sorted(busbench.__all__, key=lambda name: (not name.isupper(), name))
    for name in busbench.__all__:
        value = getattr(busbench, name)
        assert value is getattr(busbench, name)
        if callable(value):
            assert value.__doc__, name


def test_names_for_checkers_are_the_names_at_run_time() -> None:
    tree = ast.parse(Path(busbench.__file__).read_text())
    block = next(node for node in tree.body if isinstance(node, ast.If))
    imported = {
        (node.module or "", alias.name)
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    homes = {(f"busbench.{home}", name) for home, names in busbench._HOMES.items() for name in names}
    assert imported == homes
    assert {name for _, name in homes} == set(busbench.__all__)


def test_an_unknown_name_is_no_attribute() -> None:
    with pytest.raises(AttributeError, match="module 'busbench' has no attribute 'nothing'"):
        _ = busbench.nothing


def test_using_it_loads_neither_ports_nor_screens() -> None:
    code = (
        "import sys, busbench\n"
        "for name in busbench.__all__: getattr(busbench, name)\n"
        "print(*sorted({'serial', 'textual', 'construct', 'click'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == ""


def test_examples_in_the_package_docstring() -> None:
    assert doctest.testmod(busbench).failed == 0
