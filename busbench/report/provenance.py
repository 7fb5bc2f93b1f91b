"""The origin of a page's figures: files with their hashes, versions, date."""

from __future__ import annotations

import contextlib
import platform
import re
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from busbench import __version__
from busbench.capture.address import is_address, local_path
from busbench.capture.open import hash_recording
from busbench.errors import CaptureError


@dataclass(frozen=True, slots=True)
class Provenance:
    """The origin of a page's figures."""

    source: str  # recording or port, without folders
    recording_sha256: str | None  # hash of the recording's file, None without one
    rig: str  # the rig file, without folders
    rig_sha256: str | None  # its hash, None if read from standard input
    made_at: str  # date and time with zone, for people
    versions: tuple[tuple[str, str], ...]  # (program, version)
    kept: str = ""  # file of the recording, if the source was a port
    is_virtual: bool = False  # True if the source was a virtual receiver or aircraft


def gather(
    *,
    source: str,
    recording_path: str | None,
    rig_path: str,
    is_virtual: bool = False,
    now: datetime | None = None,
) -> Provenance:
    """Hash the existing files; note versions and the date, by default now."""
    import numpy as np

    moment = datetime.now(UTC).astimezone() if now is None else now
    versions = (
        ("busbench", __version__),
        ("Python", platform.python_version()),
        ("numpy", np.__version__),
        ("system", f"{platform.system()} {platform.machine()}".strip() or sys.platform),
    )
    recording = None if recording_path is None else sha256_of(recording_path)
    made_at = f"{moment:%Y-%m-%d %H:%M %Z}".strip()
    kept = bare_name(recording_path) if recording_path is not None and recording_path != source else ""
    rig_sha256 = sha256_of(rig_path)
    return Provenance(
        bare_name(source), recording, bare_name(rig_path), rig_sha256, made_at, versions, kept, is_virtual
    )


def bare_name(source: str) -> str:
    """A file, port or virtual aircraft without its folders; a network address unchanged."""
    source = local_path(source)
    if "://" in source:
        return source
    kind = re.match("[a-z]{2,}:|", source)  # a single letter is a drive
    scheme = "" if kind is None else kind[0]
    path, mark, settings = source.removeprefix(scheme).partition("?") if scheme else (source, "", "")
    return scheme + re.split(r"[/\\]", path)[-1] + mark + settings


def sha256_of(path: str) -> str | None:
    """SHA-256 of a file or of an address in hex (FIPS 180-4); None if it cannot be read again."""
    with contextlib.suppress(CaptureError):
        if is_address(path) or Path(path).is_file():
            return hash_recording(path)
    return None
