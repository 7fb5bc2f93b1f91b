"""What several tests of the screens are on."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from textual.css.model import RuleSet
from textual.css.stylesheet import Stylesheet

from busbench.capture.open import open_capture
from busbench.tui.replay import ReplaySession
from tests.cli.running import CAPTURES, SMALL


@pytest.fixture(autouse=True, scope="session")
def _parsed_once() -> Iterator[None]:
    """Style sheets are parsed once for each set of colours, and not in each of some hundred apps."""
    parse, kept = Stylesheet._parse_rules, dict[object, list[RuleSet]]()

    def parse_once(sheet: Stylesheet, *args: Any, **kwargs: Any) -> list[RuleSet]:
        key = args, *sorted(kwargs.items()), *sorted((sheet._variables or {}).items())
        if key not in kept:
            kept[key] = parse(sheet, *args, **kwargs)
        return kept[key]

    with mock.patch.object(Stylesheet, "_parse_rules", parse_once):
        yield


@pytest.fixture
def flight(tmp_path: Path) -> ReplaySession:
    """A copy of the shipped flight, since annotations are kept beside it, loaded and lying at its start."""
    path = shutil.copy(CAPTURES / "heron-flight.pcapng", tmp_path)
    session = ReplaySession(open_capture(str(path)))
    session.load()
    session.is_moving = False
    return session


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small plan in the current folder, which is a new one."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    return path
