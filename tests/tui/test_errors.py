"""What the screens say where something cannot be done, each entry of the table of errors that begins with @."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.capture.open import open_capture
from busbench.tui.live import LiveSession
from busbench.tui.replay import ReplaySession
from busbench.tui.session import Session
from tests.cli.error_files import FILES
from tests.cli.running import CAPTURES
from tests.cli.test_errors import Row, read_table
from tests.tui.ports import Live
from tests.tui.screens import shown, text_of

pytestmark = pytest.mark.every_row

ON_SCREENS = list(read_table("@"))


def session_on(source: str) -> Session:
    """A recording, read to its end and lying at its start, or a virtual receiver that means a port."""
    if source in ("virtual:", "/dev/ttyHERON"):
        live = Live("virtual:")
        live.port.source = source
        live.session = LiveSession(live.port, now=live.hands)
        return live.pass_s(3.0)
    session = ReplaySession(open_capture(source))
    session.load()
    session.is_moving = False
    return session


@pytest.mark.parametrize("row", ON_SCREENS, ids=[row.typed for row in ON_SCREENS])
async def test_one_line_on_the_screen(row: Row, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name, content in FILES.items():
        Path(name).write_bytes(content)
    words, _, keys = row.typed.replace("{captures}", str(CAPTURES)).partition(" | ")
    source, _, rig = words.partition(" --rig ")
    async with shown(session_on(source), rig=Path(rig) if rig else None) as (app, pilot):
        for key in keys.split():
            await pilot.press(key)
            await app.workers.wait_for_complete()
            await pilot.pause()
        app.draw()
        await pilot.pause()
        lines = [" ".join(line.split()) for line in text_of(app).splitlines()]
    # What is longer than a line goes on below; nothing may come after it.
    said = [" ".join(lines[max(0, end - 3) : end]) for end in range(1, len(lines) + 1)]
    assert any(words.endswith(row.line) for words in said), lines
