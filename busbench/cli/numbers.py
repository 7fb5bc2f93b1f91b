"""Parameter types for numbers and words; invalid values give one-line errors."""

from __future__ import annotations

import math
from typing import Any

import click

from busbench.errors import BusbenchError, sanitize

_SHOWN_MOST = 40


def name_of(param: click.Parameter | None) -> str:
    """The name of an option or argument, as help shows it."""
    if isinstance(param, click.Option):
        return max(param.opts, key=len)
    if param is None:
        return "command line"
    return (param.metavar or (param.name or "").upper()).strip("[]…")


def _refused(
    value: Any, what: str, param: click.Parameter | None, ctx: click.Context | None, hint: str = ""
) -> BusbenchError:
    see = f"see {ctx.command_path} --help" if ctx else ""
    return BusbenchError(f"{name_of(param)}: {value} {what}", hint=hint or see)


def quoted(text: str) -> str:
    """A typed value in quotes."""
    return f'"{sanitize(text, most=_SHOWN_MOST)}"'


def _range_text(low: float | None, high: float | None, *, min_open: bool) -> str:
    if high is None:
        return f"more than {low:g}" if min_open else f"{low:g} or more"
    return f"{low:g} to {high:g}" if isinstance(high, float) or high < 10**6 else f"{low} to {high}"


def _within(kind: WholeRange | FiniteRange, number: float, param: Any, ctx: click.Context | None) -> None:
    is_low = kind.min is not None and (number <= kind.min if kind.min_open else number < kind.min)
    if not is_low and (kind.max is None or number <= kind.max):
        return
    shown = number if isinstance(number, int) else f"{number:.10g}"
    raise _refused(shown, "is out of range", param, ctx, f"give {kind._describe_range()}")


class Whole(click.types.IntParamType):
    """A whole number."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The number; see click.ParamType."""
        try:
            return int(value)
        except ValueError:
            raise _refused(quoted(str(value)), "is not a whole number", param, ctx) from None


class Number(click.types.FloatParamType):
    """A number; its range is checked later."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; see click.ParamType."""
        try:
            return float(value)
        except ValueError:
            raise _refused(quoted(str(value)), "is not a number", param, ctx) from None


WHOLE, NUMBER = Whole(), Number()


class WholeRange(click.IntRange):
    """A whole number within bounds."""

    def _describe_range(self) -> str:
        return _range_text(self.min, self.max, min_open=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The number; see click.ParamType."""
        number = WHOLE.convert(value, param, ctx)
        _within(self, number, param, ctx)
        return number


class FiniteRange(click.FloatRange):
    """A number within bounds; nan and inf are refused."""

    def _describe_range(self) -> str:
        return _range_text(self.min, self.max, min_open=self.min_open)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; see click.ParamType."""
        number = NUMBER.convert(value, param, ctx)
        if not math.isfinite(number):
            raise _refused(quoted(str(value)), "is not a number", param, ctx)
        _within(self, number, param, ctx)
        return number


class OneOf(click.Choice[str]):
    """One of a set of words."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The word; see click.ParamType."""
        if value not in self.choices:
            *others, last = self.choices
            hint = f"give {', '.join(others)} or {last}"
            raise _refused(quoted(str(value)), "is not known", param, ctx, hint)
        return str(value)
