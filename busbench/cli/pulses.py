"""`busbench pulses`: measure pulse outputs beside the bus."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from busbench.capture.base import ReadOptions
from busbench.cli.output import format_option, prose, say, table_lines, to_the_end, write_csv, write_json
from busbench.cli.source import read_options, source_options
from busbench.errors import CaptureError, pluralize, sanitize

if TYPE_CHECKING:
    from busbench.analysis.pulses import PulseLine, Pulses
    from busbench.bench.sign_off import RecordedLevels


@click.command("pulses")
@click.option("--rig", "rig_path", metavar="RIG.toml", help="Compare with this plan; exit code 1 if they differ.")
@format_option
@source_options
def command(source: str, rig_path: str | None, format_: str, **settings: Any) -> None:
    """Measure servo pulse outputs beside the bus: scale, latency and skew.

    SOURCE is a VCD or a CSV of levels with the bus line and one or more pulse
    lines. busbench measures each pulse line, finds the channel that it follows,
    and fits the straight line from counts to microseconds. Put the result into
    the rig file: then the scale is measured, no longer assumed.

    Latency is the time from the last bit of a frame to the pulse that first shows
    it, skew how much later an output shows the same frame than the first output.
    Both are exact to one step of the recording's times. If two receivers were
    recorded, --signal names the bus that the outputs obey.

    \b
    busbench pulses captures/heron-outputs.vcd
    busbench pulses captures/heron-outputs.vcd --rig captures/heron.toml --format json
    """
    from busbench.bench.sign_off import read_levels
    from busbench.rig.load import read_rig
    from busbench.verify.pulse_checks import check_pulses
    from busbench.verify.result import Verdict

    rig = None if rig_path is None else read_rig(rig_path)
    options = read_options(settings)
    levels = read_levels(source, options)
    if levels is None:
        raise CaptureError(source, "has no signal levels", hint="give a VCD, or a CSV of level changes")
    found = _measured(source, levels, options)
    checks = [] if rig is None else list(check_pulses(found, rig))
    with to_the_end():
        if format_ == "json":
            result = found.to_json()
            if rig is not None:
                result["checks"] = [check.to_json() for check in checks]
            write_json(result)
        elif format_ == "csv":
            write_csv(CSV_HEAD, [_row(line) for line in found.lines])
        else:
            _print_table(found)
            for check in checks:
                verdict = check.verdict.value.upper()
                prose(f"{verdict}  {sanitize(check.subject)}: {check.name}: {sanitize(check.message)}", indent=6)
    click.get_current_context().exit(1 if any(check.verdict is not Verdict.PASS for check in checks) else 0)


def _measured(source: str, levels: RecordedLevels, options: ReadOptions) -> Pulses:
    found = levels.pulses(options)
    names = ", ".join(sanitize(name) for name in levels.signals)
    if found is None and levels.bus is not None:
        what = f"signal {sanitize(levels.bus)} carries no frames (it has {names})"
        raise CaptureError(source, what, hint="name the bus with --signal")
    if found is None:
        raise CaptureError(source, f"no signal carries frames (it has {names})", hint="record the bus line too")
    if not found.lines:
        hint = f"record a pulse line beside {sanitize(found.bus)}, for some seconds"
        raise CaptureError(source, f"no signal carries servo pulses (it has {names})", hint=hint)
    return found


CSV_HEAD = (
    "line", "pulses", "width_mean_us", "width_sd_us", "width_min_us", "width_max_us", "period_mean_s", "period_sd_s",
    "channel", "centre_us", "us_per_count", "us_per_count_se", "residual_us", "lag_frames",
    "latency_min_s", "latency_median_s", "latency_p99_s", "latency_max_s",
)  # fmt: skip


def _row(line: PulseLine) -> tuple[Any, ...]:
    fit, width, period = line.fit, line.width_us, line.period_s
    fitted = (None,) * 6
    if fit is not None:
        fitted = (  # type: ignore[assignment]
            fit.channel, fit.known_centre_us, fit.us_per_count, fit.us_per_count_se, fit.residual_us, fit.lag_frames,
        )  # fmt: skip
    late = (None,) * 4 if line.latency is None else tuple(line.latency.to_json().values())
    return (
        line.name, line.pulses, width.mean, width.sd, width.min, width.max, period.mean, period.sd, *fitted, *late,
    )  # fmt: skip


def _print_table(found: Pulses) -> None:
    rows = []
    for line in found.lines:
        fit = line.fit
        fitted = ["-"] * 5
        if fit is not None:
            channel = "/".join(map(str, (fit.channel, *fit.also)))
            centre = f"{fit.centre_us:.2f}" if fit.is_centre_known else "?"
            fitted = [channel, centre, f"{fit.us_per_count:.5f}", f"{fit.residual_us:.2f}",
                      str(fit.lag_frames)]  # fmt: skip
        widths = f"{line.width_us.min:.1f} … {line.width_us.max:.1f}"
        rows.append(
            [sanitize(line.name), str(line.pulses), widths, f"{line.period_s.mean * 1e3:.3f}",
             f"{line.period_s.sd * 1e3:.3f}", *fitted]
        )  # fmt: skip
    head = ["line", "pulses", "width µs", "period ms", "sd ms", "ch", "µs at 992", "µs a count", "residual µs", "lag"]
    bus = f"bus on {sanitize(found.bus)}: {pluralize(found.frames, 'frame')}"
    click.echo(f"{bus}; times in steps of {found.resolution_us:g} µs\n")
    measured = table_lines(head[:5], [row[:5] for row in rows])  # all in one table would be wider than 80 columns
    fitted_to = table_lines(["line", *head[5:]], [[row[0], *row[5:]] for row in rows])
    click.echo("\n".join([*measured, "", *fitted_to]))
    _print_latency(found)
    for line in found.lines:
        if line.note:
            say(f"busbench: {line.name}: {line.note}")
    best = [line.fit for line in found.lines if line.fit is not None and line.fit.scale is not None]
    if best:
        fit = min(best, key=lambda one: one.us_per_count_se)
        click.echo("\nfor the rig file:\n[scale]")
        click.echo(f"centre_counts = 992\ncentre_us = {fit.centre_us:.2f}\nus_per_count = {fit.us_per_count:.5f}")


def _print_latency(found: Pulses) -> None:
    decimals = min(6, max(0, 3 - math.floor(math.log10(found.resolution_us))))  # of a ms, to the step of the times
    rows = []
    for line in found.lines:
        if line.latency is not None:
            cells = [f"{value * 1e3:.{decimals}f}" for value in line.latency.to_json().values()]
            rows.append([sanitize(line.name), str(line.latency.late_ns.size), *cells])
    if rows:
        head = ["latency", "frames", "min ms", "median ms", "99 % ms", "max ms"]
        click.echo("\n" + "\n".join(table_lines(head, rows)))
    rows = []
    for skew in found.skews:
        values = (skew.median_s, skew.low_s, skew.high_s)
        cells = ["-" if value is None else f"{value * 1e3:.{decimals}f}" for value in values]
        rows.append([f"{sanitize(skew.sources[1])} after {sanitize(skew.sources[0])}", str(skew.matches), *cells])
    if rows:
        click.echo("\n" + "\n".join(table_lines(["skew", "frames", "median ms", "5 % ms", "95 % ms"], rows)))
