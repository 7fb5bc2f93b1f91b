"""The app: keys, the tick that drives everything, and the change of screens."""

from __future__ import annotations

import gc
from collections.abc import Callable
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.screen import Screen

from busbench.bench.tick_clock import TickClock
from busbench.errors import BusbenchError, sanitize
from busbench.tui.app_state import AppState
from busbench.tui.commands import COMMANDS
from busbench.tui.driver import tolerant_driver
from busbench.tui.file_actions import FileActions
from busbench.tui.flow import QUESTION, Flow
from busbench.tui.live import LiveSession
from busbench.tui.opening import PLAN, Opened, Opener
from busbench.tui.palette import THEMES, of_theme
from busbench.tui.replay import ReplaySession
from busbench.tui.screens import VIEWS
from busbench.tui.screens.base import BenchView
from busbench.tui.session import Session
from busbench.tui.terminal import Clicks

TICK_S = 0.05
SLOW_TICKS = 4  # plots at 5 Hz
SAID_TICKS, TICKS_A_LETTER = 160, 2
BELL_TICKS = 20


class BenchApp(FileActions):
    """The terminal UI.

    Args:
        ui: palette, glyphs and session; without a session a source is asked for.
        opener: opens a session for a source named by the user.
        is_timed: False if the caller ticks, as tests do.
    """

    CSS_PATH = "busbench.tcss"
    TITLE = "busbench"
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT = False  # the terminal selects text itself, with shift while the mouse is used here
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(one.keys, one.action, show=False) for one in COMMANDS if one.keys),
        *(Binding(view.key, f"view({at})", show=False) for at, view in enumerate(VIEWS)),
    ]

    def __init__(self, ui: AppState, *, opener: Opener, is_timed: bool = True) -> None:
        super().__init__(driver_class=tolerant_driver(), ansi_color=True if ui.palette.is_ansi else None)
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = ui.palette.theme
        self.ui = ui
        self._opener, self._is_timed = opener, is_timed
        self._ticks = self._said_at = self._rang_at = 0
        self._said = self._last = self._notice = ""  # session shown now, shown last, and the main one
        self._clock, self.clicks = TickClock(), Clicks()
        self.flow, self._slow_due = Flow(), False  # slower parts are also due
        self._plan = ""  # chosen before there was a source
        ui.show_at, ui.draw = self._show_at, self.draw

    def action_menu(self) -> None:
        """All keys, with search."""
        from busbench.tui.screens.menu import ACT, PRESS, Menu

        view = self.screen
        if not isinstance(view, BenchView):
            return

        async def do(picked: str | None) -> None:
            if picked is not None and picked.startswith(ACT):
                await self.run_action(picked.removeprefix(ACT))
            elif picked is not None:
                self.simulate_key(picked.removeprefix(PRESS))

        self.push_screen(Menu(view.view.name, view.keys(), is_ascii=self.ui.is_ascii), do)

    def on_mount(self) -> None:
        """Start."""
        if self.ui.session is None:
            self._ask_source("")
        else:
            self._begin(self.ui.session)
        self.set_class(self.ui.is_ascii, "plain")
        if self._is_timed:
            self._clock.take()
            self.set_interval(TICK_S, self.on_tick)
            self.call_after_refresh(self._freeze)

    def _freeze(self) -> None:
        # Existing objects stay: the garbage collector need not check them again.
        gc.collect()
        gc.freeze()

    async def on_event(self, event: events.Event) -> None:
        """While something moves, any key or click stops it."""
        if self.ui.mover is not None and isinstance(event, events.Key | events.Paste | events.MouseDown):
            if not event.is_forwarded:
                self.ui.mover.stop(event.key if isinstance(event, events.Key) else "")
                self.draw()
            return
        if isinstance(event, events.CursorPosition):
            self.flow.answered()
            if self._slow_due:
                self.draw()
            return
        await super().on_event(event)

    def on_tick(self) -> None:
        """Advance the session, and draw."""
        dt_s, asleep_s = self._clock.take()
        if asleep_s and self.ui.mover is not None:
            self.ui.mover.tick(asleep_s)  # nothing continues by itself after the computer was suspended
        self.tick(dt_s)
        self.clicks.hear(self._driver, wanted=self._has_mouse or self.ui.mover is not None)

    def tick(self, dt_s: float) -> None:
        """Advance by the time since the last tick."""
        session = self.ui.session
        if session is None:
            return
        self._ticks += 1
        slow = self._ticks % SLOW_TICKS == 1
        session.tick(dt_s)
        for one in self.ui.beside:
            one.tick(dt_s)
        if self.ui.mover is not None:
            self.ui.mover.tick(dt_s)
        if slow:
            for one in (session, *self.ui.beside):
                one.refresh()
            self._ring(session)
        self._hear(session)
        self._slow_due |= slow
        if isinstance(self.screen, BenchView) and self.flow.may_draw:
            self.screen.draw(slow=self._slow_due)
            self._slow_due = False
            self._ask_terminal()

    def _ask_terminal(self) -> None:
        """Ask the terminal for an answer after the current drawing."""
        if self._driver is not None and not self._driver.is_headless and self.flow.takes_question():
            self.call_after_refresh(self._write, QUESTION)

    def _write(self, text: str) -> None:
        if self._driver is not None:
            self._driver.write(text)
            self._driver.flush()

    def _hear(self, session: Session) -> None:
        """Show new messages whole for long enough to read them."""
        if session.notice != self._notice:
            self._notice = session.notice
            self.ui.said = session.notice or self.ui.said
        if self.ui.said != self._said:
            self._said, self._said_at = self.ui.said, self._ticks
            self._last = self.ui.said or self._last
        if self.ui.said and self._ticks - self._said_at > max(SAID_TICKS, len(self.ui.said) * TICKS_A_LETTER):
            self.ui.said = self._said = ""

    def draw(self) -> None:
        """Draw a change at once."""
        self._slow_due = True
        if isinstance(self.screen, BenchView) and self.flow.may_draw:
            self._slow_due = False
            self.screen.draw(slow=True)
            self._ask_terminal()

    def say(self, words: str) -> None:
        """Show a message for a while."""
        self.ui.said, self._said = words, ""
        self.draw()

    def action_again(self) -> None:
        """Show the last message again."""
        self.say(self.ui.said or self._last or "nothing was said so far")

    def _ring(self, session: Session) -> None:
        is_due = isinstance(session, LiveSession) and session.takes_alarm() and self.ui.rings
        if is_due and self._ticks - self._rang_at >= BELL_TICKS:
            self.bell()
            self._rang_at = self._ticks

    def _begin(self, session: Session) -> None:
        self.ui.session, self.ui.chosen = session, None
        self.ui.zooms.clear()
        self.ui.listed.clear()
        for one in (session, *self.ui.beside):
            if isinstance(one, ReplaySession) and not one.is_loaded:
                # After the screen is drawn: before, the two would share one core.
                self.call_after_refresh(self.run_worker, one.load, thread=True, exit_on_error=True)
        kept = self.ui.settings.now.view
        self.action_view(next((at for at, view in enumerate(VIEWS) if view.key == kept), 0))
        self.draw()

    def _ask_source(self, error: str, *, title: str = "") -> None:
        from busbench.tui.screens.choose import Choose

        self.push_screen(Choose(error=error, title=title, is_ascii=self.ui.is_ascii), self._chosen)

    def _chosen(self, source: str | None) -> None:
        from busbench.bench.sources import rig_in

        if source is None:
            if self.ui.session is None:
                self.exit()
            return
        rig_path = source.removeprefix(PLAN) if source.startswith(PLAN) else ""
        if rig_path and self.ui.session is None:
            self._plan = rig_path  # belongs to the next chosen source
            self._ask_source("", title=f"with the plan {sanitize(rig_path)}")
            return
        named = self.ui.session.source if rig_path and self.ui.session is not None else source
        kept = "" if rig_in(named) else self.ui.rig_path
        rig_path, self._plan = rig_path or self._plan or kept, ""
        what = f"open the plan {sanitize(rig_path)}" if named != source else f"watch {sanitize(source)} instead"
        self._if_kept(what, lambda: self._change_to(named, rig_path))

    def _change_to(self, source: str, rig_path: str) -> None:
        from busbench.rig.load import read_rig

        session = self.ui.session
        try:
            if rig_path:
                read_rig(rig_path)  # before a port is closed
        except BusbenchError as error:
            self._ask_source(str(error))
            return
        if session is not None and session.is_live and session.source == source:
            session.close()  # a port has one user, which is this program
        self.run_worker(lambda: self._open(source, rig_path), thread=True, exit_on_error=True)

    def _open(self, source: str, rig_path: str) -> None:
        try:
            opened = self._opener(source, rig_path)
        except BusbenchError as error:
            self.call_from_thread(self._ask_source, str(error))
            return
        self.call_from_thread(self._opened, opened)

    def _opened(self, opened: Opened) -> None:
        old, ui = self.ui.session, self.ui
        while ui.beside:
            ui.beside.pop().close()
        ui.take(opened)
        self._begin(opened.session)
        if old is not None:
            old.close()

    def action_choose(self) -> None:
        """Choose another source."""
        self._ask_source("")

    def _if_kept(self, what: str, act: Callable[[], object]) -> None:
        """Do something that loses unwritten work; ask first if there is any."""
        from busbench.tui.screens.ask import ask_first

        installed = [self.get_screen(view.name) for view in VIEWS if self.is_screen_installed(view.name)]
        ask_first(self, what, [self.ui.session, *installed], act)

    def _view(self, index: int) -> Screen[None]:
        view = VIEWS[index]
        if not self.is_screen_installed(view.name):
            self.install_screen(view.load()(self.ui), view.name)
        return self.get_screen(view.name)

    def action_view(self, index: int) -> None:
        """Show a view."""
        if self.ui.session is not None:
            view = self._view(index)
            if view is self.screen:
                return
            if isinstance(self.screen, BenchView):
                self.ui.settings.keep(view=VIEWS[index].key)
                self.switch_screen(view)
            else:
                self.push_screen(view)

    def _show_at(self, place: int, *, channel: int | None) -> None:
        if self.ui.session is not None:
            self.ui.session.seek(place)
            self.ui.channel = self.ui.channel if channel is None else channel - 1
            self.action_view(0)
            self.draw()

    def action_help(self) -> None:
        """Open the help."""
        from busbench.tui.screens.help import Help

        part = self.screen.view.name if isinstance(self.screen, BenchView) else ""
        self.push_screen(Help(self.ui, part=part))

    def action_play(self) -> None:
        """Play and pause, freeze and follow."""
        self._with(lambda session: session.toggle())

    def action_seek(self, seconds: int) -> None:
        """Move forward or back by a time."""
        self._with(lambda session: session.seek_by(seconds))

    def action_ends(self, which: int) -> None:
        """Go to the start or the end."""
        self._with(lambda session: session.seek(session.end if which else session.start))

    def action_step(self, rows: int) -> None:
        """Move forward or back by frames."""
        self._with(lambda session: session.step(rows))

    def action_pace(self, steps: int) -> None:
        """Play faster or slower."""
        self._with(lambda session: session.change_pace(steps))

    def action_jump(self, direction: int) -> None:
        """Go to the next or previous outage."""
        session = self.ui.session
        if session is None:
            return
        listed = self.ui.listed
        index = session.jump(direction, chosen=self.ui.chosen, among=listed.rows(session).indices)
        if index is None and session.progress:
            self.say("outages are found once the whole recording is read")
        elif index is None:
            self.say(f"no further outage{f' ({listed.words})' if listed.words else ''} that way")
        else:
            self.ui.chosen = index
        self.draw()

    def action_reset(self) -> None:
        """Reset the ranges here."""
        self._with(lambda session: session.reset())
        self.say("spans count from here")

    def action_unit(self) -> None:
        """Show values in the next unit."""
        self.ui.next_unit()
        self.draw()

    def action_ring(self) -> None:
        """Switch the bell on outages."""
        self.ui.rings = not self.ui.rings
        self.say(f"bell on outages: {'on' if self.ui.rings else 'off'}")

    def action_zoom(self, steps: int) -> None:
        """Zoom the timeline."""
        self.ui.zoom_by(steps)
        self.draw()

    def action_shade(self) -> None:
        """Switch between dark and light."""
        if self.ui.palette.is_ansi:
            self.say("the terminal's own colours are used")
            return
        is_dark = self.ui.palette.theme == "bench-dark"
        self.ui.settings.keep(theme="light" if is_dark else "dark")
        self._take_theme()

    def _take_theme(self) -> None:
        if not self.ui.palette.is_ansi:
            self.ui.palette = of_theme(f"bench-{self.ui.settings.now.theme or 'dark'}")
            self.theme = self.ui.palette.theme
            self.draw()

    def action_mouse(self) -> None:
        """Use the mouse, or leave it to the terminal."""
        self.ui.settings.keep(mouse=not self._has_mouse)
        self.say(f"mouse: {'on' if self._has_mouse else 'off, the terminal selects text with it'}")

    @property
    def _has_mouse(self) -> bool:
        return self.ui.settings.now.mouse is not False

    def action_reset_settings(self) -> None:
        """Reset the kept settings."""
        self.ui.settings.reset()
        self._take_theme()
        self.say("settings are reset: unit, colours, scale, mouse and view")

    async def action_quit(self) -> None:
        """Quit, after a question if something is unwritten; readers are stopped first."""

        def leave() -> None:
            if self.ui.session is not None:
                self.ui.session.close()
            self.exit()

        self._if_kept("leave", leave)
