"""A channel map proposed from frames in which one stick was moved at a time."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from busbench.model import MARKED
from busbench.rig.draft import Draft, Noticed, Proposal, draft_toml, propose_channels
from busbench.rig.load import parse_rig
from busbench.rig.motors import motor_rests
from busbench.wire.codec import pack_frames
from busbench.wire.scale import Scale
from busbench.wire.table import FrameTable

PERIOD_NS = 14_000_000


def table(counts: NDArray[np.uint16], flags: NDArray[np.uint8] | int = 0, *, suspect: int | None = None) -> FrameTable:
    n = len(counts)
    marked = np.zeros(n, np.uint8)
    if suspect is not None:
        marked[suspect] = MARKED
    t_ns = np.arange(n, dtype=np.int64) * PERIOD_NS
    raw = pack_frames(counts, np.broadcast_to(np.asarray(flags, np.uint8), (n,)))
    return FrameTable(t_ns, np.zeros(n, np.int32), np.arange(n, dtype=np.int64) * 25, raw, marked)


def stick(low: int, high: int) -> NDArray[np.uint16]:
    """Rest, slowly to both ends and back, rest: 300 frames."""
    way = np.sin(np.linspace(0, 2 * np.pi, 200))
    moved = np.where(way > 0, 992 + way * (high - 992), 992 + way * (992 - low))
    return np.concatenate([np.full(50, 992), np.round(moved), np.full(50, 992)]).astype(np.uint16)


def session() -> tuple[NDArray[np.uint16], NDArray[np.uint8]]:
    """Channel 4, then 2 with 7 against it, then switches 9 and 17, one after another."""
    rng = np.random.default_rng(1)
    counts = (992 + rng.integers(-1, 2, (1500, 16))).astype(np.uint16)
    flags = np.zeros(1500, np.uint8)
    counts[0:300, 3] = stick(172, 1811)
    counts[300:600, 1] = stick(500, 1500)
    counts[300:600, 6] = 1984 - stick(500, 1500)
    counts[:, 8] = 172
    counts[700:800, 8] = 992
    counts[800:900, 8] = 1811
    flags[1100:1200] = 1
    return counts, flags


def test_sticks_in_their_order() -> None:
    draft = propose_channels([table(*session())])
    assert [(p.movement, p.channel, p.kind, p.follows, p.against) for p in draft.proposals] == [
        (1, 4, "proportional", None, False),
        (2, 2, "proportional", None, False),
        (2, 7, "proportional", 2, True),
        (3, 9, "three positions", None, False),
        (4, 17, "on/off", None, False),
    ]
    rest = draft.proposals[0].rest_counts
    assert draft.proposals[0] == Proposal(4, 1, rest, 172, 1811, "proportional", None, False, True)
    assert abs(draft.proposals[0].rest_counts - 992) <= 1
    assert draft.still == (1, 3, 5, 6, 8, 10, 11, 12, 13, 14, 15, 16, 18)
    assert (draft.period_ms, draft.frames) == (14.0, 1500)


def test_controls_moved_together_or_never_at_rest_make_a_draft_doubtful() -> None:
    counts, flags = session()
    assert not propose_channels([table(counts, flags)]).is_doubtful
    at_once = counts.copy()
    at_once[150:450, 5] = stick(172, 1811)  # channel 6 from the middle of one movement to that of the next
    assert propose_channels([table(at_once, flags)]).is_doubtful
    held = counts.copy()
    held[:20, 5] = 1811  # channel 6 away at the start
    assert propose_channels([table(held, flags)]).is_doubtful
    wandering = counts.copy()
    wandering[50:, 5] = 992 + 800 * np.sin(np.arange(1450) / 40)  # channel 6 never comes to rest
    assert propose_channels([table(wandering, flags)]).is_doubtful
    moved_again = counts.copy()
    moved_again[1250:1400, [1, 3]] = 1500  # as at the end of a round, when all are held away
    assert not propose_channels([table(moved_again, flags)]).is_doubtful


def test_pieces_of_a_recording_give_the_same_draft() -> None:
    whole = table(*session())
    assert propose_channels([whole[:701], whole[701:]]) == propose_channels([whole])


def test_lost_failsafe_and_damaged_frames_are_left_out() -> None:
    counts = np.full((300, 16), 992, np.uint16)
    flags = np.zeros(300, np.uint8)
    counts[100:150, 0], flags[100:150] = 172, 0x08
    counts[200:250, 1], flags[200:250] = 172, 0x04
    counts[280, 2] = 172
    draft = propose_channels([table(counts, flags, suspect=280)])
    assert draft.proposals == ()
    assert draft.frames == 199


def test_noise_moves_nothing_and_no_frames_are_no_fault() -> None:
    counts = (992 + np.random.default_rng(2).integers(-40, 41, (500, 16))).astype(np.uint16)
    assert propose_channels([table(counts)]).proposals == ()
    none = propose_channels([])
    assert (none.proposals, none.frames, none.period_ms) == ((), 0, None)


def test_the_draft_is_a_rig_file_that_loads() -> None:
    names = ["elevator", 'ailerons "outer"\n', "", "gear"]
    text = draft_toml(propose_channels([table(*session())]), names=names, scale=Scale())
    plan = parse_rig(text)
    assert plan.plan.period_ms == 14.0
    assert [(d.name, d.channel) for d in plan.devices] == [
        ("elevator", 4),
        ('ailerons "outer"', 2),
        ("device", 7),
        ("gear", 9),
        ("device 5", 17),
    ]
    assert plan.devices[0].travel_pct == pytest.approx(100, abs=1)
    assert "# movement 2, proportional: rest 992, ends 484 and 1484 counts" in text
    assert "# moved against channel 2: one stick moves both" in text
    assert "channel = 17\n# movement 4, on/off: rest off\n" in text
    assert [(d.control, d.rest_pct) for d in plan.devices] == [
        ("stick 1", None),
        ("stick 2", None),
        ("stick 2", None),
        ("switch 3", -100),
        ("switch 4", None),
    ]
    assert text.startswith(
        "# Drafted from 1,500 frames.\n# Channels that never moved: 1, 3, 5, 6, 8, 10, 11, 12, 13, 14, 15, 16, 18.\n"
    )


def test_without_a_clock_the_period_is_marked_as_not_measured() -> None:
    text = draft_toml(propose_channels([table(*session())], has_clock=False), scale=Scale())
    assert "period_ms = 14.000  # not measured: the recording has no times" in text


def test_what_rests_at_an_end_has_its_neutral_half_way_and_is_locked_there_as_a_motor() -> None:
    counts = np.full((900, 16), 992, np.uint16)
    lever = np.concatenate([np.full(50, 173), np.linspace(173, 1811, 200), np.full(50, 173)])
    counts[:, 2] = 173
    counts[0:300, 2] = lever  # a lever at its low end
    counts[:, 3] = 1811
    counts[300:600, 3] = 1984 - lever  # one at its high end
    counts[:, 4] = 1024
    counts[600:900, 4] = 32 + stick(172, 1811)  # a stick with a neutral of its own
    text = draft_toml(propose_channels([table(counts)]), scale=Scale())
    plan = parse_rig(text)
    found = [(d.channel, d.travel_pct, d.rest_pct, d.neutral_us, d.motor, d.kind) for d in plan.devices]
    assert found == [
        (3, 100, -100, None, True, "off-bus"),
        (4, 100, 100, None, True, "off-bus"),
        (5, 100, None, 1520, None, "servo"),
    ]
    assert [(rest.channel, rest.rest) for rest in motor_rests(plan)] == [(2, 173), (3, 1811)]
    assert "\n# write motor = false in place of the next two lines:\nmotor = true\n" in text
    assert "\n# write motor = false in place of the next three lines:\nmotor = true\n" in text
    assert "it went to the low one first" in text.partition("channel = 4")[2].partition("[[device]]")[0]


def test_a_switch_channel_that_rests_on_says_so() -> None:
    flags = np.full(400, 3, np.uint8)
    flags[100:200] = 2
    text = draft_toml(propose_channels([table(np.full((400, 16), 992, np.uint16), flags)]), scale=Scale())
    assert "# movement 1, on/off: rest on\n" in text
    (plan,) = parse_rig(text).devices
    assert (plan.channel, plan.rest_pct, plan.control, plan.motor) == (17, 100, "switch 1", True)
    assert [(rest.channel, rest.rest) for rest in motor_rests(parse_rig(text))] == [(16, 1)]


def test_the_period_is_right_where_frames_come_in_heaps() -> None:
    heaps = table(*session())
    t_ns = (heaps.t_ns // 40_000_000) * 40_000_000
    draft = propose_channels([FrameTable(t_ns, heaps.slack_ns, heaps.offset, heaps.raw, heaps.line_marks)])
    assert draft.period_ms == pytest.approx(14.0, abs=0.2)


def test_channels_are_noticed_once_as_they_begin_to_move() -> None:
    noticed, whole = Noticed(), table(*session())
    assert [noticed.feed(whole[first : first + 100]) for first in range(0, 1200, 100)] == [
        [4], [], [], [2, 7], [], [], [], [9], [], [], [], [17],
    ]  # fmt: skip
    assert noticed.feed(whole[:0]) == []


@pytest.mark.parametrize(
    ("rest", "end"), [(172, "low"), (471, "low"), (472, ""), (1372, ""), (1373, "high"), (1672, "high")]
)
def test_what_rests_within_a_fifth_of_its_range_rests_at_that_end(rest: int, end: str) -> None:
    assert Proposal(1, 1, rest, 172, 1672, "proportional", None, False, True).rests_at == end


@pytest.mark.parametrize(("rest", "neutral"), [(1000, None), (1001, "neutral_us = 1506"), (984, None), (983, "1494")])
def test_a_rest_over_8_counts_from_the_centre_is_a_neutral_of_its_own(rest: int, neutral: str | None) -> None:
    draft = Draft((Proposal(1, 1, rest, 172, 1811, "proportional", None, False, True),), (), 14.0, 100)
    lines = [line for line in draft_toml(draft, scale=Scale()).splitlines() if line.startswith("neutral_us")]
    assert lines == [] if neutral is None else lines[0].endswith(neutral)
