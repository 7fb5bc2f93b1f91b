"""Stretches in which one control was moved: by marks that name it, else by what moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.model import F64, Bools
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.procedure import ROUND_MARKS

MOVED_COUNTS = 40  # farther from rest than noise and trim
STRANGERS_MOST = 3  # with more, several controls were moved at once: that is nobody's turn
PAUSE_S = 0.8  # a longer rest ends a turn
_AROUND_S = 0.2  # looked at before and after a turn
_SMOOTH = 7  # frames
_FOLLOWS = 0.8  # correlation from which a channel counts as moved by the same cause


@dataclass(frozen=True, slots=True)
class Also:
    """A channel that moved while another's control was moved.

    Args:
        channel: 1-18.
        moved_counts: how far from its rest.
        follows: True where it moved in step, False where somebody moved it at the same time.
    """

    channel: int
    moved_counts: int
    follows: bool


@dataclass(frozen=True, slots=True)
class ControlMove:
    """A stretch in which one control was moved.

    Args:
        control: its name.
        first, stop: rows.
        also: other channels that moved.
        is_marked: True where a mark says which control it was.
    """

    control: str
    first: int
    stop: int
    also: tuple[Also, ...]
    is_marked: bool


def rest_levels(evidence: VerifyInputs) -> tuple[int, ...]:
    """Where each of the 18 channels stood most of the time, in counts."""
    sound = evidence.is_sound
    if not sound.any():
        return (0,) * len(evidence.counts)
    return tuple(int(np.bincount(values[sound]).argmax()) for values in evidence.counts)


def find_moved(evidence: VerifyInputs) -> tuple[int, ...]:
    """Channels (1-18) that went away from where they stood most of the time, single frames left out."""
    sound, rests = evidence.is_sound, rest_levels(evidence)
    return tuple(
        index + 1
        for index, values in enumerate(evidence.counts)
        if np.abs(middle_of_three(values[sound]) - rests[index]).max(initial=0) > MOVED_COUNTS
    )


def find_turns(evidence: VerifyInputs, channels: Sequence[ChannelPlan]) -> dict[str, ControlMove]:
    """One turn for each control that was moved: the one with the fewest strangers, then the widest.

    Args:
        evidence: the recording.
        channels: the plan's.

    Returns:
        Turns by the control's name.
    """
    rests = rest_levels(evidence)
    marked = _marked(evidence, {mapped.control for mapped in channels})
    turns = {}
    for control in dict.fromkeys(mapped.control for mapped in channels):
        own = [mapped.channel - 1 for mapped in channels if mapped.control == control]
        rows = [marked[control]] if control in marked else _runs(evidence, own, rests)
        found = [
            ControlMove(control, first, stop, _others(evidence, own, first, stop), control in marked)
            for first, stop in rows
        ]
        found = [turn for turn in found if turn.is_marked or len(turn.also) <= STRANGERS_MOST]
        if found:
            turns[control] = max(found, key=lambda turn: _rank(evidence, own, rests, turn))
    return turns


def _marked(evidence: VerifyInputs, controls: set[str]) -> dict[str, tuple[int, int]]:
    """Rows between a mark that names a control and the next mark of the round."""
    by_word = {control.casefold(): control for control in controls}
    # Other words in between, as of an adapter that was unplugged, end nothing.
    marks = [
        (t, text) for t, text in evidence.marks_s() if text.casefold() in by_word or text.casefold() in ROUND_MARKS
    ]
    ends = [t for t, _ in marks[1:]] + [evidence.end_s + 1] * bool(marks)
    return {
        by_word[text.casefold()]: (evidence.row_at(t), evidence.row_at(end))
        for (t, text), end in zip(marks, ends, strict=True)
        if text.casefold() in by_word
    }


def _runs(evidence: VerifyInputs, own: list[int], rests: tuple[int, ...]) -> list[tuple[int, int]]:
    """Rows in which one of the channels is away from rest, short rests bridged."""
    sound = evidence.is_sound
    away: Bools = np.zeros(sound.size, np.bool_)
    for index in own:
        away |= np.abs(_steady(evidence, index) - rests[index]) > MOVED_COUNTS
    rows = np.flatnonzero(away & sound)
    if not rows.size:
        return []
    t_s = evidence.t_s[rows]
    breaks = np.flatnonzero(np.diff(t_s) > PAUSE_S)
    firsts, lasts = rows[np.append(0, breaks + 1)], rows[np.append(breaks, rows.size - 1)]
    begins = [evidence.row_at(float(evidence.t_s[row]) - _AROUND_S) for row in firsts.tolist()]
    ends = [evidence.row_at(float(evidence.t_s[row]) + _AROUND_S) for row in lasts.tolist()]
    # A turn begins at rest: one that begins elsewhere was begun before the link was gone.
    at_rest = sound & ~away
    return [
        (first, stop)
        for first, begun, stop in zip(begins, firsts.tolist(), ends, strict=True)
        if at_rest[first : begun + 1].any()
    ]


def _steady(evidence: VerifyInputs, index: int) -> np.typing.NDArray[np.int32]:
    """A channel without single frames that jump away and back: the middle of three."""
    return middle_of_three(evidence.counts[index])


def middle_of_three(values: np.typing.NDArray[np.int16]) -> np.typing.NDArray[np.int32]:
    """Each value replaced by the middle one of itself and its neighbours, int32 (N,)."""
    wide = values.astype(np.int32)
    if wide.size < 3:
        return wide
    a, b, c = wide[:-2], wide[1:-1], wide[2:]
    wide[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return wide


def _others(evidence: VerifyInputs, own: list[int], first: int, stop: int) -> tuple[Also, ...]:
    rows = np.arange(first, stop)[evidence.is_sound[first:stop]]
    if not rows.size:
        return ()
    limit = evidence.rig.limits.others_counts
    leads = [evidence.counts[index][rows].astype(np.float64) for index in own]
    also = []
    for index in range(len(evidence.counts)):
        if index in own:
            continue
        values = middle_of_three(evidence.counts[index][rows])
        # A mean over a few frames, for noise is judged elsewhere.
        smooth = np.convolve(values, np.full(_SMOOTH, 1 / _SMOOTH), "valid") if values.size >= _SMOOTH else values
        moved = round(float(np.abs(smooth - smooth[0]).max()))
        if moved > limit:
            follows = any(abs(_correlation(lead, values.astype(np.float64))) >= _FOLLOWS for lead in leads)
            also.append(Also(index + 1, moved, follows))
    return tuple(also)


def _correlation(a: F64, b: F64) -> float:
    a, b = a - a.mean(), b - b.mean()
    norm = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / norm if norm else 0.0


def _rank(evidence: VerifyInputs, own: list[int], rests: tuple[int, ...], turn: ControlMove) -> tuple[bool, int, float]:
    """Those in which the control really moved, then the fewest strangers, then the widest."""
    part = slice(turn.first, turn.stop)
    reach = max(float(np.abs(_steady(evidence, i)[part] - rests[i]).max(initial=0)) for i in own)
    return reach > 4 * MOVED_COUNTS, -len(turn.also), reach
