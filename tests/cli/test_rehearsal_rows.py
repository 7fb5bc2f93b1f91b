"""The rows of a rehearsal: one each half second, whatever the frame period and however the frames come."""

from __future__ import annotations

from typing import Any

import pytest

from busbench.cli import output
from busbench.cli.drive import load_program
from busbench.cli.drive_output import _columns, rehearse, rehearse_on
from busbench.drive.frame_generator import frame_blocks
from busbench.drive.program import Program
from busbench.rig.load import parse_rig
from tests.cli.running import SMALL


def program(shape: str, channel: int = 1, *, period_s: float = 0.25, **more: Any) -> Program:
    return load_program(shape, {"channel": (channel,), "frame_period": period_s, **more})


@pytest.mark.parametrize("block", [1, 2, 3, 99])
def test_rows_are_half_a_second_apart_over_blocks_of_any_length(block: int) -> None:
    steps = program("steps", levels="0,20", period=2.0, gap=("1:0.5",))
    assert list(rehearse(steps, frame_blocks(steps, block=block))) == [
        "     time            ch 1",
        "   0.00 s       0.0 %  992",
        "   0.50 s       0.0 %  992",
        "   1.00 s       0.0 %  992  (gap)",
        "   1.50 s     +20.0 % 1156",
        "   2.00 s       0.0 %  992",
        "   2.50 s       0.0 %  992",
        "rehearsed 12 frames in 3.00 s; nothing was sent",
    ]
    rig = parse_rig(SMALL)
    hold = program("hold", 2, level="10", duration=1.0)
    assert [line.split()[::2][:2] for line in rehearse_on(rig, hold, frame_blocks(hold, block=block))] == [
        ["time", "supply"], ["0.00", "+0.0"], ["0.50", "+10.0"], ["1.00", "+10.0"], ["1.50", "+10.0"],
        ["2.00", "+0.0"], ["rehearsed", "frames"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("period_s", "times"), [(1.0, ["0.00", "1.00", "2.00"]), (0.5, ["0.00", "0.50", "1.00"])], ids=str
)
def test_of_frames_further_apart_each_has_a_row(period_s: float, times: list[str]) -> None:
    hold = program("hold", period_s=period_s, level="0", duration=2.0)
    rows = [line.split()[0] for line in rehearse(hold, frame_blocks(hold))]
    assert rows[1:4] == times
    rows = [line.split()[0] for line in rehearse_on(parse_rig(SMALL), hold, frame_blocks(hold))]
    assert rows[1:4] == times


@pytest.mark.parametrize("channel", [17, 18])
def test_an_on_off_channel_is_read_from_its_own_bit(channel: int) -> None:
    hold = program("hold", channel, level="on", duration=1.0)
    rows = [line.split() for line in rehearse(hold, frame_blocks(hold))]
    assert rows[0] == ["time", "ch", str(channel)]
    assert [row[-1] for row in rows[1:-1]] == ["on", "on", "off", "off"]


def test_a_receiver_that_restarts_twice_says_so_each_time() -> None:
    rig = parse_rig(
        SMALL.replace("voltage_v = 7.4", "voltage_v = 7.4\nresistance_ohm = 1\nminimum_v = 5.5").replace(
            'name = "left aileron"\n', 'name = "left aileron"\ncurrent_a = { idle = 0, moving = 3, stall = 3 }\n'
        )
    )
    # Two moves with a rest between them that outlasts a restart.
    steps = program("steps", levels="0,100,0", period=9.0, rate=1e5)
    lines = list(rehearse_on(rig, steps, frame_blocks(steps)))
    told = [line.split(maxsplit=2) for line in lines if "restarts" in line]
    assert [words for *_, words in told] == ["the receiver has too little voltage (4.4 V) and restarts"] * 2
    assert float(told[0][0]) >= 3
    assert float(told[1][0]) >= 6


@pytest.mark.parametrize(
    ("counts", "line"),
    [
        (1028, "rudder: its neutral lies at level +4.4 %, so at level 0 it is at -4.4 %"),
        (956, "rudder: its neutral lies at level -4.4 %, so at level 0 it is at +4.4 %"),
        (997, "rudder: its neutral lies at level +0.6 %, so at level 0 it is at -0.6 %"),
        (996, None),  # 0.49 %
    ],
)
def test_a_neutral_beside_the_middle_is_named_from_half_a_percent_on(
    counts: int, line: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    us = 1500 + 0.625 * (counts - 992)
    rig = parse_rig(SMALL.replace("channel = 2", f"channel = 2\nneutral_us = {us}"))
    for channel, expected in ((2, line), (1, None)):  # the aileron moves alone: the rudder is not shown
        hold = program("hold", channel, level="0", duration=1.0)
        list(rehearse_on(rig, hold, frame_blocks(hold)))
        assert capsys.readouterr().err.splitlines() == [expected] * (expected is not None)


def test_columns_of_an_aircraft_are_as_wide_as_the_line_lets_them(monkeypatch: pytest.MonkeyPatch) -> None:
    assert _columns(["rudder", "left aileron"]) == (
        12, "  ", [(["      rudder", "left aileron"], "time", "supply A")],
    )  # fmt: skip
    six = ["wing"] * 6
    monkeypatch.setattr(output, "WIDTH", 20 + 11 * 6)
    assert _columns(six) == (9, "  ", [(["     wing"] * 6, "time", "supply A")])
    monkeypatch.setattr(output, "WIDTH", 20 + 11 * 6 - 1)  # one column less: two lines, the first with the unit
    assert _columns(six) == (9, " ", [([" " * 9] * 6, "in %", ""), (["     wing"] * 6, "time", "supply A")])
    monkeypatch.setattr(output, "WIDTH", 19 + 8 * 6)
    width, gap, heads = _columns([*six[:5], "left elevator tip"])
    assert (width, gap) == (7, " ")
    assert [(head[-1], time, supply) for head, time, supply in heads] == [
        ("   left", "in %", ""), ("elevat…", "", ""), ("    tip", "time", "supply A"),
    ]  # fmt: skip
    monkeypatch.setattr(output, "WIDTH", 40)
    assert _columns(six)[0] == 6  # -100.0 fits


def test_a_slow_device_goes_on_while_no_frames_are_sent() -> None:
    rig = parse_rig(SMALL.replace("channel = 2", "channel = 2\nspeed_s_per_60deg = 2"))
    steps = program("steps", 2, levels="0,100", period=4.0, rate=1e5, gap=("2.5:1.5",))
    rows = [line.split() for line in rehearse_on(rig, steps, frame_blocks(steps))]
    at = {row[0]: float(row[2]) for row in rows[1:-1]}
    # 60 degrees in 2 s, and full command is 45 degrees: 33.3 % in half a second.
    assert [at[f"{2 + step / 2:.2f}"] - at["2.00"] for step in range(4)] == pytest.approx(
        [0, 33.3, 66.7, 100], abs=0.11
    )


def test_a_device_on_the_last_channel_has_a_neutral_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    rig = parse_rig(SMALL.replace("channel = 2", "channel = 16\nneutral_us = 1520"))
    hold = program("hold", 16, level="0", duration=1.0)
    list(rehearse_on(rig, hold, frame_blocks(hold)))
    assert capsys.readouterr().err == "rudder: its neutral lies at level +3.9 %, so at level 0 it is at -3.9 %\n"


@pytest.mark.parametrize(("many", "gap"), [(8, "  "), (9, " ")])
def test_eight_columns_of_percent_have_two_blanks_between_them(many: int, gap: str) -> None:
    hold = load_program("hold", {"channel": tuple(range(1, many + 1)), "level": "0", "duration": 0.5})
    head = next(rehearse(hold, frame_blocks(hold)))
    assert head == gap.join(["     time", *(f"  ch {channel}" for channel in range(1, many + 1))])
