"""The drawing and the list."""

import pytest

from busbench.drive.dry_run import DryRun, dry_run
from busbench.drive.frame_generator import EndState
from busbench.drive.preview import (
    changed_lines,
    driven_lines,
    end_line,
    held_still,
    list_lines,
    past_end,
    percent,
    preview_lines,
    scale_line,
)
from busbench.drive.program import Program
from busbench.model import I64
from tests.drive.helpers import counts_of, make, sent


def lines(is_ascii: bool) -> list[str]:
    program = make(
        {"channel": 1, "shape": "square", "low": 592, "high": 1392, "period": 4, "cycles": 2},
        {"channel": 3, "shape": "triangle", "low": 592, "high": 1392, "period": 4},
        {"channel": 18, "shape": "steps", "levels": ["on", "off"], "period": 4, "cycles": 2},
        limits={"rate": 1000},
        channel=[
            {"number": 1, "name": "left aileron", "high": 1292},
            {"number": 3, "name": "motor", "locked": True, "rest": 172},
            {"number": 5, "name": "winch", "locked": True, "rest": 1000},
        ],
        fault=[{"kind": "failsafe", "start": 1, "duration": 0.5}, {"kind": "flips", "duration": 1, "flips": 0.01}],
    )
    return list(preview_lines(program, dry_run(program), end=EndState.REST, is_ascii=is_ascii))


def test_ascii() -> None:
    assert "\n".join(lines(True)) == EXPECTED


def test_unicode_draws_the_same_list() -> None:
    drawn, plain = lines(False), lines(True)
    assert drawn[-9:] == plain[-9:]
    assert any("⠉" in line for line in drawn)
    assert all(len(line) <= 80 for line in drawn + plain if "|" in line or "│" in line)


@pytest.mark.parametrize(("shape", "counts_per_s"), [("sine", 628), ("triangle", 400)])
def test_speed_is_that_of_the_shape_and_not_of_whole_counts(shape: str, counts_per_s: int) -> None:
    # 800 counts in 2 s along straight lines; the steepest slope of a sine of 400 counts is 2 pi 400 / 4.
    program = make({"channel": 1, "shape": shape, "low": 592, "high": 1392, "period": 4, "cycles": 2})
    assert round(float(dry_run(program).fastest[0])) == counts_per_s


# Dots of a cell of Unicode block 2800 by bit: three rows of the left column, three of the right, then the fourth row.
CELL = ((0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (2, 1), (3, 0), (3, 1))


def dots_of(picture: list[str]) -> set[tuple[int, int]]:
    """Row and column of each dot, from the top left."""
    return {
        (4 * row + y, 2 * column + x)
        for row, line in enumerate(picture)
        for column, cell in enumerate(line)
        for bit, (y, x) in enumerate(CELL)
        if cell != " " and (ord(cell) - 0x2800) >> bit & 1
    }


def plain_dots(levels: I64, *, rows: int, columns: int) -> set[tuple[int, int]]:
    """The dots of a drawing of frames, each column from the lowest to the highest of its frames."""
    bottom, top = int(levels.min()), int(levels.max())
    cuts = sorted({column * len(levels) // columns for column in range(columns)})
    found = set()
    for column, (start, stop) in enumerate(zip(cuts, [*cuts[1:], len(levels)], strict=True)):
        low, high = (
            round((int(level) - bottom) / max(top - bottom, 1) * (rows - 1))
            for level in (levels[start:stop].min(), levels[start:stop].max())
        )
        found |= {(rows - 1 - up, column) for up in range(low, high + 1)}
    return found


@pytest.mark.parametrize(
    "part",
    [
        {"shape": "ramp", "low": 300, "high": 1700, "period": 5, "cycles": 2},
        {"shape": "sine", "low": 300, "high": 1700, "period": 0.5, "cycles": 5},
        {"shape": "staircase", "low": 990, "high": 994, "period": 2},
        {"shape": "hold", "level": 993, "duration": 0.1},
        {"shape": "wander", "low": 0, "high": 2047, "period": 0.3, "cycles": 20},
    ],
    ids=lambda part: str(part["shape"]),
)
def test_the_drawing_shows_each_frame(part: dict[str, object]) -> None:
    program = make({"channel": 2, **part}, frame_period=0.02)
    levels = counts_of(sent(program, end=EndState.REST).raw)[:, 1]
    seen = dry_run(program)
    fine, plain = (
        [line.split(edge, 1)[1] for line in preview_lines(program, seen, end=EndState.REST, is_ascii=is_ascii)
         if edge in line and not line.strip().startswith("+0 s")]
        for edge, is_ascii in (("│", False), ("|", True))
    )  # fmt: skip
    assert len(fine) == len(plain) == 5
    assert dots_of(fine) == plain_dots(levels, rows=20, columns=128)
    stars = {(row, column) for row, line in enumerate(plain) for column, cell in enumerate(line) if cell == "*"}
    assert stars == plain_dots(levels, rows=5, columns=64)


def drawing(*parts: dict[str, object], is_ascii: bool = False, **top: object) -> list[str]:
    """The drawing alone."""
    program = make(*parts, frame_period=0.02, **top)
    seen = dry_run(program, end=EndState.SILENCE)
    whole = list(preview_lines(program, seen, end=EndState.SILENCE, is_ascii=is_ascii))
    return whole[3 : next(number for number, line in enumerate(whole) if ": from " in line) - 1]


def test_a_drawing_of_few_frames_is_short() -> None:
    up: dict[str, object] = {"channel": 1, "shape": "steps", "levels": [992, 1811], "period": 0.08}
    assert drawing(up, is_ascii=True) == [
        "channel 1",
        " +100.0 % |  **",
        "          |",
        "          |",
        "          |",
        "    0.0 % |**",
        "          +0 s0.08 s",
    ]
    assert drawing(up) == [
        "channel 1",
        " +100.0 % │ ⠉",
        "          │",
        "          │",
        "          │",
        "    0.0 % │⣀",
        "          └0 s0.08 s",
    ]


def test_a_level_that_stays_is_one_row_and_an_on_off_channel_another() -> None:
    hold: dict[str, object] = {"shape": "hold", "duration": 2.56}
    parts = ({"channel": 1, **hold, "level": 1811}, {"channel": 17, **hold, "level": "on"})
    half = {"channel": 18, "shape": "square", "period": 2.5}  # on in 63 of 128 frames
    limits = {"rest": 1811, "low": 0, "high": 2047, "rate": 1e6}
    assert drawing(*parts, half, limits=limits) == [
        "channel 1",
        " +100.0 % │" + "⣀" * 64,
        "          └0 s" + " " * 55 + "2.56 s",
        "",
        "channel 17",
        "   on/off │" + "▔" * 64,
        "          └0 s" + " " * 55 + "2.56 s",
        "",
        "channel 18",
        "   on/off │" + "▔" * 31 + "|" + "▁" * 32,
        "          └0 s" + " " * 55 + "2.56 s",
    ]
    assert drawing(*parts, half, limits=limits, is_ascii=True)[-2:] == [
        "   on/off |" + "^" * 31 + "|" + "_" * 32,
        "          +0 s" + " " * 55 + "2.56 s",
    ]


HOLD: dict[str, object] = {"shape": "hold", "level": 1811, "duration": 0.2}
QUIET = {"limits": {"rate": 1e6, "low": 0, "high": 2047}, "frame_period": 0.02}


def listed(*parts: dict[str, object], end: EndState = EndState.SILENCE, **top: object) -> list[str]:
    program = make(*parts, **{**QUIET, **top})
    return list(list_lines(program, dry_run(program, end=end), end=end))


@pytest.mark.parametrize(("end", "said"), [
    (EndState.REST, "at the end: ramp to the rest values, then silence"),
    (EndState.HOLD, "at the end: hold the last values"),
    (EndState.SILENCE, "at the end: silence at once"),
])  # fmt: skip
def test_a_list_names_all_channels_and_the_end(end: EndState, said: str) -> None:
    assert listed({"channel": 1, **HOLD}, end=end) == [
        "channel 1: from 0 s: hold for 0.2 s",
        "    goes from 0.0 to +100.0 % (992 to 1811 counts), at most 40950 counts/s",  # from where it rests
        "channels 2-16: at rest, 0.0 % (992 counts)",
        "channels 17-18: at rest, off",
        "end byte: 0x00",
        said,
    ]
    assert end_line(end) == said


def test_channels_at_one_value_are_in_one_line_by_their_numbers() -> None:
    channels: list[dict[str, object]] = [{"number": number, "rest": 1811} for number in (2, 4, 5, 6, 9, 16)]
    channels += [{"number": 11, "rest": 173}, {"number": 18, "rest": "on"}, {"number": 12, "locked": True, "rest": 900}]
    channels += [{"number": 17, "locked": True, "rest": "on"}]
    assert listed({"channel": 1, **HOLD}, channel=channels)[2:-2] == [
        "channel 12: locked at -11.2 % (900 counts)",
        "channel 17: locked at on",
        "channels 2, 4-6, 9, 16: at rest, +100.0 % (1811 counts)",
        "channels 3, 7-8, 10, 13-15: at rest, 0.0 % (992 counts)",
        "channel 11: at rest, -100.0 % (173 counts)",
        "channel 18: at rest, on",
    ]


def test_parts_repeats_and_locks_of_driven_channels() -> None:
    on = {"channel": 17, "shape": "hold", "level": "on", "duration": 0.2}
    channels = [{"number": 2, "name": "motor", "locked": True, "rest": 173}, {"number": 18, "locked": True}]
    got = listed(
        {"channel": [1, 2], **HOLD},
        {"channel": 1, **HOLD, "level": 992, "delay": 0.3},
        on,
        {**on, "channel": 18},
        repeat=3,
        channel=channels,
    )
    assert got[:9] == [
        "channel 1: from 0 s: hold for 0.2 s, all of it 3 times",
        "channel 1: from 0.5 s: hold for 0.2 s, all of it 3 times",
        "    goes from 0.0 to +100.0 % (992 to 1811 counts), at most 40950 counts/s",
        "channel 2 (motor): from 0 s: hold for 0.2 s, all of it 3 times",
        "    LOCKED at -100.0 % (173 counts): it will not move",
        "channel 17: from 0 s: hold for 0.2 s, all of it 3 times",
        "channel 18: from 0 s: hold for 0.2 s, all of it 3 times",
        "    LOCKED at off: it will not move",
        "channels 3-16: at rest, 0.0 % (992 counts)",
    ]


@pytest.mark.parametrize(
    ("number", "said"),
    [(39, []), (40, []), (41, ["and 1 fault more"]), (42, ["and 2 faults more"]), (1040, ["and 1,000 faults more"])],
)
def test_faults_are_listed_up_to_a_number(number: int, said: list[str]) -> None:
    kinds = [
        ({"kind": "lost", "start": 0.02, "duration": 0.1}, "fault: frame-lost flag from 0.02 s for 0.1 s"),
        ({"kind": "failsafe", "duration": 0.02}, "fault: failsafe flag from 0 s for 0.02 s"),
        ({"kind": "gap", "start": 0.1, "duration": 0.02}, "fault: no frames from 0.1 s for 0.02 s"),
        (
            {"kind": "flips", "duration": 9, "flips": 0.25, "seed": 4},
            "fault: line noise, 0.25 of bytes struck, seed 4 from 0 s for 9 s",
        ),
    ]
    chosen = [kinds[i % 4] for i in range(number)]
    got = listed({"channel": 1, **HOLD}, fault=[fault for fault, _ in chosen])
    assert got[got.index("end byte: 0x00") + 1 : -1] == [text for _, text in chosen[:40]] + said


def test_end_bytes_in_turn() -> None:
    got = listed({"channel": 1, **HOLD}, end_byte="slots")
    assert got[-2] == "end byte: 0x04 0x14 0x24 0x34 in turn"


@pytest.mark.parametrize(("repeat", "shapes_s"), [(1, 0.2), (3, 0.6)])
def test_a_fault_past_the_shapes_is_said_to_be(repeat: int, shapes_s: float) -> None:
    def ends(at_s: float) -> Program:
        fault = [{"kind": "gap", "start": 0.1, "duration": at_s - 0.1}]
        return make({"channel": 1, **HOLD}, fault=fault, repeat=repeat, **QUIET)

    assert past_end(ends(shapes_s)) == ""
    assert past_end(ends(shapes_s + 0.019)) == ""  # within the last frame
    said = f"a fault goes on past the end of the shapes at {shapes_s:g} s: the program lasts {shapes_s + 1:g} s"
    assert past_end(ends(shapes_s + 1)) == said
    got = list(list_lines(late := ends(shapes_s + 1), dry_run(late), end=EndState.REST))
    assert got[-2] == f"    {said}"


def held(slots: int, **top: object) -> tuple[Program, DryRun]:
    """A program whose target jumps beyond the rate in its second slot, and is reached in its last."""
    parts = [
        {"channel": 1, "shape": "hold", "level": 992, "duration": 0.02},
        {"channel": 1, "shape": "hold", "level": 992 + 10 * (slots - 1), "duration": 0.02 * (slots - 1)},
    ]
    program = make(*parts, **{**QUIET, "limits": {"rate": 500}, **top})  # 10 counts in a frame
    return program, dry_run(program, end=EndState.SILENCE)


@pytest.mark.parametrize(
    ("slots", "said"),
    [(2, None), (3, "1 of 3 frames"), (60, "58 of 60 frames")],
)
def test_what_limits_hold_back_is_counted(slots: int, said: str | None) -> None:
    program, seen = held(slots)
    warning = [f"    its limits hold it back in {said}: it will not follow the shape there"] if said else []
    assert list(driven_lines(program, seen, 0))[3:] == warning
    assert list(changed_lines(program, seen)) == ([f"channel 1: its limits change {said}"] if said else [])
    drawn = list(preview_lines(program, seen, end=EndState.SILENCE, is_ascii=True))
    assert [line for line in drawn if "hold it back" in line] == warning
    assert drawn[4 : 4 + len(warning)] == warning  # below the name, above the picture


def test_what_a_lock_holds_back_is_no_change_but_stays_still() -> None:
    on = {"channel": 17, "shape": "hold", "level": "on", "duration": 0.2}
    channels = [{"number": 17, "locked": True}, {"number": 3, "name": "motor", "locked": True, "rest": 173}]
    parts = ({"channel": 3, **HOLD}, on, {"channel": 1, **HOLD}, {"channel": 3, **HOLD})
    program = make(*parts, channel=channels, **QUIET)
    seen = dry_run(program)
    assert list(changed_lines(program, seen)) == []
    assert list(held_still(program)) == [
        "channel 3 (motor): locked at -100.0 % (173 counts): it does not move",
        "channel 17: locked at off: it does not move",
    ]
    assert not any("hold it back" in line for line in preview_lines(program, seen, end=EndState.REST, is_ascii=False))


@pytest.mark.parametrize(
    ("counts", "said"),
    [(992, "0.0"), (992.4, "0.0"), (991.6, "0.0"), (991.5, "-0.1"), (1811, "+100.0"), (172, "-100.1"), (1000, "+1.0")],
)
def test_percent_has_a_sign_but_for_zero(counts: float, said: str) -> None:
    assert percent(make({"channel": 1, **HOLD}), counts) == said


def test_an_end_that_is_rounded_to_counts_is_stated_as_it_was_asked_for() -> None:
    # 12.34 % of 819 counts are 101.06 counts, 101 of them are 12.3 %; 6.15 % are 50.4, and 50 are 6.1 %.
    part = {"channel": 1, "shape": "square", "low": -6.2, "high": 6.2, "unit": "%", "period": 0.2}
    asked = listed(part)[1]
    assert asked.startswith("    goes from -6.2 to +6.2 % (941 to 1043 counts)")
    held_to = listed({**part, "high": 100}, limits={"rate": 1e6, "high": 1811.0 - 100, "low": 0})[1]
    assert held_to.startswith("    goes from -6.2 to +87.8 % (941 to 1711 counts)")


def test_the_scale_is_named_in_both_forms() -> None:
    program = make({"channel": 1, **HOLD}, scale={"centre_counts": 1024, "centre_us": 1520, "us_per_count": 0.5})
    assert scale_line(program, is_ascii=False) == "scale: 1520 µs at 1024 counts, 0.5 µs a count (an assumption)"
    assert scale_line(program, is_ascii=True) == "scale: 1520 us at 1024 counts, 0.5 us a count (an assumption)"


EXPECTED = """\
Heron: 1,248 frames in 8.736 s, one every 7 ms
scale: 1500 us at 992 counts, 0.625 us a count (an assumption)

channel 1 (left aileron)
    its limits hold it back in 764 of 1,143 frames: it will not follow the shape there
  +36.6 % | *****************                  ***********
          |**               **               ***         ***
          |*                 ***            **             **            **
          |                    **          **               **          **
  -48.8 % |                     ************                 ************
          +0 s                                                       8.74 s

channel 3 (motor)
 -100.1 % |****************************************************************
          +0 s                                                       8.74 s

channel 18
   on/off |^^^^^^^^^^^^^^^^|______________|^^^^^^^^^^^^^^|_________________
          +0 s                                                       8.74 s

channel 1 (left aileron): from 0 s: square, 2 cycles of 4 s
    goes from -48.8 to +36.6 % (592 to 1292 counts), at most 1000 counts/s
channel 3 (motor): from 0 s: triangle, 1 cycle of 4 s
    LOCKED at -100.1 % (172 counts): it will not move
channel 18: from 0 s: steps through 2 levels, 2 cycles of 4 s
channel 5 (winch): locked at +1.0 % (1000 counts)
channels 2, 4, 6-16: at rest, 0.0 % (992 counts)
channel 17: at rest, off
end byte: 0x00
fault: failsafe flag from 1 s for 0.5 s
fault: line noise, 0.01 of bytes struck, seed 0 from 0 s for 1 s
at the end: ramp to the rest values, then silence"""
