"""The pump of live sources: frames, events, link state and the recording agree, the one that listens."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.rack import Rack
from busbench.bench.receiver import LinkState, Receiver, Reception
from busbench.bench.sources import open_live
from busbench.errors import OutputError, PortError
from busbench.port.port import EventKind
from tests.tui.ports import START_NS, Hands, ScriptedPort


def receiver_of(hands: Hands, source: str = "virtual:?period=10ms", **more: object) -> Receiver:
    return Receiver(ScriptedPort(hands, source), now=hands, **more)  # type: ignore[arg-type]


def pass_s(receiver: Receiver, seconds: float) -> list[Reception]:
    came = []
    for _ in range(round(seconds / 0.05)):
        assert isinstance(receiver.now, Hands)
        receiver.now.t_ns += 50_000_000
        came.append(receiver.pump(0))
    return came


def happens(receiver: Receiver, kind: EventKind, text: str) -> None:
    assert isinstance(receiver.port, ScriptedPort)
    receiver.port.happens(kind, text)


def test_every_frame_comes_once_and_the_recording_holds_the_same(tmp_path: Path) -> None:
    path = str(tmp_path / "f.pcapng")
    with open_live("virtual:?speed=max&duration=5s&period=10ms&flips=0.1%") as port:
        tables = list(Receiver(port, record=path))
    counts = np.concatenate([table.channels for table in tables])
    kept = read_recording(path)
    assert len(counts) > 450
    np.testing.assert_array_equal(counts, kept.frames.channels)


async def test_async_for_gives_the_same_frames() -> None:
    source = "virtual:?speed=max&duration=2s&period=10ms"
    with open_live(source) as port:
        frames = [len(table) async for table in Receiver(port)]
    assert sum(frames) == 200


def test_breaking_off_an_iteration_ends_the_recording(tmp_path: Path) -> None:
    path = str(tmp_path / "f.pcapng")
    with open_live("virtual:?speed=max&period=10ms") as port, Receiver(port, record=path) as receiver:
        for _ in receiver:
            break
    assert receiver.recordings == ()
    assert len(read_recording(path).frames) > 0


def test_link_states_and_the_time_away() -> None:
    receiver = receiver_of(Hands())
    pass_s(receiver, 1)
    assert (receiver.state, receiver.is_in_sync, receiver.times_away) == (LinkState.OPEN, True, 0)
    happens(receiver, EventKind.UNPLUGGED, "unplugged")
    pass_s(receiver, 2)
    assert (receiver.state, receiver.away_ns) == (LinkState.AWAY, 0)
    happens(receiver, EventKind.RECONNECTED, "back")
    came = pass_s(receiver, 0.1)
    assert (receiver.state, receiver.away_ns, receiver.times_away) == (LinkState.OPEN, 2_000_000_000, 1)
    assert [event.text for one in came for event in one.events] == ["back"]
    assert [(note.t_ns - START_NS, note.text) for note in receiver.annotations] == [
        (1_000_000_000, "unplugged"),
        (3_000_000_000, "back"),
    ]


def test_silence_at_the_end_is_written_down(tmp_path: Path) -> None:
    path = str(tmp_path / "f.pcapng")
    receiver = receiver_of(Hands(), record=path)
    pass_s(receiver, 1)
    receiver.port.is_mute = True  # type: ignore[attr-defined]
    pass_s(receiver, 0.4)
    assert receiver.silent_ns(receiver.now()) == 0  # nothing to speak of yet
    pass_s(receiver, 1.6)
    assert receiver.silent_ns(receiver.now()) > 1_900_000_000
    receiver.finish()
    assert [note.text for note in read_recording(path).info.marks] == ["recording ended"]


def test_a_lost_port_gives_its_last_frames_first() -> None:
    receiver = receiver_of(Hands())
    pass_s(receiver, 1)
    receiver.port.fails = "is gone"  # type: ignore[attr-defined]
    with pytest.raises(PortError, match="is gone"):
        list(receiver)


def test_listeners_hear_all_that_was_pumped_and_the_end() -> None:
    receiver = receiver_of(Hands())
    heard: list[int] = []
    receiver.listeners.append(lambda came: heard.append(len(came.found.frames)))
    came = pass_s(receiver, 1)
    receiver.finish()
    assert heard[:-1] == [len(one.found.frames) for one in came]
    assert len(heard) == len(came) + 1


@pytest.mark.parametrize("keeps_going", [False, True])
def test_a_recording_that_cannot_be_written_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, keeps_going: bool
) -> None:
    receiver = receiver_of(Hands(), record=str(tmp_path / "f.pcapng"), keeps_going=keeps_going)
    pass_s(receiver, 1)

    def fails(*_: object) -> None:
        raise OutputError("f.pcapng", "cannot be written any further")

    (recorder,) = receiver._recorders.values()
    monkeypatch.setattr(recorder, "add", fails)
    if keeps_going:
        assert sum(len(one.found.frames) for one in pass_s(receiver, 1)) == 100
        assert list(receiver.record_errors) == [str(tmp_path / "f.pcapng")]
    else:
        with pytest.raises(OutputError):
            pass_s(receiver, 1)
    assert receiver.recordings == ()


def test_two_recordings_each_hold_what_came_in_their_time(tmp_path: Path) -> None:
    receiver = receiver_of(Hands())
    long, short = str(tmp_path / "long.pcapng"), str(tmp_path / "short.pcapng")
    receiver.start_recording(long)
    pass_s(receiver, 1)
    receiver.start_recording(short)
    receiver.annotate(receiver.now(), "rudder stick")
    pass_s(receiver, 1)
    receiver.stop_recording(short)
    assert receiver.recordings == (long,)
    pass_s(receiver, 1)
    receiver.finish()
    kept = [read_recording(path) for path in (long, short)]
    assert [len(one.frames) for one in kept] == [300, 100]
    assert [[note.text for note in one.info.marks] for one in kept] == [["rudder stick"]] * 2


def test_listeners_hear_a_note_once() -> None:
    receiver = receiver_of(Hands())
    heard: list[str] = []
    receiver.listeners.append(lambda came: heard.extend(note.text for note in came.notes))
    receiver.annotate(START_NS, "rudder stick")
    pass_s(receiver, 0.1)
    assert heard == ["rudder stick"]


def test_times_and_bytes_are_those_of_what_came() -> None:
    receiver = receiver_of(Hands())
    assert (receiver.first_t_ns, receiver.last_t_ns, receiver.heard_s, receiver.bytes_total) == (None, None, 0.0, 0)
    assert receiver.unwritten_end_ns() is None
    came = pass_s(receiver, 1)
    times = [chunk.t_ns for one in came for chunk in one.chunks]
    assert (receiver.first_t_ns, receiver.last_t_ns) == (times[0], times[-1])
    assert receiver.heard_s == (times[-1] - times[0]) / 1e9
    assert receiver.bytes_total == sum(len(one.log) for one in came) == came[-1].log.end
    pass_s(receiver, 1)
    assert receiver.first_t_ns == times[0]


def test_silence_counts_beyond_half_a_second_of_a_port_that_is_there() -> None:
    receiver = receiver_of(Hands())
    assert receiver.silent_ns(10**12) == 0  # nothing has come yet
    pass_s(receiver, 1)
    last_ns = receiver.last_t_ns or 0
    assert [receiver.silent_ns(last_ns + ns) for ns in (500_000_000, 500_000_001)] == [0, 500_000_001]
    happens(receiver, EventKind.UNPLUGGED, "unplugged")
    receiver.port.is_mute = True  # type: ignore[attr-defined]
    pass_s(receiver, 0.05)
    assert receiver.silent_ns(last_ns + 10**10) == 0
    assert receiver.unwritten_end_ns() == receiver.now()  # it was away until now


def test_a_port_that_stays_away_was_away_until_the_end() -> None:
    receiver = receiver_of(Hands())
    happens(receiver, EventKind.RECONNECTED, "back")  # nothing is known of its going
    pass_s(receiver, 1)
    assert (receiver.away_ns, receiver.times_away) == (0, 0)
    for _ in range(2):
        happens(receiver, EventKind.UNPLUGGED, "unplugged")
        pass_s(receiver, 1)
        happens(receiver, EventKind.RECONNECTED, "back")
        pass_s(receiver, 1)
    assert (receiver.away_ns, receiver.times_away) == (2_000_000_000, 2)
    happens(receiver, EventKind.UNPLUGGED, "unplugged")
    pass_s(receiver, 1)
    receiver.finish()
    assert (receiver.away_ns, receiver.times_away) == (3_000_000_000, 3)
    receiver.finish()
    assert receiver.away_ns == 3_000_000_000


def test_the_opening_is_no_event_and_others_are_notes() -> None:
    receiver = receiver_of(Hands())
    for kind, text in ((EventKind.OPENED, "open"), (EventKind.WARNING, "odd rate"), (EventKind.OVERRUN, "lost 4")):
        happens(receiver, kind, text)
    (came,) = pass_s(receiver, 0.05)
    assert [event.text for event in came.events] == ["odd rate", "lost 4"]
    assert [note.text for note in receiver.annotations] == ["odd rate", "lost 4"]
    assert receiver.state is LinkState.OPEN


def test_receptions_end_where_the_caller_says_so() -> None:
    receiver = receiver_of(Hands())
    pass_s(receiver, 0.2)
    looks = iter([False, False, True])
    assert len(list(receiver.receptions(is_over=lambda: next(looks)))) == 3  # two reads and the end
    receiver.port.fails = "is gone"  # type: ignore[attr-defined]
    with pytest.raises(PortError):
        receiver.pump(0)
    assert receiver.state is LinkState.LOST


def test_lateness_of_the_reader_is_kept(tmp_path: Path) -> None:
    with open_live("virtual:?speed=max&duration=3s&period=10ms") as port:
        receiver = Receiver(port)
        came = list(receiver.receptions())
    assert [wake.counts[0] for wake in receiver.wakes] == [50, 50]
    assert [wake for one in came for wake in one.wakes] == receiver.wakes


def test_an_end_that_cannot_be_written_is_the_error_of_its_recording(tmp_path: Path) -> None:
    for keeps_going in (True, False):
        path = str(tmp_path / f"{keeps_going}.pcapng")
        receiver = receiver_of(Hands(), keeps_going=keeps_going)
        receiver.start_recording(path)
        pass_s(receiver, 0.2)
        Path(path).unlink()
        if keeps_going:
            receiver.stop_recording(path)
            assert list(receiver.record_errors) == [path]
            receiver.start_recording(path)
            assert receiver.record_errors == {}
            receiver.stop_recording(path)
        else:
            with pytest.raises(OutputError, match="was deleted by another program"):
                receiver.finish()
        receiver.stop_recording(path)  # it does not run any more


def test_no_recording_is_replaced_unasked(tmp_path: Path) -> None:
    path = tmp_path / "f.pcapng"
    path.write_bytes(b"mine")
    for act in (
        lambda: receiver_of(Hands(), record=str(path)),
        lambda: receiver_of(Hands()).start_recording(str(path)),
        lambda: Rack([ScriptedPort(Hands(), "virtual:")], record=str(path)),
    ):
        with pytest.raises(OutputError, match="exists already"):
            act()
    assert path.read_bytes() == b"mine"
    receiver = receiver_of(Hands(), record=str(path), force=True)
    receiver.finish()
    assert path.read_bytes() != b"mine"


def test_a_recording_that_fails_ends_the_reception_unless_it_may_go_on(tmp_path: Path) -> None:
    path = tmp_path / "f.pcapng"
    receiver = receiver_of(Hands(), record=str(path))
    pass_s(receiver, 0.2)
    path.unlink()
    with pytest.raises(OutputError, match="was deleted by another program"):
        receiver.stop_recording(str(path))
    assert list(receiver.record_errors) == [str(path)]
