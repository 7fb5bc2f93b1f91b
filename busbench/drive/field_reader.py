"""Reading a table of keys and values that people wrote: each mistake named by place, key and value."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from busbench.errors import DriveError, quote_value

_LIST, _LIST_OPTION = "write it in brackets, such as [1, 2]", "give them with commas, as in 0,50,-50"


class Fields:
    """One table, or the options of a command.

    Args:
        values: what was written; keys of options stand without their dashes.
        place: file and table, as in "heron.toml, part 2"; empty for options.
        options: of keys that are options of another name, that name.

    Raises:
        DriveError: by every method that gives a value, which then is not as asked, or is
            missing where the default is None; names place, key and value.
    """

    def __init__(
        self, values: Mapping[str, object], *, place: str, options: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        self._values = values
        self._place = place
        self._options = options
        self._asked: set[str] = set()

    def __contains__(self, key: str) -> bool:
        self._asked.add(key)
        return key in self._values

    def at(self, key: str) -> str:
        """Place and key, as in "heron.toml, part 2, period" or "--period"."""
        if self._place == f"--{key}":  # an option whose table has one key of its name
            return self._place
        return f"{self._place}, {key}" if self._place else f"--{self._options.get(key, key).replace('_', '-')}"

    def error(self, key: str, what: str, *, hint: str = "") -> DriveError:
        """An error about the value of a key.

        Args:
            key: the key.
            what: what is wrong, behind the value.
        """
        value = self._values.get(key)
        inside = value if isinstance(value, list) else [value]
        is_shown = key in self._values and not any(isinstance(one, Mapping) for one in inside)
        return DriveError(
            f"{self.at(key)}: {quote_value(value)} {what}" if is_shown else f"{self.at(key)}: {what}", hint=hint
        )

    def raw(self, key: str) -> object:
        """The value as it stands, None where it is missing."""
        self._asked.add(key)
        return self._values.get(key)

    def number(self, key: str, default: float | None, *, low: float, high: float, unit: str = "") -> float:
        """A number within bounds."""
        value = self.raw(key)
        span = f"give {low:.10g} to {high:.10g}{' ' + unit if unit else ''}"
        if value is None:
            if default is None:
                raise self.error(key, "missing", hint=span)
            return default
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(key, "is not a number", hint=span)
        if not low <= value <= high:  # NaN too
            raise self.error(key, "is out of range", hint=span)
        return float(value)

    def whole(self, key: str, default: int | None, *, low: int, high: int) -> int:
        """A whole number within bounds."""
        value = self.number(key, default, low=low, high=high)
        if value != math.floor(value):
            raise self.error(key, "is not a whole number", hint=f"give {low} to {high}")
        given = self._values.get(key)
        return given if isinstance(given, int) else int(value)

    def text(self, key: str, default: str | None) -> str:
        """One line of text."""
        value = self.raw(key)
        if value is None:
            if default is None:
                raise self.error(key, "missing", hint="state it, in quotes" if self._place else "name the file")
            return default
        if not isinstance(value, str) or not value.strip() or not value.isprintable():
            hint = "write it in quotes" if self._place else "name the file"
            raise self.error(key, "is not a line of text", hint=hint)
        return value

    def word(self, key: str, default: str | None, *, choices: Sequence[str]) -> str:
        """One of some words."""
        value = self.raw(key)
        hint = f"give one of {', '.join(choices)}"
        if value is None:
            if default is None:
                raise self.error(key, "missing", hint=hint)
            return default
        if not isinstance(value, str) or value not in choices:
            raise self.error(key, "is not known", hint=hint)
        return value

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""
        value = self.raw(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            raise self.error(key, "is neither true nor false", hint="write true or false, without quotes")
        return value

    def items(self, key: str) -> list[object]:
        """A list that holds something."""
        value, hint = self.raw(key), _LIST if self._place else _LIST_OPTION
        if not isinstance(value, list | tuple):
            raise self.error(key, "is not a list" if key in self._values else "missing", hint=hint)
        if not value:
            raise self.error(key, "holds nothing", hint=hint)
        return list(value)

    def tables(self, key: str) -> list[Fields]:
        """The tables of a list of tables, each with its place counted from 1."""
        value = self.raw(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error(key, "is not a list of tables", hint=f"write [[{key}]] above each")
        word = "channel table" if key == "channel" else key  # whose number is not that of the channel
        places = [
            f"{self._place}, {word} {number}" if self._place else f"--{item.get('kind', key)}"
            for number, item in enumerate(value, 1)
        ]
        return [Fields(item, place=place) for item, place in zip(value, places, strict=True)]

    def table(self, key: str) -> Fields:
        """A table, empty where it is missing."""
        value = self.raw(key)
        if value is not None and not isinstance(value, dict):
            raise self.error(key, "is not a table", hint=f"write [{key}] above its keys")
        return Fields(value or {}, place=self._place and f"{self._place}, {key}", options=self._options)

    def finish(self, *, of: str) -> None:
        """Refuse keys that nobody asked for.

        Args:
            of: what the table is of, as in "a sine".
        """
        for key in self._values:
            if key not in self._asked:
                near = difflib.get_close_matches(key, self._asked, n=1)
                hint = f"did you mean {near[0]}?" if near else f"it knows {', '.join(sorted(self._asked))}"
                raise DriveError(f"{self.at(key)}: is not {'a key' if self._place else 'an option'} of {of}", hint=hint)
