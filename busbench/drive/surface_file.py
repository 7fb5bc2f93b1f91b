"""The answers of a walk as a JSON file, replaced after every answer; its keys: surface_tables.py."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from busbench.drive.limits import Limits
from busbench.drive.surface_check import QUESTIONS, Ended, Entry, Move, Station
from busbench.drive.surface_tables import VERSION, DeviceTable, WalkTable
from busbench.errors import DriveError, OutputError, quote_value, unreadable
from busbench.output_file import write_output
from busbench.schema import Path as KeyPath
from busbench.schema import TableReader
from busbench.text_file import read_bounded, require_small
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import Scale

_IN_COUNTS = ("low", "neutral", "high")
_NAME_IT = "name the file that `busbench walk` kept"


@dataclass(frozen=True, slots=True)
class WalkHead:
    """The head of the file: everything except the devices."""

    rig: str  # name of the aircraft
    port: str  # target of the frames
    is_rehearsal: bool  # True if no aircraft moves
    start_utc: str  # ISO 8601
    limits: Limits  # of the walk
    period_s: float  # time from frame to frame
    rate_pct_per_s: float  # max rate
    scale: Scale  # of the plan
    not_walked: tuple[tuple[str, str], ...] = ()  # names and reasons


def walk_dict(head: WalkHead, entries: Sequence[Entry]) -> dict[str, Any]:
    """The file's content."""
    limits = head.limits
    return {
        "version": VERSION,
        "rig": head.rig,
        "port": head.port,
        "is_rehearsal": head.is_rehearsal,
        "start_utc": head.start_utc,
        "limits": {
            "channels": [
                {
                    "channel": number,
                    "rest_counts": limit.rest,
                    "low_counts": limit.low,
                    "high_counts": limit.high,
                    "rate_counts_per_s": limit.rate,
                    "is_locked": limit.is_locked,
                }
                for number, limit in enumerate(limits.channels, 1)
            ],
            "switches": [
                {"channel": CHANNELS + number, "rest": rest, "is_locked": is_locked}
                for number, (rest, is_locked) in enumerate(
                    zip(limits.switches_rest, limits.switches_locked, strict=True), 1
                )
            ],
        },
        "program": {"period_s": head.period_s, "rate_pct_per_s": head.rate_pct_per_s, "scale": asdict(head.scale)},
        "devices": [_entry_dict(entry) for entry in entries],
        "not_walked": [{"name": name, "why": why} for name, why in head.not_walked],
    }


def _entry_dict(entry: Entry) -> dict[str, Any]:
    stop = {f"{name}_counts" if name in _IN_COUNTS else name: value for name, value in asdict(entry.stop).items()}
    return {
        **stop,
        "channel": entry.stop.channel + 1,
        "moves": [asdict(move) for move in entry.moves],
        "answers": dict(zip(QUESTIONS, entry.answers, strict=True)),
        "note": entry.note,
        "state": entry.state,
    }


def write_walk(path: str | Path, head: WalkHead, entries: Sequence[Entry]) -> None:
    """Replace the whole file atomically; OutputError: the old one is unchanged."""
    text = json.dumps(walk_dict(head, entries), indent=2, ensure_ascii=False) + "\n"
    try:
        write_output(path, text, is_update=True)
    except OutputError as error:
        raise error.with_hint("then go on with --resume") if Path(path).is_file() else error from None


@dataclass(frozen=True, slots=True)
class SavedWalk:
    """A file read back."""

    rig: str  # rig, is_rehearsal, start_utc: as written
    is_rehearsal: bool
    start_utc: str
    entries: tuple[Entry, ...]  # as written
    not_walked: tuple[tuple[str, str], ...] | None = None  # names and reasons, None if an old file gives none


class _AnswersReader(TableReader[WalkTable]):
    """Reads the file; its tables have no headings."""

    def header(self, at: KeyPath) -> str:
        """None."""
        del at
        return ""


def read_walk(path: str | Path) -> SavedWalk:
    """Read the answers of a walk (raises DriveError: unreadable, or another kind of file)."""
    try:
        data = read_bounded(path)
        require_small(data)
        raw = json.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise DriveError(f"{path}, byte {error.start}: is not UTF-8 text", hint=_NAME_IT) from None
    except json.JSONDecodeError as error:
        raise DriveError(f"{path}: line {error.lineno}, column {error.colno} is not JSON", hint=_NAME_IT) from None
    except RecursionError:
        raise DriveError(f"{path}: is nested too deep", hint=_NAME_IT) from None
    except (OSError, ValueError) as error:
        what, hint = unreadable(error)
        raise DriveError(f"{path}: {what}", hint=hint) from None
    version = raw.get("version") if isinstance(raw, dict) else None
    if version is None:
        raise DriveError(f"{path}: holds no answers of a walk", hint=_NAME_IT)
    if version != VERSION:
        hint = f"this busbench knows {VERSION}"
        raise DriveError(f"{path}, version: {quote_value(version, most=20)} is not known", hint=hint)

    def raises(key: str, what: str, hint: str) -> DriveError:
        del hint  # for files written by hand
        return DriveError(f"{path}, {key}: {what}", hint=_NAME_IT)

    file = _AnswersReader(raw, WalkTable, raises=raises, of="the answers of a walk").read()
    why = None if file.not_walked is None else tuple((one.name, one.why) for one in file.not_walked)
    return SavedWalk(file.rig, file.is_rehearsal, file.start_utc, tuple(map(_entry, file.devices)), why)


def _entry(device: DeviceTable) -> Entry:
    kept = {name: getattr(device, name) for name in Station.__slots__}
    stop = Station(**kept | {"channel": device.channel - 1})
    moves = tuple(Move(one.t_utc, one.duration_s, Ended(one.ended), one.reason, one.seen) for one in device.moves)
    answers = tuple(getattr(device.answers, question) for question in QUESTIONS)
    return Entry(stop, moves, answers, device.note, device.state == "skipped")


def merge(stops: Sequence[Station], saved: SavedWalk, *, path: str | Path) -> tuple[tuple[Entry, ...], tuple[str, ...]]:
    """Merge saved answers into the current plan.

    A station whose channel, endpoints or direction have changed in the plan begins
    again, with its note kept.

    Args:
        path: of the file, for errors.

    Returns:
        The entries, and the names of those that restart.

    Raises:
        DriveError: the file has a device that is not in the plan.
    """
    by_name = {entry.stop.name: entry for entry in saved.entries}
    unknown = by_name.keys() - {stop.name for stop in stops}
    if unknown:
        raise DriveError(
            f'{path}: holds answers for "{sorted(unknown)[0]}", which the plan does not have walked',
            hint="begin with a new file, so that nothing is lost",
        )
    entries: list[Entry] = []
    anew: list[str] = []
    for stop in stops:
        old = by_name.get(stop.name, Entry(stop))
        if old.stop == stop:
            entries.append(old)
        else:
            anew.append(stop.name)
            entries.append(replace(Entry(stop), note=old.note))
    return tuple(entries), tuple(anew)
