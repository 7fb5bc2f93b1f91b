"""A walk at its start: the halts and limits of a plan, what will move, and where answers are kept."""

from __future__ import annotations

import datetime
import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from busbench.bench.plan_limits import LimitSources
from busbench.drive.locked_program import LockedProgram
from busbench.drive.program import RATE_PCT_PER_S, Program
from busbench.drive.surface_check import Station, Walk, begin, resume
from busbench.drive.surface_file import WalkHead, merge, read_walk, write_walk
from busbench.drive.surface_motion import hold_program, stop_program, walk_limits
from busbench.errors import DriveError
from busbench.rig.model import Rig
from busbench.verify.stations import stops_of
from busbench.wire.codec import CHANNELS
from busbench.wire.frame_spec import ALL_CHANNELS


def now_utc() -> str:
    """As in 2026-05-01T09:30:00Z."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def plan_walk(
    rig: Rig,
    *,
    rig_path: str,
    port: str,
    is_rehearsal: bool,
    rate_pct_per_s: float = RATE_PCT_PER_S,
    aircraft: tuple[str, Rig] | None = None,
) -> tuple[WalkHead, tuple[Station, ...], LimitSources]:
    """The walk that a plan asks for.

    Args:
        rig_path: its file, for errors.
        is_rehearsal: True where no aircraft moves.
        rate_pct_per_s: limit of speed; motions take half of it.
        aircraft: name and plan of another virtual aircraft that is walked.

    Returns:
        What its file says, its halts, and who has a word on its limits.

    Raises:
        PlanFaultError: the plan contradicts itself.
        DriveError: there is nothing to walk, or the plan's period cannot be.
    """
    stops, not_walked = stops_of(rig)
    if not stops:
        raise DriveError(f"{rig_path}: has nothing to walk", hint="state a servo on the bus, with its channel")
    walked = {stop.channel for stop in stops}
    held = {device.channel - 1 for device in rig.driven if device.channel is not None} - walked
    sources = LimitSources(((rig_path, rig),), aircraft=aircraft, locks=tuple(sorted(held & set(range(ALL_CHANNELS)))))
    period_s = rig.plan.period_ms / 1e3
    own = walk_limits(stops, scale=rig.scale, rate_pct_per_s=rate_pct_per_s)
    limits = sources.lock(Program("walk", (), own, rig.scale, period_s)).program.limits
    if shut := next((stop for stop in stops if limits.is_locked(stop.channel)), None):
        where = f"channel {shut.channel + 1}, where {aircraft[0] if aircraft else rig_path} has a motor"
        raise DriveError(f"{rig_path}: {shut.name} is on {where}", hint="make the two plans agree")
    head = WalkHead(
        rig=rig.plan.name,
        port=port,
        is_rehearsal=is_rehearsal,
        start_utc=now_utc(),
        limits=limits,
        period_s=period_s,
        rate_pct_per_s=rate_pct_per_s,
        scale=rig.scale,
        not_walked=not_walked,
    )
    return head, stops, sources


def program_of(stop: Station, head: WalkHead, sources: LimitSources) -> LockedProgram:
    """The motion of one halt."""
    return sources.lock(stop_program(stop, limits=head.limits, scale=head.scale, period_s=head.period_s))


def hold_of(head: WalkHead, sources: LimitSources) -> LockedProgram:
    """What is sent between motions: every channel held where it rests."""
    return sources.lock(hold_program(limits=head.limits, scale=head.scale, period_s=head.period_s))


def motion_lines(head: WalkHead, stops: Sequence[Station]) -> Iterator[str]:
    """What will move how far, and what is locked."""
    yield f"{head.rig}: one after another, each after a word from you, all other channels held:"
    for stop in stops:
        if stop.channel >= CHANNELS:
            yield f"  {stop.announced}: on and off"
        else:
            low, high = (head.scale.to_percent(counts) for counts in (stop.low, stop.high))
            yield f"  {stop.announced}: {low:+.1f} to {high:+.1f} % ({stop.low} to {stop.high} counts)"
    for name, why in head.not_walked:
        yield f"  {name} is not walked: {why}"


def answers_path(rig_path: str) -> Path:
    """Where the answers of a real walk are kept unless another file was named."""
    return Path(f"{Path(rig_path).stem}.walk.json")


def begin_walk(
    head: WalkHead, stops: Sequence[Station], *, path: Path | None, is_resumed: bool
) -> tuple[WalkHead, Walk, tuple[str, ...]]:
    """A walk from its start, or from where its answers were left.

    Args:
        path: file of the answers, None where none are kept.
        is_resumed: True goes on with the answers that are there.

    Returns:
        Its head, its state, and the names of what is walked anew since the plan has changed.

    Raises:
        DriveError: the file is there and was not to be, is of another walk, or cannot be read.
    """
    if path is None or not is_resumed:
        if path is not None and os.path.lexists(path):
            raise DriveError(f"{path}: exists already", hint="go on with it by --resume, or name another by --answers")
        return head, begin(stops), ()
    saved = read_walk(path)
    if saved.rig != head.rig:
        raise DriveError(
            f'{path}: holds answers for "{saved.rig}", not for "{head.rig}"',
            hint="move it away, or name another by `busbench walk --answers`",
        )
    if saved.is_rehearsal != head.is_rehearsal:
        kinds = ("of a real walk", "of a rehearsal")
        raise DriveError(
            f"{path}: holds answers {kinds[saved.is_rehearsal]}, not {kinds[head.is_rehearsal]}",
            hint="move it away, or name another by `busbench walk --answers`",
        )
    entries, anew = merge(stops, saved, path=path)
    return replace(head, start_utc=saved.start_utc), resume(entries), anew


def save_walk(path: Path | None, head: WalkHead, state: Walk) -> None:
    """Keep the answers, where they are kept."""
    if path is not None:
        write_walk(path, head, state.entries)
