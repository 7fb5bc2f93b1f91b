"""What a whole program is made of: name, period, scale, limits, faults and end byte, from a file or from options."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from busbench.drive.limits import ChannelLimit
from busbench.drive.program import FrameFault, Program
from busbench.drive.program_file import OptionReader, ProgramReader, build_program, read_program
from busbench.errors import DriveError
from busbench.wire.scale import Scale
from tests.drive.helpers import no_recording

PART = {"channel": 1, "shape": "hold", "level": 0, "duration": 1, "unit": "%"}


def build(**top: Any) -> Program:
    reader = ProgramReader({"part": [PART], **top}, source="")
    return build_program(reader, name="Heron", load=no_recording, period_s=0.011)


def refusal(**top: Any) -> str:
    with pytest.raises(DriveError) as caught:
        build(**top)
    return str(caught.value)


def test_what_a_program_is_without_more_keys() -> None:
    program = build()
    assert (program.name, program.period_s, program.scale, program.end_bytes) == ("Heron", 0.011, Scale(), (0,))
    assert (program.faults, program.repeat, program.channel_names) == ((), 1, ())
    assert set(program.limits.channels) == {ChannelLimit(173, 1811, 992, 819.0)}
    assert (program.limits.switches_rest, program.limits.switches_locked) == ((False, False), (False, False))
    assert (program.stated_rests, program.stated_travels) == (frozenset(), frozenset())


def test_its_own_words_go_first() -> None:
    program = build(name="own", frame_period=0.02, repeat=3, channel=[{"number": 18, "name": "horn"}, {"number": 1}])
    assert (program.name, program.period_s, program.repeat) == ("own", 0.02, 3)
    assert program.channel_names == ((17, "horn"), (0, ""))


@pytest.mark.parametrize(
    ("given", "want"),
    [
        ({}, Scale(1024.0, 1520.0, 0.5)),
        ({"centre_counts": 1000}, Scale(1000.0, 1520.0, 0.5)),
        ({"centre_us": 1501}, Scale(1024.0, 1501.0, 0.5)),
        ({"us_per_count": 0.6, "centre_us": 1501}, Scale(1024.0, 1501.0, 0.6)),
    ],
)
def test_a_scale_replaces_what_it_states_of_the_plans(given: dict[str, float], want: Scale) -> None:
    reader = ProgramReader({"part": [PART], "scale": given}, source="")
    made = build_program(reader, name="Heron", load=no_recording, scale=Scale(1024.0, 1520.0, 0.5))
    assert made.scale == want
    assert made.limits.channels[0].rest == want.centre_counts
    assert made.parts[0].shape.reach == (want.centre_counts, want.centre_counts)  # 0 % of the part


FAULTS = [
    ({"kind": "lost", "start": 1, "duration": 2}, FrameFault("lost", 1.0, 2.0, 0.0, 0)),
    ({"kind": "failsafe", "duration": 2}, FrameFault("failsafe", 0.0, 2.0, 0.0, 0)),
    ({"kind": "gap", "start": 0.5, "duration": 0}, FrameFault("gap", 0.5, 0.0, 0.0, 0)),
    ({"kind": "flips", "duration": 1}, FrameFault("flips", 0.0, 1.0, 1e-3, 0)),
    ({"kind": "flips", "duration": 1, "flips": 0.5, "seed": 7}, FrameFault("flips", 0.0, 1.0, 0.5, 7)),
]


def test_faults_are_what_they_say() -> None:
    assert build(fault=[given for given, _ in FAULTS]).faults == tuple(fault for _, fault in FAULTS)


@pytest.mark.parametrize(
    ("given", "ends"),
    [
        ("slots", (0x04, 0x14, 0x24, 0x34)),
        *((f"0x{end:02x}", (end,)) for end in (0x00, 0x04, 0x14, 0x24, 0x34)),
        *((f"{end:X}", (end,)) for end in (0x14, 0x34)),
        (0x24, (0x24,)),
        (0, (0,)),
    ],
)
def test_the_end_byte(given: object, ends: tuple[int, ...]) -> None:
    assert build(end_byte=given).end_bytes == ends


@pytest.mark.parametrize("given", [5, "0x05", "slot", True, False, 20.0, "", [4]])
def test_what_is_no_end_byte(given: object) -> None:
    assert refusal(end_byte=given).endswith(
        "is not an end byte: give 0x00, 0x04, 0x14, 0x24, 0x34 or slots (the last four in turn)"
    )


@pytest.mark.parametrize(
    ("unit", "limits", "want"),
    [
        ("counts", {"low": 300, "high": 1700, "rest": 900, "rate": 200}, ChannelLimit(300, 1700, 900, 200.0)),
        ("us", {"low": 1100, "high": 1900, "rest": 1600, "rate": 100}, ChannelLimit(352, 1632, 1152, 160.0)),
        ("%", {"low": -50, "high": 50.1, "rest": 10, "rate": 10}, ChannelLimit(582, 1402, 1074, 81.9)),
        ("counts", {"low": 300}, ChannelLimit(300, 1811, 992, 819.0)),
        ("counts", {"high": 992}, ChannelLimit(173, 992, 992, 819.0)),
        ("counts", {"low": 992}, ChannelLimit(992, 1811, 992, 819.0)),
        ("counts", {"rest": 173}, ChannelLimit(173, 1811, 173, 819.0)),
        ("counts", {"rest": 1811, "low": 1811}, ChannelLimit(1811, 1811, 1811, 819.0)),
        ("counts", {"rate": 1}, ChannelLimit(173, 1811, 992, 1.0)),
    ],
    ids=str,
)
def test_limits_of_all_and_of_one_channel(unit: str, limits: dict[str, float], want: ChannelLimit) -> None:
    usual = ChannelLimit(173, 1811, 992, 819.0)
    for_all = build(unit=unit, limits=limits)
    for channel, whole in ((None, for_all), (2, build(unit=unit, channel=[{"number": 3, **limits}]))):
        for number, got in enumerate(whole.limits.channels):
            expected = want if channel in (None, number) else usual
            assert (got.low, got.high, got.rest, got.is_locked) == (expected.low, expected.high, expected.rest, False)
            assert got.rate == pytest.approx(expected.rate)
    assert (for_all.stated_rests, for_all.stated_travels) == (frozenset(), frozenset())


def test_a_channel_takes_from_all_what_it_does_not_state() -> None:
    limits = {"low": 300, "high": 1700, "rest": 900, "rate": 200}
    channels = [
        {"number": 2, "low": 310}, {"number": 3, "high": 1690}, {"number": 4, "rest": 1000}, {"number": 16, "rate": 5},
        {"number": 6, "locked": True, "rest": 100}, {"number": 17, "rest": "on"}, {"number": 18, "locked": True},
    ]  # fmt: skip
    program = build(unit="counts", limits=limits, channel=channels)
    base = ChannelLimit(300, 1700, 900, 200.0)
    assert program.limits.channels == (
        base,
        ChannelLimit(310, 1700, 900, 200.0),
        ChannelLimit(300, 1690, 900, 200.0),
        ChannelLimit(300, 1700, 1000, 200.0),
        base,
        ChannelLimit(300, 1700, 100, 200.0, is_locked=True),
        *[base] * 9,
        ChannelLimit(300, 1700, 900, 5.0),
    )
    assert (program.limits.switches_rest, program.limits.switches_locked) == ((True, False), (False, True))
    assert (program.stated_rests, program.stated_travels) == (frozenset({3, 5, 16}), frozenset({1, 2}))


@pytest.mark.parametrize(("rest", "is_on"), [("on", True), ("off", False), (True, True), (False, False)])
def test_an_on_off_channel_rests_as_it_says(rest: object, is_on: bool) -> None:
    program = build(channel=[{"number": 18, "rest": rest}])
    assert (program.limits.switches_rest, program.stated_rests) == ((False, is_on), frozenset({17}))


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ({"low": 1812}, "low: 1812 puts low above high: low must not exceed high"),
        ({"high": 172}, "high: 172 puts low above high: low must not exceed high"),
        ({"low": 500, "high": 400}, "low: 500 puts low above high: low must not exceed high"),
        ({"low": 993}, "low: 993 leaves the rest value outside: give rest too"),
        ({"high": 991}, "high: 991 leaves the rest value outside: give rest too"),
        ({"rest": 172}, "rest: 172 is not between low and high: give a level between them"),
        ({"rest": 1812}, "rest: 1812 is not between low and high: give a level between them"),
        ({"low": 1000, "rest": 999}, "rest: 999 is not between low and high: give a level between them"),
        ({"rest": 2048}, "rest: 2048 counts does not fit a frame: give 0 to 2047 counts"),
        ({"low": "far"}, 'low: "far" is not a number: give a level in counts'),
    ],
    ids=str,
)
def test_limits_that_are_refused(limits: dict[str, object], said: str) -> None:
    assert refusal(unit="counts", limits=limits) == f"limits.{said}"
    assert refusal(unit="counts", channel=[{"number": 16, **limits}]) == f"channel[1].{said}"


def test_a_state_of_an_on_off_channel_is_refused_in_its_table() -> None:
    said = refusal(channel=[{"number": 1}, {"number": 17, "rest": 50}])
    assert said == "channel[2].rest: 50 is not a state of channel 17: give on or off"
    said = refusal(channel=[{"number": 17}, {"number": 3}, {"number": 17}])
    assert said == "channel[3].number: 17 is in two tables: join the two"


def options(*, limits: Any = None, fault: Any = (), **keys: Any) -> str:
    reader = OptionReader({"part": [{**PART, **keys}], "limits": limits or {}, "fault": fault})
    with pytest.raises(DriveError) as caught:
        build_program(reader, name="Heron", load=no_recording)
    return str(caught.value)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"level": 200}, "--level: 200 % does not fit a frame: give -121.1 to 128.8 %"),
        ({"shape": "chirp", "period_end": 1}, "--level: not an option of a part with shape chirp"),
        ({"shape": "steps", "levels": 3}, "--level: not an option of a part with shape steps"),
        ({"limits": {"low": 90, "high": -90}}, "--travel: 90 puts low above high"),
        ({"limits": {"high": 200}}, "--travel: 200 % does not fit a frame"),
        ({"limits": {"rest": 101}}, "--rest: 101 is not between low and high"),
        ({"limits": {"rate": 0}}, "--rate: 0 is out of range: give 0.001 to 1000000 per second"),
        ({"fault": [{"kind": "gap", "duration": -1}]}, "--gap, duration: -1 is out of range: give 0 to 604800 s"),
        ({"fault": [{"kind": "flips", "duration": 1, "flips": 2}]}, "--flips: 2 is out of range: give 0 to 1 per byte"),
        ({"fault": [{"kind": "lost"}, {"kind": "gap"}]}, "--lost, duration: missing: give 0 to 604800 s"),
        ({"channel": 19}, "--channel: 19 is not a channel: give 1 to 18"),
    ],
    ids=str,
)
def test_an_option_is_named_as_it_is_typed(keys: dict[str, Any], said: str) -> None:
    assert options(**keys).startswith(said)


def test_an_option_of_two_words_and_a_list() -> None:
    chirp = {"channel": 1, "shape": "chirp", "period": 1, "period_end": 0}
    steps = {"channel": 1, "shape": "steps", "period": 1, "levels": 3}
    for part, said in (
        (chirp, "--period-end: 0 is out of range: give 0.02 to 86400 s"),
        (steps, "--levels: 3 is not a list: give them with commas, as in 0,50,-50"),
    ):
        with pytest.raises(DriveError) as caught:
            build_program(OptionReader({"part": [part]}), name="Heron", load=no_recording)
        assert str(caught.value) == said


@pytest.mark.parametrize(
    ("text", "is_rig"), [("[rig]\nname = 'x'\n", True), ("[supply]\n", True), ("[[device]]\n", False), ("", False)]
)
def test_a_rig_file_is_named_as_one(text: str, is_rig: bool, tmp_path: Path) -> None:
    path = tmp_path / "heron.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DriveError) as caught:
        read_program(path, load=no_recording)
    said = f"{path}: this is a rig file, not a drive program: give it to `busbench drive` by --rig"
    assert (str(caught.value) == said) == is_rig
    path.write_text(f'{text}[[part]]\nchannel = 1\nshape = "sine"\nperiod = 1\n', encoding="utf-8")
    if is_rig:
        with pytest.raises(DriveError, match="not a key of a program"):
            read_program(path, load=no_recording)


def test_a_file_is_named_by_its_stem_and_takes_the_plans_period_and_scale(tmp_path: Path) -> None:
    path = tmp_path / "heron.sweeps.toml"
    path.write_text('[[part]]\nchannel = 1\nshape = "sine"\nperiod = 1\n', encoding="utf-8")
    plain = read_program(path, load=no_recording)
    assert (plain.name, plain.period_s, plain.scale) == ("heron.sweeps", 0.007, Scale())
    planned = read_program(path, load=no_recording, period_s=0.02, scale=Scale(1024.0))
    assert (planned.period_s, planned.scale) == (0.02, Scale(1024.0))
