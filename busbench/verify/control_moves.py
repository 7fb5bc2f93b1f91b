"""Find when each control was moved: by annotations that name it, else by the motion."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busbench.model import F64, I64
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.link_loss import LinkLoss
from busbench.verify.windows import HELD_MARKS, Window

MOVED_COUNTS = 40  # min distance from rest, above noise and trim
STRANGERS_MOST = 3  # with more, several controls moved at once
PAUSE_S = 0.8  # max rest inside a move
MOTOR_PAUSE_S = 0.15  # the same for a motor
AROUND_S = 0.2  # evaluated before and after a move
_SMOOTH = 7  # frames
_FOLLOWS = 0.8  # correlation above which a channel counts as moved by the same cause
_NOISE = 4  # allowed distance from rest, times the rms noise; noise is judged elsewhere

Rows = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Also:
    """A channel that moved while another's control was moved."""

    channel: int  # 1-18
    moved_counts: int  # distance from its rest
    follows: bool  # True if it moved in proportion, False if only at the same time
    row: int  # time of the first frame away from rest
    frames: int  # number of frames away from rest


@dataclass(frozen=True, slots=True)
class ControlMove:
    """A time in which one control was moved.

    Args:
        control: its name.
        first, stop: rows of the recording: the first of the move, and the one after its last.
        also: other channels that moved at the same time.
        is_marked: True if an annotation names the control.
    """

    control: str
    first: int
    stop: int
    also: tuple[Also, ...]
    is_marked: bool


def rest_levels(evidence: VerifyInputs, windows: Sequence[Window] = ()) -> tuple[int, ...]:
    """Most frequent position of each of the 18 channels, in counts, except while controls were held away."""
    sound = evidence.is_sound.copy()
    for window in windows:
        if window.word in HELD_MARKS:
            sound[window.first : window.stop] = False
    if not sound.any():
        sound = evidence.is_sound
    if not sound.any():
        return (0,) * len(evidence.counts)
    return tuple(int(np.bincount(values[sound]).argmax()) for values in evidence.counts)


def find_moved(evidence: VerifyInputs) -> tuple[int, ...]:
    """Channels (1-18) that left their most frequent position for more than single frames."""
    sound, rests = evidence.is_sound, rest_levels(evidence)
    return tuple(
        index + 1
        for index, values in enumerate(evidence.counts)
        if np.abs(middle_of_three(values[sound]) - rests[index]).max(initial=0) > MOVED_COUNTS
    )


def find_control_moves(
    evidence: VerifyInputs,
    channels: Sequence[ChannelPlan],
    *,
    windows: Sequence[Window] = (),
    runs: Mapping[str, Sequence[Rows]],
    loss: LinkLoss | None,
) -> dict[str, ControlMove]:
    """One move per control: its last annotated step, else the run with the fewest other channels, then the widest.

    For a motor only the annotated step: see motor_moves.

    Args:
        loss: the time without link; runs that last until then were held away for it.
    """
    rests = rest_levels(evidence, windows)
    marked = {window.word: (window.first, window.done) for window in windows if not window.is_repeated}
    turns = {}
    for control in dict.fromkeys(mapped.control for mapped in channels):
        own = [mapped for mapped in channels if mapped.control == control]
        is_marked = control in marked
        if not is_marked and any(mapped.must_rest for mapped in own):
            continue
        rows = [marked[control]] if is_marked else own_runs(evidence, runs[control], loss)
        if (turn := best_move(evidence, channels, control, rests=rests, rows=rows, is_marked=is_marked)) is not None:
            turns[control] = turn
    return turns


def own_runs(evidence: VerifyInputs, runs: Sequence[Rows], loss: LinkLoss | None) -> list[Rows]:
    """Runs that can be a move: they begin at rest and end before the link loss."""
    found = []
    for first, stop in runs:
        before = evidence.t_s[:first][evidence.is_sound[:first]]
        if (
            before.size
            and evidence.t_s[first] - before[-1] <= AROUND_S
            and not lasts_until(evidence, loss, first, stop)
        ):
            found.append((first, stop))
    return found


def best_move(
    evidence: VerifyInputs,
    channels: Sequence[ChannelPlan],
    control: str,
    *,
    rests: tuple[int, ...],
    rows: Sequence[Rows],
    is_marked: bool,
) -> ControlMove | None:
    """The best candidate for the move of a control, None if several controls moved in each."""
    own = [mapped for mapped in channels if mapped.control == control]
    planned = {mapped.channel for mapped in channels}
    found = []
    for first, stop in rows:
        if not is_marked:
            first = evidence.row_at(float(evidence.t_s[first]) - AROUND_S)
            stop = evidence.row_at(float(evidence.t_s[stop - 1]) + AROUND_S)
        also = _others(evidence, own, planned, rests, first, stop)
        if is_marked or len(also) <= STRANGERS_MOST:
            found.append(ControlMove(control, first, stop, also, is_marked))
    return max(found, key=lambda turn: _rank(evidence, own, rests, turn), default=None)


def lasts_until(evidence: VerifyInputs, loss: LinkLoss | None, first: int, stop: int) -> bool:
    """True if a run of rows lasts until the link loss."""
    if loss is None or not loss.has_begun:
        return False
    sound = np.flatnonzero(evidence.is_sound[: loss.first])
    return bool(sound.size) and first < loss.first and stop > int(sound[-1]) - 2 * _SMOOTH


def find_runs(evidence: VerifyInputs, channels: Sequence[ChannelPlan], rests: tuple[int, ...]) -> dict[str, list[Rows]]:
    """Runs of rows with a channel away from rest, by control.

    Short rests are bridged, for motors only shorter ones. Motion within MOVED_COUNTS of rest is no run.
    """
    sound = np.flatnonzero(evidence.is_sound)
    band = evidence.rig.limits.rest_counts
    found: dict[str, list[Rows]] = {}
    for control in dict.fromkeys(mapped.control for mapped in channels):
        own = [mapped for mapped in channels if mapped.control == control]
        away, is_far = np.zeros((2, sound.size), np.bool_)
        for mapped in own:
            rest = mapped.rest_counts if mapped.must_rest else rests[mapped.channel - 1]
            beside = evidence.counts[mapped.channel - 1][sound].astype(np.float64) - rest
            away |= np.abs(beside if mapped.must_rest else _smooth(beside)) > band
            is_far |= np.abs(beside if mapped.must_rest else middle_of_three(beside)) > MOVED_COUNTS
        pause_s = MOTOR_PAUSE_S if any(mapped.must_rest for mapped in own) else PAUSE_S
        at = np.flatnonzero(away)
        parts = np.split(at, np.flatnonzero(np.diff(evidence.t_s[sound[at]]) > pause_s) + 1) if at.size else []
        found[control] = [
            (int(sound[part[0]]), int(sound[part[-1]]) + 1) for part in parts if is_far[part[0] : part[-1] + 1].any()
        ]
    return found


def excursions(evidence: VerifyInputs, index: int, rest: float, band: float) -> list[Rows]:
    """Runs of good frames with a channel (from 0) away from rest; rests up to MOTOR_PAUSE_S are bridged."""
    at = np.flatnonzero(evidence.is_sound & (np.abs(evidence.counts[index] - rest) > band))
    parts = np.split(at, np.flatnonzero(np.diff(evidence.t_s[at]) > MOTOR_PAUSE_S) + 1) if at.size else []
    return [(int(part[0]), int(part[-1]) + 1) for part in parts]


def middle_of_three(values: np.typing.NDArray[np.int16] | F64) -> F64:
    """Median of each value and its two neighbours, float64 (N,)."""
    wide = values.astype(np.float64)
    a, b, c = wide[:-2], wide[1:-1], wide[2:]
    wide[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return wide


def _smooth(values: F64) -> F64:
    """Moving mean over a few frames, float64 (N,)."""
    if values.size < _SMOOTH:
        return values
    padded = np.pad(values, _SMOOTH // 2, "edge")
    smooth: F64 = np.convolve(padded, np.full(_SMOOTH, 1 / _SMOOTH), "valid")
    return smooth


def _others(
    evidence: VerifyInputs, own: Sequence[ChannelPlan], planned: set[int], rests: tuple[int, ...], first: int, stop: int
) -> tuple[Also, ...]:
    """Channels of other controls that were away from rest in any frame, without glitches."""
    rows = np.arange(first, stop)[evidence.is_sound[first:stop]]
    if not rows.size:
        return ()
    leads = [evidence.counts[mapped.channel - 1][rows].astype(np.float64) for mapped in own]
    also = []
    for index, summary in enumerate(evidence.channels.channels):
        if any(mapped.channel == index + 1 for mapped in own):
            continue
        values = evidence.counts[index][rows].astype(np.int64)
        rest = rests[index] if index + 1 in planned else int(values[0])  # channels without a device may be anywhere
        beside = np.where(evidence.is_glitch(index)[rows], 0, np.abs(values - rest))
        limit = evidence.rig.limits.others_counts + _NOISE * (summary.still_noise_counts or 0.0)
        away: I64 = np.flatnonzero(beside > limit)
        if away.size:
            follows = any(abs(_correlation(lead, values.astype(np.float64))) >= _FOLLOWS for lead in leads)
            also.append(Also(index + 1, int(beside.max()), follows, int(rows[away[0]]), away.size))
    return tuple(also)


def _correlation(a: F64, b: F64) -> float:
    a, b = a - a.mean(), b - b.mean()
    norm = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / norm if norm else 0.0


def _rank(
    evidence: VerifyInputs, own: Sequence[ChannelPlan], rests: tuple[int, ...], turn: ControlMove
) -> tuple[bool, int, float, int]:
    """Sort key: the control really moved, then fewest other channels, then widest, then longest."""
    part = slice(turn.first, turn.stop)
    indexes = [mapped.channel - 1 for mapped in own]
    reach = max(float(np.abs(middle_of_three(evidence.counts[i][part]) - rests[i]).max(initial=0)) for i in indexes)
    return reach > 4 * MOVED_COUNTS, -len(turn.also), reach, turn.stop - turn.first
