"""Widgets in states that fill them, without a screen around them: for tests that look at them in many rooms."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from busbench.bench.check_session import CheckSession
from busbench.bench.plan_limits import LimitSources, MotorOption
from busbench.drive.surface_check import Word, Wrote
from busbench.rig.load import parse_rig, read_rig
from busbench.sim.aircraft_faults import parse_fault
from busbench.tui.app_state import AppState
from busbench.tui.draw import ASCII, UNICODE
from busbench.tui.driving import DrivePhase
from busbench.tui.opening import rig_names
from busbench.tui.palette import choose
from busbench.tui.text import Line
from busbench.tui.verdicts import VerdictTable
from busbench.tui.verifying import RecordedCheck
from busbench.tui.walking import Walking
from busbench.tui.widgets.big_digits import BigDigits
from busbench.tui.widgets.channels import ChannelLines
from busbench.tui.widgets.driving import DriveLines
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.outages import OutageLines
from busbench.tui.widgets.rig import RigLines
from busbench.tui.widgets.timing import TimingLines
from busbench.tui.widgets.verify import VerifyLines
from busbench.tui.widgets.walk import WalkLines
from tests.cli.running import CAPTURES, SMALL
from tests.rig.rigs import device, rig
from tests.tui import test_driving, test_walk
from tests.tui.ports import Live
from tests.tui.test_drawn import RIGS, STATES
from tests.tui.test_verify import Aircraft, faulty

HERON = CAPTURES / "heron.toml"
PLAN = read_rig(HERON)
LONG = "wrote a-file-in-the-folder-of-the-heron.pcapng (1,234 frames), and reported so in more words than a line holds"
Made = Callable[[Path], LineWidget]
MOTOR_ON_3 = LimitSources(motors=(MotorOption(2, -100.0),))
_MOTOR = device("m", 8, "motor = true", 'kind = "off-bus"', "reversed = true", failsafe="-100")
TURNED = LimitSources((("heron.toml", rig(_MOTOR)),))  # it says that its motor runs where it is to be off


def large(name: str, *, channel: int, others: list[int], change: Callable[[AppState], object] = lambda _: None) -> Made:
    """One channel large, with others over it and a second cursor where there are any."""

    def make(folder: Path) -> LineWidget:
        ui = STATES[name](folder)
        ui.channel = channel
        widget = ChannelLines(ui)
        widget.is_large, widget.others = True, others
        if others:
            widget.toggle_cursor()
            ui.needs.seek_by(1.3)
        change(ui)
        return widget

    return make


def of(kind: type[LineWidget], name: str, *, change: Callable[[AppState], object] = lambda _: None) -> Made:
    """A widget in a state of test_drawn.py."""

    def make(folder: Path) -> LineWidget:
        ui = STATES[name](folder)
        change(ui)
        return kind(ui)

    return make


def named(ui: AppState) -> None:
    ui.needs.names = rig_names(PLAN)


def chosen(index: int) -> Callable[[AppState], None]:
    """An outage chosen, with the names of the plan, and the place at it."""

    def change(ui: AppState) -> None:
        named(ui)
        ui.chosen = index
        ui.needs.seek(int(ui.needs.events.start[index]))

    return change


def untimed_several(folder: Path) -> LineWidget:
    """Two receivers of which one has no times."""
    ui = STATES["without times"](folder)
    ui.beside = [STATES["at an outage"](folder).needs]
    return OutageLines(ui)


def bytes_of(name: str, index: int) -> Made:
    """The bytes around an outage."""

    def make(folder: Path) -> LineWidget:
        ui = STATES[name](folder)
        ui.chosen = index
        widget = OutageLines(ui)
        widget.shows_frames = True
        return widget

    return make


def driven(phase: DrivePhase, *, sources: LimitSources = test_driving.NO_MOTOR, **settings: object) -> Made:
    """The drive in a phase, on a port that echoes, with a plan's names."""

    def make(folder: Path) -> LineWidget:
        del folder
        bench = test_driving.Bench(echoes=True)
        bench.ui.sources = sources
        bench.session.names = rig_names(PLAN)
        if "unit" in settings:
            bench.ui.settings.keep(unit=settings.pop("unit"))  # type: ignore[arg-type]
        for name, value in settings.items():
            setattr(bench.drive.settings, name, value)
        bench.pass_s(0.3)
        if phase is not DrivePhase.SETTING:
            bench.drive.go_on()
        if phase in (DrivePhase.COUNTING, DrivePhase.MOVING):
            bench.drive.go_on()
            bench.pass_s(1.0)
        if phase is DrivePhase.MOVING:
            bench.pass_s(4.6)
        assert bench.is_in(phase), bench.drive.said
        return DriveLines(bench.ui, bench.drive)

    return make


def rehearsed(folder: Path) -> LineWidget:
    """A drive of an on/off channel that only rehearses, in plain characters and µs, stopped in the midst of it."""
    del folder
    bench = test_driving.Bench()
    bench.session.source, bench.session.names = "virtual:", rig_names(PLAN)
    bench.ui.glyphs = ASCII
    bench.ui.settings.keep(unit="us")
    bench.drive.settings.channel = 17
    bench.begin()
    bench.pass_s(2.3)
    bench.drive.stop()
    return DriveLines(bench.ui, bench.drive)


def take(
    steps: Iterable[Word | Wrote | float], *, hear: Callable[[Any], object], pass_s: Callable[[float], object]
) -> None:
    """Say words and let seconds pass."""
    for step in steps:
        if isinstance(step, float):
            pass_s(step)
        else:
            hear(step)


def walked(*words: Word | Wrote | float, is_rehearsal: bool = False, is_armed: bool = True) -> Made:
    """A walk round the small Heron or, as a rehearsal with a fault, round the whole; after words and seconds."""

    def make(folder: Path) -> LineWidget:
        del folder  # answers are kept in the current one
        path = Path("small.toml")
        path.write_text(HERON.read_text("utf-8") if is_rehearsal else SMALL, encoding="utf-8")
        bench = test_walk.Bench(path, is_armed=is_armed, echoes=True)
        if is_rehearsal:
            bench.session.source = "virtual:"
            bench.ui.faults = (parse_fault("reversed:left aileron"),)
        bench.walking = walking = Walking(bench.ui)
        walking.look()
        if words:
            walking.begin()
        take(words, hear=walking.hear, pass_s=bench.pass_s)
        return WalkLines(bench.ui, walking)

    return make


def guided(*steps: Word | float, faults: tuple[str, ...] = ("sent-short:rudder",), is_real: bool = False) -> Made:
    """A guided check after words and seconds."""

    def make(folder: Path) -> LineWidget:
        del folder
        live = Live("virtual:?period=15ms&pilot=moving", names=rig_names(PLAN)) if is_real else Aircraft(*faults)
        live.pass_s(0.5)
        ui = AppState(choose("dark"), session=live.session, rig=PLAN, rig_path="heron.toml")
        ui.faults = () if is_real else tuple(map(parse_fault, faults))
        widget = VerifyLines(ui)
        widget.work = work = CheckSession(live.session.receiver, PLAN)
        if steps:
            work.start()
        take(steps, hear=work.hear, pass_s=live.pass_s)
        return widget

    return make


def checked(*, moves: tuple[tuple[int, int], ...] = (), filters: int = 0) -> Made:
    """A recording with faults, checked; after steps in the table."""

    def make(folder: Path) -> LineWidget:
        name = "heron-round-faulty.pcapng"
        shutil.copy(CAPTURES / name, folder)  # the current one, so that no path is drawn
        session = faulty()
        session.source = name
        ui = AppState(choose("dark"), session=session, rig=PLAN, rig_path="heron.toml")
        widget = VerifyLines(ui)
        widget.work = work = RecordedCheck(session, PLAN, rig_path=str(HERON))
        work.work()
        assert work.done is not None
        widget.table = table = VerdictTable.first_look(work.done.found.checks)
        for _ in range(filters):
            table.next_filter()
        for rows, columns in moves:
            table.move(rows, columns)
        return widget

    return make


def planned_rig(name: str, *, case: int, is_ascii: bool = False) -> Made:
    """The tree of a plan, in a load case."""

    def make(folder: Path) -> LineWidget:
        del folder
        ui = AppState(choose("dark"), rig=parse_rig(RIGS[name]), glyphs=ASCII if is_ascii else UNICODE)
        widget = RigLines(ui)
        widget.change_case(case)
        return widget

    return make


class ScrolledRig(RigLines):
    """As far down as it goes, or some rows."""

    rows = 99

    def lines(self, width: int, height: int) -> list[Line]:
        """Scrolled again each time, since a low window keeps less of it."""
        self.top = 0
        self.scroll_by(self.rows)
        return super().lines(width, height)


def scrolled_rig(rows: int) -> Made:
    """The tree of a plan with all stalled, scrolled by some rows."""

    def make(folder: Path) -> LineWidget:
        del folder
        widget = ScrolledRig(AppState(choose("dark"), rig=parse_rig(RIGS["whole"])))
        widget.change_case(-2)
        widget.rows = rows
        return widget

    return make


def percent_on_one_scale(ui: AppState) -> None:
    ui.settings.keep(unit="percent", one_scale=True)


HUMS = "it hums at the end of its travel, and more so when it is cold, as it was at the first meeting of the season"
HALTED = (Word.GO, 20.0, Word.YES, Word.NO, Wrote(HUMS))
FILLED: dict[str, Made] = {
    "channels at an outage": of(ChannelLines, "at an outage", change=named),
    "channels in a gap": of(ChannelLines, "in a gap"),
    "channels in sync": of(ChannelLines, "in sync", change=lambda ui: setattr(ui, "channel", 17)),
    "channels without frames": of(ChannelLines, "noise"),
    "large at an outage": large("at an outage", channel=0, others=[1, 17, 4, 5, 6]),
    "large on one scale": large("marked and cut", channel=2, others=[1, 3], change=percent_on_one_scale),
    "large in sync": large("in sync", channel=16, others=[]),
    "large without times": large("without times", channel=3, others=[2]),
    "outages, a gap chosen": of(OutageLines, "in a gap", change=chosen(20)),
    "outages, flagged ones chosen": of(OutageLines, "at an outage", change=chosen(10)),
    "outages marked and cut": of(OutageLines, "marked and cut"),
    "outages of several": of(OutageLines, "several"),
    "outages filtered": of(OutageLines, "filtered"),
    "outages without times": of(OutageLines, "without times"),
    "bytes of a gap": bytes_of("in a gap", 20),
    "bytes without times": bytes_of("without times", 5),
    "bytes of flagged frames": bytes_of("at an outage", 10),
    "timing beside a plan": of(TimingLines, "in a gap"),
    "timing in sync": of(TimingLines, "in sync"),
    "figures at an outage": of(BigDigits, "at an outage"),
    "figures frozen": of(BigDigits, "frozen"),
    "figures in sync": of(BigDigits, "in sync"),
    "figures without times": of(BigDigits, "without times"),
    "outages of several without times": untimed_several,
    "rig": planned_rig("whole", case=0),
    "rig, all stalled": planned_rig("whole", case=-2, is_ascii=True),
    "rig with a hub": planned_rig("hub", case=1),
    "rig at its end": scrolled_rig(99),
    "rig scrolled": scrolled_rig(3),
    "drive set": driven(DrivePhase.SETTING, channel=8, shape="ramp", low=-35, period=1.0),
    "drive set to a switch": driven(DrivePhase.SETTING, channel=18, unit="us"),
    "drive with a motor": driven(DrivePhase.CAUTIONS, sources=MOTOR_ON_3, high=80),
    "drive set to stand still": driven(DrivePhase.SETTING, channel=2, low=0, high=0),
    "drive of a plan that contradicts itself": driven(DrivePhase.SETTING, sources=TURNED),
    "drive of a locked channel": driven(DrivePhase.SETTING, sources=MOTOR_ON_3, channel=3),
    "drive counting": driven(DrivePhase.COUNTING, channel=6, unit="percent"),
    "drive moving": driven(DrivePhase.MOVING, channel=6, cycles=2),
    "drive stopping": rehearsed,
    "walk before": walked(),
    "walk refused": walked(is_armed=False),
    "walk moving": walked(Word.GO, 6.0),
    "walk asking": walked(*HALTED),
    "walk over": walked(*HALTED, Word.YES, Word.YES, Word.SKIP, Word.END),
    "rehearsed walk before": walked(is_rehearsal=True),
    "rehearsed walk moving": walked(Word.GO, 1.5, is_rehearsal=True),
    "rehearsed walk asking": walked(*HALTED, Word.SKIP, Word.GO, 20.0, is_rehearsal=True),
    "rehearsed walk in review": walked(*HALTED, *([Word.YES] * 2), *([Word.SKIP] * 11), is_rehearsal=True),
    "rehearsed walk over": walked(*HALTED, *([Word.YES] * 2), *([Word.SKIP] * 11), Word.END, is_rehearsal=True),
    "check before": guided(),
    "check of a switch": guided(*([Word.SKIP] * 6), Word.GO, 1.0),
    "check nearly over": guided(Word.GO, 6.0, *([Word.SKIP] * 7), Word.GO, 6.0, *([Word.SKIP] * 4)),
    "check of a real port": guided(Word.GO, 4.5, Word.GO, 0.5, is_real=True),
    "check listening": guided(Word.GO, 6.0, *([Word.SKIP] * 3), Word.GO, 0.4),
    "check over": guided(Word.GO, 6.0, *([Word.SKIP] * 3), Word.GO, 6.0, Word.END),
    "check to repeat": guided(*(Word.GO, 6.0) * 5),
    "recording checked": checked(),
    "recording checked, all": checked(filters=2, moves=((9, 0), (0, 2))),
    "recording checked, not tested": checked(filters=1, moves=((99, 0), (0, 99))),
}
