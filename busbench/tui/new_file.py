"""Files made from the screen: always new ones, since no key overwrites a file."""

from __future__ import annotations

from pathlib import Path

from busbench.errors import OutputError, unwritable


def free_name(name: str, *, beside: str = "") -> str:
    """A free name, also with the suffix `beside`: the proposed one, or with -2, -3 … added."""
    path, number = Path(name), 1
    while path.exists() or (beside and path.with_suffix(beside).exists()):
        number += 1
        path = Path(name).with_stem(f"{Path(name).stem}-{number}")
    return str(path)


def require_new(path: str) -> None:
    """Refuse an existing name before any work (raises OutputError)."""
    if Path(path).exists():
        what, _ = unwritable(path)
        raise OutputError(path, what, hint="choose another name")
