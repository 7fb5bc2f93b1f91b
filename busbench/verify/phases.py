"""Phases of the test sequence: each frame of a recording belongs to one, by which it is named."""

from __future__ import annotations

import enum
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busbench.errors import pluralize
from busbench.model import I64, U8, Bools
from busbench.verify.control_moves import (
    ControlMove,
    Rows,
    excursions,
    find_control_moves,
    find_runs,
    lasts_until,
    rest_levels,
)
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.link_loss import EARLY_S, LinkLoss, find_link_loss
from busbench.verify.motor_moves import find_motor_moves
from busbench.verify.windows import (
    AWAY_MARK,
    LET_GO_MARK,
    LINK_MARK,
    OFF_MARK,
    ON_MARK,
    POWER_MARK,
    Window,
    find_windows,
)
from busbench.wire.frame_spec import FLAG_FAILSAFE

_OFF_S = 0.3  # a longer silence shows that the receiver was off
HAND_S = 1.0  # a hand may be this much before or after the annotation of its step
_AFTER_LOSS = (OFF_MARK, ON_MARK, LET_GO_MARK)


class Phase(enum.IntEnum):
    """The phase that a frame belongs to."""

    AT_REST = 0
    MOVE = 1
    BETWEEN = 2
    HELD_AWAY = 3
    OFF = 4
    FAILSAFE = 5
    BACK = 6
    POWER_UP = 7

    @property
    def words(self) -> str:
        """For people."""
        return _WORDS[self]


_WORDS = {
    Phase.AT_REST: "at rest",
    Phase.MOVE: "during a move",
    Phase.BETWEEN: "between moves",
    Phase.HELD_AWAY: "controls held away",
    Phase.OFF: "transmitter off, before failsafe",
    Phase.FAILSAFE: "in failsafe",
    Phase.BACK: "link back",
    Phase.POWER_UP: "powered up, no link yet",
}


@dataclass(frozen=True, slots=True)
class PowerUp:
    """The receiver was switched on while the transmitter was off."""

    first: int  # row of the first frame
    link: int  # row of the first good frame, or the number of frames without one
    stop: int  # row of the next step, or the number of frames
    start_s: float  # since when no frames were expected
    on_s: float | None  # when the transmitter was switched on, if annotated
    is_annotated: bool  # False if the recording merely begins with frames without a link


@dataclass(frozen=True, slots=True)
class Back:
    """The return of the link."""

    first: int  # first, stop: rows: the first good frame, and the next step or the number of frames
    stop: int
    settled_s: float  # from here on every channel must be at its control's position


@dataclass(frozen=True, slots=True, eq=False)
class Phases:
    """The test sequence found in a recording."""

    of_frame: U8  # Phase of each frame, uint8 (N,)
    is_repeated: Bools  # True for frames of a step that a later repetition replaces, bool (N,)
    windows: tuple[Window, ...]
    rests: tuple[int, ...]  # where each of the 18 channels was most of the time, in counts
    control_moves: dict[str, ControlMove]  # moves of one control, by its name
    runs: Mapping[str, Sequence[Rows]]  # rows in which each control was away from rest, by its name
    # runs of a motor that may be its move; too few other controls moved to decide
    unknown_runs: Mapping[str, Sequence[Rows]]
    loss: LinkLoss | None  # the time in which the transmitter was off, if any
    held_row: int | None  # the first row in which a control was held away for that
    back: Back | None  # the return of the link; None without one
    power_ups: tuple[PowerUp, ...] = ()  # where the receiver was switched on without a transmitter
    # times without a link that belong to a step: nothing counts as lost there
    excused_s: tuple[tuple[float, float], ...] = ()

    def is_in(self, *phases: Phase) -> Bools:
        """True for frames of some phases, bool (N,)."""
        wanted = np.zeros(len(Phase), np.bool_)
        wanted[list(phases)] = True
        return wanted[self.of_frame]

    def has_step(self, word: str) -> bool:
        """True if a step is annotated."""
        return any(window.word == word for window in self.windows)

    def may_run(self, evidence: VerifyInputs, mapped: ChannelPlan) -> Bools:
        """Frames in which a motor may be away from rest: its own move, and while held away, bool (N,)."""
        may: Bools = np.zeros(self.of_frame.size, np.bool_)
        found = excursions(evidence, mapped.channel - 1, mapped.rest_counts, evidence.rig.limits.rest_counts)
        own = [window for window in self.windows if window.word == mapped.control]
        for window in own:
            run = next((run for run in found if run[1] > window.first and run[0] < window.done), None)
            if run is not None:
                first = evidence.row_at(window.start_s - HAND_S)
                stop = evidence.row_at(float(evidence.t_s[window.done - 1]) + HAND_S)
                may[max(run[0], first) : min(run[1], stop)] = True
        if not own and (turn := self.control_moves.get(mapped.control)) is not None:
            inside = (run for run in found if run[0] >= turn.first and run[1] <= turn.stop)
            may[slice(*max(inside, key=lambda run: run[1] - run[0], default=(0, 0)))] = True
        for first, stop in found:
            if self.loss is not None and self.held_row is not None and lasts_until(evidence, self.loss, first, stop):
                may[max(first, self.held_row) : self.loss.first] = True
        if self.loss is None:  # held away, but the transmitter is not off yet
            for window in self.windows:
                if window.word == AWAY_MARK and not window.is_repeated:
                    for first, stop in found:
                        may[max(first, window.first) : min(stop, window.stop)] = True
        # A repeated step: controls held away then are released.
        may |= self.is_repeated & self.is_in(Phase.HELD_AWAY)
        return may


def find_phases(evidence: VerifyInputs, channels: Sequence[ChannelPlan]) -> Phases:
    """Find the phase of each frame: by the annotated steps, else by motion and flags."""
    count = len(evidence.recording.frames)
    windows = find_windows(evidence, dict.fromkeys(mapped.control for mapped in channels))
    loss = find_link_loss(evidence)
    rests = rest_levels(evidence, windows)
    runs = find_runs(evidence, channels, rests)
    turns = find_control_moves(evidence, channels, windows=windows, runs=runs, loss=loss)
    moves, unknown = find_motor_moves(
        evidence, channels, windows=windows, rests=rests, runs=runs, loss=loss, turns=turns
    )
    turns |= moves
    of_frame = np.full(count, Phase.BETWEEN, np.uint8)
    is_repeated = np.zeros(count, np.bool_)
    begun = [turn.first for turn in turns.values()] + [window.first for window in windows if window.word in turns]
    if loss is not None and loss.has_begun:
        begun.append(loss.first)
    of_frame[: min(begun, default=count)] = Phase.AT_REST
    for turn in turns.values():
        of_frame[turn.first : turn.stop] = Phase.MOVE
    excused = [] if loss is None else [(loss.start_s, loss.end_s)]
    for window in windows:
        part = slice(window.first, window.stop)
        if window.word in turns:
            of_frame[window.first : window.done] = Phase.MOVE
        elif window.word == AWAY_MARK or (window.is_repeated and window.word == OFF_MARK):
            of_frame[part] = Phase.HELD_AWAY
        elif window.is_repeated and window.word in _AFTER_LOSS:
            of_frame[part] = Phase.BACK
        if window.is_repeated:
            is_repeated[part] = True
            failsafe = (evidence.recording.frames.flags[part] & FLAG_FAILSAFE) != 0
            of_frame[part][evidence.is_down[part]] = Phase.OFF
            of_frame[part][failsafe] = Phase.FAILSAFE
            if window.word in (OFF_MARK, ON_MARK, POWER_MARK, LINK_MARK):
                end_s = float(evidence.t_s[window.stop]) if window.stop < count else evidence.end_s
                before = evidence.t_s[: window.first]
                excused.append((float(before[-1]) if before.size else 0.0, end_s))
    held_row = back = None
    if loss is not None and loss.has_begun:
        motors = {mapped.control for mapped in channels if mapped.must_rest}
        held_row = _held_row(evidence, windows, runs, loss, motors=motors, turns=turns)
        of_frame[held_row : loss.first] = Phase.HELD_AWAY
        is_early = loss.on_s is not None and loss.end_s < loss.on_s - EARLY_S
        # Frames that look good while the transmitter is off are not: the flag dropped, or never came.
        stop = max(loss.stop, evidence.row_at(loss.on_s)) if is_early and loss.on_s is not None else loss.stop
        flagged = np.flatnonzero(evidence.recording.frames.flags[loss.first : loss.stop] & FLAG_FAILSAFE)
        begins = loss.first + int(flagged[0]) if flagged.size else stop
        of_frame[loss.first : begins], of_frame[begins:stop] = Phase.OFF, Phase.FAILSAFE
        after = np.flatnonzero(evidence.is_sound[stop:])
        if loss.has_ended and after.size:
            limits, first = evidence.rig.limits, stop + int(after[0])
            settled_s = float(evidence.t_s[first]) + limits.return_s
            is_seen = loss.silent_s > 0 or bool(evidence.is_down[loss.first : loss.stop].any())
            if is_early or not is_seen:  # the return of the link is not visible
                settled_s += limits.recovery_s
            back = Back(first, _next_step(windows, turns, stop, count), settled_s)
            of_frame[stop : back.stop] = Phase.BACK
    power_ups = tuple(_power_ups(evidence, windows, count))
    for one in power_ups:
        of_frame[one.first : one.link], of_frame[one.link : one.stop] = Phase.POWER_UP, Phase.BACK
        excused.append((one.start_s, float(evidence.t_s[one.link]) if one.link < count else evidence.end_s))
    return Phases(
        of_frame, is_repeated, windows, rests, turns, runs, unknown, loss, held_row, back, power_ups,
        _joined(excused),
    )  # fmt: skip


def _joined(spans: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Join time spans that touch."""
    joined: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return tuple(joined)


def _held_row(
    evidence: VerifyInputs,
    windows: Sequence[Window],
    runs: Mapping[str, Sequence[Rows]],
    loss: LinkLoss,
    *,
    motors: Collection[str],
    turns: Mapping[str, ControlMove],
) -> int:
    """The first row in which a control was held away until the link was gone.

    Without an annotation, that is after the last move; motors do not begin long before other controls.
    """
    rows = [w.first for w in windows if w.word == AWAY_MARK and not w.is_repeated and w.first <= loss.first]
    if rows:
        return min(rows)
    held = [(name, run[0]) for name, some in runs.items() for run in some if lasts_until(evidence, loss, *run)]
    others = [evidence.row_at(float(evidence.t_s[row]) - HAND_S) for name, row in held if name not in motors]
    first = max([min([row for _, row in held], default=loss.first), min(others, default=0)])
    return max([first, *(turn.stop for turn in turns.values() if turn.stop <= loss.first and not turn.is_marked)])


def _next_step(windows: Sequence[Window], turns: Mapping[str, ControlMove], row: int, count: int) -> int:
    steps = [window.first for window in windows if window.word not in _AFTER_LOSS]
    return min((first for first in [*steps, *(turn.first for turn in turns.values())] if first > row), default=count)


def _power_ups(evidence: VerifyInputs, windows: Sequence[Window], count: int) -> list[PowerUp]:
    found = []
    for window in windows:
        if window.word == POWER_MARK and not window.is_repeated:
            link = next((one for one in windows if one.word == LINK_MARK and one.start_s > window.start_s), None)
            stop = window.stop if link is None else link.stop
            found.append(_power_up(evidence, window, stop, None if link is None else link.start_s))
    if count and evidence.is_down[0] and all(one.first > 0 for one in found):
        turned = [window.first for window in windows]
        good = np.flatnonzero(evidence.is_sound)
        link_row = int(good[0]) if good.size else count
        stop = min([row for row in turned if row > link_row], default=link_row)
        found.insert(0, PowerUp(0, link_row, max(stop, link_row), 0.0, None, is_annotated=False))
    return found


def _power_up(evidence: VerifyInputs, window: Window, stop: int, on_s: float | None) -> PowerUp:
    # The receiver was off until about the annotation: its first frame follows a silence.
    least = evidence.row_at(window.start_s - HAND_S)
    silent = np.flatnonzero(np.diff(evidence.t_s[max(0, least - 1) : window.done]) > _OFF_S)
    first = max(0, least - 1) + int(silent[0]) + 1 if silent.size else window.first
    start_s = float(evidence.t_s[first - 1]) if first else 0.0
    # Before the transmitter was switched on, no frame is good, whatever its flags.
    least = first if on_s is None else max(first, evidence.row_at(on_s - EARLY_S))
    good = np.flatnonzero(evidence.is_sound[least:stop])
    return PowerUp(first, least + int(good[0]) if good.size else stop, stop, start_s, on_s, is_annotated=True)


def name_frames(evidence: VerifyInputs, phases: Phases, mapped: ChannelPlan, rows: I64) -> str:
    """The first frame and the number: "1811 counts at 0.91 s (at rest), 67 frames to 1.89 s"."""
    first, last = int(rows[0]), int(rows[-1])
    phase = Phase(int(phases.of_frame[first]))
    words = phase.words
    if phase is Phase.MOVE:
        controls = [turn.control for turn in phases.control_moves.values() if turn.first <= first < turn.stop]
        controls += [window.word for window in phases.windows if window.first <= first < window.done]
        words = f'while "{controls[0]}" is moved'
    if phase is Phase.FAILSAFE and not evidence.recording.frames.flags[first] & FLAG_FAILSAFE:
        words = "without link, not flagged failsafe"
    where = f"at frame {first + 1}" if evidence.no_times else f"at {evidence.t_s[first]:.3f} s"
    said = f"{mapped.level(float(evidence.counts[mapped.channel - 1][first]))} {where} ({words})"
    if rows.size > 1:
        until = f"frame {last + 1}" if evidence.no_times else f"{evidence.t_s[last]:.3f} s"
        said += f", {pluralize(rows.size, 'frame')} until {until}"
    return said
