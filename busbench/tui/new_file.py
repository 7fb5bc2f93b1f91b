"""Files that a screen makes: always new ones, since no key writes over what is there."""

from __future__ import annotations

from pathlib import Path

from busbench.errors import CaptureError, misnamed, unwritable


def require_new(path: str, *, suffix: str = "", what: str = "", then: str = "") -> None:
    """Refuse a name that is taken, before work is done for it, or that promises another kind of file.

    Args:
        path: of the file.
        suffix, what, then: the kind that is written; see misnamed.

    Raises:
        CaptureError: something is there already, or the name is one of another kind.
    """
    if suffix and (fault := misnamed(path, suffix=suffix, what=what, then=then)):
        raise CaptureError(path, fault[0], hint=fault[1])
    if Path(path).exists():
        what, _ = unwritable(path)
        raise CaptureError(path, what, hint="choose another name")
