"""Reading a rig file."""

from __future__ import annotations

from pathlib import Path

from busbench.errors import RigError, TextFileError
from busbench.rig.model import Rig
from busbench.schema import TableReader
from busbench.text_file import load_toml, read_toml

_BEGIN = "name the rig file; `busbench rig new` writes one to start from"


def read_rig(path: str | Path) -> Rig:
    """Read a rig file.

    Args:
        path: of the file; "-" is standard input.

    Returns:
        The plan.

    Raises:
        RigError: it cannot be read, or has wrong values.
    """
    missing = ", or begin one with `busbench rig new`"
    try:
        raw, text = read_toml(path, what="a rig file", hint=_BEGIN, missing_hint=missing, takes_stdin=True)
    except TextFileError as error:
        raise RigError(path, "", error.what, hint=error.hint) from None
    return _rig_of(raw, text, path)


def parse_rig(text: str, *, path: str | Path = "rig") -> Rig:
    """Read the text of a rig file; RigError names its path, key and fault."""
    try:
        raw = load_toml(text)
    except TextFileError as error:
        raise RigError(path, "", error.what, hint=error.hint) from None
    return _rig_of(raw, text, path)


def _rig_of(raw: dict[str, object], text: str, path: str | Path) -> Rig:
    if "part" in raw and "rig" not in raw:
        raise RigError(path, "", "is a drive program, not a rig file", hint="use it with `busbench drive`")

    def raises(key: str, what: str, hint: str) -> RigError:
        return RigError(path, key, what, hint=hint)

    return TableReader(raw, Rig, raises=raises, of="a rig file", text=text).read()
