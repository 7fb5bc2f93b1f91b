"""Drive on the screen: keys, and what is there in each phase."""

from __future__ import annotations

from typing import Any

import pytest
from textual.pilot import Pilot

from busbench.bench.plan_limits import NO_SOURCES
from busbench.cli.limit_options import limit_sources
from busbench.drive.dry_run import dry_run
from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.program import Part, Program
from busbench.drive.shapes import Hold
from busbench.errors import DriveError
from busbench.rig.load import read_rig
from busbench.tui import palette
from busbench.tui.app import BenchApp
from busbench.tui.app_state import AppState
from busbench.tui.opening import rig_names
from busbench.tui.screens.drive import DriveView
from busbench.tui.widgets.program_plot import AXIS, ProgramLook, program_lines
from busbench.wire.scale import Scale
from tests.cli.running import CAPTURES
from tests.tui.ports import ticks
from tests.tui.screens import SIZES, check, shown, text_of
from tests.tui.test_driving import NO_MOTOR, Bench

NAMES = rig_names(read_rig(CAPTURES / "heron.toml"))
STOP_KEYS = ("x", "q", "1", "s", "space", "enter", "escape", "left", "ctrl+c", "ctrl+p", "question_mark", "f1", "tab")


def bench(*, echoes: bool = False, is_rehearsal: bool = False) -> Bench:
    made = Bench(echoes=echoes)
    made.session.names = NAMES
    if is_rehearsal:
        made.session.source = "virtual:"
    return made


def let_pass(app: BenchApp, made: Bench, seconds: float) -> None:
    for tick_s in ticks(seconds):
        made.hands.t_ns += round(tick_s * 1e9)
        app.tick(tick_s)
    app.draw()


async def drive(app: BenchApp, pilot: Pilot[None], made: Bench) -> None:
    app.ui.sources = NO_MOTOR
    await pilot.press("7", "enter", "enter")
    let_pass(app, made, 3.0)
    assert made.port.how is not None


async def test_any_key_stops_and_does_nothing_else() -> None:
    made = bench()
    async with shown(made.session, is_armed=True) as (app, pilot):
        for number, key in enumerate(STOP_KEYS, start=1):
            await drive(app, pilot, made)
            let_pass(app, made, 0.3)
            await pilot.press(key)
            await pilot.pause()
            assert made.port.stops == number, key
            assert isinstance(app.screen, DriveView), key
            assert "STOPPING     ramp to the rest values, then silence" in text_of(app), key
            let_pass(app, made, 3.0)
            assert (made.port.sending, app.ui.mover) == (None, None), key
            assert "frames sent" in text_of(app), key


async def test_any_key_ends_the_countdown() -> None:
    made = bench()
    async with shown(made.session, is_armed=True) as (app, pilot):
        app.ui.sources = NO_MOTOR
        await pilot.press("7")
        for key in STOP_KEYS:
            await pilot.press("enter", "enter")
            let_pass(app, made, 2.9)
            assert "S T O P     any key cancels" in text_of(app), key
            await pilot.press(key)
            let_pass(app, made, 5.0)
            assert made.port.how is None, key
            assert isinstance(app.screen, DriveView), key
            assert "cancelled; nothing was sent" in text_of(app), key


@pytest.mark.parametrize("is_armed", [True, False])
async def test_unarmed_or_unanswered_no_key_sends_anything(is_armed: bool) -> None:
    made = bench()
    async with shown(made.session, is_armed=is_armed) as (app, pilot):
        app.ui.sources = NO_SOURCES if is_armed else NO_MOTOR
        await pilot.press("7")
        for _ in range(6):
            text = " ".join(text_of(app).split())
            assert text.count("leave with q and start again with") == 1
            assert ("with --arm" if not is_armed else "with --motor CH for each motor, --no-motor or --rig") in text
            assert "count down" not in text
            assert "cautions" not in text
            await pilot.press("enter")
            let_pass(app, made, 4.0)
        assert made.port.how is None


async def test_a_recording_cannot_be_driven() -> None:
    from busbench.capture.open import open_capture
    from busbench.tui.replay import ReplaySession

    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    async with shown(session, keys="7 enter", is_armed=True) as (app, _):
        assert text_of(app).count("A recording cannot be driven: watch a port, or virtual: to rehearse") == 1
        assert app.ui.mover is None


async def test_fields_are_chosen_and_changed_and_cautions_hold_them() -> None:
    made = bench()
    async with shown(made.session, keys="7 right right down right down left down right", is_armed=True) as (app, pilot):
        assert isinstance(app.screen, DriveView)
        now = app.screen.drive.settings
        assert (now.channel, now.shape, now.low, now.high) == (3, "ramp", -55, 55)
        app.ui.sources = NO_MOTOR
        await pilot.press("enter", "right", "down", "left")
        assert (now.channel, now.shape, now.low, now.high) == (3, "ramp", -55, 55)
        await pilot.press("escape", "right")
        assert now.high == 60


async def test_who_looks_elsewhere_reads_the_cautions_anew() -> None:
    made = bench()
    async with shown(made.session, keys="7", is_armed=True) as (app, pilot):
        app.ui.sources = NO_MOTOR
        await pilot.press("enter")
        await pilot.pause()
        assert "WARNING: before anything moves:" in text_of(app)
        await pilot.press("1", "7")
        await pilot.pause()
        assert "WARNING: before anything moves:" not in text_of(app)


@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_screens_of_a_rehearsal(size: tuple[int, int]) -> None:
    made = bench(is_rehearsal=True)
    async with shown(made.session, size, keys="7") as (app, pilot):
        steps = f"{size[0]}x{size[1]}"
        check(f"drive-setting-{steps}", app)
        await pilot.press("enter")
        check(f"drive-cautions-{steps}", app)
        await pilot.press("enter")
        let_pass(app, made, 1.5)
        await pilot.pause()
        check(f"drive-counting-{steps}", app)
        let_pass(app, made, 3.5)
        await pilot.pause()
        check(f"drive-moving-{steps}", app)
    assert made.port.how is None


@pytest.mark.parametrize("size", SIZES, ids=str)
async def test_an_echo_stands_below_what_was_commanded(size: tuple[int, int]) -> None:
    made = bench(echoes=True)
    async with shown(made.session, size, is_armed=True) as (app, pilot):
        await drive(app, pilot, made)
        let_pass(app, made, 2.5)
        await pilot.pause()
        check(f"drive-echo-{size[0]}x{size[1]}", app)


async def test_without_an_echo_it_is_said() -> None:
    made = bench()
    async with shown(made.session, is_armed=True) as (app, pilot):
        await drive(app, pilot, made)
        let_pass(app, made, 1.0)
        assert "received: nothing, this port does not echo" in text_of(app)


async def test_a_two_state_channel_and_plain_characters() -> None:
    made = bench(is_rehearsal=True)
    async with shown(made.session, keys="7 left left", is_ascii=True) as (app, pilot):
        text = text_of(app)
        assert text.isascii()
        assert "channel  17  tow release" in text
        assert "low      off" in text
        await pilot.press("enter", "enter")
        let_pass(app, made, 4.0)
        assert text_of(app).isascii()
        check("ascii-drive-switch", app)


@pytest.mark.parametrize("size", [(20, 6), (40, 12), (300, 100)])
async def test_any_size_shows_the_stop(size: tuple[int, int]) -> None:
    made = bench(is_rehearsal=True)
    async with shown(made.session, size, keys="7 enter enter") as (app, _):
        let_pass(app, made, 4.0)
        assert "S T O P" in text_of(app)


def test_a_plan_answers_the_question_for_the_motor() -> None:
    assert not limit_sources().names_motor
    made = bench()
    made.ui.sources = limit_sources(rig=str(CAPTURES / "heron.toml"))
    limit = made.drive.program.program.limits.channels[7]
    assert (limit.is_locked, limit.rest) == (True, 173)
    made.drive.settings.channel = 8
    made.drive.go_on()
    assert made.drive.said == "channel 8 (sustainer) is locked: it will not move; choose another"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"motors": ("19",)}, "--motor: 19 is not a channel"),
        ({"motors": ("3",), "has_no_motor": True}, "--no-motor: contradicts --motor"),
        ({"has_no_motor": True, "rig": str(CAPTURES / "heron.toml")}, 'has the motor "sustainer"'),
    ],
)
def test_motors_said_wrongly_are_told_before_the_screen(given: dict[str, Any], said: str) -> None:
    with pytest.raises(DriveError, match=said):
        limit_sources(**given)


async def test_cautions_are_read_whole_or_nothing_is_counted_down() -> None:
    made = bench()
    made.session.names = NAMES
    async with shown(made.session, (60, 16), is_armed=True) as (app, pilot):
        app.ui.sources = limit_sources(rig=str(CAPTURES / "heron.toml"))
        await pilot.press("7", "enter")
        app.draw()
        assert "The window is too small for all of it: make it larger." in text_of(app)
        await pilot.press("enter")
        assert app.ui.mover is None
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        app.draw()
        text = text_of(app)
        assert "at the end: ramp to the rest values, then silence" in " ".join(text.split())
        assert "channel 6: at rest, +3.9 %" in " ".join(text.split())
        await pilot.press("enter")
        assert app.ui.mover is not None


@pytest.mark.parametrize(
    ("channel", "rest", "axis"),
    [
        (16, 0, ["on", "", "", "LOCKED off"]),
        (16, 1, ["LOCKED on", "", "", "off"]),
        (0, 992, ["1000", "LOCKED 992", "", "984"]),
    ],
)
def test_the_picture_of_a_locked_channel_says_so_at_its_rest(channel: int, rest: int, axis: list[str]) -> None:
    one = ChannelLimit(172, 1811, 992, 1000.0, is_locked=channel == 0)
    limits = Limits((one,) * 16, switches_rest=(bool(rest), False), switches_locked=(channel == 16, False))
    program = Program("still", (Part(2, Hold(1000.0, 1.0), 1.0),), limits, Scale())
    ui = AppState(palette.of_theme("bench-dark"))
    look = ProgramLook(program, dry_run(program), [], [], [])
    lines = program_lines(ui, look, 60, 5, channel=channel)
    assert ["".join(text for text, _ in line)[:AXIS].strip() for line in lines[:4]] == axis
