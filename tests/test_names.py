"""Names in the code: terms of the field, one class name for one thing, no word that was given up for a better one."""

from __future__ import annotations

import ast
import itertools
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

import busbench

PACKAGE = Path(busbench.__file__).parent
# A word that was given up, and what to write; the glossary of DEVELOPERS.md has the terms.
RETIRED = {
    "amiss": "wrong, fault",
    "anchor": "known frame",
    "anew": "again",
    "beat": "period, frame timing",
    "bulk": "codec",
    "chatter": "line noise",
    "child": "port process",
    "crowd": "noise",
    "dice": "seed, rng",
    "halt": "station",
    "hole": "missing frames, gap",
    "holes": "missing frames, gaps",
    "lane": "channel",
    "lanes": "channels",
    "likeness": "similarity",
    "misread": "decode_fixed",
    "plain": "sanitize",
    "said": "message",
    "shown": "quote_value, format",
    "sight": "frame fields",
    "stretch": "interval",
    "stretches": "intervals",
    "throw_noise": "noise",
    "told": "message",
    "turns": "control moves, reversals",
    "two_state": "on/off",
}


def words_of(name: str) -> set[str]:
    """The words of a name in snake_case or CamelCase, and pairs of them."""
    parts = [word.lower() for word in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", name)]
    return {*parts, *("_".join(pair) for pair in itertools.pairwise(parts))}


def names() -> Iterator[tuple[str, str]]:
    """Files, classes, and public functions, each with its place."""
    for path in sorted(PACKAGE.rglob("*.py")):
        place = path.relative_to(PACKAGE).as_posix()
        yield place, path.stem
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) or (
                isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith("_")
            ):
                yield f"{place}:{node.lineno}", node.name


def test_no_retired_word_is_in_a_name() -> None:
    found = [
        f"{place}: {name}: write {RETIRED[word]}" for place, name in names() for word in words_of(name) & RETIRED.keys()
    ]
    assert found == []


@pytest.mark.parametrize("name", ["TwoStateLane", "find_holes", "likeness", "plain_text", "_Stretch"])
def test_a_retired_word_is_found(name: str) -> None:
    assert words_of(name) & RETIRED.keys()


def test_a_class_name_stands_for_one_thing() -> None:
    texts = (path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py"))
    counts = Counter(name for text in texts for name in re.findall(r"^ *class (\w+)", text, re.MULTILINE))
    assert counts["SendingRun"] == 1
    assert [name for name, count in counts.items() if count > 1] == []


def test_the_glossary_has_a_line_for_each_term() -> None:
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = re.search(r"^## Glossary\n(.*?)^## ", text, re.MULTILINE | re.DOTALL)
    assert section
    terms = re.findall(r"^- \*\*(.+?)\*\*: ", section[1], re.MULTILINE)
    assert len(terms) > 20
    assert len(set(terms)) == len(terms)
