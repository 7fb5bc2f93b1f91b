"""What the tests of commands share."""

from __future__ import annotations

import pytest


@pytest.fixture
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines as long as their sentences, which are compared whole."""
    monkeypatch.setattr("busbench.cli.output.WIDTH", 1000)
