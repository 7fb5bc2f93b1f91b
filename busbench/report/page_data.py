"""The figures of a page as data inside it, and its text, so that its reader can check both."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from itertools import takewhile, zip_longest
from pathlib import Path

from busbench import __version__
from busbench.errors import BusbenchError, quote_value, unreadable

_OPEN = '<script type="application/json" id="busbench-figures">'
_MOST_BYTES = 64_000_000
_OWN = re.compile(r"(<(\w+) data-own>)[^<]*(?=</\2>)")  # names of files, time of making, versions: see templates
_BY_THIS = f"<dt>busbench</dt><dd data-own>{__version__}</dd>"
_SHOWN = 60  # characters of a line that differs


def data_element(figures: Mapping[str, object]) -> str:
    """The figures as an HTML element that a browser neither shows nor runs."""
    text = json.dumps(figures, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return f"{_OPEN}{text.replace('<', chr(92) + 'u003c')}</script>"


def read_page(path: str) -> str:
    """Read a page (raises BusbenchError: unreadable)."""
    try:
        with Path(path).open("rb") as file:
            return file.read(_MOST_BYTES).decode("utf-8", "replace")
    except OSError as error:
        what, hint = unreadable(error)
        raise BusbenchError(f"{path}: {what}", hint=hint) from None


def figures_of(text: str, *, path: str = "") -> dict[str, object]:
    """The figures of a page (raises BusbenchError: it has none of busbench)."""
    found = re.search(re.escape(_OPEN) + r"(.*?)</script>", text, re.DOTALL)
    try:
        figures = json.loads(found[1]) if found else None
    except (ValueError, RecursionError):
        figures = None
    if not isinstance(figures, dict):
        raise BusbenchError(
            f"{path}: holds no figures of busbench",
            hint="name a page that `busbench report`, `survey` or `verify` wrote",
        )
    return figures


def first_difference(page: object, made: object, *, place: str = "") -> str:
    """The first difference of two sets of figures, in words; "" if they agree."""
    if isinstance(page, Mapping) and isinstance(made, Mapping):
        for name in [*page, *(one for one in made if one not in page)]:
            inner = f"{place}.{name}" if place else str(name)
            if name not in page or name not in made:
                return f"{inner} is {'missing' if name not in page else 'unknown'}"
            if words := first_difference(page[name], made[name], place=inner):
                return words
        return ""
    if isinstance(page, list) and isinstance(made, list):
        if len(page) != len(made):
            return f"{place} has {len(page)} entries, made again {len(made)}"
        pairs = enumerate(zip(page, made, strict=True))
        return next((words for i, (a, b) in pairs if (words := first_difference(a, b, place=f"{place}[{i}]"))), "")
    return "" if page == made else f"{place} is {json.dumps(page)}, made again {json.dumps(made)}"


def page_difference(page: str, made: str) -> str:
    """The first difference of two pages, in words: of their figures, else of their text; "" if they agree."""
    if words := first_difference(figures_of(page), figures_of(made)):
        return words
    lines = zip_longest(*(_OWN.sub(r"\1", text).splitlines() for text in (page, made)), fillvalue="")
    for number, (one, other) in enumerate(lines, start=1):
        if one != other:
            same = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))
            start = max(0, same - _SHOWN // 3)
            read, again = (quote_value(line[start:], most=_SHOWN) for line in (one, other))
            version = "" if _BY_THIS in page else "; another version of busbench made the page"
            return f"the figures agree, but not the text: line {number} has {read}, made again {again}{version}"
    return ""
