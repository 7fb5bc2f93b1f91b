"""One factory for the app, for people and for tests."""

from __future__ import annotations

from collections.abc import Callable

from busbench.tui import palette
from busbench.tui.app import BenchApp
from busbench.tui.draw import ASCII, UNICODE
from busbench.tui.session import Session
from busbench.tui.ui import Ui


def make_app(
    session: Session | None,
    *,
    opener: Callable[[str], Session],
    rings: bool = False,
    is_ascii: bool = False,
    shade: palette.Shade = "dark",
    is_timed: bool = True,
) -> BenchApp:
    """The app on a session.

    Args:
        session: None asks for a source.
        opener: makes a session of what a person named.
        rings: True rings the bell on losses.
        is_ascii: True draws with plain characters.
        shade: dark or light, where the terminal has the colours.
        is_timed: False leaves the ticks to the caller.
    """
    ui = Ui(palette.choose(shade), glyphs=ASCII if is_ascii else UNICODE, rings=rings, session=session)
    return BenchApp(ui, opener=opener, is_timed=is_timed)


def run(
    session: Session | None,
    *,
    opener: Callable[[str], Session],
    rings: bool,
    is_ascii: bool,
    shade: palette.Shade,
) -> None:
    """Run the app until the person leaves; see make_app."""
    app = make_app(session, opener=opener, rings=rings, is_ascii=is_ascii, shade=shade)
    try:
        app.run(mouse=False)
    finally:
        for one in (app.ui.session, session):
            if one is not None:
                one.close()
