"""Checks of each channel of the plan: rest, endpoints, direction, no other channel moves, noise at rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from busbench.errors import pluralize
from busbench.model import F64, I64, Bools
from busbench.rig.direction import directions_of
from busbench.verify.control_moves import MOVED_COUNTS, STRANGERS_MOST, Also, ControlMove
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.motor_moves import OTHERS_LEAST
from busbench.verify.phases import HAND_S, Phase, Phases, name_frames
from busbench.verify.result import Check, CheckFactory
from busbench.wire.scale import FULL_COUNTS

REST, LOW_END, HIGH_END = "rest", "low end", "high end"
DIRECTION, ALONE, NOISE = "direction", "moves alone", "noise at rest"
REST_SHARE, REST_S = 0.3, 2.0  # share of frames, and of time, at one level that makes a rest
_EDGE = 7  # frames at both ends of a run, in which it is near rest
_RIGHT_WAY = 0.5  # share of the planned travel from which a move shows its direction


def check_channels(evidence: VerifyInputs, channels: Sequence[ChannelPlan], phases: Phases) -> Iterator[Check]:
    """All checks of the channels."""
    for mapped in channels:
        about = CheckFactory("channel", mapped.subject, mapped.channel)
        turn = phases.control_moves.get(mapped.control)
        yield _rest(about, evidence, channels, mapped, phases)
        yield from _ends(about, evidence, mapped, turn)
        yield _direction(about, evidence, mapped, turn, phases.rests[mapped.channel - 1])
        yield _alone(about, evidence, channels, mapped, turn)
        if not mapped.is_on_off:
            yield _noise(about, evidence, mapped)


def _shown(mapped: ChannelPlan, counts: float, evidence: VerifyInputs) -> str:
    """Counts with their pulse width, or the state."""
    pulse = "" if mapped.is_on_off else f" ({evidence.rig.scale.to_us(counts):.0f} µs)"
    return mapped.level(counts) + pulse


def away_rows(
    evidence: VerifyInputs, channels: Sequence[ChannelPlan], mapped: ChannelPlan, phases: Phases
) -> tuple[I64, I64]:
    """Frames in which a channel must be at rest: for a motor all outside its own move, else where all is left alone.

    Frames with marked bytes are left out: they are judged as damaged.

    Returns:
        All such rows, and those in which it is away from rest.
    """
    limit, index = evidence.rig.limits.rest_counts, mapped.channel - 1
    rest = float(phases.rests[index])
    if mapped.must_rest:
        else_judged = phases.is_in(Phase.OFF, Phase.FAILSAFE, Phase.BACK, Phase.POWER_UP) & ~phases.is_repeated
        free = ~phases.may_run(evidence, mapped) & ~else_judged
    else:
        free = phases.is_in(Phase.AT_REST, Phase.BETWEEN) & ~phases.is_repeated
        free &= ~_by_hand(evidence, channels, mapped, phases) & ~evidence.is_glitch(index)
    if mapped.must_rest or abs(rest - mapped.rest_counts) <= limit:
        rest = mapped.rest_counts  # else its rest differs from the plan, which is judged once
    rows = np.flatnonzero(evidence.is_sound & free)
    return rows, rows[np.abs(evidence.counts[index][rows] - rest) > limit]


def _rest(
    about: CheckFactory, evidence: VerifyInputs, channels: Sequence[ChannelPlan], mapped: ChannelPlan, phases: Phases
) -> Check:
    """Judge every frame in which the control is left alone; for a motor every frame outside its own move."""
    limit, plan = evidence.rig.limits.rest_counts, mapped.rest_counts
    values, sound = evidence.counts[mapped.channel - 1].astype(np.float64), evidence.is_sound
    rows, outside = away_rows(evidence, channels, mapped, phases)
    rest = phases.rests[mapped.channel - 1]
    still = int(np.count_nonzero(np.abs(values[sound] - rest) <= limit))
    is_seldom = not phases.windows and still < REST_SHARE * np.count_nonzero(sound)
    is_short = is_seldom or still * evidence.period_ns < REST_S * 1e9
    is_beside = not mapped.must_rest and abs(rest - plan) > limit  # then where it rests is judged, not what leaves that
    if outside.size and (mapped.must_rest or not (is_short or is_beside)):
        named = name_frames(evidence, phases, mapped, outside)
        if _unknown(evidence, mapped, phases)[outside].all():
            word = "others were moved at the same time" if mapped.must_rest else "moved more than once"
            if phases.unknown_runs.get(mapped.control):
                word = f"fewer than {OTHERS_LEAST} other controls were moved, to know its own move by"
            why = f"{named}: {word}, and no annotation says why: annotate the steps"
            return about.not_tested(REST, why, unit="counts", limit=limit)
        worst = _farthest(values[outside], plan)
        said = f"{named}, away from its rest at {_shown(mapped, plan, evidence)}"
        said += ", where it kills the ignition" if mapped.motor_kind == "kill" else ""
        return about.within(REST, said, measured=worst, expected=plan, limit=limit, unit="counts")
    if mapped.must_rest:
        damaged = evidence.recording.frames.suspect & ~phases.may_run(evidence, mapped)
        damaged &= ~phases.is_in(Phase.HELD_AWAY, Phase.OFF, Phase.FAILSAFE) & (np.abs(values - plan) > limit)
        if damaged.any():
            why = name_frames(evidence, phases, mapped, np.flatnonzero(damaged))
            why += ", in frames with bytes that the line marked as damaged"
            return about.not_tested(REST, why, unit="counts", limit=limit)
    rows = np.setdiff1d(rows, outside)
    if is_short or not rows.size:
        why = "it never rests for long: leave the controls alone for some seconds"
        return about.not_tested(REST, why, unit="counts", limit=limit)
    if mapped.must_rest:  # at the start and end of its own move it is in motion, within the limit
        near = np.convolve(phases.may_run(evidence, mapped), np.ones(2 * _EDGE + 1), "same")[rows] > 0
        rows = rows[~near] if not near.all() else rows
    worst = _farthest(values[rows], plan)
    said = f"rests at {_shown(mapped, rest, evidence)}, planned {_shown(mapped, plan, evidence)}"
    if worst != rest and abs(rest - plan) <= limit:
        said += f", at most {abs(worst - plan):.0f} counts beside it"
    if is_beside and outside.size:
        said += f"; {name_frames(evidence, phases, mapped, outside)}"
    return about.within(REST, said, measured=worst, expected=plan, limit=limit, unit="counts")


def _farthest(values: F64, plan: float) -> float:
    return float(values[np.argmax(np.abs(values - plan))])


def _unknown(evidence: VerifyInputs, mapped: ChannelPlan, phases: Phases) -> Bools:
    """Frames in which its control was moved without an annotation, bool (N,)."""
    unknown = np.zeros(phases.of_frame.size, np.bool_)
    if mapped.must_rest:  # a single motor that runs outside its own move is certain
        others = np.zeros(phases.of_frame.size, np.int64)
        for control, runs in phases.runs.items():
            for first, stop in runs:
                others[first:stop] += control != mapped.control
        if not phases.windows:
            unknown |= others >= STRANGERS_MOST
        for first, stop in phases.unknown_runs.get(mapped.control, ()):
            unknown[first:stop] = True
        return unknown
    turn = phases.control_moves.get(mapped.control)
    if turn is None or not turn.is_marked:
        for first, stop in phases.runs[mapped.control]:
            begin = evidence.row_at(float(evidence.t_s[first]) - HAND_S)
            unknown[begin : evidence.row_at(float(evidence.t_s[stop - 1]) + HAND_S)] = True
    return unknown


def _by_hand(evidence: VerifyInputs, channels: Sequence[ChannelPlan], mapped: ChannelPlan, phases: Phases) -> Bools:
    """Frames beside a step in which a hand already, or still, moves its control, bool (N,)."""
    allowed = np.zeros(phases.of_frame.size, np.bool_)
    share = evidence.rig.limits.hands_pct / 100 * FULL_COUNTS
    beside_it = {one.control for one in channels if shares_gimbal(mapped, one)}
    beside = np.abs(evidence.counts[mapped.channel - 1] - float(phases.rests[mapped.channel - 1]))
    spans = [(window.word, window.first, window.done) for window in phases.windows]
    spans += [(turn.control, turn.first, turn.stop) for turn in phases.control_moves.values() if not turn.is_marked]
    for word, first, stop in spans:
        if first >= stop:
            continue
        begin = evidence.row_at(float(evidence.t_s[first]) - HAND_S)
        end = evidence.row_at(float(evidence.t_s[stop - 1]) + HAND_S)
        if word == mapped.control:
            for run_first, run_stop in phases.runs[word]:
                if run_first < stop and run_stop > first:
                    allowed[max(begin, run_first - _EDGE) : min(end, run_stop + _EDGE)] = True
            allowed[begin:end] |= beside[begin:end] <= share  # a stick springs back
        elif word in beside_it:
            allowed[begin:end] |= beside[begin:end] <= share
    return allowed


def _values(evidence: VerifyInputs, mapped: ChannelPlan, turn: ControlMove) -> NDArray[np.int16]:
    """The values of the channel in its move, without flagged frames and glitches, which are judged elsewhere."""
    index, part = mapped.channel - 1, slice(turn.first, turn.stop)
    values: NDArray[np.int16] = evidence.counts[index][part][(evidence.is_sound & ~evidence.is_glitch(index))[part]]
    return values


def _untouched(mapped: ChannelPlan, turn: ControlMove | None) -> str:
    if turn is None:
        return f'"{mapped.control}" was not moved by itself in this recording'
    return "no frame in which it was moved can be used"


def _ends(
    about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, turn: ControlMove | None
) -> Iterator[Check]:
    """The ends reached in its move; the closed end of an engine is its endpoint or, with the trim open, its idle."""
    limit, idle = evidence.rig.limits.end_pct / 100 * FULL_COUNTS, mapped.idle_counts
    values = None if turn is None else _values(evidence, mapped, turn)
    for name, plan, is_high in ((LOW_END, mapped.ends.low_counts, False), (HIGH_END, mapped.ends.high_counts, True)):
        if values is None or not values.size:
            yield about.not_tested(name, _untouched(mapped, turn), unit="counts", limit=limit)
            continue
        measured = float(values.max() if is_high else values.min())
        word, end = "", _shown(mapped, plan, evidence)
        is_closed = idle is not None and (idle > mapped.ends.neutral_counts) is is_high
        if is_closed and idle is not None and abs(measured - idle) < abs(measured - plan):
            word, plan = "idle ", idle
        said = f"reached {_shown(mapped, measured, evidence)}, planned {word}{_shown(mapped, plan, evidence)}"
        if word and abs(measured - plan) > limit:
            said += f": neither at idle nor at its end, {end}"
        elif turn is not None and abs(measured - plan) > limit:
            said += _instead(turn, values) or (
                f": short by {abs(measured - plan):.0f} counts" if (measured < plan) is is_high else ": beyond it"
            )
        yield about.within(name, said, measured=measured, expected=plan, limit=limit, unit="counts")


def _instead(turn: ControlMove, values: NDArray[np.int16]) -> str:
    """A note if a channel did not move while others did."""
    if np.ptp(values) > MOVED_COUNTS:
        return ""
    others = " and ".join(f"channel {one.channel}" for one in turn.also if one.moved_counts > 4 * MOVED_COUNTS)
    return f": it did not move, {others} moved in its place" if others else ": it did not move"


def _direction(
    about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, turn: ControlMove | None, rest: int
) -> Check:
    """Check that the first move goes to the high end, as high_when says."""
    where = mapped.devices[0].high_when
    if where is None:
        return about.not_tested(DIRECTION, "the plan does not say at which end the channel is high: state high_when")
    values = None if turn is None else _values(evidence, mapped, turn)
    if values is None or not values.size:
        return about.not_tested(DIRECTION, _untouched(mapped, turn))
    reach = mapped.ends.high_counts - mapped.ends.neutral_counts
    away = values - mapped.ends.neutral_counts
    side = mapped.rest_side
    if side:
        seen = (
            0
            if abs(rest - mapped.ends.neutral_counts) < _RIGHT_WAY * reach
            else int(np.sign(rest - mapped.ends.neutral_counts))
        )
        if not seen:
            return about.not_tested(DIRECTION, "it rests at neither end, so the first move shows no direction")
        word = "high" if seen > 0 else "low"
        stand = _surfaces(mapped, is_high=seen > 0)
        said = f'is at its {word} end{stand} while "{mapped.control}" is left alone, away from "{where}"'
        return about.is_so(DIRECTION, said if seen == side else said + ": reversed", good=seen == side)
    far = np.flatnonzero(np.abs(away) >= _RIGHT_WAY * reach)
    if not far.size:
        return about.not_tested(DIRECTION, "it did not move far enough to show a direction")
    up = bool(away[far[0]] > 0)
    took, plan = (f"{'above' if way else 'below'} neutral{_surfaces(mapped, is_high=way)}" for way in (up, True))
    said = f'"{mapped.control}" to "{where}" first took it {took}, planned {plan}'
    return about.is_so(DIRECTION, said if up else said + ": reversed", good=up)


def _surfaces(mapped: ChannelPlan, *, is_high: bool) -> str:
    """The effect on the surfaces, if the plan states it: " (left flap up)"."""
    ways = [f"{d.name} {directions_of(d).of(is_high=is_high)}" for d in mapped.devices if d.above_neutral is not None]
    return f" ({', '.join(ways)})" if ways else ""


def _alone(
    about: CheckFactory,
    evidence: VerifyInputs,
    channels: Sequence[ChannelPlan],
    mapped: ChannelPlan,
    turn: ControlMove | None,
) -> Check:
    limit = evidence.rig.limits.others_counts
    if turn is None or not _values(evidence, mapped, turn).size:
        return about.not_tested(ALONE, _untouched(mapped, turn), unit="counts", limit=limit)
    share = evidence.rig.limits.hands_pct / 100 * FULL_COUNTS
    beside_it = {one.channel for one in channels if shares_gimbal(one, mapped)}
    by_hand = [one for one in turn.also if one.channel in beside_it and one.moved_counts <= share]
    others = [one for one in turn.also if one not in by_hand]
    if others and not turn.is_marked and not any(one.follows for one in others):
        numbers = ", ".join(str(one.channel) for one in others)
        why = f"others were moved at the same time (channel {numbers}): move one control at a time"
        return about.not_tested(ALONE, why, unit="counts", limit=limit)
    if others:
        some = [one for one in others if one.follows or turn.is_marked]
        words = ", ".join(_moved(evidence, one) for one in some)
        said = f'with "{mapped.control}" moved also {words}'
        most = max(one.moved_counts for one in some)
        return about.at_most(ALONE, said, measured=most, limit=limit, unit="counts")
    if by_hand:
        most = max(one.moved_counts for one in by_hand)
        said = f'with "{mapped.control}" moved a little, on the same gimbal: '
        said += ", ".join(_moved(evidence, one) for one in by_hand)
        return about.at_most(ALONE, said, measured=most, limit=share, unit="counts")
    return about.at_most(ALONE, f'no other channel moved with "{mapped.control}"', measured=0, limit=limit,
                         unit="counts")  # fmt: skip


def _moved(evidence: VerifyInputs, one: Also) -> str:
    where = f"frame {one.row + 1}" if evidence.no_times else f"{evidence.t_s[one.row]:.3f} s"
    return f"channel {one.channel} by {one.moved_counts} counts (from {where}, {pluralize(one.frames, 'frame')})"


def shares_gimbal(one: ChannelPlan, other: ChannelPlan) -> bool:
    """True if one hand moves both on one gimbal; then a small movement of the other is no fault."""
    return (
        one.gimbal is not None
        and one.gimbal == other.gimbal
        and one.control != other.control
        and not one.must_rest
        and not one.is_on_off
    )


def _noise(about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan) -> Check:
    limit = evidence.rig.limits.noise_counts
    summary = evidence.channels.channels[mapped.channel - 1]
    noise = summary.still_noise_counts
    if noise is None:
        return about.not_tested(NOISE, "it was never still for long enough", unit="counts rms", limit=limit)
    said = f"{noise:.2f} counts rms over {pluralize(summary.still_frames, 'frame')} at rest"
    return about.at_most(NOISE, said, measured=noise, limit=limit, unit="counts rms")
