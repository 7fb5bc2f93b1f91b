"""Pictures of characters by their literal look."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.tui.app_state import AppState
from busbench.tui.draw import ASCII, UNICODE, bars, large, large_scale, ruler, traces
from busbench.tui.palette import choose
from busbench.tui.widgets.channels import channel_heights, channels_below, columns
from tests.tui.ports import Live


def plain(pieces: list[tuple[str, str]]) -> str:
    return "".join(text for text, _ in pieces)


@pytest.mark.parametrize(
    ("value", "low", "high", "look"),
    [
        (992, 992, 992, "-+-------#-------+--"),
        (0, 0, 0, "#+-------+-------+--"),
        (2047, 172, 2047, "-==================#"),
        (1811, 500, 1811, "-+--=============#--"),
    ],
)
def test_a_ruler(value: int, low: int, high: int, look: str) -> None:
    assert plain(ruler(value, low, high, 20, ASCII)) == look


def test_a_ruler_of_two_states() -> None:
    assert plain(ruler(1, 0, 1, 8, UNICODE, top=1)) == "━━━━━━━◆"


def lanes(*values: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return np.array([values], np.int16), np.array([0], np.uint16), np.array([1600], np.uint16)


def test_a_trace_of_plain_characters() -> None:
    assert traces(*lanes(0, 399, 400, 800, 1200, 1600, -1, 0), ASCII) == [["__.-'' _"]]


def test_a_trace_of_dots_joins_steps_and_leaves_holes() -> None:
    assert traces(*lanes(0, 0, 0, 0), UNICODE) == [["⣀⣀"]]
    assert traces(*lanes(0, 0, 1600, 1600), UNICODE) == [["⣀⠏"]]
    assert traces(*lanes(1600, -1, -1, 0), UNICODE) == [["⠁⢀"]]


def test_a_trace_of_two_lines() -> None:
    ((top, bottom),) = traces(*lanes(0, 0, 1600, 1600), UNICODE, rows=2)
    assert (top, bottom) == ("⠀⡏", "⣀⠇")


def test_a_still_lane_is_a_line_in_the_middle() -> None:
    values = np.array([[992, 993, 992, 992]], np.int16)
    (line,) = traces(values, np.array([992], np.uint16), np.array([993], np.uint16), ASCII)
    assert line == ["----"]


def test_bars_show_the_smallest_count() -> None:
    assert bars(np.array([0, 1, 1000, 500]), 4, 2, ASCII) == ["  | ", " .||"]
    assert bars(np.array([1, 1, 2, 2]), 2, 1, UNICODE) == ["▄█"]


def test_large_figures() -> None:
    assert large("1", 1, ASCII) == ["  ##  ", "####  ", "  ##  ", "  ##  ", "######"]
    assert len(large("17", 3, UNICODE)) == 15
    assert [large_scale("10", *size) for size in ((80, 24), (13, 24), (30, 5), (60, 11))] == [4, 0, 1, 2]


def test_lanes_take_the_lines_there_are_the_named_ones_first() -> None:
    def rows(room: int, *named: int) -> list[int]:
        return list(channel_heights(room, channels=range(18), named=named).values())

    assert rows(18, 0, 1, 2, 16) == [1] * 18
    assert rows(20, 0, 1, 2, 16) == [1] * 18  # no line for one of them alone
    assert rows(21, 0, 1, 2, 16) == [2, 2, 2] + [1] * 15
    assert rows(34, 0, 1, 2, 16) == rows(36) == [2] * 16 + [1, 1]
    assert rows(37, 0, 1, 2, 16) == [3, 3, 3] + [2] * 13 + [1, 1]
    assert rows(200) == [4] * 16 + [1, 1]
    assert channel_heights(9, channels=[1, 4, 17], named=[4]) == {1: 4, 4: 4, 17: 1}


def test_names_have_the_cells_they_need_and_leave_a_ruler() -> None:
    assert columns(80, name=0) == (0, 18, 28)
    assert columns(80, name=13) == (13, 12, 20)
    assert columns(80, name=30) == (16, 11, 18)
    assert columns(120, name=30) == (30, 22, 33)
    assert columns(160, name=30) == (30, 38, 57)
    assert columns(60, name=1)[0] == len("name")


def test_lanes_at_the_foot_of_a_view_are_all_or_those_that_matter_or_none() -> None:
    ui = AppState(choose("dark"), session=Live().session)
    assert channels_below(ui, 80, 30, channels=[2]) == []  # nothing was received
    ui.session = Live().pass_s(1)
    numbers = [
        [line[0][0] for line in channels_below(ui, 80, height, channels=[2, 16])[2:] if line[0][0].strip()]
        for height in (20, 19, 4, 3)
    ]
    assert numbers == [[f"{at:2d} " for at in range(1, 19)], [" 3 ", "17 "], [" 3 ", "17 "], []]
    assert channels_below(ui, 80, 19, channels=()) == []
