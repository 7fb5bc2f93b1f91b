"""Programs as people write them, and what they hear when they write nonsense."""

from pathlib import Path

import numpy as np
import pytest

from busbench.drive.part_parser import ReplaySource
from busbench.drive.program import Program
from busbench.drive.program_file import ProgramReader, build_program, read_program
from busbench.errors import DriveError
from tests.drive.helpers import make, no_recording

HERON = """\
name = "Heron: ailerons, then elevator"
order = "in turn"
frame_period = 0.014
end_byte = "slots"
repeat = 2

[limits]
low = -80
high = 80
rate = 50

[[channel]]
number = 3
name = "motor"
locked = true
rest = -100

[[part]]
channel = [1, 2]
shape = "triangle"
low = -40
high = 40
period = 4

[[part]]
channel = 4
shape = "steps"
levels = [1300, 1700]
unit = "us"
period = 2
delay = 0.5

[[fault]]
kind = "failsafe"
start = 1
duration = 0.5
"""


def read(tmp_path: Path, text: str) -> Program:
    path = tmp_path / "heron.toml"
    path.write_text(text, encoding="utf-8")
    return read_program(path, load=no_recording)


def line(tmp_path: Path, text: str) -> str:
    with pytest.raises(DriveError) as caught:
        read(tmp_path, text)
    return str(caught.value).replace(str(tmp_path) + "/", "")


def test_all_of_a_file(tmp_path: Path) -> None:
    program = read(tmp_path, HERON)
    assert program.name == "Heron: ailerons, then elevator"
    assert (program.period_s, program.end_bytes, program.repeat) == (0.014, (0x04, 0x14, 0x24, 0x34), 2)
    assert [(p.channel, p.start_s, p.end_s) for p in program.parts] == [(0, 0.0, 4.0), (1, 0.0, 4.0), (3, 4.5, 6.5)]
    assert program.round_s == 6.5
    assert program.duration_s == 13.0
    assert program.named(2) == "channel 3 (motor)"
    motor, other = program.limits.channels[2], program.limits.channels[0]
    assert motor.is_locked
    assert motor.rest < 180
    assert not other.is_locked
    assert (other.low, other.high, other.rest) == (337, 1647, 992)
    assert other.rate == pytest.approx(50 * (other.high - other.low) / 160, rel=1e-3)
    rows = program.wanted(0, program.slots)
    assert np.isnan(rows[:, 2]).all()
    at_5_s = rows[round(5 / 0.014)]
    assert at_5_s[3] == 672.0  # 1300 us is 200 us below 1500, at 0.625 us a count 320 counts
    assert np.isnan(at_5_s[0])


def test_together_each_channel_does_its_own_parts_in_turn() -> None:
    hold = {"shape": "hold", "level": 1000, "duration": 2}
    program = make({"channel": 1, **hold}, {"channel": [1, 2], **hold}, {"channel": 2, "delay": 1, **hold})
    assert [(p.channel + 1, p.start_s) for p in program.parts] == [(1, 0.0), (1, 2.0), (2, 0.0), (2, 3.0)]


def test_a_repeat_begins_anew() -> None:
    program = make({"channel": 1, "shape": "ramp", "low": 0, "high": 2000, "period": 2}, repeat=3, frame_period=0.5)
    assert program.wanted(0, 13)[:, 0].tolist()[:12] == [0.0, 500.0, 1000.0, 1500.0] * 3
    assert np.isnan(program.wanted(12, 1)[0, 0])


def test_replay_takes_the_asked_channel_from_the_asked_time() -> None:
    def load(name: str) -> ReplaySource:
        assert name == "gust.pcapng"
        levels = np.zeros((4, 18))
        levels[:, 4] = [900.0, 910.0, 920.0, 930.0]
        return ReplaySource(np.array([0.0, 0.01, 0.02, 0.03]), levels)

    part = {"channel": 2, "shape": "replay", "recording": "gust.pcapng", "from_channel": 5, "start": 0.01}
    reader = ProgramReader({"frame_period": 0.01, "part": [part]}, source="top")
    program = build_program(reader, name="t", load=load)
    assert program.wanted(0, 3)[:2, 1].tolist() == [910.0, 920.0]


PART = '[[part]]\nchannel = 1\nshape = "sine"\nperiod = 4\n'


@pytest.mark.parametrize(
    ("text", "want"),
    [
        (
            PART.replace("period = 4", "period = -4"),
            "heron.toml, part[1].period: -4 is out of range (table at line 1): give 0.02 to 86400 s",
        ),
        (
            PART.replace("period = 4", "period = nan"),
            "heron.toml, part[1].period: nan is not a number (table at line 1): give 0.02 to 86400 s",
        ),
        (
            PART.replace("period = 4", "period = 1e300"),
            "heron.toml, part[1].period: 1e+300 is out of range (table at line 1): give 0.02 to 86400 s",
        ),
        (
            PART.replace("period = 4", 'period = "4 s"'),
            'heron.toml, part[1].period: "4 s" is not a number (table at line 1): give 0.02 to 86400 s',
        ),
        (PART.replace("period = 4", ""), "heron.toml, part[1].period: missing (table at line 1): give 0.02 to 86400 s"),
        (
            PART.replace("channel = 1", "channel = 19"),
            "heron.toml, part[1].channel: 19 is not a channel (table at line 1): give 1 to 18",
        ),
        (
            PART.replace("channel = 1", "channel = 0"),
            "heron.toml, part[1].channel: 0 is not a channel (table at line 1): give 1 to 18",
        ),
        (
            PART.replace("= 1", "= true"),
            "heron.toml, part[1].channel: true is not a channel (table at line 1): give 1 to 18",
        ),
        (
            PART.replace("channel = 1", "channel = [2, 2]"),
            "heron.toml, part[1].channel: [2, 2] names a channel twice (table at line 1): name each once",
        ),
        (
            PART.replace("channel = 1", "channel = []"),
            "heron.toml, part[1].channel: [] names no channel (table at line 1): give 1 to 18",
        ),
        (
            PART.replace("channel = 1", "channel = 17"),
            'heron.toml, part[1].shape: "sine" does not fit channel 17, which is on or off (table at'
            " line 1): give hold, square, steps or replay",
        ),
        (
            PART + "low = 50\nhigh = -50\n",
            "heron.toml, part[1].low: 50 is above high, which is -50 (table at line 1): low must not exceed high",
        ),
        (
            PART + "centre = 60\n",
            "heron.toml, part[1].centre: 60 is not between low and high (table at line 1): give a"
            " level between them, or leave it out",
        ),
        (
            PART + "high = 1e400\n",
            "heron.toml, part[1].high: inf % does not fit a frame (table at line 1): give -121.1 to 128.8 %",
        ),
        (
            PART + 'unit = "us"\nlow = 100\nhigh = 2000\n',
            "heron.toml, part[1].low: 100 us does not fit a frame (table at line 1): give 880.0 to 2159.4 us",
        ),
        (
            PART + 'unit = "counts"\nlow = 0\nhigh = 2048\n',
            "heron.toml, part[1].high: 2048 counts does not fit a frame (table at line 1): give 0 to 2047 counts",
        ),
        (
            PART + 'unit = "ms"\n',
            'heron.toml, part[1].unit: "ms" is not known (table at line 1): give "%", "counts" or "us"',
        ),
        (
            PART.replace("sine", "zigzag"),
            'heron.toml, part[1].shape: "zigzag" is not known (table at line 1): give "chirp", "hold",'
            ' "ramp", "replay", "sine", "square", "staircase", "steps", "sweep", "triangle" or "wander"',
        ),
        (
            PART + "stairs = 4\n",
            "heron.toml, part[1].stairs: not a key of a part with shape sine (table at line 1): it"
            " knows channel, shape, unit, delay, low, high, centre, period, cycles, phase",
        ),
        (
            PART + "cycles = 1e6\n",
            "heron: lasts 4,000,000 s: keep it to 604,800 s (7 days)",
        ),
        ("", "heron.toml, part: missing: write [[part]], and below it channel and shape"),
        ("part = 3\n", "heron.toml, part: 3 is not a list of tables: write [[part]] above each"),
        ("frame_period = 7\n" + PART, "heron.toml, frame_period: 7 is out of range: give 0.004 to 1 s"),
        (
            'end_byte = "0x05"\n' + PART,
            'heron.toml, end_byte: "0x05" is not an end byte:'
            " give 0x00, 0x04, 0x14, 0x24, 0x34 or slots (the last four in turn)",
        ),
        ("repeat = 1.5\n" + PART, "heron.toml, repeat: 1.5 is not a whole number: give 1 to 1000000"),
        (
            PART + '[[fault]]\nkind = "gremlin"\n',
            'heron.toml, fault[1].kind: "gremlin" is not known (table at line 5): give "failsafe",'
            ' "flips", "gap" or "lost"',
        ),
        (
            PART + '[[fault]]\nkind = "lost"\nduration = 1\nflips = 0.1\n',
            "heron.toml, fault[1].flips: not a key of a fault of kind lost (table at line 5): it"
            " knows kind, start, duration",
        ),
        (
            PART + "[[channel]]\nnumber = 3\nlocked = true\n",
            "heron.toml, channel[1].rest: missing (table at line 5): state where it is locked, as at a motor's off",
        ),
        (
            PART + "[[channel]]\nnumber = 3\n[[channel]]\nnumber = 3\n",
            "heron.toml, channel[2].number: 3 is in two tables (table at line 7): join the two",
        ),
        (
            PART + "[limits]\nlow = 80\nhigh = -80\n",
            "heron.toml, limits.low: 80 puts low above high: low must not exceed high",
        ),
        (
            PART + "[limits]\nlow = 20\n",
            "heron.toml, limits.low: 20 leaves the rest value outside: give rest too",
        ),
        (
            PART + "[limits]\nrate = 0\n",
            "heron.toml, limits.rate: 0 is out of range: give 0.001 to 1000000 per second",
        ),
        (
            PART + "[limits]\nhigh = 200\n",
            "heron.toml, limits.high: 200 % does not fit a frame: give -121.1 to 128.8 %",
        ),
        (
            "wings = 2\n" + PART,
            "heron.toml, wings: not a key of a program: it knows name, unit, order, frame_period,"
            " end_byte, repeat, scale, limits, channel, part, fault",
        ),
        ("part = ]\n", "heron.toml: line 1 has a value that is not TOML: write texts in quotes, numbers with a point"),
    ],
)
def test_nonsense_gets_one_line(tmp_path: Path, text: str, want: str) -> None:
    assert line(tmp_path, text) == want


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(DriveError, match=r"gone\.toml: file not found"):
        read_program(tmp_path / "gone.toml", load=no_recording)
    with pytest.raises(DriveError, match="this is a folder"):
        read_program(tmp_path, load=no_recording)
    noise = tmp_path / "noise.toml"
    noise.write_bytes(b"name = \xff\xfe")
    with pytest.raises(DriveError, match=r"noise\.toml: line 1 is not UTF-8 text"):
        read_program(noise, load=no_recording)


def test_a_switch_takes_on_and_off_only() -> None:
    hold = {"channel": 18, "shape": "hold", "duration": 1}
    assert make({**hold, "level": "on"}).wanted(0, 1)[0, 17] == 1.0
    assert make({**hold, "level": False}).wanted(0, 1)[0, 17] == 0.0
    with pytest.raises(DriveError, match=r"part\[1\]\.level: 50 is not a state of channel 18: give on or off"):
        make({**hold, "level": 50})


def test_a_channel_with_either_limit_states_its_travel_and_one_with_a_rest_its_rest() -> None:
    channels = [{"number": 5, "rest": 992}, {"number": 6, "low": 200}, {"number": 7, "high": 1800}, {"number": 8}]
    program = make({"channel": 1, "shape": "hold", "level": 992, "duration": 1}, channel=channels)
    assert (sorted(program.stated_rests), sorted(program.stated_travels)) == ([4], [5, 6])


def test_a_replay_begins_within_its_recording_and_lasts_to_its_end() -> None:
    levels = np.full((3, 18), 992.0)
    part = {"channel": 2, "shape": "replay", "recording": "gust.pcapng"}

    def replayed(start: float) -> float:
        reader = ProgramReader({"unit": "counts", "part": [{**part, "start": start}]}, source="top")
        load = ReplaySource(np.array([0.0, 0.03, 0.06]), levels)
        return build_program(reader, name="Heron", load=lambda _: load).parts[0].shape.duration_s

    assert replayed(0.0) == pytest.approx(0.06)
    assert replayed(0.03) == pytest.approx(0.03)
    with pytest.raises(DriveError, match=r"is out of range: give 0 to 0\.06 s"):
        replayed(0.07)
