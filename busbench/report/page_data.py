"""The figures of a page as data inside it, so that its reader can check them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path

from busbench.errors import BusbenchError, unreadable

_OPEN = '<script type="application/json" id="busbench-figures">'
_MOST_BYTES = 64_000_000


def data_element(figures: Mapping[str, object]) -> str:
    """The figures as an HTML element that a browser neither shows nor runs."""
    text = json.dumps(figures, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return f"{_OPEN}{text.replace('<', chr(92) + 'u003c')}</script>"


def read_figures(path: str) -> dict[str, object]:
    """Read the figures of a page (raises BusbenchError: unreadable, or without figures of busbench)."""
    try:
        with Path(path).open("rb") as file:
            text = file.read(_MOST_BYTES).decode("utf-8", "replace")
    except OSError as error:
        what, hint = unreadable(error)
        raise BusbenchError(f"{path}: {what}", hint=hint) from None
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
