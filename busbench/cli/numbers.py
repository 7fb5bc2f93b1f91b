"""Parameter types for numbers and words, and lists of channels; invalid values give one-line errors."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from typing import Any

import click

from busbench.errors import BusbenchError, any_of, sanitize
from busbench.wire.frame_spec import ALL_CHANNELS

SECONDS_MAX = 1e9  # 30 years: in ns well within 64 bits


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
    return f'"{sanitize(text, most=40)}"'


def _range_text(low: float | None, high: float | None, *, min_open: bool) -> str:
    if high is None:
        return f"more than {low:g}" if min_open else f"{low:g} or more"
    if min_open:
        return f"more than {low:g}, at most {high:.10g}"
    return f"{low:g} to {high:.10g}" if isinstance(high, float) else f"{low} to {high}"


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
            raise _refused(quoted(str(value)), "is not known", param, ctx, f"give {any_of(self.choices)}")
        return str(value)


def parse_channels(text: str, *, option: str) -> list[int]:
    """Channels of a list like 1-4,9,17; BusbenchError names the option if it is invalid or beyond 1-18."""
    numbers: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()) or len(part) > 20:
            raise BusbenchError(f"{option}: {quoted(part)} is not a channel", hint="give channels as in 1-4,9,17")
        span = range(int(first), int(last or first) + 1)
        if not span:
            raise BusbenchError(f'{option}: "{part}" runs backwards', hint=f"write {last}-{first}")
        if span[0] < 1 or span[-1] > ALL_CHANNELS:
            raise BusbenchError(f'{option}: "{part}" is out of range', hint=f"give 1 to {ALL_CHANNELS}")
        numbers.extend(span)
    return numbers


def each_channel(words: Iterable[int | str]) -> Iterator[int | str]:
    """Expand lists such as 1-4,9; other words stay unchanged, for an error later."""
    for word in words:
        spans = [span.partition("-") for span in str(word).split(",")]
        texts = [text for first, dash, last in spans for text in (first, last if dash else first)]
        ends = [int(text) if re.fullmatch(r"[0-9]{1,2}", text) else 0 for text in texts]
        pairs = list(zip(ends[::2], ends[1::2], strict=True))
        if isinstance(word, str) and all(1 <= first <= last <= ALL_CHANNELS for first, last in pairs):
            yield from (number for first, last in pairs for number in range(first, last + 1))
        else:
            yield word
