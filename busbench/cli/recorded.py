"""Recordings to replay; assumptions are reported on standard error."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from busbench.bench import replay
from busbench.capture.address import is_address, local_path
from busbench.capture.formats import read_suffixes
from busbench.cli.output import say
from busbench.drive.part_parser import ReplaySource
from busbench.drive.program import Program
from busbench.errors import DriveError
from busbench.text_file import other_kind
from busbench.wire.scale import Scale


def load_recording(path: str) -> ReplaySource:
    """See bench.replay.load_recording."""
    return replay.load_recording(path, note=_note)


def is_recording(name: str) -> bool:
    """True if a file exists and is a recording, not a drive program, by its name or first bytes; or for an address."""
    if is_address(local_path(name)):
        return True
    path = Path(local_path(name))
    if not path.is_file() or path.suffix.lower() == ".toml":
        return False
    with path.open("rb") as file:
        return path.suffix.lower() in read_suffixes() or other_kind(file.read(4096)) == "this is a recording"


def recorded_program(path: str, options: Mapping[str, object], *, scale: Scale) -> Program:
    """See bench.replay.recorded_program; other options are refused."""
    for key in options:
        if key not in replay.REPLAY_KEYS:
            name = key.replace("_", "-")
            hint = f"leave it out, or replay single channels: `busbench drive replay --recording {path} --channel 1`"
            raise DriveError(f"--{name}: works with a shape, not with the recording {path}", hint=hint)
    return replay.recorded_program(path, options, scale=scale, note=_note)


def _note(text: str) -> None:
    say(f"busbench: {text}")
