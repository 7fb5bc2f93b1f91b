"""Recordings of days: what surrounds outages byte for byte, the totals of a full recording, nothing lost by a kill."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import Recording, read_recording, read_recordings
from busbench.bench.rack import Rack
from busbench.bench.recorder import Retention
from busbench.capture.open import open_capture
from busbench.cli.main import run
from busbench.port.port import EventKind
from tests.tui.ports import Hands, ScriptedPort

CALM = "virtual:?period=7ms&seed=3"
SOURCES = {
    "flags": "virtual:?period=7ms&duration=300s&lost=40:0.3&failsafe=110:2&seed=3",
    "gaps": "virtual:?period=14ms&duration=300s&gaps=35:0.5&flips=0.001%&seed=4",
    "slots": "virtual:?period=15ms&slots=on&duration=300s&gaps=60:0.2&lost=90:0.1&seed=5",
}


def soak(source: str, kept: Path, whole: Path, *, around_s: float = 5) -> tuple[Recording, Recording]:
    """A source recorded twice, and read: what surrounds outages, and all."""
    hands = Hands()
    ports = [ScriptedPort(hands, source) for _ in range(2)]
    ports[1].start_utc_ns = ports[0].start_utc_ns
    racks = [
        Rack(ports[:1], record=str(kept), retention=Retention(around_s=around_s), now=hands),
        Rack(ports[1:], record=str(whole), now=hands),
    ]
    while not racks[1].has_ended:
        hands.t_ns += 600_000_000
        for rack in racks:
            rack.pump(0)
    for rack in racks:
        rack.finish()
    return read_recording(kept), read_recording(whole)


@pytest.mark.parametrize(("kind", "suffix"), [("flags", ".pcapng"), ("gaps", ".pcapng.gz"), ("slots", ".pcapng.zst")])
def test_totals_are_those_of_a_full_recording(tmp_path: Path, kind: str, suffix: str) -> None:
    kept, whole = soak(SOURCES[kind], tmp_path / f"kept{suffix}", tmp_path / "whole.pcapng")
    one, other = kept.outages(), whole.outages()
    for name in ("frames", "expected", "missing", "missed", "stray_bytes"):
        assert getattr(one, name) == getattr(other, name), name
    assert one.duration_s == pytest.approx(other.duration_s)
    assert one.period_s == pytest.approx(other.period_s, rel=1e-5)
    for event, same in zip(one.events, other.events, strict=True):
        assert (event.kind, event.frames, event.bytes) == (same.kind, same.frames, same.bytes)
        assert event.start_s == pytest.approx(same.start_s)
        assert event.end_s == pytest.approx(same.end_s)
    assert sum(minute.frames for minute in one.minutes) == other.frames
    assert sum(minute.missed for minute in one.minutes) == other.missed
    assert [minute.minute for minute in one.minutes] == [0, 1, 2, 3, 4]
    assert one.left_out > 0.2 * other.frames


def test_what_surrounds_an_outage_is_there_byte_for_byte(tmp_path: Path) -> None:
    kept, whole = soak(SOURCES["flags"], tmp_path / "kept.pcapng", tmp_path / "whole.pcapng")
    start_ns = whole.span.first_t_ns or 0
    for event in whole.outages().events:
        assert event.start_s is not None
        assert event.end_s is not None
        near = [
            one.frames[
                (one.frames.t_ns > start_ns + (event.start_s - 5) * 1e9)
                & (one.frames.t_ns < start_ns + (event.end_s + 5) * 1e9)
            ]
            for one in (kept, whole)
        ]
        np.testing.assert_array_equal(near[0].raw, near[1].raw)
        np.testing.assert_array_equal(near[0].t_ns, near[1].t_ns)


def test_a_calm_line_leaves_both_ends_and_its_count(tmp_path: Path) -> None:
    kept, whole = soak(f"{CALM}&duration=200s", tmp_path / "kept.pcapng", tmp_path / "whole.pcapng", around_s=2)
    assert kept.outages().frames == len(whole.frames)
    assert 500 < len(kept.frames) < 1000  # 2 s at its begin and 2 to 3 s at its end
    assert (tmp_path / "kept.pcapng").stat().st_size < 0.05 * (tmp_path / "whole.pcapng").stat().st_size
    assert kept.timing().period_mean_s == pytest.approx(0.007)


def test_what_came_until_a_kill_is_counted(tmp_path: Path) -> None:
    hands, path = Hands(), tmp_path / "kept.pcapng"
    rack = Rack([ScriptedPort(hands, CALM)], record=str(path), retention=Retention(around_s=2), now=hands)
    recorder = rack._recorder
    assert recorder is not None
    for _ in range(450):
        hands.t_ns += 200_000_000
        rack.pump(0)
    recorder.flush()  # as by the clock on the wall, each half second
    kept = read_recording(path)  # the recorder has not ended
    assert kept.outages().frames > 12_857 - 143
    assert sum(minute.frames for minute in kept.outages().minutes) > 12_857 - 143


def test_files_are_numbered_and_the_oldest_go(tmp_path: Path) -> None:
    hands = Hands()
    retention = Retention(every_s=10, files=2)
    rack = Rack([ScriptedPort(hands, CALM)], record=str(tmp_path / "soak.pcapng.gz"), retention=retention, now=hands)
    for _ in range(175):
        hands.t_ns += 200_000_000
        rack.pump(0)
    rack.finish()
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["soak-00003.pcapng.gz", "soak-00004.pcapng.gz"]
    together = tmp_path / "together.pcapng.gz"
    together.write_bytes(b"".join((tmp_path / name).read_bytes() for name in names))
    outages = read_recording(together).outages()
    assert outages.missed == 0
    assert 2143 - 29 <= outages.frames <= 2143  # a file begins with a look, each 0.2 s


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_a_compressed_recording_can_be_read_while_it_grows(tmp_path: Path, suffix: str) -> None:
    hands, path = Hands(), tmp_path / f"f.pcapng{suffix}"
    rack = Rack([ScriptedPort(hands, CALM)], record=str(path), now=hands)
    recorder = rack._recorder
    assert recorder is not None
    for second in range(1, 4):
        for _ in range(5):
            hands.t_ns += 200_000_000
            rack.pump(0)
        recorder.flush()
        with open_capture(str(path)) as capture:
            assert sum(len(log) for log in capture.blocks()) > 25 * (143 * second - 3)
            assert capture.info.notes == []
    rack.finish()


def test_a_port_that_is_away_is_kept_with_what_surrounds_it(tmp_path: Path) -> None:
    hands, path = Hands(), tmp_path / "kept.pcapng"
    port = ScriptedPort(hands, CALM)
    rack = Rack([port], record=str(path), retention=Retention(around_s=2), now=hands)
    for number in range(600):
        hands.t_ns += 200_000_000
        if number == 250:
            port.happens(EventKind.UNPLUGGED, "unplugged")
        port.is_mute = 250 <= number < 350
        if number == 350:
            port.happens(EventKind.RECONNECTED, "back")
        rack.pump(0)
    rack.finish()
    found = read_recording(path).outages()
    (event,) = found.events
    assert event.start_s == pytest.approx(50.0, abs=0.05)
    assert event.duration_s == pytest.approx(20.0, abs=0.05)
    marks = [(part.end_mark, part.missed) for part in found.between_marks]
    assert [mark for mark, _ in marks] == ["unplugged", "back", None]
    assert sum(missed for _, missed in marks) == event.frames == found.missed


def test_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "soak.pcapng.zst"
    sources = [f"virtual:?speed=max&duration=60s&period=7ms&lost=20:0.1&seed={seed}" for seed in (1, 2)]
    assert run(["record", *sources, "-o", str(path), "--around", "2", "--unit", "Heron"]) == 0
    assert [one.outages().frames for one in read_recordings(path)] == [8572, 8572]
    assert run(["record", sources[0], "-o", str(tmp_path / "n.pcapng"), "--every", "20", "--files", "2"]) == 0
    assert sorted(one.name for one in tmp_path.glob("n-*")) == ["n-00002.pcapng", "n-00003.pcapng"]
    capsys.readouterr()
    assert run(["record", sources[0], "-o", str(tmp_path / "n.pcapng"), "--every", "20"]) == 2
    assert "n-00002.pcapng: exists already" in capsys.readouterr().err


def test_a_part_of_such_a_recording_leaves_out_the_same(tmp_path: Path) -> None:
    path, part = tmp_path / "kept.pcapng", tmp_path / "part.pcapng"
    soak(f"{CALM}&duration=130s&lost=40:0.3", path, tmp_path / "whole.pcapng")
    assert run(["convert", str(path), "--from", "0", "--to", "60", "-o", str(part)]) == 0
    kept, cut = read_recording(path).outages(), read_recording(part).outages()
    assert (cut.missing, cut.missed) == (0, sum(one.frames for one in kept.events if (one.start_s or 0) < 60))
    assert cut.left_out > 1000
