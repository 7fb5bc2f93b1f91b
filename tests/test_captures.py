"""The shipped recordings: made again they are the same, and they hold what their README says."""

from __future__ import annotations

from pathlib import Path

import make_captures
import pytest

from busbench.analysis.recording import read_recording, read_timeline
from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.model import Reason

READINGS = {"heron-power.csv"}  # of a logger of voltages and currents, no recording of the bus
FOLDER = Path(__file__).resolve().parent.parent / "captures"


def known() -> dict[str, list[str]]:
    rows = [line.split("|")[1:-1] for line in (FOLDER / "README.md").read_text().splitlines() if line.startswith("| `")]
    return {row[0].strip().strip("`"): [cell.strip() for cell in row[2:]] for row in rows}


def measured(name: str) -> list[str]:
    options = ReadOptions(
        signal="line.bus" if name == "heron-outputs.vcd" else None,
        interface="left" if name == "heron-pair.pcapng" else None,
    )
    with open_capture(str(FOLDER / name), options=options) as capture:
        timeline = read_timeline(capture)
        info, span = capture.info, timeline.span
        out = timeline.outages()
        assert [note for note in info.notes if not note.startswith("read what was received on ")] == []
    slots = timeline.rejects.of(Reason.SLOT).bytes_total
    assert span.ambiguous == []
    return [
        info.clock.kind.value.replace("-", " "),
        str(span.bytes_total),
        str(out.frames),
        str(out.missing),
        str(out.summary["lost"].frames),
        str(out.summary["failsafe"].frames),
        str(out.summary["damaged"].count),
        str(slots),
    ]


@pytest.mark.parametrize("name", known())
def test_a_recording_holds_what_its_readme_says(name: str) -> None:
    assert measured(name) == known()[name]


def test_every_recording_is_listed_and_small() -> None:
    files = {
        path.name: path.stat().st_size
        for path in FOLDER.iterdir()
        if path.suffix in (".pcapng", ".csv", ".vcd", ".raw")
    }
    assert set(files) == set(known()) | READINGS
    assert max(files.values()) < 1_000_000


def test_made_anew_they_are_the_same(tmp_path: Path) -> None:
    make_captures.make(tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert made == sorted(set(known()) - {"heron-tty.pcapng"} | READINGS)
    for name in made:
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes(), name


def test_a_glider_could_fly_the_flight() -> None:
    frames = read_recording(FOLDER / "heron-flight.pcapng").frames
    t_s = frames.t_ns / 1e9 - frames.t_ns[0] / 1e9
    t_s, counts = t_s[~frames.suspect], frames.channels[~frames.suspect].astype(int)
    flaps, gear, motor = counts[:, 2:4], counts[:, 6], counts[:, 7]
    assert abs(flaps[:, 0] - flaps[:, 1]).max() <= 2  # each has its own dither of one count
    assert gear[t_s < 61].max() <= 174  # retracted until the landing
    assert motor[t_s > 11].max() <= 174  # off in the glide, in failsafe too
    assert motor[t_s < 8].min() >= 1810
    assert abs(counts[:, 0] - counts[:, 1]).max() <= 2
