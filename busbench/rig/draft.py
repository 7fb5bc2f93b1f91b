"""A channel map proposed from frames in which one stick was moved at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busbench.model import I64
from busbench.wire.bulk import CHANNELS, FLAG_CH17, FLAG_CH18, FLAG_FAILSAFE, FLAG_LOST
from busbench.wire.scale import FULL_COUNTS, Scale
from busbench.wire.table import FrameTable

MOVED_COUNTS = 100  # less is trim or noise
WINDOW = 8  # frames looked at together
PAUSE = 40  # frames at rest between two sticks
TWO_STATE = 1639  # counts that stand for the two ends of channels 17 and 18


@dataclass(frozen=True, slots=True)
class Proposal:
    """One channel that moved.

    Args:
        channel: 1-18.
        turn: as which it was moved, from 1; channels moved by one stick share their turn.
        rest_counts: where it stood most of the time.
        low_counts, high_counts: its ends as seen.
        kind: "proportional", "two-state" or "three-state".
        follows: an earlier channel of the same turn, or None.
        against: True where it moves the other way than that channel.
    """

    channel: int
    turn: int
    rest_counts: int
    low_counts: int
    high_counts: int
    kind: str
    follows: int | None
    against: bool


@dataclass(frozen=True, slots=True)
class Draft:
    """What a recording tells of the channel map.

    Args:
        proposals: channels that moved, in the order of the sticks.
        still: channels that did not move.
        period_ms: median frame period, None without a clock.
        frames: how many were looked at.
    """

    proposals: tuple[Proposal, ...]
    still: tuple[int, ...]
    period_ms: float | None
    frames: int


def propose_channels(tables: Iterable[FrameTable], *, has_clock: bool = True) -> Draft:
    """Propose the channel map from "one stick at a time".

    Frames flagged lost or failsafe and frames with damaged bytes are left out.

    Args:
        tables: frames in order.
        has_clock: False where their times mean nothing.

    Returns:
        The draft; without proposals where nothing moved.
    """
    counts: list[NDArray[np.int64]] = []
    times: list[I64] = []
    for table in tables:
        good = ~table.suspect & ((table.flags & (FLAG_LOST | FLAG_FAILSAFE)) == 0)
        flags = table.flags[good]
        two = [np.where(flags & bit, TWO_STATE, 0).astype(np.int64)[:, None] for bit in (FLAG_CH17, FLAG_CH18)]
        counts.append(np.hstack([table.channels[good].astype(np.int64), *two]))
        times.append(table.t_ns)
    rows = np.concatenate(counts) if counts else np.empty((0, CHANNELS + 2), np.int64)
    steps = np.diff(np.concatenate(times)) if times else np.empty(0, np.int64)
    period = float(np.median(steps)) / 1e6 if has_clock and steps.size else None
    moved = [index for index in range(CHANNELS + 2) if len(rows) and np.ptp(rows[:, index]) >= MOVED_COUNTS]
    spans = {index: _active(rows[:, index]) for index in moved}
    proposals = _in_turns(rows, spans)
    still = tuple(index + 1 for index in range(CHANNELS + 2) if index not in moved)
    return Draft(proposals, still, period, len(rows))


def _active(column: NDArray[np.int64]) -> NDArray[np.bool_]:
    """True in windows in which a channel moves or stands away from rest."""
    pieces = -(-column.size // WINDOW)
    padded = np.pad(column, (0, pieces * WINDOW - column.size), mode="edge").reshape(pieces, WINDOW)
    return np.asarray(np.ptp(padded, axis=1) >= MOVED_COUNTS / 4, np.bool_)


def _in_turns(rows: NDArray[np.int64], spans: dict[int, NDArray[np.bool_]]) -> tuple[Proposal, ...]:
    """Channels by the time of their first move; those that move in the same windows share a turn."""
    spans = {index: active for index, active in spans.items() if active.any()}
    order = sorted(spans, key=lambda index: (int(spans[index].argmax()), index))
    proposals: list[Proposal] = []
    heads: list[int] = []
    for index in order:
        leader = next((head for head in heads if _overlap(spans[head], spans[index]) > 0.5), None)
        if leader is None:
            heads.append(index)
        turn = heads.index(index if leader is None else leader) + 1
        column = rows[:, index]
        values, often = np.unique(column, return_counts=True)
        against = leader is not None and float(_correlation(rows[:, leader], column)) < 0
        low, high = int(values[0]), int(values[-1])
        follows = None if leader is None else leader + 1
        rest = int(values[often.argmax()])
        proposals.append(Proposal(index + 1, turn, rest, low, high, _kind(index, values, often), follows, against))
    return tuple(sorted(proposals, key=lambda p: (p.turn, p.follows is not None, p.channel)))


def _overlap(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    return float((one & other).sum() / max(1, min(one.sum(), other.sum())))


def _correlation(one: NDArray[np.int64], other: NDArray[np.int64]) -> float:
    return float(((one - one.mean()) * (other - other.mean())).sum())


def _kind(index: int, values: NDArray[np.int64], often: NDArray[np.int64]) -> str:
    if index >= CHANNELS:
        return "two-state"
    steady = values[often > 0.02 * often.sum()]
    levels = 1 + int((np.diff(steady) >= MOVED_COUNTS).sum()) if steady.size else 0
    on_levels = float(often[often > 0.02 * often.sum()].sum() / often.sum())
    if on_levels > 0.97 and levels in (2, 3):
        return "two-state" if levels == 2 else "three-state"
    return "proportional"


def draft_toml(draft: Draft, *, names: Sequence[str] = (), scale: Scale) -> str:
    """Write a draft as a rig file that loads.

    Args:
        draft: the proposal.
        names: of the devices in the order in which they were moved.
        scale: the scale assumed.

    Returns:
        TOML text.
    """
    period = draft.period_ms if draft.period_ms else 14.0
    said = "" if draft.period_ms else "  # not measured: the recording has no times"
    lines = [
        f"# Drafted from {draft.frames} frames. Channels that never moved: "
        + (", ".join(map(str, draft.still)) or "none")
        + ".",
        "# Fill in what hangs where; `busbench rig new` shows all keys.",
        "",
        "[rig]",
        'name = "My aircraft"',
        f"period_ms = {period:.3f}{said}",
        "",
        "[scale]  # assumed, not measured",
        f"centre_counts = {scale.centre_counts:g}",
        f"centre_us = {scale.centre_us}",
        f"us_per_count = {scale.us_per_count}",
        "",
        "[supply]",
        "voltage_v = 7.4  # yours",
    ]
    for place, one in enumerate(draft.proposals):
        name = names[place] if place < len(names) else f"device {place + 1}"
        lines += ["", "[[device]]", f"name = {_quoted(name)}", f"channel = {one.channel}"]
        lines.append(
            f"# turn {one.turn}, {one.kind}: rest {one.rest_counts}, ends {one.low_counts} and {one.high_counts} counts"
        )
        if one.channel <= CHANNELS:
            reach = max(abs(one.high_counts - one.rest_counts), abs(one.rest_counts - one.low_counts))
            if one.kind == "proportional":
                lines.append(f"travel_pct = {min(200.0, max(1.0, 100 * reach / FULL_COUNTS)):.0f}")
        if one.follows is not None:
            way = "against" if one.against else "with"
            lines.append(f"# moved {way} channel {one.follows}: one stick moves both")
    return "\n".join(lines) + "\n"


def _quoted(name: str) -> str:
    """A text as TOML writes it."""
    kept = "".join(letter for letter in name if letter.isprintable()).strip()[:60] or "device"
    return '"' + kept.replace("\\", "\\\\").replace('"', '\\"') + '"'
