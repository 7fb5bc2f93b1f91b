"""Lines for people are broken between words; tests/test_readme.py holds all that is printed to 80 columns."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.cli.output import wrapped
from tests.cli.running import call


def test_words_are_wrapped_and_paths_are_not() -> None:
    path = "/" + "long" * 30
    assert wrapped(f"  - see {path} for more", indent=2) == f"  - see\n    {path}\n    for more"
    assert wrapped("a " * 38 + '"left aileron"') == ("a " * 38).strip() + '\n"left aileron"'


def test_a_message_for_a_log_stays_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "outages", tmp_path / ("x" * 90))
    assert ran.err.startswith("busbench: ")
    assert ran.err.count("\n") == 1
