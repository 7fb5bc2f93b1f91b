"""Propose a channel map from frames in which one stick was moved at a time."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from busbench.errors import pluralize
from busbench.model import I64, Bools
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS
from busbench.wire.scale import FULL_COUNTS, Scale
from busbench.wire.table import FrameTable

MOVED_COUNTS = 100  # smaller moves are trim or noise
WINDOW = 8  # frames per window
TWO_STATE = 1639  # counts used for off and on of channels 17 and 18
REST_AT_END = 0.2  # of the range: a channel nearer to an end rests at that end
TRIM_COUNTS = 8  # a rest farther from the scale's centre is a separate neutral
REST_SHARE = 0.1  # share of frames at one position that makes a rest
PAUSE = 4  # windows without motion that end a move
FOLLOWS = 0.7  # correlation above which channels count as moved by one stick
DOUBT = (
    "controls moved together or did not come to rest: do not trust this draft; record a test sequence as"
    " `busbench verify --help` describes"
)
PERIODS = 100  # frames evaluated together, since an adapter may pass on frames in bursts


@dataclass(frozen=True, slots=True)
class Proposal:
    """One moved channel."""

    channel: int  # 1-18
    movement: int  # order of movement, from 1; shared by channels of one stick
    rest_counts: int  # most frequent position
    low_counts: int
    high_counts: int
    kind: str  # "proportional", "on/off" or "three positions"
    follows: int | None  # an earlier channel of the same stick, or None
    against: bool  # True if it moves the other way than that channel
    is_high_first: bool  # True if it moved to its high end first

    @property
    def rests_at(self) -> str:
        """The end at which it rests, "low" or "high"; "" if between."""
        near = REST_AT_END * (self.high_counts - self.low_counts)
        if self.rest_counts - self.low_counts < near:
            return "low"
        return "high" if self.high_counts - self.rest_counts < near else ""


@dataclass(frozen=True, slots=True)
class Draft:
    """The channel map as far as a recording shows it."""

    proposals: tuple[Proposal, ...]  # moved channels, in the order of the sticks
    still: tuple[int, ...]  # unmoved channels
    period_ms: float | None  # median frame period, None without a clock
    frames: int  # number of evaluated frames
    is_doubtful: bool = False  # True if controls moved together, or did not rest at the start or between


def propose_channels(tables: Iterable[FrameTable], *, has_clock: bool = True) -> Draft:
    """Propose the channel map from "one stick at a time".

    Frames flagged lost or failsafe and frames with damaged bytes are left out.

    Args:
        has_clock: False if their times are meaningless.

    Returns:
        The draft; without proposals if nothing moved.
    """
    counts: list[I64] = []
    times: list[I64] = []
    for table in tables:
        counts.append(_good_rows(table))
        times.append(table.t_ns)
    rows = np.concatenate(counts) if counts else np.empty((0, ALL_CHANNELS), np.int64)
    period = _period_ms(np.concatenate(times)) if has_clock and times else None
    moved = [index for index in range(ALL_CHANNELS) if len(rows) and np.ptp(rows[:, index]) >= MOVED_COUNTS]
    spans = {index: _active(rows[:, index]) for index in moved}
    proposals = _in_movements(rows, spans)
    still = tuple(index + 1 for index in range(ALL_CHANNELS) if index not in moved)
    return Draft(proposals, still, period, len(rows), _is_doubtful(rows, proposals))


def _good_rows(table: FrameTable) -> I64:
    """All 18 channels of undamaged, unflagged frames."""
    rows = table[table.is_sound].all_channels().T.astype(np.int64)
    rows[:, CHANNELS:] *= TWO_STATE
    return rows


def _period_ms(t_ns: I64) -> float | None:
    heap = min(PERIODS, t_ns.size - 1)
    return float(np.median(t_ns[heap:] - t_ns[:-heap])) / heap / 1e6 if heap > 0 else None


class Noticed:
    """Channels in the order of their first move, while frames arrive."""

    def __init__(self) -> None:
        self._low = np.full(ALL_CHANNELS, np.iinfo(np.int64).max)
        self._high = np.full(ALL_CHANNELS, np.iinfo(np.int64).min)
        self._told: set[int] = set()

    def feed(self, table: FrameTable) -> list[int]:
        """Returns channels (1-18) that have just moved for the first time."""
        rows = _good_rows(table)
        if not len(rows):
            return []
        self._low, self._high = np.minimum(self._low, rows.min(axis=0)), np.maximum(self._high, rows.max(axis=0))
        moved = {int(index) + 1 for index in np.flatnonzero(self._high - self._low >= MOVED_COUNTS)}
        new = sorted(moved - self._told)
        self._told |= moved
        return new


def _active(column: I64) -> Bools:
    """True in windows in which a moved channel moves, or if it never moves fast, is away from its rest."""
    pieces = -(-column.size // WINDOW)
    padded = np.pad(column, (0, pieces * WINDOW - column.size), mode="edge").reshape(pieces, WINDOW)
    # With the last frame of the window before, so that a jump between the two is in the later one.
    before = np.concatenate([padded[:1, 0], padded[:-1, -1]])
    active = np.asarray(np.ptp(np.column_stack([before, padded]), axis=1) >= MOVED_COUNTS / 4, np.bool_)
    if active.any():
        return active
    values, often = np.unique(column, return_counts=True)
    return np.asarray((np.abs(padded - values[often.argmax()]) >= MOVED_COUNTS / 2).any(axis=1), np.bool_)


def _in_movements(rows: I64, spans: dict[int, Bools]) -> tuple[Proposal, ...]:
    """Group channels by their first move; those that move in the same windows share a movement."""
    order = sorted(spans, key=lambda index: (int(spans[index].argmax()), index))
    proposals: list[Proposal] = []
    heads: list[int] = []
    for index in order:
        leader = next((head for head in heads if _overlap(spans[head], spans[index]) > 0.5), None)
        if leader is None:
            heads.append(index)
        movement = heads.index(index if leader is None else leader) + 1
        column = rows[:, index]
        values, often = np.unique(column, return_counts=True)
        against = leader is not None and float(_correlation(rows[:, leader], column)) < 0
        low, high = int(values[0]), int(values[-1])
        follows = None if leader is None else leader + 1
        rest = int(values[often.argmax()])
        away = np.flatnonzero(np.abs(column - rest) >= MOVED_COUNTS / 2)
        is_high_first = bool(away.size and column[away[0]] > rest)
        kind = _kind(index, values, often)
        proposals.append(Proposal(index + 1, movement, rest, low, high, kind, follows, against, is_high_first))
    return tuple(sorted(proposals, key=lambda p: (p.movement, p.follows is not None, p.channel)))


def _is_doubtful(rows: I64, proposals: Sequence[Proposal]) -> bool:
    """True if the first moves of two controls overlap, or a channel has no rest at the start or at all.

    Only first moves count: at the end of a test sequence all controls are held away at once.
    """
    first = {one.channel: _first_move(rows[:, one.channel - 1], one.rest_counts) for one in proposals}
    if any(move is None for move in first.values()):
        return True
    for at, one in enumerate(proposals):
        for other in proposals[:at]:
            a, b = first[one.channel], first[other.channel]
            if a is None or b is None or max(a[0], b[0]) >= min(a[1], b[1]):
                continue
            # With the frame before, in which both are at rest: between two windows both may jump.
            part = slice(WINDOW * min(a[0], b[0]) - 1, WINDOW * max(a[1], b[1]))
            if _likeness(rows[part, one.channel - 1], rows[part, other.channel - 1]) < FOLLOWS:
                return True
    return False


def _first_move(column: I64, rest: int) -> tuple[int, int] | None:
    """First window of a channel's first move and the one after its last, None without a rest before."""
    at_rest = np.abs(column - rest) < MOVED_COUNTS / 2
    if at_rest.mean() < REST_SHARE:
        return None
    pieces = -(-column.size // WINDOW)
    away = ~np.pad(at_rest, (0, pieces * WINDOW - column.size), mode="edge").reshape(pieces, WINDOW).all(axis=1)
    moving = np.flatnonzero(away)
    if not moving.size or moving[0] == 0:
        return None
    breaks = np.flatnonzero(np.diff(moving) > PAUSE)
    return int(moving[0]), int(moving[breaks[0] if breaks.size else -1]) + 1


def _likeness(one: I64, other: I64) -> float:
    """Absolute correlation of two channels that both move."""
    return abs(_correlation(one, other)) / one.size / float(one.std() * other.std())


def _overlap(one: Bools, other: Bools) -> float:
    """Share of the shorter activity that both have; each has some."""
    return float((one & other).sum() / min(one.sum(), other.sum()))


def _correlation(one: I64, other: I64) -> float:
    return float(((one - one.mean()) * (other - other.mean())).sum())


def _kind(index: int, values: I64, often: I64) -> str:
    if index >= CHANNELS:
        return "on/off"
    steady = values[often > 0.02 * often.sum()]
    levels = 1 + int((np.diff(steady) >= MOVED_COUNTS).sum())
    on_levels = float(often[often > 0.02 * often.sum()].sum() / often.sum())
    if on_levels > 0.97 and levels in (2, 3):
        return "on/off" if levels == 2 else "three positions"
    return "proportional"


def draft_toml(draft: Draft, *, names: Sequence[str] = (), scale: Scale) -> str:
    """Write a draft as a valid rig file; `names` of the devices are in the order of movement."""
    period = draft.period_ms if draft.period_ms else 14.0
    said = "" if draft.period_ms else "  # not measured: the recording has no times"
    still = ", ".join(map(str, draft.still)) or "none"
    lines = [
        *(f"# {line}" for line in textwrap.wrap(f"WARNING: {DOUBT}.", 78) if draft.is_doubtful),
        f"# Drafted from {pluralize(draft.frames, 'frame')}.",
        f"# Channels that never moved: {still}.",
        "# Fill in what is connected where; `busbench rig new` shows all keys.",
        "# Which of these can turn a propeller? What rests at an end is written as a",
        "# motor, and so locked, until you say motor = false.",
        "",
        "[rig]",
        'name = "My aircraft"',
        f"period_ms = {period:.3f}{said}",
        "",
        "[supply]",
        "voltage_v = 7.4  # yours",
    ]
    controls: dict[int, str] = {}
    for place, one in enumerate(draft.proposals):
        word = "stick" if one.kind == "proportional" else "switch"
        control = controls.setdefault(one.movement, f"{word} {one.movement}")  # of its first channel
        name = names[place] if place < len(names) else f"device {place + 1}"
        lines += ["", "[[device]]", f"name = {_quoted(name)}", *_device_lines(one, control, scale)]
    lines += [
        "",
        "[scale]  # assumed, not measured",
        f"centre_counts = {scale.centre_counts:g}",
        f"centre_us = {scale.centre_us}",
        f"us_per_count = {scale.us_per_count}",
    ]
    return "\n".join(lines) + "\n"


def _device_lines(one: Proposal, control: str, scale: Scale) -> Iterator[str]:
    yield f"channel = {one.channel}"
    rest = f"rest {one.rest_counts}, ends {one.low_counts} and {one.high_counts} counts"
    if one.channel > CHANNELS:  # a bit of byte 23
        rest = f"rest {'on' if one.rests_at == 'high' else 'off'}"
    yield f"# movement {one.movement}, {one.kind}: {rest}"
    if one.follows is not None:
        way = "against" if one.against else "with"
        yield f"# moved {way} channel {one.follows}: one {control.split(' ')[0]} moves both"
    if one.rests_at:
        motor = ["motor = true", 'kind = "off-bus"', *(["reversed = true"] if one.rests_at == "high" else [])]
        yield "# It rests at an end, as a motor does. If it can turn no propeller,"
        yield f"# write motor = false in place of the next {'two' if len(motor) == 2 else 'three'} lines:"
        yield from motor
    yield f'control = "{control}"  # give it the name by which you know it'
    first = "high" if one.is_high_first else "low"
    yield f'# high_when = ""  # position at high endpoint; it went to the {first} one first'
    if one.channel > CHANNELS:
        if one.rests_at == "high":
            yield "rest_pct = 100"
        return
    # Channels that rest at an end have their neutral half-way, others at the rest.
    neutral = (one.low_counts + one.high_counts) / 2 if one.rests_at else float(one.rest_counts)
    is_trimmed = abs(neutral - scale.centre_counts) > TRIM_COUNTS
    if not is_trimmed:
        neutral = scale.centre_counts
    if one.rests_at:
        yield f"rest_pct = {100 * (one.rest_counts - neutral) / FULL_COUNTS:.0f}"
    if is_trimmed:
        yield f"neutral_us = {float(scale.to_us(neutral)):.0f}"
    reach = max(one.high_counts - neutral, neutral - one.low_counts)
    yield f"travel_pct = {min(200.0, 100 * reach / FULL_COUNTS):.0f}"


def _quoted(name: str) -> str:
    """A text in TOML notation."""
    kept = "".join(letter for letter in name if letter.isprintable()).strip()[:60] or "device"
    return '"' + kept.replace("\\", "\\\\").replace('"', '\\"') + '"'
