"""The file of a walk: what it keeps of every station, what it refuses, and how it goes on with a changed plan."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from busbench.drive.limits import Limits
from busbench.drive.program import default_limits
from busbench.drive.surface_check import Ended, Entry, Move, Station
from busbench.drive.surface_file import SavedWalk, WalkHead, merge, read_walk, walk_dict, write_walk
from busbench.errors import DriveError, OutputError
from busbench.wire.scale import Scale

FLAP = Station("right flap", 15, ("right flap", "tab"), "up", "down", False, 0, 1000, 2047, "mounted mirrored")
HORN = Station("horn", 17, ("horn",), "on", "off", True, 0, 0, 1)
MOVES = (
    Move("2026-05-01T09:30:00Z", 0.0, Ended.LOST, "unplugged"),
    Move("2026-05-01T09:31:00Z", 604_800.0, Ended.STOPPED, "", ("flap up", "flap down")),
    Move("2026-05-01T09:32:00Z", 14.5),
)
ENTRIES = (
    Entry(FLAP, MOVES, (True, False, None, True), "stiff", is_skipped=True),
    Entry(HORN, (), (True, True, False, True), "", is_skipped=False),
    Entry(replace(HORN, name="other", channel=0)),
)
LIMITS = Limits(default_limits(Scale()).channels, (True, False), (False, True))
HEAD = WalkHead("Heron", "/dev/x", False, "2026-05-01T09:00:00Z", LIMITS, 0.014, 50.0, Scale(1024.0, 1520.0, 0.5))


def written(tmp_path: Path) -> tuple[Path, dict[str, Any]]:
    path = tmp_path / "heron.json"
    write_walk(path, HEAD, ENTRIES)
    return path, json.loads(path.read_text(encoding="utf-8"))


def test_what_is_kept_comes_back(tmp_path: Path) -> None:
    path, raw = written(tmp_path)
    assert read_walk(path) == SavedWalk("Heron", False, "2026-05-01T09:00:00Z", ENTRIES, ())
    assert [one["state"] for one in raw["devices"]] == ["skipped", "done", "open"]
    assert [one["channel"] for one in raw["devices"]] == [16, 18, 1]


def test_the_head_says_what_was_sent_and_how(tmp_path: Path) -> None:
    _, raw = written(tmp_path)
    assert raw == json.loads(json.dumps(walk_dict(HEAD, ENTRIES)))
    assert (raw["version"], raw["port"], raw["is_rehearsal"]) == (1, "/dev/x", False)
    assert raw["limits"]["switches"] == [
        {"channel": 17, "rest": True, "is_locked": False},
        {"channel": 18, "rest": False, "is_locked": True},
    ]
    assert [one["channel"] for one in raw["limits"]["channels"]] == list(range(1, 17))
    assert raw["program"] == {
        "period_s": 0.014,
        "rate_pct_per_s": 50.0,
        "scale": {"centre_counts": 1024.0, "centre_us": 1520.0, "us_per_count": 0.5},
    }
    assert raw["not_walked"] == []


def test_it_is_text_that_people_can_read(tmp_path: Path) -> None:
    path = tmp_path / "heron.json"
    write_walk(path, replace(HEAD, rig="Fischreiher Größe 4"), ENTRIES)
    text = path.read_text(encoding="utf-8")
    assert text.startswith('{\n  "version": 1,\n  "rig": "Fischreiher Größe 4",\n')
    assert text.endswith("}\n")


@pytest.mark.parametrize(
    ("keys", "value", "said"),
    [
        (("devices", 0, "channel"), 19, "devices[1].channel: 19 is out of range"),
        (("devices", 0, "channel"), 0, "devices[1].channel: 0 is out of range"),
        (("devices", 1, "low_counts"), -1, "devices[2].low_counts: -1 is out of range"),
        (("devices", 1, "neutral_counts"), 2048, "devices[2].neutral_counts: 2048 is out of range"),
        (("devices", 1, "high_counts"), 2048, "devices[2].high_counts: 2048 is out of range"),
        (("devices", 0, "moves", 0, "duration_s"), -1, "devices[1].moves[1].duration_s: -1 is out of range"),
        (("devices", 0, "moves", 0, "duration_s"), 604_801, "devices[1].moves[1].duration_s: 604801 is out of range"),
        (("devices", 0, "moves", 0, "ended"), "fell", 'devices[1].moves[1].ended: "fell" is not known'),
        (("devices", 0, "state"), "lost", 'devices[1].state: "lost" is not known'),
        (("devices", 0, "answers", "smooth"), 1, "devices[1].answers.smooth: 1 is neither true nor false"),
        (("devices",), 3, "devices: 3 is not a list of tables"),
        (("version",), None, "holds no answers of a walk"),
        (("version",), 2, "version: 2 is not known: this busbench knows 1"),
        (("version",), "x" * 50, 'version: "xxxxxxxxxxxxxxxxx…" is not known: this busbench knows 1'),
    ],
    ids=str,
)
def test_what_is_refused(keys: tuple[str | int, ...], value: object, said: str, tmp_path: Path) -> None:
    path, raw = written(tmp_path)
    inner: Any = raw
    for key in keys[:-1]:
        inner = inner[key]
    inner[keys[-1]] = value
    path.write_text(json.dumps(raw), encoding="utf-8")
    with pytest.raises(DriveError) as caught:
        read_walk(path)
    assert said in str(caught.value)
    if "version" not in said or value is None:
        assert str(caught.value).endswith(": name the file that `busbench walk` kept")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b'{"a": \n  }', "line 2, column 3 is not JSON"),
        (b'{"a": "\xff"}', "byte 7: is not UTF-8 text"),
        (b"[" * 100_000, "is nested too deep"),
        (b'"walk"', "holds no answers of a walk"),
    ],
)
def test_what_is_no_such_file(data: bytes, said: str, tmp_path: Path) -> None:
    path = tmp_path / "heron.json"
    path.write_bytes(data)
    with pytest.raises(DriveError, match=said):
        read_walk(path)


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(DriveError, match=r"gone\.json: file not found: check the name and the folder"):
        read_walk(tmp_path / "gone.json")
    with pytest.raises(DriveError, match="this is a folder: name a file inside it"):
        read_walk(tmp_path)


def test_a_file_that_cannot_be_made_says_to_go_on_only_where_there_is_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "heron.json"

    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("os.fsync", full)
        with pytest.raises(OutputError) as first:
            write_walk(path, HEAD, ENTRIES)
        assert "--resume" not in str(first.value)
        assert not path.exists()
    write_walk(path, HEAD, ENTRIES)
    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OutputError, match="then go on with --resume"):
        write_walk(path, HEAD, ENTRIES)


@pytest.mark.parametrize(
    "change",
    [
        {"channel": 3}, {"members": ("right flap",)}, {"first": "in"}, {"then": "in"}, {"is_high_first": True},
        {"low": 1}, {"neutral": 1001}, {"high": 2046}, {"remark": ""},
    ],
    ids=str,
)  # fmt: skip
def test_a_station_that_has_changed_begins_again_and_keeps_its_note(change: dict[str, Any]) -> None:
    saved = SavedWalk("Heron", True, "", ENTRIES)
    new = Station("new", 5, ("new",), "up", "down", True, 1, 2, 3)
    stops = (new, replace(FLAP, **change), *(entry.stop for entry in ENTRIES[1:]))
    entries, again = merge(stops, saved, path="heron.json")
    assert again == ("right flap",)
    assert entries == (Entry(new), Entry(stops[1], note="stiff"), *ENTRIES[1:])


def test_answers_for_what_is_not_walked_any_more_are_not_lost() -> None:
    saved = SavedWalk("Heron", True, "", ENTRIES)
    with pytest.raises(DriveError) as caught:
        merge((HORN,), saved, path="heron.json")
    assert str(caught.value) == (
        'heron.json: holds answers for "other", which the plan does not have walked:'
        " begin with a new file, so that nothing is lost"
    )
