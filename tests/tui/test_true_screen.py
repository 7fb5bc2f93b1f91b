"""What the screen may not say: no value that looks live where no frame comes, no OK where frames are missing."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.analysis.ongoing_outages import Losses
from busbench.capture.open import open_capture
from busbench.line import Chunk
from busbench.tui.draw import ASCII, drawn_range, large, large_scale
from busbench.tui.events import NO_EVENTS
from busbench.tui.live import LiveSession
from busbench.tui.replay import ReplaySession
from busbench.tui.session import Session
from busbench.tui.widgets.big_digits import CAPTIONS, figures_of, verdict
from tests.cli.running import CAPTURES
from tests.tui.ports import START_NS, Live, frames
from tests.tui.screens import shown, text_of


def dead(age_s: float) -> LiveSession:
    """A link that was well for 2 s and has been dead since."""
    live = Live("virtual:?period=10ms&pilot=moving")
    live.pass_s(2.0)
    live.port.is_mute = True
    return live.pass_s(age_s)


@pytest.mark.parametrize("age_s", [0.1, 0.5, 3.0])
async def test_a_dead_link_shows_at_once(age_s: float) -> None:
    session = dead(age_s)
    assert session.link in ("no frame", "silent")
    async with shown(session) as (app, _):
        lines = text_of(app).splitlines()
    assert "flags now no frame" in lines[2]
    assert f"NO FRAME for {session.age_s * 1e3:.1f} ms" in lines[3] or age_s > 0.9
    assert [line[-10:] for line in lines[4:22]] == ["x no frame"] * 18
    assert all("(" in line and "◆" not in line for line in lines[4:22])
    assert not any("moving" in line for line in lines[3:22])


def test_a_recording_that_is_still_read_is_not_called_ok() -> None:
    session = ReplaySession(open_capture(str(CAPTURES / "heron-flight.pcapng")))
    session.load()
    session.seek(session.start + 40 * 10**8)
    assert verdict(session) == "OK"
    session.is_loaded, session.events, session.losses = False, NO_EVENTS, Losses()
    assert verdict(session) == "READ"
    assert [text for _, text, _ in figures_of(session)] == ["-", "-", "-"]


async def test_a_live_link_has_values_without_brackets() -> None:
    async with shown(Live("virtual:?period=10ms&pilot=moving").pass_s(1)) as (app, _):
        lines = text_of(app).splitlines()
    assert all("(" not in line and "◆" in line for line in lines[4:22])


def figures(session: Session) -> list[str]:
    return [text for _, text, _ in figures_of(session)]


def of_frames(values: list[int], flags: list[int] | None = None, *, wait_ms: int = 0) -> LiveSession:
    live = Live("virtual:?frames=off")
    data = frames(values, flags=flags)
    times = range(len(data) // 25)
    live.port.queue = [Chunk(START_NS + (n + 1) * 7_000_000, data[25 * n : 25 * n + 25]) for n in times]
    live.hands.t_ns = START_NS + len(values) * 7_000_000 + 41_000_000 + wait_ms * 1_000_000
    live.session.tick(0.05)
    live.session.refresh()
    return live.session


def test_nothing_received_is_neither_ok_nor_none_missed() -> None:
    session = Live("virtual:?frames=off").pass_s(2)
    assert (verdict(session), figures(session)) == ("DEAD", ["-", "-", "-"])


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_few_frames_and_then_silence_are_not_ok(count: int) -> None:
    session = of_frames([992] * count, wait_ms=2_000)
    assert verdict(session) == "DEAD"
    assert "0" not in figures(session)


@pytest.mark.parametrize(
    ("session", "word"),
    [
        (of_frames([992] * 200), "OK"),
        (of_frames([992] * 200, wait_ms=20), "DEAD"),
        (of_frames([992] * 200, [0] * 198 + [0x04] * 2), "LOST"),
        (of_frames([992] * 200, [0] * 198 + [0x0C] * 2), "GONE"),
        (of_frames([992] * 200, [0] * 180 + [0x04] + [0] * 19), "LOSS"),
        (of_frames([992] * 300, [0] * 100 + [0x04] + [0] * 199), "OK"),
    ],
)
def test_the_alarm_is_of_now_and_of_the_last_second(session: LiveSession, word: str) -> None:
    assert verdict(session) == word
    assert (figures(session)[0] == "0") is (word == "OK" and len(session.store) == 200)


def test_what_is_frozen_is_not_ok() -> None:
    session = of_frames([992] * 200)
    session.toggle()
    assert verdict(session) == "PAST"


def recording(name: str) -> ReplaySession:
    session = ReplaySession(open_capture(str(CAPTURES / name)))
    session.load()
    return session


@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-noisy.raw"])
def test_at_no_outage_of_a_recording_it_says_ok_or_none_missed(name: str) -> None:
    session = recording(name)
    assert len(session.events) > 20  # else this tests little
    for at, event in enumerate(session.events.items):
        session.seek(int(session.events.start[at]))
        assert verdict(session) != "OK", (at, event)
        assert figures(session)[0] not in ("0", ""), (at, event)
        if event.missing:
            assert (session.flag_words, verdict(session)) == ("no frame", "DEAD"), (at, event)
    session.close()


async def heights(session: Session, size: tuple[int, int]) -> tuple[int, int]:
    """Lines of the alarm and of the largest figure below it."""
    async with shown(session, size, keys="4") as (app, _):
        lines = text_of(app).splitlines()
    at = next(at for at, line in enumerate(lines) if line.startswith(" LINK "))
    is_large = ["█" in line for line in lines]
    alarm = is_large[at + 1 :].index(False)
    return alarm, sum(is_large[at + 1 + alarm :])


@pytest.mark.parametrize(("width", "height"), [(60, 16), (80, 24), (100, 30), (120, 40), (160, 48), (200, 60)])
async def test_the_alarm_is_the_largest_thing(width: int, height: int) -> None:
    for session in (dead(0.5), of_frames([992] * 200)):
        alarm, figure = await heights(session, (width, height))
        assert alarm >= 5
        assert alarm > figure


@pytest.mark.parametrize("word", [*CAPTIONS, "0", "27", "11", "2.01", "-", "10742"])
@pytest.mark.parametrize("scale", [1, 2, 3])
def test_figures_stand_wider_apart_than_their_own_gaps(word: str, scale: int) -> None:
    lines = large(word, scale, ASCII)
    assert len(lines) == 5 * scale
    if word not in ("?", "-"):
        columns = [any(line[at] != " " for line in lines) for at in range(len(lines[0]))]
        edges = np.flatnonzero(np.diff([*columns]))
        blank = [b - a for a, b in zip(edges[::2], edges[1::2], strict=False)]  # from figure to figure
        inner = [2 * scale]  # one column of the font: the hole of a 0
        assert not blank or min(blank) > max(inner), word
    assert large_scale(word, len(lines[0]), len(lines)) == scale
    assert large_scale(word, len(lines[0]) - 1, len(lines)) < scale


async def test_traces_have_the_endpoints_of_their_range_or_of_the_line() -> None:
    live = Live("virtual:?period=10ms&pilot=moving")
    session = live.pass_s(3)
    data = session.channel_rows(10)
    low, high = drawn_range(data.low, data.high)
    async with shown(session) as (app, pilot):
        lines = text_of(app).splitlines()
        own = [(line.split()[3], line.split()[5]) for line in lines[4:20]]
        assert own == [(str(a), str(b)) for a, b in zip(low[:16].tolist(), high[:16].tolist(), strict=True)]
        await pilot.press("y")
        app.draw()
        await pilot.pause()
        lines = text_of(app).splitlines()
        assert [(line.split()[3], line.split()[5]) for line in lines[4:20]] == [("0", "2047")] * 16
        assert lines[20].split()[3] == "off"


def test_what_was_not_received_is_a_gap_however_short() -> None:
    live = Live("virtual:?period=10ms&gaps=1:0.1")
    session = live.pass_s(3)
    for points in (40, 80, 400):
        gone = (session.channel_rows(points).trace[0] < 0)[-points // 2 :]
        assert 0.05 <= gone.sum() * 4.0 / points <= 0.2


def test_a_damaged_frame_is_a_gap_in_the_trace() -> None:
    live = Live("virtual:?frames=off")
    data = frames([992] * 400)
    marks = [b""] * 300 + [b"\4" * 25] * 40 + [b""] * 60
    live.port.queue = [Chunk(START_NS + (n + 1) * 7_000_000, data[25 * n : 25 * n + 25], marks[n]) for n in range(400)]
    live.hands.t_ns = START_NS + 2_800_000_000 + 41_000_000
    live.session.tick(0.05)
    live.session.refresh()
    gone = live.session.channel_rows(400).trace[0] < 0
    assert 26 <= int(gone[150:].sum()) <= 30  # 0.28 s of 4 s
