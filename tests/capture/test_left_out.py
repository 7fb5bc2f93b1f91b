"""Comments of what was left out and of minutes: their text, their limits, and what they say as plain values."""

from __future__ import annotations

import pytest

from busbench.capture.left_out import LeftOut, MinuteTotals, parse_left_out, parse_minute

LEFT = LeftOut(5_000, 9_000, 12, 345)
LEFT_SAID = "left-out=000000000012,000000000000345,0000000000000004000"
MINUTE = MinuteTotals(70, 3, 4_285, {"lost": (2, 7), "damaged": (1, 0)})
MINUTE_SAID = (
    "minute=000000003: frames 000004285, gap 000000 000000000, lost 000002 000000007, failsafe 000000 000000000,"
    " damaged 000001 000000000"
)


def test_what_is_written_is_read_again() -> None:
    assert (LEFT.comment(), LEFT.t_ns) == (LEFT_SAID, 9_000)
    assert parse_left_out(LEFT_SAID, 9_000) == LEFT
    assert MINUTE.comment() == MINUTE_SAID
    found = parse_minute(MINUTE_SAID, 70)
    assert found == MinuteTotals(70, 3, 4_285, {"gap": (0, 0), "lost": (2, 7), "failsafe": (0, 0), "damaged": (1, 0)})
    assert (found.missed, MINUTE.missed, MinuteTotals(0, 0, 0).missed) == (7, 7, 0)


def test_minutes_as_plain_values() -> None:
    assert MINUTE.to_json() == {
        "start_s": 180.0,
        "frames": 4_285,
        "missed": 7,
        "summary": {"lost": {"count": 2, "frames": 7}, "damaged": {"count": 1, "frames": 0}},
    }


@pytest.mark.parametrize(
    ("comment", "expected"),
    [
        ("left-out=1,2,3", LeftOut(97, 100, 1, 2)),
        ("left-out=0,0,0", LeftOut(100, 100, 0, 0)),
        (f"left-out={'9' * 12},{'9' * 15},0", LeftOut(100, 100, 10**12 - 1, 10**15 - 1)),
        (f"left-out=1,1,{1 << 60}", LeftOut(100 - (1 << 60), 100, 1, 1)),
        (f"left-out=1,1,{(1 << 60) + 1}", LeftOut(100 - (1 << 60), 100, 1, 1)),  # at most 36 years
        (f"left-out=1,1,{'9' * 19}", LeftOut(100 - (1 << 60), 100, 1, 1)),
        (f"left-out={'9' * 13},1,1", None),
        (f"left-out=1,{'9' * 16},1", None),
        (f"left-out=1,1,{'9' * 20}", None),
        ("left-out=1,2", None),
        ("left-out=1,2,", None),
        ("left-out=1,2,-3", None),
        ("left-out=1,2,3 ", None),
        (" left-out=1,2,3", None),
    ],
)
def test_comments_of_what_was_left_out(comment: str, expected: LeftOut | None) -> None:
    assert parse_left_out(comment, 100) == expected


@pytest.mark.parametrize(
    "comment",
    [
        MINUTE_SAID + " ",
        MINUTE_SAID.replace("gap", "hole"),
        MINUTE_SAID.replace("minute=0", "minute=00"),
        MINUTE_SAID.replace("frames 0", "frames 00"),
        MINUTE_SAID.replace("lost 0", "lost 00"),
        MINUTE_SAID.replace("000002 0", "000002 00"),
        MINUTE_SAID.partition(", damaged")[0],
        LEFT_SAID,
    ],
)
def test_other_comments_are_no_minute(comment: str) -> None:
    assert parse_minute(comment, 0) is None
