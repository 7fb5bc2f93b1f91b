"""A recording as one row of a table: every figure of `outages`, `timing` and `channels`, by the names of their JSON.

Nested names are joined by underscores, after that of the command: `outages_summary_gap_longest_s`,
`timing_period_jitter_s_rms`; those of a channel begin with it: `ch3_max_counts`. A list becomes its length, but for
MTIE, which is kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Literal

from busbench.analysis.loss_ratio import BurstLosses, loss_ratio
from busbench.analysis.outages import KINDS, Outages
from busbench.analysis.recording import Recording
from busbench.wire.frame_spec import ALL_CHANNELS

ColumnType = Literal["int", "float", "text", "bool", "pairs"]
Row = dict[str, Any]
MTIE = "timing_mtie_s"


def _columns() -> Iterator[tuple[ColumnType, str, str]]:
    """Type, prefix and names of all columns in their order."""
    yield "text", "", "path interface error sha256 notes format source unit note adapter_serial"
    yield "int", "missed_", "bursts"
    yield "float", "missed_", "ratio_low ratio_high"
    yield "text", "outages_", "start_utc note"
    yield "int", "outages_", "frames expected missing missed missed_low missing_low missing_high stray_bytes"
    yield "float", "outages_", "duration_s period_s missed_ratio missed_ratio_upper95"
    yield "bool", "outages_", "bursts"
    yield "int", "outages_", "events ambiguous left_out minutes between_marks"
    for kind in KINDS:
        yield "int", f"outages_summary_{kind}_", "count frames frames_low"
        yield "float", f"outages_summary_{kind}_", "total_s longest_s"
    yield "int", "timing_", "frames missing"
    yield "float", "timing_period_s_", "mean median sd min max p01 p99"
    yield "float", "timing_period_jitter_s_", "rms rms_low rms_high peak pp"
    yield "text", "timing_", "period_jitter_s_kind clock_kind note"
    yield "float", "timing_", "cycle_jitter_s_rms cycle_jitter_s_peak tie_s_rms tie_s_pp lag1"
    yield "float", "timing_clock_", "resolution_s floor_s"
    yield "pairs", "", MTIE
    yield "int", "channels_", "frames damaged flagged glitch_frames glitches_total glitches"
    yield "int", "channels_", "glitch_threshold_counts move_threshold_counts still_threshold_counts"
    for channel in range(1, ALL_CHANNELS + 1):
        yield "int", f"ch{channel}_", "min_counts max_counts span_counts first_counts last_counts"
        yield "float", f"ch{channel}_", "mean_counts still_noise_counts"
        yield "int", f"ch{channel}_", "still_frames moves glitches changes"


COLUMNS: dict[str, ColumnType] = {
    f"{prefix}{name}": kind for kind, prefix, names in _columns() for name in names.split()
}
"""Each column with the type of its values; any of them may be None."""


def recording_row(recording: Recording, *, path: str, interface: str | None = None) -> Row:
    """All figures of a recording.

    Args:
        path: what the row calls it.
        interface: number of the serial line, where it holds several.

    Returns:
        A value for each of COLUMNS.
    """
    info, outages = recording.info, recording.outages()
    row = empty_row(path) | {"interface": interface, "notes": "; ".join(info.notes) or None}
    row |= {"format": info.format, "source": info.source or None}
    row |= {name: getattr(info.origin, name) or None for name in ("unit", "note", "adapter_serial")}
    row |= (
        _losses(outages)
        | dict(_flat("outages", outages.to_json()))
        | dict(_flat("timing", recording.timing().to_json()))
    )
    channels = recording.channels().to_json()
    for one in channels.pop("channels"):  # type: ignore[attr-defined]
        row |= _flat(f"ch{one.pop('channel')}", one)
    return row | dict(_flat("channels", channels))


def combined_sha256(rows: Iterable[Row]) -> str:
    """One hash of many recordings: SHA-256 of their hashes in rising order, each once and as a line of hex digits."""
    hashes = sorted({row["sha256"] or "" for row in rows})
    return hashlib.sha256("".join(f"{one}\n" for one in hashes).encode()).hexdigest()


def empty_row(path: str, *, error: str | None = None) -> Row:
    """The row of a recording that could not be read."""
    return dict.fromkeys(COLUMNS) | {"path": path, "error": error}


def _losses(outages: Outages) -> Row:
    found = loss_ratio(outages)
    return {f"missed_{name}": getattr(found, name, None) for name in BurstLosses.__slots__}


def _flat(prefix: str, values: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Nested values by their joined names."""
    for key, value in values.items():
        name = f"{prefix}_{key}"
        if isinstance(value, Mapping):
            yield from _flat(name, value)
        else:
            yield name, len(value) if isinstance(value, list) and name != MTIE else value
