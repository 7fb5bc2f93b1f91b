"""Tables of keys that people write, read by one declaration of each key.

A table is a `Table`: its fields are the keys with their types and defaults. `Meta` states bounds, and in `extra` a
"unit", or a "hint" of what to give where the type does not say it. The docstring has a line for each key, from which
the reference is made.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from inspect import cleandoc
from typing import Any, Generic, TypeVar, cast

import msgspec
from msgspec import inspect

from busbench.errors import BusbenchError, any_of, pluralize, quote_value, sanitize

SMALL, LARGE = 1e-6, 1e6  # bounds of values whose declaration has none
Path = tuple[str | int, ...]
Raises = Callable[[str, str, str], BusbenchError]
"""Makes the error of a key (such as device[2].lead, may be empty), what is wrong, and what to do."""


class Table(msgspec.Struct, frozen=True, kw_only=True):
    """A table of a file; undeclared keys are errors."""

    @classmethod
    def known(cls, raw: Mapping[str, Any]) -> tuple[str, Sequence[str]]:
        """What the table is in words, if its heading does not say it, and the keys it allows with these values."""
        del raw
        return "", cls.__struct_encode_fields__


T = TypeVar("T", bound=Table)


def key_texts(table: type[Table]) -> dict[str, str]:
    """The text of each field in a table's docstring, on one line."""
    _, _, text = cleandoc(table.__doc__ or "").partition("Args:\n")
    found = re.findall(r"^    (\w[\w, ]*): (.*?)(?=^    \w|\Z)", text, re.MULTILINE | re.DOTALL)
    texts = {name: " ".join(words.split()).rstrip(".") for names, words in found for name in names.split(", ")}
    return {
        one.name: texts.get(one.name, "").removeprefix(f'key "{one.encode_name}": ')
        for one in msgspec.structs.fields(table)
    }


def default_text(key: msgspec.structs.FieldInfo) -> str:
    """The default of a key as it is written in a file; empty without one."""
    match key.default:
        case bool():
            return str(key.default).lower()
        case str():
            return f'"{key.default}"'
        case int() | float():
            return f"{key.default:g}"
    return ""


class TableError(ValueError):
    """What a table refuses when it is made: what is wrong with it, and what to do."""

    def __init__(self, what: str, *, hint: str) -> None:
        self.what, self.hint = what, hint
        super().__init__(f"{what}: {hint}")


_type_info = functools.cache(inspect.type_info)


class TableReader(Generic[T]):
    """Reads raw values by the declaration of their tables.

    Args:
        raw: as read by a TOML or JSON library.
        kind: the outermost table.
        raises: the class of the errors.
        of: what the outermost table is, for example "a rig file".
        text: the TOML file, for the lines of list entries.
    """

    noun, list_hint = "a key", "write it in brackets, such as [1, 2]"

    def __init__(
        self, raw: Mapping[str, Any], kind: type[T], *, raises: Raises, of: str = "the file", text: str = ""
    ) -> None:
        self.raw = raw
        self._kind = _type_info(kind)
        self._raises, self._of, self._text = raises, of, text

    def read(self) -> T:
        """Read the outermost table (raises BusbenchError: the first mistake, in the order of the file)."""
        table: T = self._value(self.raw, self._kind, ())
        return table

    def place(self, at: Path) -> str:
        """A key as people read it: device[2].lead.awg; entries count from 1."""
        steps = (f"[{step + 1}]" if isinstance(step, int) else f".{_bare(step)}" for step in at)
        return "".join(steps).removeprefix(".")

    def error(self, at: Path, what: str, *, hint: str = "", value: Any = None) -> BusbenchError:
        """An error about the value of a key.

        Args:
            at: names of keys, and indices of list entries from 0.
            what: what is wrong, a predicate to the value.
            value: the value, or the wrong entry of a list; by default the value of the key.
        """
        value = self.given(at) if value is None else value
        inside = value if isinstance(value, list | tuple) else [value]
        if value is not None and not any(isinstance(one, Mapping) for one in inside):
            what = f"{quote_value(value)} {what}"
        return self.key_error(at, what, hint=hint)

    def key_error(self, at: Path, what: str, *, hint: str) -> BusbenchError:
        """An error about a key, independent of its value."""
        return self._raises(self.place(at), what + self._entry(at), hint)

    def missing(self, at: Path, *, hint: str = "") -> BusbenchError:
        """An error about a required key."""
        kind = self._declared(at)
        if _struct_in(kind) is not None:
            hint = self._table_hint(at)
        else:
            hint = hint or (_wanted(kind) if _has_few(kind) else f"state it below {self.header(at[:-1])}")
        return self.key_error(at, "missing", hint=hint)

    def _table_hint(self, at: Path) -> str:
        table = _struct_in(self._declared(at))
        needs = " and ".join(one.encode_name for one in (table.fields if table else ()) if one.required)
        return f"write {self.header(at)}, and below it {needs or 'its keys'}"

    def given(self, at: Path) -> Any:
        """The raw value, None if there is none."""
        value: Any = self.raw
        for step in at:
            try:
                value = value[step]
            except (KeyError, IndexError, TypeError):
                return None
        return value

    def _value(self, value: Any, kind: inspect.Type, at: Path) -> Any:
        kinds = _options(kind)
        if value is None and any(isinstance(one, inspect.NoneType) for one in kinds):
            return None
        for one in kinds:
            match one:
                case inspect.AnyType():
                    return value
                case inspect.StructType():
                    return self._table(value, one, at)
                case inspect.VarTupleType():
                    return self._list(value, one, at)
        return self._scalar(value, kind, at)

    def _table(self, value: Any, kind: inspect.StructType, at: Path) -> Any:
        if not isinstance(value, Mapping):
            raise self.error(at, "is not a table", hint=f"write {self.header(at)} above its keys")
        fields = {one.encode_name: one for one in kind.fields}
        declared = cast("type[Table]", kind.cls)
        label, known = declared.known(value)
        given = {}
        for key, inner in value.items():
            if key not in known:
                raise self._unknown(key, at, label, known)
            given[fields[key].name] = self._value(inner, fields[key].type, (*at, key))
        for one in kind.fields:
            if one.required and one.encode_name not in value:
                raise self.missing((*at, one.encode_name))
        try:
            return declared(**given)
        except TableError as error:
            raise self.error(at, error.what, hint=error.hint) from None

    def _list(self, value: Any, kind: inspect.VarTupleType, at: Path) -> tuple[Any, ...]:
        is_tables = isinstance(kind.item_type, inspect.StructType)
        hint = f"write {self.header(at)} above each" if is_tables else self.list_hint
        if not isinstance(value, list | tuple):
            raise self.error(at, "is not a list of tables" if is_tables else "is not a list", hint=hint)
        if len(value) < (kind.min_length or 0):
            raise self.error(at, "holds nothing", hint=self._table_hint(at) if is_tables else hint)
        if kind.max_length is not None and len(value) > kind.max_length:
            raise self.error(at, f"{len(value):,} tables are too many", hint=f"state at most {kind.max_length:,}")
        return tuple(self._value(one, kind.item_type, (*at, index)) for index, one in enumerate(value))

    def _scalar(self, value: Any, kind: inspect.Type, at: Path) -> Any:
        kinds = _options(kind)
        for one in kinds:
            match one:
                case inspect.LiteralType() if value in one.values and not isinstance(value, bool):
                    return value
                case inspect.BoolType() if isinstance(value, bool):
                    return value
                case inspect.StrType() if isinstance(value, str):
                    return self._line_of_text(value, one, at)
                case inspect.IntType() | inspect.FloatType() if isinstance(value, int | float):
                    if not isinstance(value, bool):
                        return self._number(value, kind, one, at)
        what, hint = "is not known", ""
        words = [str(word) for one in kinds if isinstance(one, inspect.LiteralType) for word in one.values]
        near = difflib.get_close_matches(str(value), words, n=1)
        if near:
            hint = f"did you mean {quote_value(near[0])}?"
        elif not words:
            what = next(text for one in kinds if (text := _NOT.get(type(one))))
            is_quoted = isinstance(value, str) and re.fullmatch(r"[-+\d.eE]+", value.strip())
            hint = "write it without quotes" if is_quoted else ""
        raise self.error(at, what, hint=hint or _wanted(kind))

    def _line_of_text(self, value: str, kind: inspect.StrType, at: Path) -> str:
        if not value.isprintable():
            raise self.error(at, "holds a control character", hint="use plain text on one line")
        low, high = kind.min_length or 0, kind.max_length or len(value)
        if not low <= len(value) <= high:
            raise self.error(at, f"has {pluralize(len(value), 'character')}", hint=f"give {low} to {high}")
        return value

    def _number(self, value: float, declared: inspect.Type, kind: inspect.IntType | inspect.FloatType, at: Path) -> Any:
        is_whole, is_bounded = isinstance(kind, inspect.IntType), kind.ge is not None and kind.le is not None
        is_finite = isinstance(value, int) or math.isfinite(value)
        is_integral = is_finite and (not is_whole or value == math.floor(value))
        is_above = value > kind.gt if kind.gt is not None else kind.ge is None or value >= kind.ge
        is_within = is_above and (kind.le is None or value <= kind.le)
        is_usual = is_bounded or not value or SMALL <= abs(value) <= LARGE
        if is_integral and is_within and is_usual:
            return int(value) if is_whole else float(value)
        wanted = _range(kind, _extra(declared, "unit"))
        if not is_finite:
            raise self.error(at, "is not a number", hint=wanted if is_bounded else "write digits")
        if not is_integral:
            raise self.error(at, "is not a whole number", hint=wanted)
        if not is_within:
            raise self.error(at, "is out of range", hint=wanted)
        size = "large" if abs(value) > LARGE else "small"
        raise self.error(at, f"is far too {size}", hint="mind the unit in the key's name")

    def _unknown(self, key: str, at: Path, label: str, known: Sequence[str]) -> BusbenchError:
        kinds = {name: _struct_in(self._declared((*at, name))) for name in known}
        inner = [name for name, kind in kinds.items() if kind and key in kind.cls.__struct_encode_fields__]
        is_own = self._declared((*at, key)) is not None  # but not allowed with these values
        near = [] if is_own else difflib.get_close_matches(key, known, n=1, cutoff=0.5)
        outer = [up for n in range(1, len(at)) if not is_own and self._declared((*(up := at[:n]), key)) is not None]
        here = label or self.header(at) or self._of
        if inner:
            hint = f"it goes below {self.header((*at, inner[0]))}"
        elif outer:
            hint = f"it goes below {self.header(outer[0])}, above {here}"
        elif near:
            hint = f"did you mean {self.header((*at, near[0])) if kinds[near[0]] else near[0]}?"
        else:
            hint = f"it knows {', '.join(known)}"
        return self.key_error((*at, key), f"not {self.noun} of {here}", hint=hint)

    def _declared(self, at: Path) -> inspect.Type | None:
        """The type of a key, None if it is not declared."""
        kind: inspect.Type | None = self._kind
        for step in at:
            if isinstance(step, str):
                table = _struct_in(kind)
                fields = table.fields if table else ()
                kind = next((one.type for one in fields if one.encode_name == step), None)
        return kind

    def header(self, at: Path) -> str:
        """The heading of a table, for example [[device]] or [device.lead]."""
        name = ".".join(_bare(step) for step in at if isinstance(step, str))
        is_list = any(isinstance(one, inspect.VarTupleType) for one in _options(self._declared(at)))
        return name and (f"[[{name}]]" if is_list else f"[{name}]")

    def _entry(self, at: Path) -> str:
        """The name and line of the list entry that contains a place."""
        if len(at) < 2 or not isinstance(at[1], int):
            return ""
        entry = self.given(at[:2])
        name = entry.get("name") if isinstance(entry, Mapping) else None
        said = [f"{at[0]} {quote_value(name, most=60)}"] if isinstance(name, str) and at[2:] != ("name",) else []
        headers = list(re.finditer(rf"(?m)^[ \t]*\[\[[ \t]*{re.escape(str(at[0]))}[ \t]*\]\]", self._text))
        if at[1] < len(headers):
            said.append(f"table at line {self._text.count(chr(10), 0, headers[at[1]].start()) + 1}")
        return f" ({', '.join(said)})" if said else ""


@dataclass(frozen=True, slots=True)
class TablePlace:
    """A table that was read, for errors that only the whole file shows."""

    reader: TableReader[Any]
    at: Path

    def __contains__(self, key: str) -> bool:
        return self.given(key) is not None

    def given(self, key: str) -> Any:
        """The raw value, None if there is none."""
        return self.reader.given((*self.at, key))

    def error(self, key: str, what: str, *, hint: str = "", value: Any = None) -> BusbenchError:
        """See TableReader.error."""
        return self.reader.error((*self.at, key), what, hint=hint, value=value)

    def missing(self, key: str, *, hint: str = "") -> BusbenchError:
        """See TableReader.missing."""
        return self.reader.missing((*self.at, key), hint=hint)


_NOT: dict[type[inspect.Type], str] = {
    inspect.IntType: "is not a whole number",
    inspect.FloatType: "is not a number",
    inspect.StrType: "is not a line of text",
    inspect.BoolType: "is neither true nor false",
}


def _options(kind: inspect.Type | None) -> list[inspect.Type]:
    """The types that a value may have, without their units."""
    match kind:
        case None:
            return []
        case inspect.UnionType():
            return [inner for one in kind.types for inner in _options(one)]
        case inspect.Metadata():
            return _options(kind.type)
    return [kind]


def _extra(kind: inspect.Type | None, name: str) -> str:
    match kind:
        case inspect.UnionType():
            return next((text for one in kind.types if (text := _extra(one, name))), "")
        case inspect.Metadata():
            return str((kind.extra or {}).get(name, ""))
    return ""


def _struct_in(kind: inspect.Type | None) -> inspect.StructType | None:
    """The table type inside a declared type, if there is one."""
    for one in _options(kind):
        if isinstance(one, inspect.StructType):
            return one
        if isinstance(one, inspect.VarTupleType):
            return _struct_in(one.item_type)
    return None


def _wanted(kind: inspect.Type | None) -> str:
    """What to give for a key; empty if its type says it."""
    kinds = _options(kind)
    if hint := _extra(kind, "hint"):
        return hint
    words = [quote_value(word) for one in kinds if isinstance(one, inspect.LiteralType) for word in one.values]
    if words:
        words += ["a number"] * any(isinstance(one, inspect.FloatType) for one in kinds)
        words += ["true", "false"] * any(isinstance(one, inspect.BoolType) for one in kinds)
        return f"give {any_of(words)}"
    for one in kinds:
        match one:
            case inspect.BoolType():
                return "write true or false, without quotes"
            case inspect.StrType():
                return "write it in quotes"
            case inspect.IntType() | inspect.FloatType():
                return _range(one, _extra(kind, "unit"))
    return ""


def _has_few(kind: inspect.Type | None) -> bool:
    """True for values between two bounds, and for values that are one of some words."""
    return bool(_extra(kind, "hint")) or any(
        isinstance(one, inspect.LiteralType)
        or (isinstance(one, inspect.IntType | inspect.FloatType) and one.ge is not None and one.le is not None)
        for one in _options(kind)
    )


def _range(kind: inspect.IntType | inspect.FloatType, unit: str) -> str:
    low, high, unit = kind.ge, kind.le, f" {unit}" if unit else ""
    if low is not None and high is not None:
        return f"give {_digits(low)} to {_digits(high)}{unit}"
    limits = [f"above {_digits(kind.gt)}"] if kind.gt is not None else []
    limits += [f"of at least {_digits(low)}"] if low is not None else []
    limits += [f"at most {_digits(high)}"] if high is not None else []
    noun = "a whole number" if isinstance(kind, inspect.IntType) else "a number"
    return f"give {noun} {', '.join(limits)}{unit}" if limits else ""


def _digits(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.10g}"


def _bare(key: str) -> str:
    return sanitize(key) if key else "''"
