"""Results as HTML for notebooks: the same figures as `to_json`, as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

ROWS_MOST = 50  # rows of a list; a note says how many more there are


def html_of(result: Mapping[str, object]) -> str:
    """Nested plain values, as of `to_json`, as tables: a row for each name, a table in a cell for what is nested."""
    rows = "".join(f"<tr><th>{escape(name)}</th><td>{_cell(value)}</td></tr>" for name, value in result.items())
    return f"<table>{rows}</table>"


def _cell(value: object) -> str:
    if isinstance(value, Mapping):
        return html_of(value)
    if isinstance(value, Sequence) and not isinstance(value, str):
        return _list(value)
    return "–" if value is None else escape(f"{value:.6g}" if isinstance(value, float) else str(value))


def _list(values: Sequence[object]) -> str:
    shown = values[:ROWS_MOST]
    more = f"<p>and {len(values) - len(shown)} more</p>" if len(values) > len(shown) else ""
    if shown and all(isinstance(one, Mapping) for one in shown):
        records = [one for one in shown if isinstance(one, Mapping)]
        head = "".join(f"<th>{escape(str(name))}</th>" for name in records[0])
        body = "".join(f"<tr>{''.join(f'<td>{_cell(v)}</td>' for v in one.values())}</tr>" for one in records)
        return f"<table><tr>{head}</tr>{body}</table>{more}"
    return ", ".join(_cell(one) for one in shown) + more
