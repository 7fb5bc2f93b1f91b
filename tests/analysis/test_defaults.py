"""What is taken where nothing is named: defaults of results and of options."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from types import ModuleType

import numpy as np

import busbench.analysis
from busbench.analysis.compared_channels import measure_channels, measure_failsafe
from busbench.analysis.compared_losses import find_bursts
from busbench.analysis.flagged_runs import find_runs
from busbench.analysis.frame_match import match_frames
from busbench.analysis.period import Missing
from busbench.analysis.skew import ContentChanges
from busbench.model import FrameTimes
from busbench.wire.table import FrameTable
from tests.analysis.test_loss_ratio import outages

RESULTS = {
    "change.Figure": {"subject": "", "devices": ""},
    "jitter_range.JitterRange": {"host": None},
    "lead_fit.LeadFit": {"reason": "", "notes": ()},
    "line_probe.ProbeResult": {
        "advice": "", "bytes_total": 0, "marked": 0, "frames": 0, "period_s": None, "end_bytes": (), "replies": 0,
        "damaged_bytes": 0, "sample": b"", "judged": 0,
    },
    "ongoing_outages.Losses": {
        "frames": 0, "missing": 0, "missed": 0, "missed_low": 0, "period_s": None, "bursts": False, "stray_bytes": 0,
    },
    "outages.Outages": {"doubt": 0, "left_out": 0, "minutes": ()},
    "period.FrameNumbers": {"is_clear": True, "reads": None},
    "pulse_fit.Fit": {"is_centre_known": True},
    "read_grid.ReadGrid": {"step_ns": 0.0, "hides_ns": 0.0, "may_hide_ns": 0.0},
    "timing.Timing": {"against": None},
    "trend.Point": {"recording": 0},
}  # fmt: skip

OPTIONS = {
    "binomial.loss_bounds, confidence": 0.95,
    "change.change_of, beside": 0.0,
    "change.parts, most": 12,
    "change.parts, fewest": 6,
    "channels.summarise_channels, glitch_counts": 40,
    "coincidence.find_coincidence, seed": 20240711,
    "lead_fit.explain_measurement, temperature_c": 20.0,
    "lead_fit.explain_measurement, path": "measurement",
    "loss_ratio.loss_ratio, chance": 0.05,
    "measured_currents.find_currents, path": "measurement",
    "period.number_frames, cut_min": 30,
    "pulse_fit.follow, step_us": 0.0,
    "read_slots.number_reads, cut_min": 30,
    "sags.find_sags, zero_s": 0.0,
    "skew.find_skew, shift_ns": 0,
    "slot_numbers.number, rounds": 2,
    "slot_numbers.around, reach": 32,
}


def modules() -> Iterator[tuple[str, ModuleType]]:
    for one in pkgutil.iter_modules(busbench.analysis.__path__):
        yield one.name, importlib.import_module(f"busbench.analysis.{one.name}")


def test_results_of_nothing() -> None:
    """A figure that was not measured is nothing, no doubt is named, and no period is unclear."""
    found = {}
    for name, module in modules():
        for word, one in vars(module).items():
            if isinstance(one, type) and dataclasses.is_dataclass(one) and one.__module__ == module.__name__:
                fields = {
                    field.name: field.default
                    for field in dataclasses.fields(one)
                    if field.default is not dataclasses.MISSING
                }
                if fields and not word.startswith("_"):
                    found[f"{name}.{word}"] = fields
    assert found == RESULTS


def test_options_that_are_not_named() -> None:
    """All are none, but these."""
    found = {}
    for name, module in modules():
        for word, one in vars(module).items():
            if inspect.isfunction(one) and one.__module__ == module.__name__ and not word.startswith("_"):
                for key, parameter in inspect.signature(one).parameters.items():
                    if parameter.default not in (inspect.Parameter.empty, None, ()):
                        found[f"{name}.{word}, {key}"] = parameter.default
    simple = {key: value for key, value in found.items() if isinstance(value, bool | int | float | str)}
    assert simple == OPTIONS


def test_columns_of_nothing_are_empty() -> None:
    bursts = find_bursts(outages([], expected=1000))
    assert bursts is not None
    none = FrameTimes(np.empty(0, np.int64), np.empty(0, np.int32), np.empty(0, np.uint8))
    runs, missing = find_runs(none), Missing.none()
    table = FrameTable(none.t_ns, none.slack_ns, none.t_ns, np.empty((0, 25), np.uint8), none.flags)
    same, changes = match_frames(table, table), ContentChanges()
    assert [column.size for column in changes.columns()] == [0, 0]
    changes.feed(table)
    columns = (
        bursts.start_s, bursts.frames, bursts.has_failsafe, runs.first, runs.length, runs.length_low, runs.kind,
        missing.row, missing.count, same.first, same.second, *changes.columns(),
    )  # fmt: skip
    assert [column.size for column in columns] == [0] * len(columns)
    assert missing.total == 0
    assert measure_failsafe(table, has_clock=True) is None
    assert {(one.low, one.high, one.centre, one.noise) for one in measure_channels(table)} == {(None,) * 4}
