"""The answers of a walk as a JSON file, replaced as a whole after every answer.

Keys of the file:

- `version`: 1.
- `rig`: name of the aircraft. `port`: where it went. `is_rehearsal`: true where no aircraft moved.
- `start_utc`: ISO 8601, as every time here.
- `limits`: `channels[{channel, rest_counts, low_counts, high_counts, rate_counts_per_s, is_locked}]` for
  channels 1-16, `switches[{channel, rest, is_locked}]` for 17 and 18.
- `program`: `period_s`, `rate_pct_per_s` (the limit; motions take half of it), `scale`.
- `devices`: one for each channel walked, in the order of the walk:
  `name` (of the device, or of all on the channel), `members` (their names in the plan), `channel` (1-18),
  `first` and `then` (the ways), `is_high_first`, `low_counts`, `neutral_counts`, `high_counts`, `remark`,
  `moves[{t_utc, duration_s, ended, reason, seen}]` (`ended` is "ran", "stopped" or "lost"; `seen` is what a
  virtual aircraft did), `answers{right_surface, right_way, full_throw, smooth}` (true, false or null),
  `note`, `state` ("done": all answered, "skipped", "open").
- `not_walked[{name, why}]`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from busbench.drive.limits import Limits
from busbench.drive.surface_check import QUESTIONS, Ended, Entry, Move, Station
from busbench.errors import DriveError, OutputError, sanitize, unreadable
from busbench.output_file import write_output
from busbench.text_file import read_bounded, require_small
from busbench.wire.codec import CHANNELS
from busbench.wire.scale import Scale

VERSION = 1
_IN_COUNTS = ("low", "neutral", "high")
_NAME_IT = "name the file that `busbench walk` kept"


@dataclass(frozen=True, slots=True)
class WalkHead:
    """What a file says beside its devices.

    Args:
        rig: name of the aircraft.
        port: where the frames go.
        is_rehearsal: True where no aircraft moves.
        start_utc: ISO 8601.
        limits: of the walk.
        period_s: time from frame to frame.
        rate_pct_per_s: fastest movement.
        scale: of the plan.
        not_walked: names and reasons.
    """

    rig: str
    port: str
    is_rehearsal: bool
    start_utc: str
    limits: Limits
    period_s: float
    rate_pct_per_s: float
    scale: Scale
    not_walked: tuple[tuple[str, str], ...] = ()


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
        "program": {
            "period_s": head.period_s,
            "rate_pct_per_s": head.rate_pct_per_s,
            "scale": asdict(head.scale),
        },
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
    """Replace the file as a whole: it is the old one or the new one, whatever happens meanwhile.

    Raises:
        OutputError: it cannot be written; the old one is untouched.
    """
    text = json.dumps(walk_dict(head, entries), indent=2, ensure_ascii=False) + "\n"
    try:
        write_output(path, text, is_update=True)
    except OutputError as error:
        raise error.with_hint("then go on with --resume") if Path(path).is_file() else error from None


@dataclass(frozen=True, slots=True)
class SavedWalk:
    """A file read back.

    Args:
        rig, is_rehearsal, start_utc: as written.
        entries: as written.
        not_walked: names and reasons, None where an old file gives none.
    """

    rig: str
    is_rehearsal: bool
    start_utc: str
    entries: tuple[Entry, ...]
    not_walked: tuple[tuple[str, str], ...] | None = None


def read_walk(path: str | Path) -> SavedWalk:
    """Read the answers of a walk.

    Raises:
        DriveError: it cannot be read or is no such file.
    """
    try:
        data = read_bounded(path)
        require_small(data)
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise DriveError(f"{path}, byte {error.start}: is not UTF-8 text", hint=_NAME_IT) from None
    except (OSError, ValueError) as error:
        what, hint = unreadable(error)
        raise DriveError(f"{path}: {what}", hint=hint) from None
    try:
        raw = json.loads(text, parse_constant=_no_number)
        if raw["version"] != VERSION:
            raise DriveError(
                f"{path}, version: {sanitize(str(raw['version']), most=20)} is not known",
                hint=f"this busbench knows {VERSION}",
            )
        entries = tuple(_entry(device) for device in raw["devices"])
        if not all(isinstance(raw[key], str) for key in ("rig", "start_utc")):
            raise TypeError("rig or start_utc is not text")
        left_out = raw.get("not_walked")
        why = None if left_out is None else tuple((str(one["name"]), str(one["why"])) for one in left_out)
        return SavedWalk(raw["rig"], bool(raw["is_rehearsal"]), raw["start_utc"], entries, why)
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError, OverflowError) as error:
        match error:
            case KeyError():
                what = f"the key {error} is missing"
            case json.JSONDecodeError():
                what = f"line {error.lineno}, column {error.colno} is not JSON"
            case _:
                what = sanitize(str(error), most=80)
        raise DriveError(f"{path}: holds no answers of a walk ({what})", hint=_NAME_IT) from None


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is not a number")


def _entry(raw: dict[str, Any]) -> Entry:
    stop = Station(
        name=str(raw["name"]),
        channel=int(raw["channel"]) - 1,
        members=tuple(map(str, raw["members"])),
        first=str(raw["first"]),
        then=str(raw["then"]),
        is_high_first=bool(raw["is_high_first"]),
        low=int(raw["low_counts"]),
        neutral=int(raw["neutral_counts"]),
        high=int(raw["high_counts"]),
        remark=str(raw["remark"]),
    )
    moves = tuple(
        Move(
            str(move["t_utc"]),
            float(move["duration_s"]),
            Ended(move["ended"]),
            str(move["reason"]),
            tuple(map(str, move["seen"])),
        )
        for move in raw["moves"]
    )
    answers = tuple(raw["answers"][question] for question in QUESTIONS)
    if any(answer is not None and not isinstance(answer, bool) for answer in answers):
        raise ValueError("answers are true, false or null")
    return Entry(stop, moves, answers, str(raw["note"]), raw["state"] == "skipped")


def merge(stops: Sequence[Station], saved: SavedWalk, *, path: str | Path) -> tuple[tuple[Entry, ...], tuple[str, ...]]:
    """Lay saved answers on the plan as it is now.

    A halt whose channel, ends or direction the plan states otherwise by now begins
    anew, with its note kept.

    Args:
        path: of the file, for errors.

    Returns:
        The entries, and the names of those that begin anew.

    Raises:
        DriveError: the file speaks of a device that the plan does not know.
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
