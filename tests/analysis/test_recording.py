"""What a recording is asked gives the figures that the commands print."""

from __future__ import annotations

import json

import pytest

from busbench import read_recording
from tests.cli.running import CAPTURES, call

NAMES = ("heron-flight.pcapng", "heron-bench.pcapng", "heron-slots.csv", "heron-line.vcd", "heron-noisy.raw")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("command", ["outages", "timing", "channels"])
def test_a_script_gets_what_the_command_prints(capfd: pytest.CaptureFixture[str], name: str, command: str) -> None:
    path = CAPTURES / name
    printed = json.loads(call(capfd, command, path, "--format", "json").out)
    asked = getattr(read_recording(path), command)().to_json()
    assert json.loads(json.dumps(asked)) == printed
