"""A rig file read: every error names the file, the key and the value.

List entries count from 1, as people count tables in a file; the entry's name and
line are said beside.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
import typing
from pathlib import Path
from typing import Any, Literal

import msgspec

from busbench.errors import RigError, not_toml, other_kind, pluralize, quote_value, sanitize, unreadable
from busbench.rig.model import Rig
from busbench.text_file import load_toml, read_bounded, require_small

_MESSAGE = re.compile(r"(?s)(?P<said>.*?)(?: - at `\$(?P<path>[^`]*)`)?\Z")
_EXPECTED = re.compile(r"Expected `(?P<type>[^`]*)`(?: of length)?(?: (?P<op>[<>]=?) (?P<limit>[-\d.]+))?")
_WORDS = {  # of a type: what a value of another is told, and what to do
    "int": ("is not a whole number", ""),
    "float": ("is not a number", ""),
    "str": ("is not a line of text", "write it in quotes"),
    "bool": ("is neither true nor false", "write true or false, without quotes"),
    "array": ("is not a list of tables", "write {} above each"),
    "object": ("is not a table", "write {} above its keys"),
}
_LIMITS = {">": "above", ">=": "of at least", "<": "below", "<=": "of at most"}
TABLES_MAX = {"hub": 1_000, "feed": 1_000, "device": 10_000}  # what checks and load cases take in seconds
SMALL, LARGE = 1e-6, 1e6  # beyond these no value of an aircraft lies
_BEGIN = "name the rig file; `busbench rig new` writes one to start from"
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
        data = read_bounded(path, takes_stdin=True)
    except (OSError, ValueError) as error:
        what, hint = unreadable(error)
        is_missing = isinstance(error, FileNotFoundError)
        raise RigError(
            path, "", what, hint=f"{hint}, or begin one with `busbench rig new`" if is_missing else hint
        ) from None
    if is_other := other_kind(data):
        raise RigError(path, "", f"{is_other}, not a rig file", hint=_BEGIN)
    try:
        require_small(data)
        text = data.decode("utf-8-sig")
    except ValueError as error:
        what, hint = not_toml(error, data)
        raise RigError(path, "", what, hint=hint) from None
    return parse_rig(text, path=path)


def parse_rig(text: str, *, path: str | Path = "rig") -> Rig:
    """Read the text of a rig file.

    Args:
        path: the file's name, for errors.

    Raises:
        RigError: it says what cannot be.
    """
    try:
        raw = load_toml(text)
    except (ValueError, RecursionError) as error:
        what, hint = not_toml(error, text.encode())
        raise RigError(path, "", what, hint=hint) from None
    if "part" in raw and "rig" not in raw:
        raise RigError(path, "", "is a drive program, not a rig file", hint="use it with `busbench drive`")
    for key, most in TABLES_MAX.items():
        if isinstance(raw.get(key), list) and len(raw[key]) > most:
            raise RigError(path, key, f"{len(raw[key]):,} tables are too many", hint=f"state at most {most:,}")
    reader = _Reader(str(path), text, raw)
    reader.walk(raw, Rig, ())
    try:
        return msgspec.convert(raw, Rig)
    except msgspec.ValidationError as error:
        raise reader.translated(str(error)) from None


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
            raise self.error(at, f"{value} is not a number", hint="write digits")
        elif isinstance(value, float | int) and value and not SMALL <= abs(value) <= LARGE:
            said, much = _shown(value), "large" if abs(value) > LARGE else "small"
            raise self.error(
                at, f"{said if said[0] == 'a' else said[:20]} is far too {much}", hint="mind the unit in the key's name"
            )
        elif isinstance(value, str) and not value.isprintable():
            raise self.error(at, f"{_shown(value)} holds a control character", hint="use plain text on one line")

    def _unknown(self, key: str, table: type[msgspec.Struct], at: _Path) -> RigError:
        keys = _keys(table)
        near = difflib.get_close_matches(key, keys, n=1, cutoff=0.5)
        inner = [name for name, kind in keys.items() if (sub := _struct_in(kind)) and key in _keys(sub)]
        outer = [up for n in range(1, len(at)) if (sub := _struct_in(self._kind(up := at[:n]))) and key in _keys(sub)]
        here = self._header(at) or "a rig file"
        if inner:
            hint = f"it goes below {self._header((*at, inner[0]))}"
        elif outer:
            hint = f"it goes below {self._header(outer[0])}, above {here}"
        elif near:
            place = (*at, near[0])
            hint = f"did you mean {self._header(place) if _struct_in(keys[near[0]]) else near[0]}?"
        else:
            hint = f"it knows {', '.join(keys)}"
        return self.error((*at, key), f"is not a key of {here}", hint=hint)

    def _header(self, at: _Path) -> str:
        """What stands above the keys of a table, as in [[device]] or [device.lead]."""
        name = ".".join(_bare(step) for step in at if isinstance(step, str))
        return name and (f"[[{name}]]" if typing.get_origin(self._kind(at)) is tuple else f"[{name}]")

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
            return self._missing((*at, missing[1]))
        value, words = self._value(at), _literals(self._kind(at))
        expected = _EXPECTED.match(said)
        if words and (expected is None or expected["op"] is None):
            near = difflib.get_close_matches(str(value), words, n=1)
            kinds = str(self._kind(at))
            takes = [*map(_shown, words), *["a number"] * ("float" in kinds), *["true", "false"] * ("bool" in kinds)]
            hint = f"did you mean {_shown(near[0])}?" if near else f"give {', '.join(takes[:-1])} or {takes[-1]}"
            return self.error(at, f"{_shown(value)} is not known", hint=hint)
        if expected is None:
            what, _, hint = said.partition(": ")
            return self.error(at, what, hint=hint)
        kind = next(word for word in expected["type"].split(" | ") if word in _WORDS)
        if kind == "str" and expected["op"]:
            return self.error(at, f"{_shown(value)} has {pluralize(len(value), 'character')}", hint="give 1 to 60")
        word, hint = _WORDS[kind]
        if expected["op"]:
            limit = expected["limit"].removesuffix(".0")
            return self.error(
                at, f"{_shown(value)} is out of range", hint=f"give {word[7:]} {_LIMITS[expected['op']]} {limit}"
            )
        said = word if isinstance(value, (dict, list)) else f"{_shown(value)} {word}"
        if kind in ("int", "float") and isinstance(value, str):
            hint = hint or "write it without quotes"
        return self.error(at, said, hint=hint.format(self._header(at)))

    def _missing(self, at: _Path) -> RigError:
        table = _struct_in(self._kind(at))
        if table is None:
            return self.error(at, "missing", hint=f"state it below {self._header(at[:-1])}")
        needs = " and ".join(info.encode_name for info in msgspec.structs.fields(table) if info.required)
        return self.error(at, "missing", hint=f"write {self._header(at)}, and below it {needs or 'its keys'}")

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
    return sanitize(key) if key else "''"


def _shown(value: object) -> str:
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    return quote_value(value, most=60)
