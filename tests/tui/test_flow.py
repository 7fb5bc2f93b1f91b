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


def answers(flow: Flow, clock: Clock, *took_ms: float) -> list[Line]:
    found = []
    for ms in took_ms:
        assert flow.takes_question()
        clock.t_ns += round(ms * MS)
        flow.answered()
        found.append(flow.line)
        clock.t_ns += 1000 * MS
    return found


def test_five_quick_answers_after_a_slow_one_make_it_quick_again() -> None:
    clock = Clock()
    flow = Flow(now_ns=clock)
    assert answers(flow, clock, 100.000_001, 100, 1, 1, 101, 1, 1, 1, 1, 1) == [Line.SLOW] * 9 + [Line.QUICK]
    flow.answered()  # by a key press that looks like an answer
    assert flow.line is Line.QUICK


def test_a_second_question_waits_for_the_answer_and_a_quick_line_for_a_second() -> None:
    clock = Clock()
    clock.t_ns = 10_000 * MS
    flow = Flow(now_ns=clock)
    assert answers(flow, clock, 100) == [Line.QUICK]
    clock.t_ns -= 101 * MS
    assert not flow.takes_question()
    clock.t_ns += MS
    assert (flow.takes_question(), flow.takes_question()) == (True, False)


def test_an_answer_that_is_lost_on_a_known_line_makes_it_slow() -> None:
    clock = Clock()
    flow = Flow(now_ns=clock)
    answers(flow, clock, 1)
    assert flow.takes_question()
    for waited_ms, may in ((99, True), (100, False), (3000, False)):
        clock.t_ns = 1001 * MS + waited_ms * MS
        assert flow.may_draw is may
    clock.t_ns += 1
    assert (flow.may_draw, flow.line, flow.takes_question()) == (True, Line.SLOW, True)


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
