"""Files that a screen makes: always new ones, since no key writes over what is there."""

from __future__ import annotations

from pathlib import Path

from busbench.errors import OutputError, unwritable


def require_new(path: str) -> None:
    """Refuse a name that is taken, before work is done for it.

    Raises:
        OutputError: something is there already.
    """
    if Path(path).exists():
        what, _ = unwritable(path)
        raise OutputError(path, what, hint="choose another name")
