"""`busbench timing`: period and jitter, and how much of it is the receiver's own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from busbench.cli.output import format_option, seconds, table_lines, write_csv, write_json
from busbench.cli.source import read_times, source_options
from busbench.errors import pluralize

if TYPE_CHECKING:
    from busbench.analysis.timing import Timing


@click.command("timing")
@format_option
@source_options
def command(source: str, format_: str, **settings: Any) -> None:
    """Measure how steady the beat is.

    Period jitter is the deviation of a period from the mean period, cycle-to-cycle
    jitter the change from one period to the next, time error (TIE) the
    deviation from an even beat, and MTIE the most by which it changes within a
    window. A serial adapter and its computer add to all of them: how much of the
    period jitter is the receiver's is stated as a figure, as "at most", or unknown.

    \b
    busbench timing captures/heron-bench.pcapng
    busbench timing captures/heron-slots.csv --format json
    """
    timing(source, format_=format_, settings=settings)


def timing(source: str, *, format_: str, settings: dict[str, Any]) -> None:
    """Read the recording and print its timing."""
    timeline = read_times(source, settings)
    result = timeline.timing()
    if format_ == "json":
        write_json(result.to_json() | timeline.info.origin.to_json())
    elif format_ == "csv":
        write_csv(("figure", "value"), _flat(result.to_json()))
    else:
        _print_table(result)


def _flat(value: Any, name: str = "") -> list[tuple[str, Any]]:
    """Nested figures as rows with dotted names."""
    if isinstance(value, dict):
        return [row for key, part in value.items() for row in _flat(part, f"{name}.{key}" if name else key)]
    if isinstance(value, list):
        return [(f"{name}[{window:.6g}]", error) for window, error in value]
    return [(name, value)]


def _print_table(result: Timing) -> None:
    jitter = result.jitter
    missing = "" if result.missing is None else f", {result.missing} missing"
    click.echo(f"{pluralize(result.frames, 'frame')}{missing}; clock: {result.clock.kind.value}")
    click.echo(click.wrap_text(result.note, 80) + "\n")
    if jitter is None:
        if result.period_mean_s is not None:
            click.echo(f"period  mean {result.period_mean_s * 1e3:.6f} ms")
        return
    rows = [
        ["mean", _ms(result.period_mean_s)],
        ["median", _ms(jitter.period_median_s)],
        ["1 % … 99 %", f"{_ms(jitter.period_p01_s)} … {_ms(jitter.period_p99_s)}"],
        ["least … greatest", f"{_ms(jitter.period_min_s)} … {_ms(jitter.period_max_s)}"],
    ]
    click.echo("\n".join(table_lines(["period", "ms"], rows)))
    rows = [
        ["period jitter, as seen", *map(seconds, (jitter.period_rms_s, jitter.period_peak_s, jitter.period_pp_s))],
        ["cycle-to-cycle jitter", seconds(jitter.cycle_rms_s), seconds(jitter.cycle_peak_s), ""],
        ["time error (TIE)", seconds(jitter.tie_rms_s), "", seconds(jitter.tie_pp_s)],
    ]
    click.echo()
    click.echo("\n".join(table_lines(["", "rms", "peak", "peak to peak"], rows)))
    click.echo()
    if jitter.kind == "at most":
        click.echo(f"period jitter of the receiver: at most {seconds(jitter.period_high_s)} rms")
    else:
        seen, floor = seconds(jitter.period_rms_s), seconds(jitter.floor_s)
        click.echo(f"period jitter of the receiver: {seen} rms, true value within {floor}")
    if jitter.lag1 is not None:
        click.echo(
            f"each period with the next (lag 1): correlation {jitter.lag1:+.3f}\n"
            "(-0.5: jitter about an even beat; 0: the beat itself wanders)"
        )
    if jitter.mtie_s:
        shown = jitter.mtie_s[:: max(1, len(jitter.mtie_s) // 8)]
        click.echo()
        click.echo(
            "\n".join(
                table_lines(
                    ["within", "time error changes by at most (MTIE)"], [[seconds(w), seconds(v)] for w, v in shown]
                )
            )
        )


def _ms(value_s: float | None) -> str:
    return "-" if value_s is None else f"{value_s * 1e3:.6f}"
