"""Figures of many cases, a line each in a file beside these tests.

Where some were changed on purpose, BUSBENCH_SNAPSHOTS=write writes the file again as the tests are collected.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path


class KeptFigures:
    """Figures as they are worked out, and as they are kept.

    Args:
        file: its name.
        made: works out the figures of each case, by its name.
    """

    def __init__(self, file: str, made: Mapping[str, Callable[[], str]]) -> None:
        path = Path(__file__).with_name(file)
        if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
            path.write_text("".join(f"{name}: {figures()}\n" for name, figures in made.items()), "utf-8")
        self.made = made
        self.held = dict(line.split(": ", 1) for line in path.read_text("utf-8").splitlines())
