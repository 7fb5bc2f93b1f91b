"""The keys of a drive program: what each may hold at its ends, and what it is where it is not given."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from busbench.drive.program_file import ProgramReader
from busbench.drive.program_keys import ProgramTables
from busbench.errors import DriveError

WAVE = {"low", "high", "centre", "period", "cycles", "phase"}
KEYS_OF = {
    "hold": {"level", "duration"},
    "ramp": WAVE,
    "triangle": WAVE,
    "sine": WAVE,
    "sweep": WAVE,
    "square": WAVE,
    "steps": {"levels", "period", "cycles", "phase"},
    "staircase": WAVE - {"centre"} | {"stairs"},
    "chirp": WAVE | {"period_end"},
    "wander": WAVE | {"seed"},
    "replay": {"recording", "from_channel", "start", "duration"},
}
ALL_KEYS = {"channel": 1, "unit": "counts", "delay": 1.0, "low": 1, "high": 2, "centre": 1, "period": 1.0,
            "cycles": 2.0, "phase": 3.0, "level": 5, "levels": [1], "stairs": 4, "period_end": 2.0, "seed": 3,
            "recording": "x", "from_channel": 2, "start": 0.0, "duration": 1.0}  # fmt: skip


def read(raw: Mapping[str, Any]) -> ProgramTables:
    return ProgramReader({"part": [{"channel": 1, "shape": "hold"}], **raw}, source="").read()


def part(shape: str, **keys: object) -> dict[str, Any]:
    return {"part": [{"channel": 1, "shape": shape, **keys}]}


def fault(kind: str, **keys: object) -> dict[str, Any]:
    return {"fault": [{"kind": kind, "duration": 1, **keys}]}


def channel(**keys: object) -> dict[str, Any]:
    return {"channel": [{"number": 1, **keys}]}


def with_value(where: str, value: object) -> dict[str, Any]:
    """A program with one key, written as shape.key, kind.key, channel.key, limits.key or key."""
    table, _, key = where.rpartition(".")
    if table in KEYS_OF:
        return part(table, **{key: value})
    if table in ("lost", "flips"):
        return fault(table, **{key: value})
    if table == "channel":
        return channel(**{key: value})
    return {table: {key: value}} if table else {key: value}


# (key, lowest, highest, next below, next above, what the refusal says to give)
BOUNDS: list[tuple[str, float, float, float, float, str]] = [
    ("sine.period", 0.02, 86_400, 0.0199, 86_400.1, "give 0.02 to 86400 s"),
    ("sine.cycles", 1e-3, 1e6, 9.9e-4, 1.1e6, "give 0.001 to 1000000"),
    ("sine.phase", -360, 360, -360.1, 360.1, "give -360 to 360 degrees"),
    ("hold.delay", 0, 86_400, -0.01, 86_400.1, "give 0 to 86400 s"),
    ("hold.duration", 0.02, 86_400, 0.0199, 86_400.1, "give 0.02 to 86400 s"),
    ("staircase.stairs", 2, 2047, 1, 2048, "give 2 to 2047"),
    ("chirp.period_end", 0.02, 86_400, 0.0199, 86_400.1, "give 0.02 to 86400 s"),
    ("wander.seed", 0, 2**63 - 1, -1, 2**63, "give 0 to 9223372036854775807"),
    ("replay.from_channel", 1, 18, 0, 19, "give 1 to 18"),
    ("replay.start", 0, 604_800, -0.01, 604_800.1, "give 0 to 604800 s"),
    ("lost.start", 0, 604_800, -0.01, 604_800.1, "give 0 to 604800 s"),
    ("lost.duration", 0, 604_800, -0.01, 604_800.1, "give 0 to 604800 s"),
    ("flips.flips", 0, 1, -0.01, 1.01, "give 0 to 1 per byte"),
    ("flips.seed", 0, 2**63 - 1, -1, 2**63, "give 0 to 9223372036854775807"),
    ("channel.number", 1, 18, 0, 19, "give 1 to 18"),
    ("channel.rate", 0.001, 1e6, 0.0009, 1e6 + 1, "give 0.001 to 1000000 per second"),
    ("limits.rate", 0.001, 1e6, 0.0009, 1e6 + 1, "give 0.001 to 1000000 per second"),
    ("frame_period", 0.004, 1, 0.0039, 1.01, "give 0.004 to 1 s"),
    ("repeat", 1, 1_000_000, 0, 1_000_001, "give 1 to 1000000"),
]


@pytest.mark.parametrize(("where", "low", "high", "below", "above", "give"), BOUNDS, ids=[row[0] for row in BOUNDS])
def test_a_number_may_be_at_its_ends_and_no_further(
    where: str, low: float, high: float, below: float, above: float, give: str
) -> None:
    for value in (low, high):
        read(with_value(where, value))
    for value in (below, above):
        with pytest.raises(DriveError) as caught:
            read(with_value(where, value))
        assert "is out of range" in str(caught.value)
        assert str(caught.value).endswith(give)


@pytest.mark.parametrize("where", ["replay.recording", "channel.name", "name"])
def test_a_text_has_1_to_200_characters(where: str) -> None:
    for text in ("x", "x" * 200):
        read(with_value(where, text))
    for text in ("", "x" * 201):
        with pytest.raises(DriveError, match=r"give 1 to 200$"):
            read(with_value(where, text))


def test_what_is_not_given() -> None:
    given = read({"channel": [{"number": 3}], **fault("lost")})
    assert (given.name, given.unit, given.order, given.frame_period) == (None, "%", "together", None)
    assert (given.end_byte, given.repeat) == ("0x00", 1)
    assert (given.limits.low, given.limits.high, given.limits.rest, given.limits.rate) == (None,) * 4
    one = given.channel[0]
    assert (one.name, one.locked, one.low, one.high, one.rest, one.rate) == (None, False, None, None, None, None)
    struck = given.fault[0]
    assert (struck.start, struck.flips, struck.seed) == (0.0, 0.001, 0)
    it = given.part[0]
    assert (it.unit, it.low, it.high, it.centre, it.period) == (None,) * 5
    assert (it.cycles, it.phase, it.delay, it.stairs, it.seed, it.start) == (1.0, 0.0, 0.0, 5, 1, 0.0)
    assert (it.level, it.levels, it.period_end, it.recording, it.from_channel, it.duration) == (None, (), *[None] * 4)


@pytest.mark.parametrize("shape", KEYS_OF)
def test_a_part_knows_the_keys_of_its_shape(shape: str) -> None:
    its_own = KEYS_OF[shape] | {"channel", "unit", "delay"}
    read(part(shape, **{key: ALL_KEYS[key] for key in its_own}))
    for key in ALL_KEYS.keys() - its_own:
        with pytest.raises(DriveError, match=rf"\.{key}: not a key of a part with shape {shape}: it knows channel, "):
            read(part(shape, **{key: ALL_KEYS[key]}))


def test_flips_alone_have_a_share_and_a_seed() -> None:
    for key, value in {"flips": 0.5, "seed": 3}.items():
        read(fault("flips", **{key: value}))
        for kind in ("lost", "failsafe", "gap"):
            with pytest.raises(DriveError, match=f"{key}: not a key of a fault of kind {kind}: it knows kind, start"):
                read(fault(kind, **{key: value}))


def test_an_on_off_channel_has_no_travel() -> None:
    for number in (17, 18):
        read(channel(number=number, name="x", locked=True, rest="on"))
        for key in ("low", "high", "rate"):
            with pytest.raises(DriveError, match=f"{key}: not a key of an on/off channel: it knows number, name"):
                read(channel(number=number, **{key: 1}))
    read(channel(number=16, low=-50, high=50, rate=10))


@pytest.mark.parametrize(("raw", "said"), [
    ({"part": []}, "part: [] holds nothing: write [[part]], and below it channel and shape"),
    (part("steps", levels=[]), "part[1].levels: [] holds nothing: write it in brackets, such as [1, 2]"),
])  # fmt: skip
def test_a_list_has_an_entry(raw: dict[str, Any], said: str) -> None:
    with pytest.raises(DriveError) as caught:
        read(raw)
    assert str(caught.value) == said
