"""Several receivers watched at once: their timelines one above the other."""

from __future__ import annotations

from busbench.capture.base import ReadOptions
from busbench.model import Annotation
from busbench.tui.app_state import AppState
from busbench.tui.opening import each_line, open_session
from busbench.tui.palette import choose
from busbench.tui.replay import ReplaySession
from busbench.tui.widgets.outages import OutageLines
from busbench.tui.widgets.receivers import beside_lines
from tests.cli.running import CAPTURES
from tests.tui.ports import Live

PAIR = str(CAPTURES / "heron-pair.pcapng")


def words(ui: AppState, lo: int, hi: int) -> list[str]:
    return ["".join(text for text, _ in line).rstrip() for line in beside_lines(ui, lo, hi, 40)]


def test_a_recording_of_two_receivers_is_two_timelines() -> None:
    options = each_line(PAIR, ReadOptions())
    assert [one.interface for one in options] == ["0", "1"]
    sessions = [open_session(PAIR, options=one) for one in options]
    for session in sessions:
        assert isinstance(session, ReplaySession)
        session.load()
        session.refresh()
    ui = AppState(choose("dark"), session=sessions[0], beside=sessions[1:])
    assert words(ui, sessions[0].start, sessions[0].end) == [
        " right: in sync, 96 of 4,286 frames mis…",
        "··l·g····l·gg······g·····g···l·g····g···",
        " both out at once 7 times: 1.14 s in al…",
    ]
    above = ["".join(text for text, _ in line).rstrip() for line in OutageLines(ui).lines(80, 24)[1:4]]
    assert above == [
        " left",
        "···l···gg·····l········gg·······ll····g·····l·····gg··········g····l·····gg·····",
        " right: in sync, 96 of 4,286 frames missed, 2.24 %",
    ]
    sessions[0].marks.append(Annotation(sessions[0].start + 3_000_000_000, "range check"))
    named = "".join(text for text, _ in OutageLines(ui).lines(80, 24)[1])
    assert named.startswith(" l… ")
    assert "range check" in named
    assert [session.notice for session in sessions] == ["", ""]
    for session in sessions:
        session.close()


def test_live_receivers_have_one_axis() -> None:
    left, right = Live("virtual:?period=10ms&seed=1"), Live("virtual:?period=10ms&seed=2")
    for live in (left, right):
        live.pass_s(1)
        live.port.is_mute = live is right
        live.pass_s(1)
    ui = AppState(choose("dark"), session=left.session, beside=[right.session])
    label, timeline, both = words(ui, left.session.start, left.session.end)
    assert label.startswith(" virtual:?period=10ms&seed=2: silent")
    assert timeline == "·" * 19 + "g" * 21
    assert both == " never both out at once"


def test_one_receiver_alone_has_no_such_lines() -> None:
    live = Live()
    live.pass_s(1)
    assert beside_lines(AppState(choose("dark"), session=live.session), 0, 1, 40) == []
    assert each_line("virtual:", ReadOptions()) == [ReadOptions()]
    assert each_line(str(CAPTURES / "heron-flight.pcapng"), ReadOptions()) == [ReadOptions()]
