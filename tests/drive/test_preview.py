"""The drawing and the list."""

import pytest

from busbench.drive.dry_run import dry_run
from busbench.drive.frame_generator import EndState
from busbench.drive.preview import preview_lines
from tests.drive.helpers import make


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
