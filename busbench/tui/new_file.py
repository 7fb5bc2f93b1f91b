"""Files that a screen makes: always new ones, since no key writes over what is there."""

from __future__ import annotations

from pathlib import Path

from busbench.errors import OutputError, unwritable


def free_name(name: str, *, beside: str = "") -> str:
    """A name that is not taken, nor is its like with the suffix `beside`: the one proposed, or with -2, -3 … in it."""
    path, number = Path(name), 1
    while path.exists() or (beside and path.with_suffix(beside).exists()):
        number += 1
        path = Path(name).with_stem(f"{Path(name).stem}-{number}")
    return str(path)


def require_new(path: str) -> None:
    """Refuse a name that is taken, before work is done for it (raises OutputError: something is there already)."""
    if Path(path).exists():
        what, _ = unwritable(path)
        raise OutputError(path, what, hint="choose another name")
