"""A live session at the limits of its times and sizes."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.analysis.line_probe import classify
from busbench.errors import OutputError
from busbench.line import Chunk
from busbench.port.ipc import EventKind
from busbench.tui.live import LAG_NS, LiveSession, recording_name
from tests.tui.ports import START_NS, Live, frames

MS = 1_000_000


def fed(count: int = 40, *, period_ms: int = 10) -> Live:
    """Frames as they come, and then nothing; the clock is where the last one came."""
    live = Live("virtual:?frames=off")
    data = frames([992] * count)
    live.port.queue = [Chunk(START_NS + (at + 1) * period_ms * MS, data[25 * at : 25 * at + 25]) for at in range(count)]
    live.hands.t_ns = START_NS + count * period_ms * MS
    live.session.tick(0.05)
    live.session.refresh()
    return live


def later(live: Live, ms: float) -> LiveSession:
    live.hands.t_ns += round(ms * MS)
    live.session.tick(0.05)
    live.session.refresh()
    return live.session


def test_what_is_silent_has_had_no_byte_for_300_ms_besides_the_lag() -> None:
    live = fed()
    last_ns = live.session.receiver.last_t_ns
    assert last_ns == live.session.end
    for after_ms, link in ((0, "in sync"), (55, "in sync"), (57, "no frame"), (340, "no frame"), (341, "silent")):
        assert live.session.end == max(last_ns or 0, live.hands.t_ns - LAG_NS)
        live.hands.t_ns = (last_ns or 0) + after_ms * MS
        live.session.tick(0.05)
        assert live.session.link == link, after_ms


def test_ambiguous_bytes_are_told_of_for_two_seconds() -> None:
    live = fed()
    session = live.session
    session._ambiguous_ns = session.end
    assert session.link == "ambiguous"
    session._ambiguous_ns = session.end - 1_999_999_999
    assert session.link == "ambiguous"
    session._ambiguous_ns = session.end - 2_000_000_000
    assert session.link == "in sync"


def test_what_is_frozen_is_not_called_overdue() -> None:
    live = fed()
    live.session.toggle()
    assert later(live, 80).link == "in sync"
    assert live.session.place < live.session.end
    live.session.toggle()
    assert later(live, 0).link == "no frame"
    assert live.session.place == live.session.end


def test_the_size_of_a_recording_is_read_once_a_second(tmp_path: Path) -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    assert (session.recorded_bytes, session.recording) == (0, "")
    path = tmp_path / "a.pcapng"
    session.start_recording(str(path))
    assert session.notice == f"recording to {path}"
    first = session.recorded_bytes
    live.pass_s(0.9)
    assert session.recorded_s == pytest.approx(0.9)
    assert session.recorded_bytes == first
    live.pass_s(0.1)
    session.receiver.pump(0)
    assert session.recorded_bytes == path.stat().st_size
    assert session.unkept == [f"the recording {path} that runs"]
    session.unkept_marks = 1
    assert session.unkept == [f"the recording {path} that runs", "1 annotation"]
    session.stop_recording(why="the port was lost")
    assert session.notice == f"the port was lost; wrote {path} (100 frames)"
    session.notice = ""
    session.stop_recording()
    assert (session.notice, session.recorded_bytes) == ("", 0)
    session.start_recording(str(tmp_path / "b.pcapng"))
    assert session.recorded_bytes == (tmp_path / "b.pcapng").stat().st_size
    session.close()
    assert session.wrote == f"wrote {tmp_path / 'b.pcapng'} (0 frames)"


def test_a_recording_that_cannot_be_written_on_is_told_once_and_watching_goes_on(tmp_path: Path) -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    path = str(tmp_path / "a.pcapng")
    session.start_recording(path)
    error = OutputError(path, "cannot be written", hint="free some space")
    session.receiver.record_errors[path] = error
    live.pass_s(0.1)
    assert session.notice == str(error)
    session.notice = ""
    live.pass_s(0.1)
    assert session.notice == ""
    other = OutputError(path, "cannot be written at all", hint="free some space")
    session.receiver.record_errors["other"] = other
    with pytest.raises(OutputError, match="cannot be written at all"):
        session.mark(session.place, "here")
    session.mark(session.place, "there")
    assert [mark.text for mark in session.marks] == ["here", "there"]


def test_a_recording_of_a_check_ends_with_the_session(tmp_path: Path) -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    mine, check = str(tmp_path / "mine.pcapng"), str(tmp_path / "check.pcapng")
    session.receiver.start_recording(check)
    assert (session.recording, session.unkept) == ("", [])
    session.start_recording(mine)
    session.close()
    assert session.wrote == f"wrote {mine} (0 frames); wrote {check}"
    frames_before = len(session.store)
    live.hands.t_ns += 10**9
    session.tick(1.0)
    assert len(session.store) == frames_before
    assert live.port.is_closed


def test_what_a_port_that_failed_said_is_told_with_its_recording(tmp_path: Path) -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    path = tmp_path / "a.pcapng"
    session.start_recording(str(path))
    live.port.fails = "has gone"
    live.pass_s(0.1)
    assert session.notice.endswith(f": has gone: plug it in again; wrote {path} (0 frames)")
    assert (session.is_lost, session.recording) == (True, "")
    end_ns = session.end
    live.pass_s(1.0)
    assert session.end == end_ns


def test_timing_is_of_the_last_minute_and_measured_every_two_seconds() -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(0.06)
    live.session.store = type(session.store)(clock=session.clock)
    assert session.timing() is None
    live.pass_s(1.0)
    first = session.timing()
    assert first is not None
    assert first.scope == "last 60 s"
    live.pass_s(1.9)
    assert session.timing() is first
    live.pass_s(0.2)
    second = session.timing()
    assert second is not first
    live.pass_s(70.0)
    last = session.timing()
    assert last is not None
    assert last.figures.frames == pytest.approx(6_001, abs=1)
    session.seek(session.start + 10 * 10**9)
    assert session.timing() is not last
    assert session.timing() is session.timing()


def test_timing_takes_at_least_three_frames() -> None:
    session = Live("virtual:?period=10ms").pass_s(1.0)
    for row in (0, 1):
        session.seek(session.store.axis(row))
        assert session.timing() is None
    session.seek(session.store.axis(2))
    view = session.timing()
    assert view is not None
    assert view.figures.frames == 3


def test_the_alarm_rings_again_for_more_losses_alone() -> None:
    live = Live("virtual:?period=10ms&gaps=1:0.3")
    session = live.pass_s(2)
    assert session.takes_alarm()
    assert not session.takes_alarm()
    live.pass_s(1)
    assert not session.takes_alarm()


def test_what_the_line_is_is_worked_out_of_its_first_bytes_until_a_frame_comes() -> None:
    live = Live("virtual:?frames=off")
    session = live.session
    nothing = classify([], clock=session.clock, line=session.line)
    assert session.no_frames == (nothing.says, nothing.advice)
    chunks = [Chunk(START_NS + at * 10 * MS, bytes([at % 256, 85]) * 500) for at in range(8)]
    for at, chunk in enumerate(chunks):
        live.port.queue = [chunk]
        later(live, 10)
        heard = chunks[: min(at + 1, 5)]  # until there are 4096 bytes and more
        found = classify(heard, clock=session.clock, line=session.line)
        assert session.no_frames == (found.says, found.advice)
    assert session._heard == chunks[:5]
    assert fed().session.no_frames == ("", "")
    assert later(fed(), 10)._heard == []


def test_a_port_that_went_and_came_back_is_annotated_and_other_news_are_told() -> None:
    live = fed()
    for kind in list(EventKind)[1:]:
        live.port.happens(kind, f"it is {kind.name}")
        later(live, 10)
        assert live.session.notice == f"it is {kind.name}"
    assert [mark.text for mark in live.session.marks] == ["it is UNPLUGGED", "it is RECONNECTED"]


def test_a_recording_is_named_by_local_time_and_another_by_a_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    name = recording_name(now_s=1_700_000_000)
    assert len(name) == len("bench-20231114-221320.pcapng")
    assert name.startswith("bench-202311")
    Path(name).touch()
    assert recording_name(now_s=1_700_000_000) == name.replace(".pcapng", "-2.pcapng")
