"""A live session: what is in sync, what was lost, what is recorded."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.analysis.outages import Outage
from busbench.analysis.recording import read_recording
from busbench.errors import OutputError
from busbench.line import Chunk
from busbench.port.ipc import EventKind
from busbench.tui.live import LiveSession, recording_name
from busbench.wire.codec import pack_frames
from tests.tui.ports import START_NS, Live, frames


def test_all_frames_of_a_quiet_line() -> None:
    session = Live().pass_s(3)
    assert (session.losses.frames, session.losses.missed, session.losses.missing) == (429, 0, 0)
    assert session.losses.period_s == pytest.approx(0.007)
    assert (session.link, session.flag_words) == ("in sync", "none")
    assert session.place == session.end


def test_losses_are_those_of_the_receiver() -> None:
    live = Live("virtual:?period=10ms&lost=1:0.2&gaps=2:0.5&failsafe=3:0.3")
    session = live.pass_s(6)
    kinds = [(one.kind, one.frames, round(one.duration_s or 0, 2)) for one in session.events.items]
    assert kinds == [("lost", 20, 0.2), ("gap", 50, 0.51), ("failsafe", 30, 0.3)]
    assert (session.losses.missed, session.losses.missing) == (100, 50)
    assert session.upper95 == pytest.approx(0.1942, abs=2e-3)


def test_settled_outages_are_those_of_a_whole_recording(tmp_path: Path) -> None:
    live = Live("virtual:?period=4ms&lost-rate=40&gap-rate=40&failsafe-rate=20&seed=5")
    path = str(tmp_path / "a.pcapng")
    live.session.start_recording(path)
    for _ in range(12):
        session = live.pass_s(4)
    session.stop_recording()
    assert session._outages._row > 4096  # some were settled, else this tests nothing
    from busbench.analysis.outages import find_outages

    whole = read_recording(path)
    start = session.start + live.port.start_utc_ns
    found = find_outages(
        whole.times,
        whole.rejects,
        first_offset=whole.first_offset,
        clock=whole.clock,
        start_ns=start,
        end_t_ns=session.end + live.port.start_utc_ns,
    )
    assert len(found.events) > 20
    assert [plain(one) for one in session.events.items] == [plain(one) for one in found.events]
    assert (session.losses.missed, session.losses.expected) == (found.missed, found.expected)


def plain(one: Outage) -> tuple[str, int, int, float, float]:
    return one.kind, one.frames, one.offset, round(one.start_s or 0, 6), round(one.end_s or 0, 6)


def test_silence_grows_while_it_lasts() -> None:
    live = Live("virtual:?period=10ms")
    live.pass_s(1)
    live.port.is_mute = True
    session = live.pass_s(1)
    assert session.link == "silent"
    assert session.flag_words == "no frame"
    first = session.losses.missing
    session = live.pass_s(1)
    assert session.losses.missing - first == 100
    assert [one.kind for one in session.events.items] == ["gap"]


def test_noise_is_searched() -> None:
    live = Live("virtual:?frames=off&chatter=400")
    assert live.pass_s(2).link == "out of sync"


def test_unplugged_is_noted_and_waited_out() -> None:
    live = Live("virtual:?period=10ms")
    live.pass_s(1)
    live.port.is_mute = True
    live.port.happens(EventKind.UNPLUGGED, "unplugged; waiting for it")
    session = live.pass_s(0.5)
    assert (session.link, session.notice) == ("unplugged", "unplugged; waiting for it")
    live.port.is_mute = False
    live.port.happens(EventKind.RECONNECTED, "plugged in again")
    session = live.pass_s(1)
    assert (session.link, session.receiver.times_away) == ("in sync", 1)
    assert [mark.text for mark in session.marks] == ["unplugged; waiting for it", "plugged in again"]


def test_a_port_that_is_lost_keeps_what_came() -> None:
    live = Live("virtual:?period=10ms")
    live.pass_s(1)
    live.port.fails = "the process that owns the port has died"
    session = live.pass_s(1)
    assert session.link == "port lost"
    assert session.losses.frames == 100
    assert "has died: plug it in again" in session.notice


def test_the_alarm_rings_once_for_each_loss() -> None:
    live = Live("virtual:?period=10ms&lost=1:0.1&gaps=2:0.1")
    rings = []
    for _ in range(30):
        rings.append(live.pass_s(0.1).takes_alarm())
    assert sum(rings) == 3  # the gap is seen growing
    assert not any(rings[:9])


def test_frozen_the_place_stays_and_bytes_still_come() -> None:
    live = Live("virtual:?period=10ms")
    session = live.pass_s(1)
    session.toggle()
    place = session.place
    live.pass_s(1)
    assert session.place == place
    assert session.losses.frames == 200
    assert session.row == 99
    session.toggle()
    live.pass_s(0.05)
    assert session.place == session.end


def test_recording_holds_bytes_and_marks(tmp_path: Path) -> None:
    live = Live("virtual:?period=10ms")
    live.pass_s(1)
    path = str(tmp_path / "bench.pcapng")
    live.session.start_recording(path)
    assert live.session.recording == path
    live.pass_s(1)
    live.session.mark(live.session.place, "30 paces")
    live.pass_s(0.5)
    live.session.close()
    recording = read_recording(path)
    assert len(recording.frames) == 150
    assert [mark.text for mark in recording.info.marks] == ["30 paces"]
    assert live.port.is_closed


def test_a_recording_does_not_write_over_another(tmp_path: Path) -> None:
    path = tmp_path / "bench.pcapng"
    path.write_text("old")
    live = Live()
    with pytest.raises(OutputError, match="file exists already"):
        live.session.start_recording(str(path))
    assert path.read_text() == "old"
    assert live.session.recording == ""


def test_recordings_are_named_by_the_clock() -> None:
    assert recording_name(now_s=0).startswith("bench-19")
    assert recording_name(now_s=0).endswith(".pcapng")


def feed(live: Live, values: list[int], flags: list[int] | None = None) -> LiveSession:
    """Let the port give frames every 7 ms."""
    data = frames(values, flags=flags)
    live.port.queue = [
        Chunk(START_NS + (n + 1) * 7_000_000, data[25 * n : 25 * n + 25]) for n in range(len(data) // 25)
    ]
    live.hands.t_ns = START_NS + (len(values) + 1) * 7_000_000 + 40_000_000
    live.session.tick(0.05)
    live.session.refresh()
    return live.session


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ([992] * 100, "still"),
        ([992] * 50 + list(range(992, 1042)), "moving"),
        ([1811] * 100, "at end"),
        ([175] * 100, "at end"),
        ([100] * 100, "past end"),
        ([992] * 80 + [1200] + [992] * 80, "glitch"),
        ([992] * 80 + [1030] + [992] * 20, "moving"),
    ],
)
def test_a_word_for_each_state(values: list[int], word: str) -> None:
    session = feed(Live("virtual:?frames=off"), values)
    rows = session.channel_rows(40)
    assert rows.states == (word,) * 16 + ("off", "off")
    assert rows.values.tolist() == [values[-1]] * 16 + [0, 0]


def test_spans_count_from_the_reset() -> None:
    session = feed(Live("virtual:?frames=off"), [172] * 10 + [992] * 10 + [1811] * 10)
    rows = session.channel_rows(40)
    assert (int(rows.low[0]), int(rows.high[0])) == (172, 1811)
    session.step(-15)
    session.reset()
    session.seek(session.end)
    rows = session.channel_rows(40)
    assert (int(rows.low[0]), int(rows.high[0])) == (992, 1811)


def test_values_of_flagged_frames_are_the_receivers() -> None:
    live = Live("virtual:?frames=off")
    assert feed(live, [992] * 90, flags=[0x04] * 90).channel_rows(40).states == ("lost",) * 18
    live = Live("virtual:?frames=off")
    assert feed(live, [992] * 90, flags=[0x0C] * 90).channel_rows(40).states == ("failsafe",) * 18


def test_a_frame_with_a_marked_byte_is_damaged_and_holds_no_values() -> None:
    live = Live("virtual:?frames=off")
    raw = pack_frames(np.repeat([[992], [1000], [1700], [1700]], [30, 30, 1, 1], axis=0).repeat(16, axis=1))
    marks = [b""] * 60 + [b"\0" * 9 + b"\4" + b"\0" * 15] + [b"\4" * 25]
    live.port.queue = [Chunk(START_NS + n * 7_000_000, raw[n].tobytes(), marks[n]) for n in range(62)]
    live.hands.t_ns = START_NS + 61 * 7_000_000 + 40_000_000
    live.session.tick(0.05)
    live.session.refresh()
    rows = live.session.channel_rows(40)
    assert (int(rows.values[4]), int(rows.high[4]), rows.states) == (1000, 1000, ("damaged",) * 18)
    assert live.session.flag_words == "damaged frame"
    assert (live.session.losses.missed, live.session.losses.missed_low) == (2, 2)
    assert live.session.recent_losses()[0] == 2
    assert [(one.kind, one.frames, one.missing) for one in live.session.events.items] == [("damaged", 2, 0)]


def test_flags_now_are_told_in_words() -> None:
    session = feed(Live("virtual:?frames=off"), [992] * 9, flags=[0x0F] * 9)
    assert session.flag_words == "FAILSAFE LOST 17 on 18 on"
    for flags, words in ((0x01, "17 on"), (0x02, "18 on"), (0x04, "LOST"), (0x08, "FAILSAFE")):
        assert feed(Live("virtual:?frames=off"), [992] * 9, flags=[flags] * 9).flag_words == words


def test_frames_of_other_ends_are_frames_too() -> None:
    live = Live("virtual:?frames=off")
    live.port.queue = [Chunk(START_NS + n * 14_000_000, pack_frames([[992] * 16], 0, end).tobytes())
                       for n, end in enumerate((0x04, 0x14, 0x24, 0x34) * 2, 1)]  # fmt: skip
    live.hands.t_ns = START_NS + 150_000_000
    live.session.tick(0.05)
    assert len(live.session.store) == 8  # the first of a log come when they are proven
