"""`busbench rig power --measured`: voltages and currents of a meter or logger beside the plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING

from busbench.capture.base import ReadOptions
from busbench.cli.output import can_write, prose, table_lines, write_csv, write_json, wrote
from busbench.cli.outputs import write_new
from busbench.cli.source import read_times
from busbench.errors import BusbenchError, RigError, display_name, pluralize, sanitize, seconds

if TYPE_CHECKING:
    from busbench.analysis.lead_fit import LeadExtra, LeadFit
    from busbench.analysis.outages import Outage
    from busbench.analysis.sags import Sags
    from busbench.rig.measurement import Measurement
    from busbench.rig.model import Rig

SAGS_SHOWN = 20
_LEAD_KEYS = ("lead", "planned_ohm", "extra_ohm", "low_ohm", "high_ohm")
_INDEPENDENT = {
    "yes": "no more coincide than by chance",
    "no": "more coincide than chance explains: the supply is a likely cause",
    "cannot tell": "too few to say whether more coincide than by chance",
}


def power_measured(
    path: str,
    measured_path: str,
    *,
    recording: str | None,
    shift_s: float,
    temperature_c: float,
    svg: str | None,
    force: bool,
    format_: str,
    is_ascii: bool,
) -> None:
    """Print which lead or contact explains the difference between a measurement and the plan.

    With the picture on standard output nothing else goes there.
    """
    from busbench.analysis.lead_fit import explain_measurement
    from busbench.rig.load import read_rig
    from busbench.rig.measurement import read_measurement
    from busbench.rig.topology import require_tree

    rig = read_rig(path)
    require_tree(rig, path=path)
    measured = read_measurement(measured_path, rig)
    sags = _sags(path, rig, measured_path, measured, recording, shift_s) if recording is not None else None
    fit = explain_measurement(rig, measured, temperature_c=temperature_c, path=measured_path)
    if svg is not None:
        from busbench.report.power_picture import draw_measured, draw_sags

        drawing = draw_measured(rig, fit) if sags is None else draw_sags(sags)
        write_new(svg, drawing.file(), force=force)
        if svg == "-":
            return
        wrote(svg, "measured beside planned" if sags is None else "measured voltage over time, with outages")
    if format_ == "csv":
        leads = [*fit.leads, *fit.alternatives, *fit.bounds]
        write_csv(_LEAD_KEYS, [(one.name, one.planned_ohm, one.extra_ohm, one.low_ohm, one.high_ohm) for one in leads])
    elif format_ == "json":
        write_json(
            {"rig": rig.plan.name, "temperature_c": temperature_c, "rows": len(measured), **asdict(fit)}
            | {"notes": [*measured.notes, *fit.notes], "sags": None if sags is None else sags.to_json()}
        )
    else:
        unit = "mohm" if is_ascii or not can_write("Ω") else "mΩ"
        for line in _lines(rig, measured, fit, sags, temperature_c=temperature_c, unit=unit):
            prose(line, indent=2)


def _sags(path: str, rig: Rig, measured_path: str, measured: Measurement, recording: str, shift_s: float) -> Sags:
    from busbench.analysis.sags import find_sags

    if rig.supply.minimum_v is None:
        raise RigError(path, "supply.minimum_v", "missing", hint="state it: a sag is what is below it")
    if measured.t_s is None or len(measured) < 2:
        hint = "add a column `time_s`, in seconds from the recording's first byte, or with date and time"
        raise RigError(measured_path, "", "has no times to lay beside a recording", hint=hint)
    found = read_times(recording, ReadOptions()).outages()
    zero_s = -shift_s
    if measured.is_utc:
        if found.start_utc is None:
            hint = "write the times in seconds from the recording's first byte"
            raise BusbenchError(f"{display_name(recording)}: has no date to match those of the measurement", hint=hint)
        zero_s += datetime.fromisoformat(found.start_utc).timestamp()
    return find_sags(measured, found, below_v=rig.supply.minimum_v, zero_s=zero_s)


def _lines(
    rig: Rig, measured: Measurement, fit: LeadFit, sags: Sags | None, *, temperature_c: float, unit: str
) -> Iterator[str]:
    lasted = "" if measured.t_s is None else f" in {seconds(float(measured.t_s[-1] - measured.t_s[0]))}"
    columns = f"{pluralize(len(measured.volts), 'voltage')}, {pluralize(len(measured.amps), 'current')}"
    leads = f"leads at {temperature_c:g} degrees Celsius"
    yield f"{rig.plan.name}: {pluralize(len(measured), 'row')}{lasted}: {columns}; {leads}"
    source = f", source without load {fit.source_v:.2f} V, planned {rig.supply.voltage_v:g} V"
    yield f"planned at the measured currents{source}:"
    yield ""
    rows = [
        [
            sanitize(one.name, most=24), f"{one.mean_v:.3f}", f"{one.planned_v:.3f}",
            f"{1e3 * (one.mean_v - one.planned_v):+.1f}", f"{one.min_v:.3f}",
            "-" if one.current_a is None else f"{one.current_a:.2f}",
        ]
        for one in fit.readings
    ]  # fmt: skip
    yield "\n".join(table_lines(["measured at", "mean, V", "planned, V", "differs, mV", "min, V", "mean, A"], rows))
    yield ""
    yield from _explanation(fit, unit)
    if fit.bounds:
        yield ""
        rows = [[sanitize(one.name, most=36), _milliohm(one.planned_ohm), *_interval(one)] for one in fit.bounds]
        yield "\n".join(table_lines([f"other leads, {unit}", "planned", "more, from", "to"], rows))
    for note in (*measured.notes, *fit.notes):
        yield f"note: {note}"
    if sags is not None:
        yield ""
        yield from _sag_lines(sags)


def _explanation(fit: LeadFit, unit: str) -> Iterator[str]:
    for one in fit.leads:
        yield f"{one.name}: {_more(one, unit)}"
        yield (
            f"  loses {abs(one.lost_v):.3f} V {'more' if one.lost_v > 0 else 'less'} at {one.current_a:.2f} A:"
            " check its contacts first, then length and gauge"
        )
    if fit.verdict == "cannot tell":
        rest = " what is left" if fit.leads else ""
        if fit.reason:
            yield f"cannot tell: {fit.reason}"
        else:
            yield f"cannot tell{rest}: these fit equally well"
        for one in fit.alternatives:
            yield f"  {one.name}: {_more(one, unit)}"
        if fit.next_node:
            yield f"measure the voltage at {fit.next_node} next: it differs by {fit.next_differs_v:.3f} V between them"
        elif fit.alternatives:
            yield "measure again with more current or for longer: no further voltage distinguishes them"
    elif fit.verdict == "nothing found":
        yield "no lead differs from the plan by more than these readings can show"
    if fit.next_current and fit.verdict != "explained":
        yield f"measure the current of {fit.next_current} too, for narrower intervals"
    if fit.noise_v is not None:
        yield f"not explained: {1e3 * fit.noise_v:.1f} mV rms"


def _more(one: LeadExtra, unit: str) -> str:
    low, high = one.low_ohm, one.high_ohm
    word = "more" if one.extra_ohm >= 0 else "less"
    if word == "less":
        low, high = -high, -low
    between = f"{_milliohm(low)} to {_milliohm(high)}, 95 % interval; planned {_milliohm(one.planned_ohm)} {unit}"
    return f"{_milliohm(abs(one.extra_ohm))} {unit} {word} than planned ({between})"


def _milliohm(ohm: float) -> str:
    return f"{1e3 * ohm:.1f}"


def _interval(one: LeadExtra) -> tuple[str, str]:
    return f"{1e3 * one.low_ohm:+.1f}", f"{1e3 * one.high_ohm:+.1f}"


def _sag_lines(sags: Sags) -> Iterator[str]:
    together = sags.coincidence
    apart = f"readings {seconds(sags.reading_s)} apart: shorter sags may be missing"
    if not sags.sags:
        yield f"{sags.node}: never below {sags.below_v:g} V; {apart}"
        return
    yield f"{sags.node}, below {sags.below_v:g} V: {pluralize(len(sags.sags), 'sag')}; {apart}"
    rows = [
        [f"{one.start_s:.3f}", seconds(one.end_s - one.start_s), f"{one.min_v:.3f}", _beside(sags.beside(one))]
        for one in sags.sags[:SAGS_SHOWN]
    ]
    yield "\n".join(table_lines(["sag from, s", "lasted", "min, V", "outage beside it"], rows))
    if len(sags.sags) > SAGS_SHOWN:
        yield f"… and {len(sags.sags) - SAGS_SHOWN} more (--format json lists them)"
    calm = [one for one in sags.outages if not one.has_sag]
    lowest = min((one.min_v for one in calm if one.min_v is not None), default=None)
    least = "" if lowest is None else f": {lowest:.3f} V or more in them"
    yield f"without a sag: {len(calm):,} of {pluralize(len(sags.outages), 'outage')}{least}"
    if sags.outages:
        yield f"{together.counts}: {_INDEPENDENT[together.independent]}"


def _beside(outages: Sequence[Outage]) -> str:
    if not outages:
        return "none"
    first = outages[0]
    more = f" and {len(outages) - 1} more" if len(outages) > 1 else ""
    return f"{first.kind} from {first.start_s:.3f} s for {seconds(first.duration_s)}{more}"
