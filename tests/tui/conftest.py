"""What several tests of the screens are on."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from busbench.capture.open import open_capture
from busbench.tui.replay import ReplaySession
from tests.cli.running import CAPTURES


@pytest.fixture
def flight(tmp_path: Path) -> ReplaySession:
    """A copy of the shipped flight, since annotations are kept beside it, loaded and lying at its start."""
    path = shutil.copy(CAPTURES / "heron-flight.pcapng", tmp_path)
    session = ReplaySession(open_capture(str(path)))
    session.load()
    session.is_moving = False
    return session
