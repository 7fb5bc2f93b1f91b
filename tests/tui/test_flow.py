"""On a slow line there are fewer drawings, and none that comes late."""

from __future__ import annotations

from textual.events import CursorPosition

from busbench.tui.flow import Flow, Line
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of

MS = 1_000_000


class Clock:
    def __init__(self) -> None:
        self.t_ns = 0

    def __call__(self) -> int:
        return self.t_ns


def drawings(chars_per_s: float, *, chars: int, seconds: float) -> tuple[int, float, Line]:
    """Drawings at ticks of 50 ms on a line, and the longest time that one took to arrive."""
    clock = Clock()
    flow = Flow(now_ns=clock)
    free_ns, answer_ns, drawn, latest_ns = 0, None, 0, 0
    while clock.t_ns < seconds * 1e9:
        clock.t_ns += MS
        if answer_ns is not None and clock.t_ns >= answer_ns:
            answer_ns = None
            flow.answered()
        if clock.t_ns % (50 * MS) == 0 and flow.may_draw:
            free_ns = max(free_ns, clock.t_ns) + round(chars / chars_per_s * 1e9)
            drawn += 1
            latest_ns = max(latest_ns, free_ns - clock.t_ns)
            if flow.takes_question():
                answer_ns = free_ns
    return drawn, latest_ns / 1e9, flow.line


def test_a_quick_terminal_gets_every_drawing() -> None:
    assert drawings(1e6, chars=3000, seconds=10) == (200, 0.003, Line.QUICK)


def test_at_9600_characters_a_second_no_drawing_waits_for_another() -> None:
    drawn, latest_s, line = drawings(9600, chars=3000, seconds=10)
    assert (latest_s, line) == (0.3125, Line.SLOW)  # the time of one drawing
    assert drawn == 29


def test_a_line_that_becomes_slow_is_noticed() -> None:
    clock = Clock()
    flow = Flow(now_ns=clock)
    assert flow.takes_question()
    clock.t_ns += 5 * MS
    flow.answered()
    assert (flow.line, flow.takes_question()) == (Line.QUICK, False)  # it is asked now and then only
    clock.t_ns += 1000 * MS
    assert flow.takes_question()
    clock.t_ns += 99 * MS
    assert flow.may_draw
    clock.t_ns += 2 * MS
    assert not flow.may_draw
    flow.answered()
    assert (flow.line, flow.may_draw) == (Line.SLOW, True)


def test_a_terminal_that_never_answers_is_asked_once() -> None:
    clock = Clock()
    flow = Flow(now_ns=clock)
    assert flow.takes_question()
    clock.t_ns += 3001 * MS
    assert flow.may_draw
    assert (flow.line, flow.takes_question()) == (Line.MUTE, False)


async def test_while_the_terminal_is_busy_keys_draw_nothing_and_then_once() -> None:
    async with shown(Live().pass_s(1)) as (app, pilot):
        app.flow.line = Line.SLOW
        assert app.flow.takes_question()
        await pilot.press("u")
        await pilot.pause()
        assert "counts as in the frame" in text_of(app)  # still what was drawn before
        app.post_message(CursorPosition(0, 0))
        await pilot.pause()
        assert "1500 µs at 992 counts" in text_of(app)
