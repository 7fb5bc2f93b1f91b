"""Find which excursion of a motor was its move, without annotations: the one that fits the other moves.

A motor that starts by itself may look like a move of its control. So an excursion only counts as its
move if it goes to the end away from rest, alone, at its place in the order of the plan,
and about as long as the other moves. Any other is judged as a motor that ran.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from busbench.verify.control_moves import AROUND_S, PAUSE_S, ControlMove, Rows, best_move, own_runs
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.link_loss import LinkLoss
from busbench.verify.windows import Window
from busbench.wire.scale import FULL_COUNTS

OTHERS_LEAST = 2  # min moves of other controls for a comparison
_LEAST_S = 0.5  # a shorter excursion is a pulse, not a move
_ALIKE = 1.6  # factor shorter or longer than the others; common practice, no source


def find_motor_moves(
    evidence: VerifyInputs,
    channels: Sequence[ChannelPlan],
    *,
    windows: Sequence[Window],
    rests: tuple[int, ...],
    runs: Mapping[str, Sequence[Rows]],
    loss: LinkLoss | None,
    turns: dict[str, ControlMove],
) -> tuple[dict[str, ControlMove], dict[str, tuple[Rows, ...]]]:
    """The moves of motors in the test sequence without annotations.

    Args:
        windows: the annotated steps; an excursion in another control's step is no move.
        rests: most frequent position of each of the 18 channels, in counts.
        runs: runs of rows with each control away from rest.
        loss: the stretch without link: what lasts until then was held away for it.
        turns: moves of the other controls.

    Returns:
        The moves by control, and possible moves if too few other controls moved to decide.
    """
    moves: dict[str, ControlMove] = {}
    unknown: dict[str, tuple[Rows, ...]] = {}
    steps = [(window.first, window.done) for window in windows if window.word in runs]
    for control in runs:
        own = [mapped for mapped in channels if mapped.control == control]
        if control in turns or not any(mapped.must_rest for mapped in own):
            continue
        beside = list(_beside(evidence, channels, own, rests, runs))
        could = [
            rows
            for rows in own_runs(evidence, runs[control], loss)
            if _lasts_s(evidence, rows) >= _LEAST_S
            and all(_reached_ends(evidence, mapped, rows) for mapped in own)
            and _is_alone(evidence, rows, beside)
            and not any(first < rows[1] and rows[0] < stop for first, stop in steps)
        ]
        others = {name: turn for name, turn in (turns | moves).items() if not turn.is_marked}
        if len(others) < OTHERS_LEAST:
            unknown[control] = tuple(could)
            continue
        usual_s = float(np.median([_lasts_per_end_s(evidence, channels, turn) for turn in others.values()]))
        order = list(runs)
        before, after = order[: order.index(control)], order[order.index(control) + 1 :]
        earlier = next((others[name] for name in reversed(before) if name in others), None)
        later = next((others[name] for name in after if name in others), None)
        fits = [
            rows
            for rows in could
            if usual_s / _ALIKE
            <= _lasts_s(evidence, rows) / max(_reached_ends(evidence, mapped, rows) for mapped in own)
            <= usual_s * _ALIKE
            and (earlier is None or _follows(loss, earlier.stop, rows[0]))
            and (later is None or _follows(loss, rows[1], later.first))
        ]
        if (turn := best_move(evidence, channels, control, rests=rests, rows=fits, is_marked=False)) is not None:
            moves[control] = turn
    return moves, unknown


def _beside(
    evidence: VerifyInputs,
    channels: Sequence[ChannelPlan],
    own: Sequence[ChannelPlan],
    rests: tuple[int, ...],
    runs: Mapping[str, Sequence[Rows]],
) -> Iterator[Rows]:
    """Rows in which another control was moved, except small movement on the same gimbal."""
    share = evidence.rig.limits.hands_pct / 100 * FULL_COUNTS
    gimbals = {mapped.gimbal for mapped in own} - {None}
    for control, some in runs.items():
        theirs = [mapped for mapped in channels if mapped.control == control]
        for first, stop in some if theirs[0].control != own[0].control else ():
            sound = np.flatnonzero(evidence.is_sound[first:stop]) + first
            reach = max(np.abs(evidence.counts[m.channel - 1][sound] - rests[m.channel - 1]).max() for m in theirs)
            if theirs[0].gimbal not in gimbals or reach > share:
                yield first, stop


def _lasts_s(evidence: VerifyInputs, rows: Rows) -> float:
    return float(evidence.t_s[rows[1] - 1] - evidence.t_s[rows[0]])


def _lasts_per_end_s(evidence: VerifyInputs, channels: Sequence[ChannelPlan], turn: ControlMove) -> float:
    """Time away from rest per end visited in a control's move: one end if it rests at an end, else two."""
    is_from_end = any(mapped.rest_side for mapped in channels if mapped.control == turn.control)
    return (_lasts_s(evidence, (turn.first, turn.stop)) - 2 * AROUND_S) / (1 if is_from_end else 2)


def _reached_ends(evidence: VerifyInputs, mapped: ChannelPlan, rows: Rows) -> int:
    """Number of ends away from rest that a channel reaches; 0 if it does not reach the farther one."""
    limit, part = evidence.rig.limits.end_pct / 100 * FULL_COUNTS, slice(*rows)
    values = evidence.counts[mapped.channel - 1][part][evidence.is_sound[part]]
    near, far = sorted((mapped.ends.low_counts, mapped.ends.high_counts), key=lambda at: abs(at - mapped.rest_counts))
    near_too, is_far = (bool(np.abs(values - end).min(initial=np.inf) <= limit) for end in (near, far))
    return (1 + (near_too and abs(near - mapped.rest_counts) > limit)) * is_far


def _is_alone(evidence: VerifyInputs, rows: Rows, beside: Sequence[Rows]) -> bool:
    """True if no other control is away from rest during an excursion, or shortly before or after."""
    first = evidence.row_at(float(evidence.t_s[rows[0]]) - PAUSE_S)
    stop = evidence.row_at(float(evidence.t_s[rows[1] - 1]) + PAUSE_S)
    return not any(other[0] < stop and first < other[1] for other in beside)


def _follows(loss: LinkLoss | None, stop: int, first: int) -> bool:
    """True if one move ends before another begins, and the transmitter stayed on between them."""
    is_off_between = loss is not None and loss.has_begun and stop <= loss.first < first
    return stop <= first and not is_off_between
