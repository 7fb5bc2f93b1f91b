"""A recording for a program that replays it; what had to be assumed is said on standard error."""

from __future__ import annotations

import click

from busbench.bench import replay
from busbench.drive.part_parser import ReplaySource


def load_recording(path: str) -> ReplaySource:
    """As bench.replay.load_recording."""
    return replay.load_recording(path, note=lambda text: click.echo(f"busbench: {text}", err=True))
