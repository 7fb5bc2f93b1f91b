"""A rig file read: every error names the file, the key and the value.

List entries count from 1, as people count tables in a file; the entry's name and
line are said beside.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
import sys
import tomllib
import typing
from pathlib import Path
from typing import Any, Literal

import msgspec

from busbench.errors import RigError, plain
from busbench.rig.model import Rig

_MESSAGE = re.compile(r"(?s)(?P<said>.*?)(?: - at `\$(?P<path>[^`]*)`)?\Z")
_EXPECTED = re.compile(r"Expected `(?P<type>[^`]*)`(?: of length)?(?: (?P<op>[<>]=?) (?P<limit>[-\d.]+))?")
_WORDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "a text in quotes",
    "bool": "true or false",
    "array": "tables in double brackets",
    "object": "a table",
}
_LIMITS = {">": "above", ">=": "of at least", "<": "below", "<=": "of at most"}
SMALL, LARGE = 1e-6, 1e6  # beyond these no value of an aircraft lies
_Path = tuple[str | int, ...]


def read_rig(path: str | Path) -> Rig:
    """Read a rig file.

    Args:
        path: of the file; "-" is standard input.

    Returns:
        The plan.

    Raises:
        RigError: it cannot be read or says what cannot be.
    """
    try:
        data = sys.stdin.buffer.read() if str(path) == "-" else Path(path).read_bytes()
    except FileNotFoundError:
        raise RigError(path, "", "no such file", hint="`busbench rig new` writes one to start from") from None
    except IsADirectoryError:
        raise RigError(path, "", "is a folder", hint="name the rig file in it") from None
    except (OSError, ValueError) as error:
        raise RigError(path, "", f"cannot be read ({getattr(error, 'strerror', None) or error})") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise RigError(path, "", f"line {line} is not UTF-8", hint="save the file as UTF-8 text") from None
    return parse_rig(text, path=path)


def parse_rig(text: str, *, path: str | Path = "rig") -> Rig:
    """Read the text of a rig file.

    Args:
        text: TOML.
        path: the file's name, for errors.

    Returns:
        The plan.

    Raises:
        RigError: it says what cannot be.
    """
    try:
        raw = tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise RigError(path, "", f"is no TOML: {_lower(str(error))}") from None
    except RecursionError:
        raise RigError(path, "", "is no usable TOML: nested too deep") from None
    except ValueError:
        raise RigError(path, "", "is no usable TOML: a number has thousands of digits") from None
    reader = _Reader(str(path), text, raw)
    reader.walk(raw, Rig, ())
    try:
        return msgspec.convert(raw, Rig)
    except msgspec.ValidationError as error:
        raise reader.translated(str(error)) from None


def _lower(said: str) -> str:
    return said[:1].lower() + said[1:]


def _struct_in(kind: Any) -> type[msgspec.Struct] | None:
    """The table type inside an annotation, if there is one."""
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return kind
    return next((found for part in typing.get_args(kind) if (found := _struct_in(part))), None)


def _literals(kind: Any) -> list[str]:
    if typing.get_origin(kind) is Literal:
        return [str(value) for value in typing.get_args(kind)]
    return [word for part in typing.get_args(kind) for word in _literals(part)]


@functools.cache
def _keys(table: type[msgspec.Struct]) -> dict[str, Any]:
    hints = typing.get_type_hints(table, include_extras=True)
    return {info.encode_name: hints[info.name] for info in msgspec.structs.fields(table)}


class _Reader:
    """The raw file beside its types, for errors that name places."""

    def __init__(self, path: str, text: str, raw: dict[str, Any]) -> None:
        self._path, self._text, self._raw = path, text, raw

    def walk(self, value: Any, kind: Any, at: _Path) -> None:
        """Refuse what the types alone would let pass: unknown keys, endless numbers, control characters."""
        if isinstance(value, list):
            for index, entry in enumerate(value):
                self.walk(entry, kind, (*at, index))
        elif isinstance(value, dict):
            table = _struct_in(kind)
            if table is None:
                return
            known = _keys(table)
            for key in value:
                if key not in known:
                    raise self._unknown(key, table, at)
                self.walk(value[key], known[key], (*at, key))
        elif isinstance(value, float) and not math.isfinite(value):
            raise self.error(at, f"{value} is no number to reckon with")
        elif isinstance(value, float | int) and value and not SMALL <= abs(value) <= LARGE:
            said, much = _shown(value), "large" if abs(value) > LARGE else "small"
            raise self.error(
                at, f"{said if said[0] == 'a' else said[:20]} is far too {much}", hint="mind the unit in the key's name"
            )
        elif isinstance(value, str) and not value.isprintable():
            raise self.error(at, f"{_shown(value)} holds a control character", hint="use plain text on one line")

    def _unknown(self, key: str, table: type[msgspec.Struct], at: _Path) -> RigError:
        near = difflib.get_close_matches(key, _keys(table), n=1, cutoff=0.5)
        inner = [name for name, kind in _keys(table).items() if (sub := _struct_in(kind)) and key in _keys(sub)]
        if inner:
            hint = f"{key} belongs inside {inner[0]}"
        elif near:
            hint = f"the nearest known key is {near[0]}"
        else:
            hint = f"known here: {', '.join(_keys(table))}"
        return self.error((*at, key), "unknown key" + self._with_value((*at, key)), hint=hint)

    def _with_value(self, at: _Path) -> str:
        value = self._value(at)
        return "" if isinstance(value, (dict, list)) else f" (its value is {_shown(value)})"

    def _value(self, at: _Path) -> Any:
        value: Any = self._raw
        for step in at:
            value = value[step]
        return value

    def error(self, at: _Path, what: str, *, hint: str = "") -> RigError:
        """An error at a place in the file."""
        key = ""
        for step in at:
            key += f"[{step + 1}]" if isinstance(step, int) else f".{_bare(step)}"
        return RigError(self._path, key.removeprefix("."), what + self._entry(at), hint=hint)

    def _entry(self, at: _Path) -> str:
        """The name and line of the list entry that a place lies in."""
        if len(at) < 2 or not isinstance(at[1], int):
            return ""
        entry = self._value(at[:2])
        name = entry.get("name") if isinstance(entry, dict) else None
        said = [f"{at[0]} {_shown(name)}"] if isinstance(name, str) and at[2:] != ("name",) else []
        headers = list(re.finditer(rf"(?m)^[ \t]*\[\[[ \t]*{re.escape(str(at[0]))}[ \t]*\]\]", self._text))
        if at[1] < len(headers):
            said.append(f"table at line {self._text.count(chr(10), 0, headers[at[1]].start()) + 1}")
        return f" ({', '.join(said)})" if said else ""

    def translated(self, said: str) -> RigError:
        """A message of the decoder in plain words, with the value it is about."""
        match = _MESSAGE.fullmatch(said)
        assert match is not None  # the pattern takes any text
        at = _steps(match["path"] or "")
        said = match["said"]
        missing = re.fullmatch(r"Object missing required field `(.*)`", said)
        if missing:
            return self.error((*at, missing[1]), "the key is missing", hint="state it")
        value = self._value(at)
        expected = _EXPECTED.match(said)
        if said.startswith("Invalid enum value"):
            words = _literals(self._kind(at))
            near = difflib.get_close_matches(str(value), words, n=1)
            hint = f"the nearest is {_shown(near[0])}" if near else ""
            takes = ", ".join(map(_shown, words)) + (" or a number" if "float" in str(self._kind(at)) else "")
            return self.error(at, f"{_shown(value)} is none of {takes}", hint=hint)
        if expected:
            kinds = [_WORDS.get(word, word) for word in expected["type"].split(" | ") if word != "null"]
            if expected["op"]:
                kinds = [f"{kinds[0]} {_LIMITS[expected['op']]} {expected['limit'].removesuffix('.0')}"]
            if expected["type"].startswith("str") and expected["op"]:
                kinds = ["a text of 1 to 60 characters"]
            return self.error(at, f"{_shown(value)} is not {' or '.join(kinds)}")
        return self.error(at, _lower(said) if said.startswith("A ") else said)

    def _kind(self, at: _Path) -> Any:
        kind: Any = Rig
        for step in at:
            if isinstance(step, str):
                table = _struct_in(kind)
                kind = _keys(table)[step] if table else Any
        return kind


def _steps(path: str) -> _Path:
    """The decoder's path `.device[2].lead` as its steps."""
    return tuple(int(index) if index else key for key, index in re.findall(r"\.?([^.\[\]]+)|\[(\d+)\]", path))


def _bare(key: str) -> str:
    return plain(key) if key else "''"


def _shown(value: Any) -> str:
    """A value as it stands in the file, cut where it is long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        value = value if len(value) <= 60 else value[:59] + "…"
        return f'"{plain(value)}"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    try:
        return plain(str(value), most=60)
    except ValueError:
        return "a number of thousands of digits"
