"""What widgets draw of sessions in many states, without a screen around them: in several rooms, with their styles."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.port.ipc import EventKind
from busbench.rig.load import parse_rig, read_rig
from busbench.tui.app_state import AppState
from busbench.tui.draw import ASCII
from busbench.tui.opening import each_line, open_session, rig_names
from busbench.tui.palette import choose
from busbench.tui.replay import ReplaySession
from busbench.tui.session import Session
from busbench.tui.widgets.big_digits import BigDigits
from busbench.tui.widgets.channels import ChannelLines
from busbench.tui.widgets.frame import StateLine, Timeline, Transport
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outages import OutageLines
from busbench.tui.widgets.rig import RigLines
from busbench.tui.widgets.timing import TimingLines
from tests.cli.running import CAPTURES
from tests.report.test_whole_pictures import RIG
from tests.tui.ports import Live
from tests.tui.screens import ROOMS, check_drawn, styled

WIDGETS: tuple[type[LineWidget], ...] = (
    StateLine, Timeline, Transport, ChannelLines, TimingLines, OutageLines, RigLines, BigDigits,
)  # fmt: skip


def state(session: Session, **fields: object) -> AppState:
    session.refresh()
    return AppState(choose("dark"), session=session, **fields)  # type: ignore[arg-type]


def replayed(folder: Path, name: str, *, rig: bool = False) -> ReplaySession:
    plan = read_rig(CAPTURES / "heron.toml") if rig else None
    path = shutil.copy(CAPTURES / name, folder)
    of_plan = {} if plan is None else {"names": rig_names(plan), "scale": plan.scale}
    session = ReplaySession(open_capture(str(path)), **of_plan)  # type: ignore[arg-type]
    session.load()
    session.source = session.title = name
    session.is_moving = False
    return session


def at_an_outage(folder: Path) -> AppState:
    """Within frames flagged lost, in µs, with an outage chosen."""
    session = replayed(folder, "heron-flight.pcapng")
    ui = state(session, chosen=10)
    ui.settings.keep(unit="us")
    session.seek(int(session.events.start[10]) + 50_000_000)
    return ui


def in_a_gap(folder: Path) -> AppState:
    """A second into a gap, with the plan, in percent, on one scale, in plain characters."""
    session = replayed(folder, "heron-flight.pcapng", rig=True)
    ui = state(session, rig=read_rig(CAPTURES / "heron.toml"), rig_path="heron.toml", glyphs=ASCII, channel=16)
    ui.settings.keep(one_scale=True)
    session.seek(session.start + 67_000_000_000)
    return ui


def marked_and_cut(folder: Path) -> AppState:
    """Near the start, zoomed in, with two annotations, a cut that ends before it begins, and a message."""
    session = replayed(folder, "heron-flight.pcapng")
    for at_s, text in ((12, "30 paces"), (12.01, "40 paces\x1b[1m"), (79, "back")):
        session.mark(session.start + round(at_s * 1e9), text)
    session.seek(session.start + 13_000_000_000)
    session.set_cut(is_end=False)
    session.seek(session.start + 11_900_000_000)
    session.set_cut(is_end=True)
    ui = state(session, said="a message of some length that says what came of it: nothing but this line " * 3)
    for _ in range(5):
        ui.zoom_by(1)
    return ui


def filtered(folder: Path) -> AppState:
    ui = state(replayed(folder, "heron-flight.pcapng"))
    ui.listed.text = "gap >50ms"
    return ui


def without_times(folder: Path) -> AppState:
    session = replayed(folder, "heron-noisy.raw")
    session.seek(1000)
    return state(session, chosen=3)


def several(folder: Path) -> AppState:
    del folder
    path = str(CAPTURES / "heron-pair.pcapng")
    sessions = [open_session(path, options=one) for one in each_line(path, ReadOptions())]
    for session in sessions:
        assert isinstance(session, ReplaySession)
        session.load()
        session.source = session.title
        session.refresh()
    return state(sessions[0], beside=sessions[1:])


def live(source: str, *, seconds: float = 2.0, act: Callable[[Live], object] | None = None) -> AppState:
    one = Live(source, names={1: "left aileron"})
    one.pass_s(seconds)
    if act is not None:
        act(one)
        one.pass_s(0.5)
    return state(one.session)


def mute(one: Live) -> None:
    one.port.is_mute = True


def frozen(one: Live) -> None:
    one.session.is_moving = False
    one.session.mark(one.session.place, "here")


def fails(one: Live) -> None:
    one.port.fails = "is not there any more"


STATES: dict[str, Callable[[Path], AppState]] = {
    "at an outage": at_an_outage,
    "in a gap": in_a_gap,
    "marked and cut": marked_and_cut,
    "filtered": filtered,
    "without times": without_times,
    "with times of bytes": lambda folder: state(replayed(folder, "heron-slots.csv", rig=True), channel=3),
    "of a level": lambda folder: state(replayed(folder, "heron-line.vcd")),
    "of a port": lambda folder: state(replayed(folder, "heron-tty.pcapng")),
    "several": several,
    "in sync": lambda _: live("virtual:?period=7ms&pilot=moving&lost=1:0.2&gaps=1.4:0.3", seconds=3),
    "failsafe": lambda _: live("virtual:?period=14ms&failsafe=1:2", seconds=2),
    "damaged": lambda _: live("virtual:?period=14ms&pilot=moving&flips=0.001", seconds=3),
    "silent": lambda _: live("virtual:?period=7ms", act=mute),
    "frozen": lambda _: live("virtual:?period=7ms", act=frozen),
    "lost": lambda _: live("virtual:?period=7ms", act=fails),
    "unplugged": lambda _: live(
        "virtual:?period=7ms", act=lambda one: one.port.happens(EventKind.UNPLUGGED, "unplugged: the adapter has gone")
    ),
    "noise": lambda _: live("virtual:?frames=off&chatter=400"),
    "nothing": lambda _: live("virtual:?frames=off"),
    "inverted": lambda _: live("virtual:?inverted=on"),
    "just begun": lambda _: live("virtual:?period=7ms", seconds=0.05),
}


@pytest.mark.parametrize("name", STATES)
def test_what_is_drawn_is_what_is_kept(name: str, tmp_path: Path) -> None:
    ui = STATES[name](tmp_path)
    drawn = {}
    for kind in WIDGETS:
        if kind is RigLines and ui.rig is None and name != "nothing":
            continue
        if kind is TimingLines and ui.zoom is not None:  # measured by the app
            continue
        widget = kind(ui)
        rooms = [styled(widget.lines(width, height)[:height], f"in {width}x{height}") for width, height in ROOMS]
        drawn[f"{name}: {kind.__name__}"] = "\n".join(rooms)
    check_drawn(f"{name}:", drawn)
    for session in (ui.needs, *ui.beside):
        session.close()


RIGS = {
    "whole": (CAPTURES / "heron.toml").read_text(encoding="utf-8"),
    "hub": RIG,
    "weak": RIG.replace("voltage_v = 7.4", "voltage_v = 7.4\nminimum_v = 7.3").replace("resistance_ohm = 0.05", ""),
    "ring": RIG.replace('from = "receiver"', 'from = "the hub in the left wing, which has a long name"'),
    "empty": '[rig]\nname = "Heron"\nperiod_ms = 14\n[supply]\nvoltage_v = 7.4\n',
}


@pytest.mark.parametrize("name", RIGS)
def test_a_plan_is_drawn_case_by_case_and_scrolled(name: str) -> None:
    ui = AppState(choose("dark"), rig=parse_rig(RIGS[name]), rig_path="heron.toml")
    drawn = []
    for width, height in (*ROOMS, (70, 40), (150, 20), (119, 30), (120, 30), (160, 48)):
        widget = RigLines(ui)
        for rows in (0, 3, 99):
            widget.scroll_by(rows)
            drawn.append(
                styled(widget.lines(width, height)[:height], f"case {widget.case} in {width}x{height}, {rows} on")
            )
            widget.change_case(1)
        widget.scroll_by(-1000)
        assert widget.top == 0
    check_drawn(f"rig {name}", {f"rig {name}": "\n".join(drawn)})


LARGE = ("at an outage", "in a gap", "marked and cut", "without times", "in sync")


@pytest.mark.parametrize("name", LARGE)
def test_one_channel_is_drawn_large_alone_and_with_others_and_a_cursor(name: str, tmp_path: Path) -> None:
    ui = STATES[name](tmp_path)
    widget = ChannelLines(ui)
    widget.is_large = True
    drawn = []
    for width, height in (*ROOMS, (80, 18), (120, 17)):
        drawn.append(styled(widget.lines(width, height)[:height], f"alone in {width}x{height}"))
    widget.others = [1, 17]
    widget.toggle_cursor()
    ui.needs.seek_by(0.3)
    for width, height in ROOMS:
        drawn.append(styled(widget.lines(width, height)[:height], f"with others in {width}x{height}"))
    check_drawn(f"{name} large", {f"{name} large": "\n".join(drawn)})
    ui.needs.close()
