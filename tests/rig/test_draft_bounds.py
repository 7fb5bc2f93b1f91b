"""A proposed channel map at its bounds: what moves, what moves together, what rests, and how it is written."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
import pytest

from busbench.rig.draft import Draft, Noticed, Proposal, draft_toml, propose_channels
from busbench.wire.codec import pack_frames
from busbench.wire.scale import Scale
from busbench.wire.table import FrameTable

FRAMES = 1000  # 125 windows of 8
REST = 992


def table(
    columns: dict[int, Iterable[float]], *, switches: Iterable[int] | int = 0, t_ms: Iterable[float] = ()
) -> FrameTable:
    """Frames in which the given channels are not at rest."""
    n = max((len(list(one)) for one in columns.values()), default=FRAMES)
    counts = np.full((n, 16), REST, np.uint16)
    for channel, column in columns.items():
        counts[:, channel - 1] = np.round(list(column))
    times = list(t_ms)
    t_ns = np.array([round(1e6 * t) for t in times], np.int64) if times else np.arange(n, dtype=np.int64) * 10_000_000
    raw = pack_frames(counts, np.broadcast_to(np.asarray(switches, np.uint8), (n,)))
    none = np.zeros(n, np.int32)
    return FrameTable(t_ns, none, np.arange(n, dtype=np.int64) * 25, raw, none.astype(np.uint8))


def drafted(columns: dict[int, Iterable[float]], switches: Iterable[int] | int = 0) -> Draft:
    return propose_channels([table(columns, switches=switches)])


def in_windows(first: int, after: int, *, by: float = 200) -> list[float]:
    """Away and back in each window of 8 frames from one to another."""
    column = np.full(FRAMES, float(REST))
    for window in range(first, after):
        column[8 * window : 8 * window + 4] += by
    return column.tolist()


def both(one: Sequence[float], other: Sequence[float]) -> list[float]:
    return [a + b - REST for a, b in zip(one, other, strict=True)]


@pytest.mark.parametrize(("by", "moved"), [(99, ()), (100, (3,)), (-99, ()), (-100, (3,))])
def test_a_hundred_counts_are_a_move(by: float, moved: tuple[int, ...]) -> None:
    draft = drafted({3: in_windows(20, 30, by=by)})
    assert tuple(one.channel for one in draft.proposals) == moved
    assert draft.still == tuple(channel for channel in range(1, 19) if channel not in moved)
    assert Noticed().feed(table({3: in_windows(20, 30, by=by)})) == list(moved)


def test_a_move_is_noticed_over_pieces() -> None:
    noticed = Noticed()
    up, down = table({3: [REST, REST + 60]}), table({3: [REST, REST - 40], 16: [0, 2047]}, switches=3)
    assert (noticed.feed(up), noticed.feed(up), noticed.feed(down), noticed.feed(down)) == ([], [], [3, 16, 17, 18], [])


@pytest.mark.parametrize("channel", [3, 7])
def test_a_slow_move_is_a_movement_in_its_turn(channel: int) -> None:
    # From 0 to 1000 counts away and back in 7 s, 2.4 counts in a frame and so 20 in a window.
    slow = REST + 2.4 * np.clip(420 - np.abs(np.arange(FRAMES) - 500), 0, None)
    draft = drafted({channel: slow.tolist(), 5: in_windows(5, 9), 6: in_windows(120, 124)})
    assert [(one.channel, one.movement) for one in draft.proposals] == [(5, 1), (channel, 2), (6, 3)]
    assert not draft.is_doubtful
    assert set(draft.still) == set(range(1, 19)) - {channel, 5, 6}


@pytest.mark.parametrize(("by", "movement"), [(49, 2), (50, 1)])
def test_a_slow_move_begins_half_a_move_away_from_rest(by: float, movement: int) -> None:
    frames = np.arange(FRAMES)
    early = np.clip(80 - np.abs(frames - 160), 0, by)  # from window 10 on, a count in a frame
    late = 2.0 * np.clip(150 - np.abs(frames - 700), 0, None)
    draft = drafted({3: (REST + early + late).tolist(), 5: in_windows(40, 45)})
    assert {one.channel: one.movement for one in draft.proposals} == {3: movement, 5: 3 - movement}


def test_a_jump_between_two_windows_is_a_movement() -> None:
    on = np.zeros(FRAMES, np.uint8)
    on[400:600] = 1  # from the first frame of window 50 to the last of 74
    column = levels((172, 320), (1811, 80), (172, 600))
    draft = drafted({3: column}, on.tolist())
    assert [(one.channel, one.movement) for one in draft.proposals] == [(3, 1), (17, 2)]


@pytest.mark.parametrize(("by", "movement"), [(24, 2), (25, 1)])
def test_25_counts_in_a_window_are_a_move_among_faster_ones(by: int, movement: int) -> None:
    stairs = REST + by * np.clip((np.arange(FRAMES) - 84) // 8, 0, 20)  # in the middle of windows 11 to 30
    draft = drafted({3: both(stairs.tolist(), in_windows(80, 90)), 5: in_windows(40, 50)})
    assert {one.channel: one.movement for one in draft.proposals} == {3: movement, 5: 3 - movement}


@pytest.mark.parametrize(("first", "movement"), [(14, 1), (15, 2), (16, 2), (25, 2)])
def test_channels_that_move_for_more_than_half_of_the_time_together_are_one_movement(first: int, movement: int) -> None:
    draft = drafted({2: in_windows(10, 20), 9: in_windows(first, first + 10, by=-200)})
    assert [(one.channel, one.movement, one.follows, one.against) for one in draft.proposals] == [
        (2, 1, None, False),
        (9, movement, 2 if movement == 1 else None, movement == 1),
    ]


def test_a_move_in_one_window_is_shared_as_well() -> None:
    draft = drafted({2: in_windows(10, 11), 9: in_windows(10, 11), 5: in_windows(11, 12)})
    assert [(one.channel, one.movement) for one in draft.proposals] == [(2, 1), (9, 1), (5, 2)]


def test_movements_count_in_their_order_and_a_follower_comes_after_its_leader() -> None:
    draft = drafted({
        1: in_windows(30, 40), 2: in_windows(50, 60), 8: in_windows(10, 20), 5: in_windows(11, 20),
        12: in_windows(30, 40, by=-150), 16: in_windows(31, 40, by=300),
    })  # fmt: skip
    got = [(one.movement, one.channel, one.follows, one.against) for one in draft.proposals]
    assert got == [
        (1, 8, None, False), (1, 5, 8, False), (2, 1, None, False), (2, 12, 1, True), (2, 16, 1, False),
        (3, 2, None, False),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("first_by", "is_high_first"), [(-49, True), (-50, False), (-300, False), (49, True), (300, True)]
)
def test_the_first_way_is_that_of_half_a_move(first_by: float, is_high_first: bool) -> None:
    draft = drafted({3: both(in_windows(20, 25, by=first_by), in_windows(25, 30, by=500))})
    (one,) = draft.proposals
    assert one.is_high_first == is_high_first
    assert (one.rest_counts, one.low_counts, one.high_counts) == (REST, REST + min(first_by, 0), REST + 500)


def levels(*shares: tuple[float, int], between: int = 0) -> list[float]:
    """Shares of the frames at levels one after another, and frames on the way, each elsewhere."""
    column = [float(level) for level, frames in shares for _ in range(frames)]
    return column + [1200.0 + 7 * step for step in range(between)]


@pytest.mark.parametrize(
    ("column", "kind"),
    [
        (levels((172, 600), (1811, 400)), "on/off"),
        (levels((172, 600), (1811, 200), (992, 200)), "three positions"),
        (levels((172, 300), (700, 200), (1300, 200), (1811, 300)), "proportional"),
        (levels((172, 400), (271, 300), (370, 300)), "proportional"),  # 99 counts apart: one level
        (levels((172, 600), (272, 400)), "on/off"),
        (levels((172, 600), (1750, 200), (1811, 200)), "on/off"),  # two that are near are one
        (levels((172, 600), (1811, 371), between=29), "on/off"),  # 97.1 % at levels
        (levels((172, 600), (1811, 370), between=30), "proportional"),  # 97 % are not more
        (levels((172, 600), (992, 20), (1811, 380)), "on/off"),  # 2 % is no level
        (levels((172, 600), (992, 21), (1811, 379)), "three positions"),
        (levels((172, 600), (992, 40), (1811, 360)), "three positions"),
    ],
)
def test_what_stays_at_two_or_three_levels_is_a_switch(column: list[float], kind: str) -> None:
    assert len(column) == FRAMES
    assert [one.kind for one in drafted({3: column}).proposals] == [kind]


def test_an_on_off_channel_is_one_whatever_it_does() -> None:
    on = np.zeros(FRAMES, np.uint8)
    on[100:110] = 1  # 1 % of the time
    on[400:401] = 2
    draft = drafted({}, on.tolist())
    got = [(one.channel, one.kind, one.rest_counts, one.low_counts, one.high_counts) for one in draft.proposals]
    assert got == [(17, "on/off", 0, 0, 1639), (18, "on/off", 0, 0, 1639)]


def wave(turns: float) -> Callable[[int], float]:
    return lambda frame: 300 * np.sin(2 * np.pi * turns * frame / 160)


def mixed(share: float) -> list[float]:
    """A channel that follows another to a share, from frame 80 to 240."""
    column = np.full(FRAMES, float(REST))
    column[80:240] += [share * wave(1)(at) + (1 - share**2) ** 0.5 * wave(2)(at) for at in range(160)]
    return column.tolist()


@pytest.mark.parametrize(
    ("share", "is_doubtful"), [(1.0, False), (0.75, False), (0.65, True), (0.0, True), (-0.75, False)]
)
def test_what_moves_at_once_must_be_of_one_stick(share: float, is_doubtful: bool) -> None:
    assert drafted({2: mixed(1.0), 9: mixed(share)}).is_doubtful == is_doubtful


@pytest.mark.parametrize("first", range(80, 88))
def test_channels_of_one_switch_move_alike_wherever_their_windows_begin(first: int) -> None:
    on = np.full(FRAMES, 172.0)
    on[first : first + 80] = 1811
    draft = drafted({5: on.tolist(), 6: (1983 - on).tolist()})
    assert [(one.channel, one.movement, one.against) for one in draft.proposals] == [(5, 1, False), (6, 1, True)]
    assert not draft.is_doubtful


@pytest.mark.parametrize(("first", "is_doubtful"), [(21, False), (20, False), (19, True), (15, True)])
def test_first_moves_may_touch_but_not_overlap(first: int, is_doubtful: bool) -> None:
    rng = np.random.default_rng(3)
    noise = np.full(FRAMES, float(REST))
    noise[8 * first : 8 * first + 80] += rng.choice([-300, 300], 80)
    assert drafted({2: in_windows(10, 20), 9: noise.tolist()}).is_doubtful == is_doubtful
    assert drafted({2: noise.tolist(), 9: in_windows(10, 20)}).is_doubtful == is_doubtful


@pytest.mark.parametrize(("again", "is_doubtful"), [(23, True), (24, False)])
def test_a_pause_of_more_than_four_windows_ends_a_first_move(again: int, is_doubtful: bool) -> None:
    rng = np.random.default_rng(3)
    noise = np.full(FRAMES, float(REST))
    noise[8 * 25 : 8 * 30] += rng.choice([-300, 300], 40)
    twice = both(in_windows(10, 20), in_windows(again, 35))
    assert drafted({2: twice, 9: noise.tolist()}).is_doubtful == is_doubtful


@pytest.mark.parametrize(("by", "is_doubtful"), [(49, False), (50, True), (-49, False), (-50, True)])
def test_half_a_move_is_away_from_rest(by: float, is_doubtful: bool) -> None:
    rng = np.random.default_rng(3)
    noise = np.full(FRAMES, float(REST))
    noise[40:56] += rng.choice([-300, 300], 16)
    assert drafted({2: both(in_windows(5, 7, by=by), in_windows(20, 25)), 9: noise.tolist()}).is_doubtful == is_doubtful


@pytest.mark.parametrize(("frames", "is_doubtful"), [(99, True), (100, False), (200, False)])
def test_a_tenth_of_the_time_is_a_rest(frames: int, is_doubtful: bool) -> None:
    away = REST + 60 + np.arange(FRAMES - frames)
    assert drafted({3: [REST] * frames + away.tolist()}).is_doubtful == is_doubtful


@pytest.mark.parametrize(("first", "is_doubtful"), [(0, True), (1, False)])
def test_a_channel_rests_at_the_start(first: int, is_doubtful: bool) -> None:
    assert drafted({3: in_windows(first, 20)}).is_doubtful == is_doubtful


@pytest.mark.parametrize(
    ("t_ms", "period_ms"),
    [
        ([0, 7], 7.0),
        ([0, 7, 15], 7.5),
        ([0], None),
        (list(np.arange(100) * 7.0), 7.0),
        (list(np.arange(400) // 4 * 28.0), 7.0),  # four at a time
        ([*np.arange(500) * 7.0, *np.arange(500, 1000) * 7.0 + 5000], 7.0),  # a gap in the middle
    ],
)
def test_the_period_is_that_of_a_hundred_frames(t_ms: list[float], period_ms: float | None) -> None:
    whole = table({1: [REST] * len(t_ms)}, t_ms=t_ms)
    assert propose_channels([whole]).period_ms == (None if period_ms is None else pytest.approx(period_ms))
    assert propose_channels([whole], has_clock=False).period_ms is None


def test_no_frames() -> None:
    draft = propose_channels([])
    assert draft == Draft((), tuple(range(1, 19)), None, 0, False)


def proposal(channel: int, movement: int, rest: int, low: int, high: int, kind: str = "proportional", *,
             follows: int | None = None, against: bool = False, is_high_first: bool = True) -> Proposal:  # fmt: skip
    return Proposal(channel, movement, rest, low, high, kind, follows, against, is_high_first)


def written(*proposals: Proposal, names: tuple[str, ...] = (), scale: Scale | None = None, **draft: object) -> str:
    """The tables of the devices."""
    whole = draft_toml(Draft(proposals, (4, 5), 14.5, 1, **draft), names=names, scale=scale or Scale())  # type: ignore[arg-type]
    return whole[whole.index("[[device]]") : whole.index("\n\n[scale]")]


def test_a_whole_draft() -> None:
    draft = Draft((proposal(3, 1, 992, 173, 1811),), (1, 2, 18), 14.0036, 1234, is_doubtful=True)
    assert draft_toml(draft, names=["rudder"], scale=Scale(1000.5, 1510.0, 0.6)) == WHOLE
    calm = draft_toml(Draft((), (), None, 1), scale=Scale())
    assert calm.startswith("# Drafted from 1 frame.\n# Channels that never moved: none.\n")
    assert "\nperiod_ms = 14.000  # not measured: the recording has no times\n" in calm
    assert "[[device]]" not in calm


WHOLE = """\
# WARNING: controls moved together or did not come to rest: do not trust this
# draft; record a test sequence as `busbench verify --help` describes.
# Drafted from 1,234 frames.
# Channels that never moved: 1, 2, 18.
# Fill in what is connected where; `busbench rig new` shows all keys.
# Which of these can turn a propeller? What rests at an end is written as a
# motor, and so locked, until you say motor = false.

[rig]
name = "My aircraft"
period_ms = 14.004

[supply]
voltage_v = 7.4  # yours

[[device]]
name = "rudder"
channel = 3
# movement 1, proportional: rest 992, ends 173 and 1811 counts
control = "stick 1"  # give it the name by which you know it
# high_when = ""  # position at high endpoint; it went to the high one first
neutral_us = 1505
travel_pct = 100

[scale]  # assumed, not measured
centre_counts = 1000.5
centre_us = 1510.0
us_per_count = 0.6
"""


@pytest.mark.parametrize(
    ("rest", "low", "high", "keys"),
    [
        (992, 173, 1811, ["travel_pct = 100"]),
        (992, 583, 1402, ["travel_pct = 50"]),
        (992, 700, 1811, ["travel_pct = 100"]),  # the longer way
        (992, 173, 1300, ["travel_pct = 100"]),
        (1200, 173, 1811, ["neutral_us = 1630", "travel_pct = 125"]),
        # At an end its neutral is half-way, 110 counts or 68.75 us from the centre.
        (173, 173, 2031, ["rest_pct = -113", "neutral_us = 1569", "travel_pct = 113"]),
        (2031, 173, 2031, ["rest_pct = 113", "neutral_us = 1569", "travel_pct = 113"]),
        (173, 173, 1811, ["rest_pct = -100", "travel_pct = 100"]),
        (180, 173, 1811, ["rest_pct = -99", "travel_pct = 100"]),
        (1811, 173, 1811, ["rest_pct = 100", "travel_pct = 100"]),
    ],
)
def test_rest_neutral_and_travel(rest: int, low: int, high: int, keys: list[str]) -> None:
    lines = written(proposal(3, 1, rest, low, high)).splitlines()
    assert [line for line in lines if line.startswith(("rest_pct", "neutral_us", "travel_pct"))] == keys


def test_travel_is_within_its_key() -> None:
    # 8 counts above the centre is no neutral of its own, and from there to 2047 it is 200.9 %.
    assert written(proposal(3, 1, 410, 0, 2047), scale=Scale(402.0)).endswith("travel_pct = 200")


def test_controls_are_sticks_or_switches_by_their_first_channel() -> None:
    text = written(
        proposal(2, 1, 992, 173, 1811),
        proposal(7, 1, 992, 173, 1811, "on/off", follows=2, against=True, is_high_first=False),
        proposal(9, 2, 992, 173, 1811, "three positions"),
        proposal(10, 2, 992, 173, 1811, follows=9),
        names=("ailerons",),
    )
    assert text.split("\n\n") == [
        '[[device]]\nname = "ailerons"\nchannel = 2\n'
        "# movement 1, proportional: rest 992, ends 173 and 1811 counts\n"
        'control = "stick 1"  # give it the name by which you know it\n'
        '# high_when = ""  # position at high endpoint; it went to the high one first\n'
        "travel_pct = 100",
        '[[device]]\nname = "device 2"\nchannel = 7\n'
        "# movement 1, on/off: rest 992, ends 173 and 1811 counts\n"
        "# moved against channel 2: one stick moves both\n"
        'control = "stick 1"  # give it the name by which you know it\n'
        '# high_when = ""  # position at high endpoint; it went to the low one first\n'
        "travel_pct = 100",
        '[[device]]\nname = "device 3"\nchannel = 9\n'
        "# movement 2, three positions: rest 992, ends 173 and 1811 counts\n"
        'control = "switch 2"  # give it the name by which you know it\n'
        '# high_when = ""  # position at high endpoint; it went to the high one first\n'
        "travel_pct = 100",
        '[[device]]\nname = "device 4"\nchannel = 10\n'
        "# movement 2, proportional: rest 992, ends 173 and 1811 counts\n"
        "# moved with channel 9: one switch moves both\n"
        'control = "switch 2"  # give it the name by which you know it\n'
        '# high_when = ""  # position at high endpoint; it went to the high one first\n'
        "travel_pct = 100",
    ]


@pytest.mark.parametrize(
    ("channel", "rest", "lines"),
    [
        (17, 0, []),
        (18, 1639, ["rest_pct = 100"]),
        (16, 0, ["rest_pct = -100", "neutral_us = 1392", "travel_pct = 100"]),
    ],
)
def test_on_off_channels_have_no_travel(channel: int, rest: int, lines: list[str]) -> None:
    text = written(proposal(channel, 1, rest, 0, 1639, "on/off"))
    assert text.splitlines()[-len(lines) :] == lines if lines else text.endswith("it went to the high one first")
    turned = ["motor = true", 'kind = "off-bus"', *(["reversed = true"] if rest else [])]
    after = text.splitlines()
    at = after.index("motor = true")
    assert after[at : at + len(turned)] == turned
    assert after[at - 1] == f"# write motor = false in place of the next {'three' if rest else 'two'} lines:"


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("flap", '"flap"'), ('a"b\\c', '"a\\"b\\\\c"'), ("  x\n\t", '"x"'), ("", '"device"'), ("\n", '"device"'),
        ("y" * 60, f'"{"y" * 60}"'), ("y" * 61, f'"{"y" * 60}"'),
    ],
)  # fmt: skip
def test_a_name_is_quoted(name: str, text: str) -> None:
    assert f"\nname = {text}\n" in written(proposal(3, 1, 992, 173, 1811), names=(name,))
