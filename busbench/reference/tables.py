"""Tables of the reference, made from the declarations of what they list."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Iterator
from typing import Any, get_args, get_origin, get_type_hints

import msgspec

from busbench.drive.program_keys import ProgramTables
from busbench.reference.terms import TERMS
from busbench.rig.model import Rig
from busbench.schema import Table, default_text, key_texts
from busbench.sim.address import KEYS
from busbench.sim.aircraft_faults import FAULTS

WIDTH = 76  # what the screen's help leaves of 80 columns
_INDENT = 24


def definitions(rows: Iterable[tuple[str, str]], *, indent: int = _INDENT) -> str:
    """Names at the left, what they mean at the right, in 76 columns; meanings begin at column `indent`."""
    lines: list[str] = []
    for name, text in rows:
        head = f"  {name}"
        if len(head) >= indent:
            lines.append(head)
            head = ""
        wrapped = textwrap.wrap(text, WIDTH - indent, break_on_hyphens=False) or [""]
        lines.append(f"{head:<{indent}}{wrapped[0]}".rstrip())
        lines += [" " * indent + line for line in wrapped[1:]]
    return "\n".join(lines)


def _structs_in(hint: Any) -> Iterator[type[Table]]:
    if isinstance(hint, type) and issubclass(hint, Table):
        yield hint
    for inner in get_args(hint):
        yield from _structs_in(inner)


def _default(one: msgspec.structs.FieldInfo) -> str:
    text = "required" if one.required else default_text(one)
    return f" [{text}]" if text else ""


def tables_of(file: type[Table]) -> Iterator[tuple[str, type[Table]]]:
    """Heading and type of each table of a file: those of the file, then those within them."""
    inner: dict[type[Table], str] = {}
    hints = get_type_hints(file)
    for one in msgspec.structs.fields(file):
        for kind in _structs_in(hints[one.name]):
            is_list = get_origin(hints[one.name]) is tuple
            yield f"[[{one.encode_name}]]" if is_list else f"[{one.encode_name}]", kind
            for key, hint in get_type_hints(kind).items():
                for part in _structs_in(hint):
                    inner.setdefault(part, f"{key} = {{ … }}")
    yield from ((heading, kind) for kind, heading in inner.items())


def keys_of(file: type[Table]) -> str:
    """Every key of a file, with its default and meaning."""
    parts = []
    for heading, kind in (("above the first table", file), *tables_of(file)):
        said, hints = key_texts(kind), get_type_hints(kind)
        rows = [
            (one.encode_name, said[one.name] + _default(one))
            for one in msgspec.structs.fields(kind)
            if kind is not file or not list(_structs_in(hints[one.name]))
        ]
        if rows:
            parts.append(f"{heading}\n{definitions(rows)}")
    return "\n\n".join(parts)


def virtual_keys() -> str:
    """Every setting of a virtual receiver."""
    return definitions((f"{key.name}={key.like}", key.text.rstrip(".")) for key in KEYS)


def aircraft_faults() -> str:
    """Every fault of a virtual aircraft: what is wrong, its VALUE, where it shows."""
    rows = []
    for kind, words in FAULTS.items():
        value = f" VALUE: {words.value}." if words.value else ""
        rows.append((f"{kind}:DEVICE" if words.has_device else kind, f"{words.what}.{value} Shows in {words.shows}"))
    return definitions(rows, indent=27)


def terms() -> str:
    """Every term."""
    return definitions(TERMS, indent=25)


TABLES: dict[str, Callable[[], str]] = {
    "rig_keys": lambda: keys_of(Rig),
    "program_keys": lambda: keys_of(ProgramTables),
    "virtual_keys": virtual_keys,
    "aircraft_faults": aircraft_faults,
    "terms": terms,
}
