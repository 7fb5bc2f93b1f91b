"""What several tests of the screens stand on."""

from __future__ import annotations

import pytest

from busbench.capture.open import open_capture
from busbench.tui.replay import ReplaySession
from tests.cli.running import CAPTURES


@pytest.fixture
def flight() -> ReplaySession:
    """The shipped flight, loaded and standing at its beginning."""
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    session.load()
    session.is_moving = False
    return session
