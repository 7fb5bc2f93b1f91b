"""`busbench timing`: period and jitter, and how much of the jitter is the receiver's own."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from busbench.cli.output import format_option, print_table, same_unit, write_csv, write_json
from busbench.cli.source import read_all, read_analyser, read_options, read_times, source_options
from busbench.errors import pluralize, seconds

if TYPE_CHECKING:
    from busbench.analysis.clock_alignment import ClockAlignment
    from busbench.analysis.timing import Timing


@click.command("timing")
@format_option
@click.option("--against", metavar="ANALYSER", help="Measure the adapter by a logic analyser on the line.")
@source_options
def command(source: str, format_: str, against: str | None, **settings: Any) -> None:
    """Measure the frame timing: period and jitter.

    Period jitter is the deviation of a period from the mean period, cycle-to-cycle
    jitter the change from one period to the next, TIE (time interval error) the
    deviation from an even sequence, and MTIE the most by which it changes within a
    window. A serial adapter and its computer add to all of them: how much of the
    period jitter is the receiver's is stated as a figure, as "at most", or unknown.

    With --against, both recordings show the same line at the same time. Frames are
    matched by their contents, so move the sticks. Then offset and drift of the two
    clocks are known, each frame's lateness is measured and taken off its time.

    \b
    busbench timing captures/heron-bench.pcapng
    busbench timing captures/heron-slots.csv --format json
    busbench timing captures/heron-late.pcapng --against captures/heron-outputs.vcd
    """
    options = read_options(settings)
    if against is None:
        timeline = read_times(source, options)
        result, origin = timeline.timing(), timeline.info.origin
    else:
        recording = read_all(source, replace(options, signal=None))
        result = recording.timing(against=read_analyser(against, options), line=options.line)
        origin = recording.info.origin
    if format_ == "json":
        write_json(result.to_json() | origin.to_json())
    elif format_ == "csv":
        write_csv(("figure", "value"), _flat(result.to_json()))
    else:
        _print_table(result)
        if result.against is not None:
            _print_clocks(result.against)


def _flat(value: Any, name: str = "") -> list[tuple[str, Any]]:
    """Nested figures as rows with dotted names."""
    if isinstance(value, dict):
        return [row for key, part in value.items() for row in _flat(part, f"{name}.{key}" if name else key)]
    if isinstance(value, list):
        return [(f"{name}[{window:.6g}]", error) for window, error in value]
    return [(name, value)]


def _print_table(result: Timing) -> None:
    from busbench.analysis.clock_text import decimals_of

    jitter = result.jitter
    missing = "" if result.missing is None else f", {result.missing} missing"
    click.echo(f"{pluralize(result.frames, 'frame')}{missing}; clock: {result.clock.kind.value}")
    click.echo(click.wrap_text(result.note, 80) + "\n")
    if jitter is None:
        if result.period_mean_s is not None:
            click.echo(f"period  mean {result.period_mean_s * 1e3:.6f} ms")
        return
    digits = decimals_of(jitter.period_rms_s)
    low, high = _ms(jitter.period_p01_s, digits), _ms(jitter.period_p99_s, digits)
    rows = [
        ["mean", _ms(result.period_mean_s, min(6, digits + 2))],
        ["median", _ms(jitter.period_median_s, digits)],
        ["1st to 99th percentile", f"{low} … {high}"],
        ["min … max", f"{_ms(jitter.period_min_s, digits)} … {_ms(jitter.period_max_s, digits)}"],
    ]
    print_table(["period", "ms"], rows)
    unit, (rms, peak, pp, cycle_rms, cycle_peak, tie_rms, tie_pp) = same_unit([
        jitter.period_rms_s, jitter.period_peak_s, jitter.period_pp_s,
        jitter.cycle_rms_s or 0.0, jitter.cycle_peak_s or 0.0, jitter.tie_rms_s, jitter.tie_pp_s,
    ])  # fmt: skip
    is_exact = result.against is not None and result.against.lateness is not None
    rows = [
        ["period jitter" + (", as seen" if not is_exact else ""), rms, peak, pp],
        ["cycle-to-cycle jitter", *((cycle_rms, cycle_peak) if jitter.cycle_rms_s is not None else ("-", "-")), ""],
        ["TIE", tie_rms, "", tie_pp],
    ]
    click.echo()
    print_table(["", f"rms, {unit}", f"peak, {unit}", f"peak to peak, {unit}"], rows)
    click.echo()
    if jitter.kind == "at most":
        click.echo(f"period jitter of the receiver: at most {seconds(jitter.period_high_s)} rms")
    else:
        seen, floor = seconds(jitter.period_rms_s), seconds(jitter.floor_s)
        click.echo(f"period jitter of the receiver: {seen} rms, measurement floor {floor}")
    if jitter.lag1 is not None:
        click.echo(
            f"each period with the next (lag 1): correlation {jitter.lag1:+.3f}\n"
            "(-0.5: jitter about an even frame period; 0: the period itself wanders)"
        )
    if jitter.mtie_s:
        shown = jitter.mtie_s[:: max(1, len(jitter.mtie_s) // 8)]
        unit, changes = same_unit([change_s for _, change_s in shown])
        rows = [[f"{window_s:.3f}", change] for (window_s, _), change in zip(shown, changes, strict=True)]
        click.echo()
        print_table(["within, s", f"TIE changes by at most (MTIE), {unit}"], rows)


def _print_clocks(found: ClockAlignment) -> None:
    from busbench.analysis.clock_text import CLOCK_HEAD, LATENESS_HEAD, clock_rows, lateness_row

    click.echo(f"\nlogic analyser beside the adapter: {pluralize(found.frames, 'frame')} in both")
    rows = clock_rows(found)
    if not rows:
        click.echo(found.note)
        return
    print_table(CLOCK_HEAD, rows)
    click.echo()
    print_table(LATENESS_HEAD, [lateness_row(found)])


def _ms(value_s: float | None, decimals: int) -> str:
    return "-" if value_s is None else f"{value_s * 1e3:.{decimals}f}"
