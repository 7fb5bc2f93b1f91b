"""Several lines as one file of levels: a value change dump, or CSV with a row per change."""

from __future__ import annotations

from collections.abc import Mapping

from busbench.wire.edges import Edges


def _changes(lines: Mapping[str, Edges]) -> list[tuple[int, str, int]]:
    return sorted(
        (t, name, after)
        for name, edges in lines.items()
        for t, after in zip(edges.t_ns.tolist(), edges.level.tolist(), strict=True)
    )


def vcd_text(lines: Mapping[str, Edges]) -> str:
    """A value change dump (IEEE 1364) in ns of lines by name; the names are single words."""
    codes = {name: chr(ord("!") + i) for i, name in enumerate(lines)}
    head = "".join(f"$var wire 1 {code} {name} $end\n" for name, code in codes.items())
    first = "".join(f"{edges.initial}{codes[name]}\n" for name, edges in lines.items())
    body = "".join(f"#{t}\n{level}{codes[name]}\n" for t, name, level in _changes(lines))
    end = max(edges.end_ns for edges in lines.values())
    return (
        f"$timescale 1 ns $end\n$scope module line $end\n{head}$upscope $end\n$enddefinitions $end\n"
        f"#0\n$dumpvars\n{first}$end\n{body}#{end}\n"
    )


def level_csv_text(lines: Mapping[str, Edges]) -> str:
    """CSV of levels, times in ns, a row per change."""
    level = {name: edges.initial for name, edges in lines.items()}
    rows = ["time_ns," + ",".join(lines), "0," + ",".join(map(str, level.values()))]
    for t, name, after in _changes(lines):
        level[name] = after
        rows.append(f"{t}," + ",".join(map(str, level.values())))
    return "\n".join(rows) + "\n"
