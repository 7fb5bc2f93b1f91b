"""Texts in plain technical English: no word or opening that was given up, in anything that people read."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import busbench
from busbench.cli.main import cli
from busbench.reference.terms import TERMS
from busbench.reference.topics import TOPICS, topic_text

PACKAGE = Path(busbench.__file__).parent
ROOT = Path(__file__).resolve().parent.parent
# Words that plain technical English does without, and what to write instead.
RETIRED = {
    r"\b[Bb]eats?\b(?![.:])": "frame timing, frame period",
    r"\blanes\b": "channels",
    r"\bupside down\b": "inverted polarity",
    r"\bmiddle 98 %": "1st to 99th percentile",
    r"\banew\b": "again",
    r"\bamiss\b": "wrong",
    r"\bin the air\b": "without load, in flight",
    r"\b[Hh]angs?\b": "is connected",
    r"\bspoil(s|t|ed)?\b": "damages",
    r"\bshall\b": "must",
    r"(?<!cannot )\b(tells?|told)\b": "reports, detects",
    r"\bstands?\b|\bstood\b": "is, lies",
    r"\bbehind\b": "after",
    r"\bso long\b": "while, this time",
    r"\b(is|are|be) waited for\b": "busbench waits for",
    r"\ba (row|second|minute|frame|byte) a\b": "per",
    r"\b[Nn]obody\b|\b[Ss]omebody\b|\b[Aa]nybody\b|\b[Ww]hoever\b": "you",
    r"(?<!--)\bchatter\b(?![=*:-])": "line noise",
    r"\bdice\b": "random seed, random numbers",
    r"\bheap of bytes\b": "raw bytes without timestamps",
    r"\bthicken\b": "use thicker wire",
    r"\bthrown away\b": "discarded",
    r"\bgreatest\b|\b[Ll]east voltage\b": "max, largest; min voltage",
    r"\btwo-state\b": "on/off",
    r"\b[Vv]olts and amperes\b": "voltage and current",
    r"at 95 % confidence": "95 % upper confidence limit",
    r"which is no pass|that is no pass": "does not count as passed",
}
ANY_RETIRED = re.compile("|".join(RETIRED))
# Openings of sentences.
OPENINGS = {
    r"(?m)^(Of|To|From|On|At) an? [^.,:\n]*\b(is|are|goes|go|its)\b": "subject, verb, object",
    r"(?m)^(Of|To) (a|an|the) [^.,:\n]* (nothing|its|his)\b": "subject, verb, object",
}
# What a label calls the thing of a term, and should not.
SYNONYMS = {
    "TIE": r"\btime errors?\b",
    "ambiguous": r"\bdoubt(s|ful)?\b",
    "annotation": r"\bmarkers?\b",
    "cycle-to-cycle jitter": r"cycle-to-cycle(?! jitter)",
    "endpoints": r"(?i)\b(low|high|at|past|customary) ends?\b",
    "failsafe": r"\bfail[ -]safe\b",
    "gap": r"\b(holes?|dropouts?)\b",
    "hub": r"\b(splitters?|junctions?)\b",
    "in sync": r"\b(in step\b(?! with)|searching)\b",
    "measurement floor": r"(?<!measurement )\bfloor\b",
    "missed frames": r"(?<!bursts of )\bloss(es)?\b(?! of link)",
    "not tested": r"\b(untested|unchecked)\b",
    "outage": r"\bevents?\b",
    "period jitter": r"(?<!period )(?<!cycle )\bjitter,? (rms|peak|seen)\b",
    "PWM device": r"\(off-bus\)|(\bis |\()off the bus\b",
    "test sequence": r"(?<!-)\brounds?\b(?! the\b|\.pcapng)",
}
# Labels in a column too narrow for their term, which the help of the screen or command gives in full.
SHORT = {"at end", "past end", "F floor", "floor"}
CODE = sorted(path for path in PACKAGE.rglob("*.py"))
PAGES = sorted(PACKAGE.rglob("*.html"))
NOTES = ("README.md", "DEVELOPERS.md", "captures/README.md", "tests/cli/errors.txt")


def helps(group: click.Group, path: str) -> Iterator[tuple[str, click.Command]]:
    """Every command with its path, groups included."""
    yield path, group
    for name in group.list_commands(click.Context(group)):
        command = group.get_command(click.Context(group), name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from helps(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command


HELPS = dict(helps(cli, "busbench"))
TEXTS = {name: (ROOT / name).read_text(encoding="utf-8") for name in NOTES}
TEXTS |= {path.name: path.read_text(encoding="utf-8") for path in PAGES}
TEXTS |= {topic: topic_text(topic) for topic in TOPICS}
TEXTS |= {f"{path} --help": command.get_help(click.Context(command, info_name=path)) for path, command in HELPS.items()}


def texts_of(source: str) -> Iterator[tuple[int, str]]:
    """Strings of more than one word and comments of a module, each with its line."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            yield node.lineno, node.value
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


def notes_of(source: str) -> Iterator[tuple[int, str]]:
    """Docstrings and comments of a module, each with its line."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            yield node.value.lineno, node.value.value
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


def labels_of(source: str) -> Iterator[tuple[int, str]]:
    """Strings of a module that a person may read, each with its line: no docstrings, and no words that are keys."""
    tree = ast.parse(source)
    prose = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    heads = {id(one) for node in ast.walk(tree) if isinstance(node, ast.List) for one in node.elts}
    heads |= {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.FormattedValue)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in prose:
            yield from [(node.lineno, node.value)] if " " in node.value or id(node) in heads else []


def headings_of(page: str) -> Iterator[str]:
    """Headings, column heads, captions and list terms of a template, without their fields."""
    for _, text in re.findall(r"<(h[1-6]|th|dt|figcaption|title)\b[^>]*>(.*?)</\1>", page):
        yield re.sub(r"\s+", " ", re.sub(r"<[^>]*>|{[{%].*?[%}]}", " ", text)).strip()


def synonyms(label: str) -> list[str]:
    """What a label calls by another word than the table of terms does."""
    if label in SHORT:
        return []
    return [f"{found[0]!r}: write {term}" for term in SYNONYMS for found in re.finditer(SYNONYMS[term], label)]


def retired(text: str, *, openings: bool = True) -> list[str]:
    """What a text should not say, and what instead."""
    if not openings and not ANY_RETIRED.search(text):
        return []
    words = RETIRED | OPENINGS if openings else RETIRED
    return [f"{found[0]!r}: write {words[word]}" for word in words for found in re.finditer(word, text)]


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_is_free_of_retired_words(name: str) -> None:
    assert retired(TEXTS[name]) == []


@pytest.mark.parametrize("room", sorted({path.relative_to(PACKAGE).parts[0] for path in CODE}))
def test_what_the_code_says_is_free_of_retired_words(room: str) -> None:
    found = [
        f"{path.relative_to(PACKAGE).as_posix()}:{line}: {fault}"
        for path in CODE
        if path.relative_to(PACKAGE).parts[0] == room
        for line, text in texts_of(path.read_text(encoding="utf-8"))
        for fault in retired(text, openings=False)
    ]
    assert found == []


@pytest.mark.parametrize("folder", ["tests", "tools"])
def test_what_developers_read_is_free_of_retired_words(folder: str) -> None:
    found = [
        f"{path.relative_to(ROOT).as_posix()}:{line}: {fault}"
        for path in sorted((ROOT / folder).rglob("*.py"))
        if path != Path(__file__)
        for line, text in notes_of(path.read_text(encoding="utf-8"))
        for fault in retired(text, openings=False)
    ]
    assert found == []


@pytest.mark.parametrize("room", ["cli", "report", "rig", "tui"])
def test_a_label_uses_the_word_of_the_table_of_terms(room: str) -> None:
    labels = [
        (f"{path.relative_to(PACKAGE).as_posix()}:{line}", text)
        for path in sorted((PACKAGE / room).rglob("*.py"))
        for line, text in labels_of(path.read_text(encoding="utf-8"))
    ]
    labels += [
        (path.name, text)
        for path in sorted((PACKAGE / room).rglob("*.html"))
        for text in headings_of(path.read_text(encoding="utf-8"))
    ]
    assert labels
    assert [f"{place}: {fault}" for place, label in labels for fault in synonyms(label)] == []


@pytest.mark.parametrize("path", HELPS)
def test_a_help_uses_the_word_of_the_table_of_terms(path: str) -> None:
    assert synonyms(TEXTS[f"{path} --help"]) == []


def test_a_synonym_is_of_a_term_and_is_found() -> None:
    assert set(SYNONYMS) <= {word for word, _ in TERMS}
    assert [fault for head in headings_of('<th class="n">Low<br>end</th>') for fault in synonyms(head)]
    assert [text for _, text in labels_of('"""floor."""\nKEYS = ("floor",)\nheads = ["events"]')] == ["events"]
    assert synonyms("jitter rms")
    assert not synonyms("period jitter, rms")


@pytest.mark.parametrize("path", HELPS)
def test_an_option_is_explained_by_an_imperative_of_few_words(path: str) -> None:
    """The first word is a verb: never an article, a relative or a bare noun with its article."""
    for param in HELPS[path].params:
        if isinstance(param, click.Option) and param.help:
            meaning = param.help.partition("[default")[0].partition(" (")[0].partition(", as in")[0]
            assert not re.match(r"(A|An|The|Where|How|What|Which|Of|In|On|At|As|It|So)\b", meaning), param.help
            assert len(meaning.split()) <= 10 or param.name == "end", param.help


@pytest.mark.parametrize(
    "text",
    [
        "the beat is steady", "begins anew", "a row a frame", "Of a port its recording is kept", "nothing amiss",
        "To a real port nothing goes", "it stands behind", "an adapter is waited for", "somebody listens",
        "which is no pass", "volts and amperes", "whoever holds it", "the least voltage",
    ],
)  # fmt: skip
def test_a_retired_word_is_found(text: str) -> None:
    assert retired(text)


def test_every_term_is_there_once() -> None:
    words = [word for word, _ in TERMS]
    assert len(set(words)) == len(words)
    assert {"frame", "counts", "damaged", "missed frames", "measurement floor"} <= set(words)
