"""Text and figures for the screen."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from rich.cells import cell_len, chop_cells, set_cell_size

from busbench.errors import sanitize
from busbench.line import LineSettings
from busbench.tui.session import Session
from busbench.tui.settings import Unit
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import FULL_COUNTS, Scale

Span = tuple[str, str]  # text, name of a style
Line = list[Span]

UNITS: tuple[Unit, ...] = ("counts", "us", "percent")
UNIT_WORDS = {"counts": "counts", "us": "µs", "percent": "%"}
_AS_ASCII = {
    "µ": "u",
    "μ": "u",
    "…": "~",
    "±": "~",
    "·": "-",
    "→": ">",
    "►": ">",
    "◄": "<",
    "─": "-",
    "│": "|",
    "●": "o",
}
_AS_ASCII |= dict.fromkeys("┌┐└┘├┤┬┴┼", "+")


def as_ascii(text: str) -> str:
    """Text in ASCII of the same width: without accents, unknown characters as ?."""
    return text if text.isascii() else "".join(map(_plainest, text))


@lru_cache
def _plainest(one: str) -> str:
    cells = cell_len(one)
    likeness = _AS_ASCII.get(one) or unicodedata.normalize("NFKD", one).encode("ascii", "ignore").decode()
    return likeness if len(likeness) == cells else "?" * cells


def fit(text: str, width: int, *, more: str = "…") -> str:
    """Text cut or padded to a width in cells."""
    if len(text) == width and text.isascii():
        return text
    if cell_len(text) > width > 1:
        return set_cell_size(text, width - cell_len(more)) + more
    return set_cell_size(text, width)


def wrap(text: str, width: int, *, indent: str = "") -> list[str]:
    """Text wrapped to a width in cells, between words, or within words longer than a line."""
    width = max(1, width)  # a window may be one cell wide
    if cell_len(text) == len(text):
        return textwrap.wrap(text, width, subsequent_indent=indent, break_on_hyphens=False)
    lines, line = [], ""
    for word in text.split():
        for part in chop_cells(word, max(1, width - len(indent))):
            joined = f"{line} {part}" if line.strip() else line + part
            if cell_len(joined) > width:
                lines.append(line)
                joined = indent + part
            line = joined
    return [*lines, line] if line else lines


def wrapped(text: str, width: int, style: str = "ink", *, indent: int = 1) -> Iterator[Line]:
    """Lines of a wrapped sentence; those of a list item are indented below its first word."""
    hang = "  " if text.startswith("- ") else ""
    for part in wrap(sanitize(text), max(10, width - indent - 1), indent=hang) or [""]:
        yield [(" " * indent + part, style)]


def by_cells(text: str) -> list[str]:
    """The content of each cell; the second cell of a wide character is empty."""
    cells: list[str] = []
    for one in text:
        size = cell_len(one)
        if not size and cells:
            cells[-1] += one
        cells += [one, *[""] * (size - 1)] if size else []
    return cells


def width_of(line: Line) -> int:
    """Width of a line in cells."""
    return sum(len(text) if text.isascii() else cell_len(text) for text, _ in line)


def duration(value_s: float | None) -> str:
    """A duration: 315 µs, 1.23 ms, 12.3 ms, 4.20 s, 3 min 05 s, 1 h 04 min."""
    if value_s is None:
        return "-"
    size = abs(value_s)
    if size >= 3600:
        return f"{int(value_s // 3600)} h {int(value_s % 3600 // 60):02d} min"
    if size >= 60:
        return f"{int(value_s // 60)} min {int(value_s % 60):02d} s"
    if size >= 1:
        return f"{value_s:.2f} s"
    if size >= 1e-3 or not size:
        return f"{value_s * 1e3:.1f} ms" if size >= 0.01 or not size else f"{value_s * 1e3:.2f} ms"
    return f"{value_s * 1e6:.3g} µs"


def between(low_s: float, high_s: float) -> str:
    """A range of times in the unit of its upper end: 0 to 250 µs, 0.98 to 1.23 ms."""
    factor, unit = (1, "s") if high_s >= 1 else (1e3, "ms") if high_s >= 1e-3 else (1e6, "µs")
    return f"{low_s * factor:.3g} to {high_s * factor:.3g} {unit}"


def beside(left: list[Line], right: list[Line], cells: int) -> list[Line]:
    """Lines side by side, the right ones from a column."""
    count = max(len(left), len(right))
    both = zip(left + [[]] * (count - len(left)), right + [[]] * (count - len(right)), strict=True)
    return [[*one, (" " * max(0, cells - width_of(one)), "ink"), *other] for one, other in both]


def clock_time(value_s: float) -> str:
    """A time in a session: 0:12.345 or 1:02:03.456."""
    sign, value_ms = ("-", -round(value_s * 1000)) if value_s < 0 else ("", round(value_s * 1000))
    minutes, ms = divmod(value_ms, 60_000)
    hours, minutes = divmod(minutes, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{sign}{head}:{ms / 1000:06.3f}"


def place_words(session: Session, place: int) -> str:
    """A position for people: its time, or its frame without a clock."""
    return clock_time(session.seconds(place)) if session.clock.is_known else f"frame {place:,}"


def line_words(line: LineSettings) -> str:
    """Line settings in the usual notation: 100000 8E2 inverted."""
    return f"{line.baud} 8{line.parity}{line.stop_bits}" + (" inverted" if line.inverted else "")


def value_words(counts: int, channel: int, unit: str, scale: Scale) -> str:
    """The value of a channel (0-17) in the chosen unit, without the unit; on or off for the last two."""
    if channel >= CHANNELS:
        return "on" if counts else "off"
    if unit == "us":
        return f"{scale.to_us(counts):.1f}"
    if unit == "percent":
        return f"{scale.to_percent(counts):+.1f}"
    return str(counts)


def difference_words(first: int, second: int, unit: str, scale: Scale) -> str:
    """How much more the second of two values is, in the chosen unit, without the unit."""
    if unit == "us":
        return f"{scale.to_us(second) - scale.to_us(first):+.1f}"
    if unit == "percent":
        return f"{scale.to_percent(second) - scale.to_percent(first):+.1f}"
    return f"{second - first:+d}"


def scale_words(unit: str, scale: Scale) -> str:
    """The scale of the values shown."""
    if unit == "us":
        return scale.describe()
    if unit == "percent":
        return f"0 at {scale.centre_counts:.10g} counts, 100 at {scale.centre_counts + FULL_COUNTS:.0f}"
    return "as in the frame, 0 to 2047"


def percent(ratio: float) -> str:
    """A small ratio in percent, with three digits."""
    return f"{np.format_float_positional(100 * ratio, precision=3, fractional=False, trim='-')} %"
