"""Recordings that a program replays."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.capture.base import CaptureInfo
from busbench.capture.write import open_writer
from busbench.cli.recorded import is_recording, load_recording
from busbench.model import ByteLog, Clock, ClockKind
from busbench.wire.codec import pack_frames
from busbench.wire.frame_spec import END_SLOTS
from tests.cli.running import CAPTURES, call
from tests.wire.corpus import make


def test_what_stands_behind_a_clock_set_back_follows_on(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    data = make("mixed", 600, 1).data
    t_ns = np.arange(600) * 14_000_000 + 10**9
    t_ns[300:] -= 3600 * 10**9
    path = str(tmp_path / "back.pcapng")
    writer = open_writer(path, CaptureInfo("back", "test", Clock(ClockKind.PER_READ, 1000)))
    writer.write_log(ByteLog(0, data, np.arange(25, data.size + 1, 25), t_ns))
    writer.close()
    recorded = load_recording(path)
    assert recorded.levels.shape == (600, 18)
    assert recorded.t_s[-1] == pytest.approx(599 * 0.014)
    assert np.diff(recorded.t_s).min() == pytest.approx(0.014)
    assert capfd.readouterr().err == f"busbench: {path}: its clock goes back; what comes after that follows on\n"


def test_a_recording_is_sent_with_its_timing_gaps_flags_and_channels(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    again, flight = tmp_path / "again.pcapng", CAPTURES / "heron-flight.pcapng"
    said = call(capfd, "drive", flight, "--rate", "5000", "--to", again).err
    # Rests and ends differ: before and after its own frames the channels ramp.
    assert "left out 10 damaged frames\n" in said
    old, new = read_recording(str(flight)), read_recording(str(again))
    before, after = old.outages(), new.outages()
    assert after.period_s == pytest.approx(before.period_s, rel=1e-6)
    lead_s = next(one for one in after.events if one.frames == 20).start_s - 21.000  # type: ignore[operator]
    # What was damaged was left out, and is a gap now.
    kinds = [("gap" if one.kind == "damaged" else one.kind, one.frames) for one in before.events]
    assert [(one.kind, one.frames) for one in after.events] == kinds
    for one, other in zip(before.events, after.events, strict=True):
        assert one.start_s is not None
        assert other.start_s is not None
        most_s = 0.016 if one.kind == "damaged" else 0.001  # a gap begins with the frame before it
        assert abs(other.start_s - lead_s - one.start_s) < most_s
        assert abs((other.duration_s or 0) - (one.duration_s or 0)) < most_s
    sound = old.frames.channels[~old.frames.suspect]
    lead = round(lead_s / 0.015)
    same = (sound == new.frames.channels[lead : lead + len(sound)]).all(axis=1)
    changed = sum(int(line.split(" change ")[1].split()[0]) for line in said.splitlines() if " change " in line)
    assert len(sound) - changed <= same.sum() < len(sound)


def test_a_whole_recording_keeps_to_locks_and_says_so(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    raw = tmp_path / "f.raw"
    counts = np.full((300, 16), 992)
    counts[:, 2], counts[:, 4] = 1200, np.where(np.arange(300) < 150, 992, 1300)
    flags = np.where(np.arange(300) % 100 < 10, 0x04, 0).astype(np.uint8) | np.uint8(0x02)
    raw.write_bytes(pack_frames(counts, flags, np.tile(END_SLOTS, 75)).tobytes())
    out = tmp_path / "out.raw"
    said = call(capfd, "drive", raw, "--lock", "3", "--to", out).err
    assert said == (
        f"busbench: {raw}: has no times; its frames are taken to come every 7 ms\n"
        "busbench: channel 3: locked at 0.0 % (992 counts): it does not move\n"
        "busbench: channel 5: its limits change 61 of 300 frames\n"
        f"busbench: wrote {out} (365 frames, 2.555 s)\n"
    )
    frames = read_recording(str(out)).frames[:300]
    assert set(frames.channels[:, 2].tolist()) == {992}
    assert (frames.flags == flags).all()
    assert set(frames.end.tolist()) == set(END_SLOTS)


def test_the_command_that_proposes_a_replay_works_as_printed(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    flight = CAPTURES / "heron-tty.pcapng"
    refused = call(capfd, "rig", "power", CAPTURES / "heron.toml", "--program", flight)
    (typed,) = re.findall("`busbench (.*)`", refused.err)
    assert call(capfd, *shlex.split(typed)).code == 0


@pytest.mark.parametrize("words", [("pulses", "heron-outputs.vcd"), ("compare", "heron-bench.pcapng")])
def test_a_file_by_its_address_gives_what_the_file_gives(
    capfd: pytest.CaptureFixture[str], words: tuple[str, str]
) -> None:
    command, name = words
    more = (CAPTURES / "heron-bench.pcapng", "--format", "json") if command == "compare" else ("--format", "json")
    by_path, by_address = (
        call(capfd, command, source, *more) for source in (CAPTURES / name, (CAPTURES / name).as_uri())
    )
    assert by_address.code == by_path.code == 0
    assert by_address.out == by_path.out != ""


def test_addresses_are_recordings_to_replay_but_for_programs() -> None:
    names = ("heron-bench.pcapng", "heron-sweeps.toml", "missing.pcapng")
    assert [is_recording((CAPTURES / name).as_uri()) for name in names] == [True, False, False]
    assert [is_recording(name) for name in ("s3://bench/heron.pcapng", "sweep")] == [True, False]
