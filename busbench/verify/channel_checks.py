"""Checks of each channel of the plan: rest, both ends, direction, that it moves alone, noise at rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from busbench.errors import pluralize
from busbench.rig.direction import directions_of
from busbench.verify.control_moves import MOVED_COUNTS, ControlMove, middle_of_three, rest_levels
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.result import Check, CheckFactory
from busbench.wire.scale import FULL_COUNTS

REST, LOW_END, HIGH_END = "rest", "low end", "high end"
DIRECTION, ALONE, NOISE = "direction", "moves alone", "noise at rest"
REST_SHARE, REST_S = 0.3, 2.0  # of the frames, and of the time, at one level, to have a rest
_RIGHT_WAY = 0.5  # of the planned reach, from which a move shows its direction


def check_channels(
    evidence: VerifyInputs, channels: Sequence[ChannelPlan], turns: dict[str, ControlMove]
) -> Iterator[Check]:
    """All checks of the channels.

    Args:
        evidence: the recording.
        channels: the plan's.
        turns: by control; see find_turns.
    """
    rests = rest_levels(evidence)
    for mapped in channels:
        about = CheckFactory("channel", mapped.subject, mapped.channel)
        turn = turns.get(mapped.control)
        yield _rest(about, evidence, mapped, rests[mapped.channel - 1])
        yield from _ends(about, evidence, mapped, turn)
        yield _direction(about, evidence, mapped, turn, rests[mapped.channel - 1])
        yield _alone(about, mapped, turn, evidence.rig.limits.others_counts)
        if not mapped.is_two_state:
            yield _noise(about, evidence, mapped)


def _shown(mapped: ChannelPlan, counts: float, evidence: VerifyInputs) -> str:
    """Counts with their pulse, or the state."""
    pulse = "" if mapped.is_two_state else f" ({evidence.rig.scale.to_us(counts):.0f} µs)"
    return mapped.shown(counts) + pulse


def _rest(about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, rest: int) -> Check:
    limit = evidence.rig.limits.rest_counts
    values = evidence.counts[mapped.channel - 1][evidence.is_sound]
    at_rest = int(np.count_nonzero(np.abs(values - rest) <= limit))
    if at_rest < REST_SHARE * values.size or at_rest * evidence.period_ns < REST_S * 1e9:
        why = "it stands nowhere for long: leave the controls alone for some seconds"
        return about.not_tested(REST, why, unit="counts", limit=limit)
    level = float(np.median(values[np.abs(values - rest) <= limit]))
    plan = mapped.rest_counts
    said = f"rests at {_shown(mapped, level, evidence)}, planned {_shown(mapped, plan, evidence)}"
    return about.within(REST, said, measured=level, expected=plan, limit=limit, unit="counts")


def _values(evidence: VerifyInputs, mapped: ChannelPlan, turn: ControlMove) -> np.typing.NDArray[np.int32]:
    """The channel in a turn, without flagged frames and glitches."""
    part = slice(turn.first, turn.stop)
    return middle_of_three(evidence.counts[mapped.channel - 1][part][evidence.is_sound[part]])


def _untouched(mapped: ChannelPlan, turn: ControlMove | None) -> str:
    if turn is None:
        return f'"{mapped.control}" was not moved by itself in this recording'
    return "no frame in which it was moved can be used"


def _ends(
    about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, turn: ControlMove | None
) -> Iterator[Check]:
    limit = evidence.rig.limits.end_pct / 100 * FULL_COUNTS
    values = None if turn is None else _values(evidence, mapped, turn)
    for name, plan, is_high in ((LOW_END, mapped.ends.low_counts, False), (HIGH_END, mapped.ends.high_counts, True)):
        if values is None or not values.size:
            yield about.not_tested(name, _untouched(mapped, turn), unit="counts", limit=limit)
            continue
        measured = float(values.max() if is_high else values.min())
        said = f"reached {_shown(mapped, measured, evidence)}, planned {_shown(mapped, plan, evidence)}"
        if turn is not None and abs(measured - plan) > limit:
            said += _instead(turn, values) or (
                f": short by {abs(measured - plan):.0f} counts" if (measured < plan) is is_high else ": beyond it"
            )
        yield about.within(name, said, measured=measured, expected=plan, limit=limit, unit="counts")


def _instead(turn: ControlMove, values: np.typing.NDArray[np.int32]) -> str:
    """Says so where a channel stood still while others moved."""
    if np.ptp(values) > MOVED_COUNTS:
        return ""
    others = " and ".join(f"channel {one.channel}" for one in turn.also if one.moved_counts > 4 * MOVED_COUNTS)
    return f": it stood still, {others} moved in its place" if others else ": it stood still"


def _direction(
    about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan, turn: ControlMove | None, rest: int
) -> Check:
    """The first move of a turn goes to the high end, as the plan's high_when says."""
    where = mapped.devices[0].high_when
    if where is None:
        return about.not_tested(DIRECTION, "the plan does not say at which end the channel is high: state high_when")
    values = None if turn is None else _values(evidence, mapped, turn)
    if values is None or not values.size:
        return about.not_tested(DIRECTION, _untouched(mapped, turn))
    reach = mapped.ends.high_counts - mapped.ends.neutral_counts
    away = (values - mapped.ends.neutral_counts) / max(1.0, reach)
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
        said = f'stands at its {word} end{stand} while "{mapped.control}" is left alone, away from "{where}"'
        return about.is_so(DIRECTION, said if seen == side else said + ": reversed", good=seen == side)
    far = np.flatnonzero(np.abs(away) >= _RIGHT_WAY)
    if not far.size:
        return about.not_tested(DIRECTION, "it did not move far enough to show a direction")
    up = bool(away[far[0]] > 0)
    took, plan = (f"{'above' if way else 'below'} neutral{_surfaces(mapped, is_high=way)}" for way in (up, True))
    said = f'"{mapped.control}" to "{where}" first took it {took}, planned {plan}'
    return about.is_so(DIRECTION, said if up else said + ": reversed", good=up)


def _surfaces(mapped: ChannelPlan, *, is_high: bool) -> str:
    """What that means for the surfaces, as far as the plan states it: " (left flap up)"."""
    ways = [f"{d.name} {directions_of(d).of(is_high=is_high)}" for d in mapped.devices if d.above_neutral is not None]
    return f" ({', '.join(ways)})" if ways else ""


def _alone(about: CheckFactory, mapped: ChannelPlan, turn: ControlMove | None, limit: float) -> Check:
    if turn is None:
        return about.not_tested(ALONE, _untouched(mapped, turn), unit="counts", limit=limit)
    words = [f"channel {one.channel} by {one.moved_counts} counts" for one in turn.also if one.follows]
    if words:
        most = max(one.moved_counts for one in turn.also if one.follows)
        said = f'with "{mapped.control}" moved also {", ".join(words)}'
        return about.at_most(ALONE, said, measured=most, limit=limit, unit="counts")
    if turn.also:
        others = ", ".join(str(one.channel) for one in turn.also)
        why = f"others were moved at the same time (channel {others}): move one control at a time"
        return about.not_tested(ALONE, why, unit="counts", limit=limit)
    return about.at_most(ALONE, f'no other channel moved with "{mapped.control}"', measured=0, limit=limit,
                         unit="counts")  # fmt: skip


def _noise(about: CheckFactory, evidence: VerifyInputs, mapped: ChannelPlan) -> Check:
    limit = evidence.rig.limits.noise_counts
    summary = evidence.channels.channels[mapped.channel - 1]
    noise = summary.still_noise_counts
    if noise is None:
        return about.not_tested(NOISE, "it was never still for long enough", unit="counts rms", limit=limit)
    said = f"{noise:.2f} counts rms over {pluralize(summary.still_frames, 'frame')} at rest"
    return about.at_most(NOISE, said, measured=noise, limit=limit, unit="counts rms")
