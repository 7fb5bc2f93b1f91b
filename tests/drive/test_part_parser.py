"""One part of a program: its levels in each unit, its defaults, its replay, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.drive.part_parser import ReplaySource
from busbench.drive.program_file import ProgramReader, build_program
from busbench.drive.shapes import Chirp, Cycle, Hold, Levels, Replay, Shape, TimeSpan, Wander, Wave
from busbench.errors import DriveError
from tests.drive.helpers import no_recording

# Channel 1 says 0 in the first frame, channel 18 says 17, channel 1 says 18 in the next one.
GUST = ReplaySource(np.array([0.0, 0.5, 1.0, 2.0]), np.arange(72.0).reshape(4, 18))


def shapes(unit: str = "counts", /, load: ReplaySource | None = None, **part: object) -> list[Shape]:
    """The shapes of the channels of one part of a program in a unit."""
    reader = ProgramReader({"unit": unit, "part": [{"channel": 1, **part}]}, source="")
    return [
        one.shape
        for one in build_program(reader, name="x", load=no_recording if load is None else lambda _: load).parts
    ]


def refusal(unit: str = "counts", /, load: ReplaySource | None = None, **part: object) -> str:
    with pytest.raises(DriveError) as caught:
        shapes(unit, load=load, **part)
    return str(caught.value).removeprefix("part[1].")


ALL = {"low": 300, "centre": 500, "high": 1700, "period": 4, "cycles": 3, "phase": 30}
SPAN, CYCLE = TimeSpan(300.0, 500.0, 1700.0), Cycle(4.0, 3.0, 30.0)
WITHOUT_CENTRE = {key: value for key, value in ALL.items() if key != "centre"}


@pytest.mark.parametrize(
    ("part", "shape"),
    [
        ({"shape": "hold", "level": 700, "duration": 2}, Hold(700.0, 2.0)),
        *(
            ({"shape": kind, **ALL}, Wave(kind, SPAN, CYCLE))
            for kind in ("ramp", "triangle", "sine", "sweep", "square")
        ),
        (
            {"shape": "steps", "levels": [1, 9, 5], "period": 4, "cycles": 3, "phase": 30},
            Levels("steps", (1.0, 9.0, 5.0), CYCLE),
        ),
        (
            {"shape": "staircase", **WITHOUT_CENTRE, "stairs": 3},
            Levels("staircase", (300.0, 1000.0, 1700.0, 1000.0), CYCLE),
        ),
        ({"shape": "chirp", **ALL, "period_end": 0.5}, Chirp(SPAN, CYCLE, 0.5)),
        ({"shape": "wander", **ALL, "seed": 9}, Wander(SPAN, CYCLE, 9, 0)),
    ],
    ids=lambda value: value["shape"] if isinstance(value, dict) else "",
)
def test_each_shape_has_its_keys(part: dict[str, object], shape: Shape) -> None:
    assert shapes(**part) == [shape]  # type: ignore[arg-type]


def test_a_wander_moves_each_channel_by_its_own_stream() -> None:
    both = shapes(channel=[3, 16], shape="wander", low=0, high=2000, period=1)
    assert both == [Wander(TimeSpan(0.0, 1000.0, 2000.0), Cycle(1.0), 1, stream) for stream in (2, 15)]


@pytest.mark.parametrize(
    ("unit", "low", "high"),
    [("%", 50, 50), ("us", 1244.0625, 1755.9375), ("counts", 582.5, 1401.5)],  # 409.5 counts and 255.9375 us each way
)
def test_half_of_the_travel_either_way_unless_given(unit: str, low: float, high: float) -> None:
    # 819 counts are 100 %.
    assert shapes(unit, shape="sine", period=4) == [Wave("sine", TimeSpan(582.5, 992.0, 1401.5), Cycle(4.0))]
    low = -low if unit == "%" else low
    assert shapes(unit, shape="sine", period=4, low=low) == shapes(unit, shape="sine", period=4)
    assert shapes(unit, shape="sine", period=4, high=high) == shapes(unit, shape="sine", period=4)


def test_the_unit_of_a_part_goes_before_that_of_the_program() -> None:
    assert shapes("us", shape="hold", level=1600, duration=1) == [Hold(1152.0, 1.0)]  # 100 us are 160 counts
    assert shapes("us", shape="hold", level=100, duration=1, unit="%") == [Hold(1811.0, 1.0)]
    assert shapes("%", shape="hold", level=1600, duration=1, unit="counts") == [Hold(1600.0, 1.0)]


@pytest.mark.parametrize("unit", ["counts", "us", "%"])
def test_a_level_fits_a_frame_to_its_last_count(unit: str) -> None:
    # A percent is 8.19 counts, a count is 0.625 us.
    first, last = {"counts": (0, 2047), "us": (880, 2159.375), "%": (-121.1233, 128.8155)}[unit]
    got = [shapes(unit, shape="hold", level=level, duration=1)[0].reach[0] for level in (first, last)]
    assert got == pytest.approx([0, 2047], abs=2e-3)
    low, high = {"counts": ("0", "2047"), "us": ("880.0", "2159.4"), "%": ("-121.1", "128.8")}[unit]
    for level in (first - 0.13, last + 0.13):
        assert refusal(unit, shape="hold", level=level, duration=1) == (
            f"level: {level:.10g} {unit} does not fit a frame: give {low} to {high} {unit}"
        )


@pytest.mark.parametrize(
    ("level", "said"),
    [
        (float("nan"), "level: nan counts does not fit a frame: give 0 to 2047 counts"),
        (10**400, "level: a number of thousands of digits counts does not fit a frame: give 0 to 2047 counts"),
        (-(10**9), "level: -1000000000 counts does not fit a frame: give 0 to 2047 counts"),
        (True, "level: true is not a number: give a level in counts"),
        ("on", 'level: "on" is not a number: give a level in counts'),
        (None, "level: missing: state where the channel is"),
    ],
)
def test_what_is_no_level(level: object, said: str) -> None:
    if isinstance(level, int) and level > 10**100:
        said = said.replace("a number of thousands of digits", "1" + "0" * 38 + "…")
    given = {} if level is None else {"level": level}
    assert refusal(shape="hold", duration=1, **given) == said  # type: ignore[arg-type]


@pytest.mark.parametrize(("state", "level"), [("on", 1.0), (True, 1.0), ("off", 0.0), (False, 0.0)])
@pytest.mark.parametrize("channel", [17, 18])
def test_an_on_off_channel_is_on_or_off(channel: int, state: object, level: float) -> None:
    assert shapes(channel=channel, shape="hold", level=state, duration=1) == [Hold(level, 1.0)]
    assert shapes(channel=channel, shape="steps", levels=[state], period=1) == [Levels("steps", (level,), Cycle(1.0))]
    square = Wave("square", TimeSpan(0.0, 0.5, 1.0), Cycle(1.0))
    assert shapes(channel=channel, shape="square", period=1) == [square]


@pytest.mark.parametrize("shape", ["ramp", "triangle", "sine", "sweep", "staircase", "chirp", "wander"])
def test_an_on_off_channel_takes_no_shape_of_levels(shape: str) -> None:
    for channel in (17, 18):
        assert refusal(channel=channel, shape=shape, period=1) == (
            f'shape: "{shape}" does not fit channel {channel}, which is on or off: give hold, square, steps or replay'
        )


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ({"shape": "sine"}, "period: missing: give 0.02 to 86400 s"),
        ({"shape": "chirp", "period": 4}, "period_end: missing: give 0.02 to 86400 s"),
        ({"shape": "hold", "level": 4}, "duration: missing: give 0.02 to 86400 s"),
        ({"shape": "steps", "period": 4}, "levels: missing: write it in brackets, such as [1, 2]"),
        ({"shape": "replay"}, "recording: missing: name the file"),
        ({"shape": "sine", "period": 4, "low": 1500}, "low: 1500 is above high, which is 50 % unless given"),
        ({"shape": "sine", "period": 4, "high": 500}, "high: 500 is below low, which is -50 % unless given"),
        ({"shape": "sine", "period": 4, "low": 5, "high": 4}, "low: 5 is above high, which is 4"),
        ({"shape": "sine", "period": 4, "centre": 300}, "centre: 300 is not between low and high"),
        ({"channel": 0, "shape": "sine", "period": 4}, "channel: 0 is not a channel: give 1 to 18"),
        ({"channel": [1, 19], "shape": "sine", "period": 4}, "channel: 19 is not a channel: give 1 to 18"),
        ({"channel": [1, True], "shape": "sine", "period": 4}, "channel: true is not a channel: give 1 to 18"),
        ({"channel": 1.0, "shape": "sine", "period": 4}, "channel: 1 is not a channel: give 1 to 18"),
        ({"channel": "1", "shape": "sine", "period": 4}, 'channel: "1" is not a channel: give 1 to 18'),
        ({"channel": [2, 3, 2], "shape": "sine", "period": 4}, "channel: [2, 3, 2] names a channel twice"),
    ],
    ids=str,
)
def test_what_is_refused(part: dict[str, object], said: str) -> None:
    whole = refusal(**part)  # type: ignore[arg-type]
    assert whole == said or whole.startswith(f"{said}: ")


@pytest.mark.parametrize("centre", [300, 1700])
def test_the_centre_may_be_at_an_end(centre: int) -> None:
    got = shapes(shape="sine", period=4, low=300, high=1700, centre=centre)
    assert got == [Wave("sine", TimeSpan(300.0, float(centre), 1700.0), Cycle(4.0))]
    assert shapes(shape="sine", period=4, low=300, high=300) == [Wave("sine", TimeSpan(300, 300, 300), Cycle(4.0))]


def replay(load: ReplaySource = GUST, **part: object) -> Replay:
    (only,) = shapes(load=load, shape="replay", recording="gust.pcapng", **part)
    assert isinstance(only, Replay)
    return only


@pytest.mark.parametrize(
    ("part", "t_s", "levels", "seconds", "source"),
    [
        ({}, [0, 0.5, 1, 2], [0, 18, 36, 54], 2.0, 1),
        ({"channel": 16}, [0, 0.5, 1, 2], [15, 33, 51, 69], 2.0, 16),
        ({"from_channel": 4}, [0, 0.5, 1, 2], [3, 21, 39, 57], 2.0, 4),
        ({"channel": 17}, [0, 0.5, 1, 2], [16, 34, 52, 70], 2.0, 17),
        ({"channel": 17, "from_channel": 18}, [0, 0.5, 1, 2], [17, 35, 53, 71], 2.0, 18),
        # It begins with the level that holds then.
        ({"start": 0.5}, [0, 0.5, 1.5], [18, 36, 54], 1.5, 1),
        ({"start": 0.75}, [0, 0.25, 1.25], [18, 36, 54], 1.25, 1),
        ({"duration": 7}, [0, 0.5, 1, 2], [0, 18, 36, 54], 7.0, 1),
        ({"start": 1, "duration": 0.02}, [0, 1], [36, 54], 0.02, 1),
        ({"start": 2}, [0], [54], 0.02, 1),  # as short as a period may be
    ],
    ids=str,
)
def test_a_replay_takes_a_channel_from_a_time_on(
    part: dict[str, object], t_s: list[float], levels: list[float], seconds: float, source: int
) -> None:
    got = replay(**part)  # type: ignore[arg-type]
    assert got.t_s.tolist() == t_s
    assert got.levels.tolist() == levels
    assert (got.seconds, got.source) == (seconds, f"gust.pcapng channel {source}")


def test_a_replay_takes_channels_of_its_kind_from_within_its_recording() -> None:
    for channel, source in ((16, 17), (17, 16), (1, 18)):
        said = refusal(load=GUST, channel=channel, shape="replay", recording="x", from_channel=source)
        assert said.startswith(f"from_channel: {source} is not of one kind with channel {channel}: channels 1-16 hold")
    assert refusal(load=GUST, shape="replay", recording="x", start=2.5) == "start: 2.5 is out of range: give 0 to 2 s"
