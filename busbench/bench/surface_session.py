"""A walk at its start: the halts and limits of a plan, what will move, and where answers are kept."""

from __future__ import annotations

import datetime
import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from busbench.drive.program import RATE_PCT_PER_S, Program
from busbench.drive.surface_check import Station, Walk, begin, resume
from busbench.drive.surface_file import WalkHead, merge, read_walk, write_walk
from busbench.drive.surface_motion import stop_program, walk_limits
from busbench.errors import DriveError
from busbench.rig.model import Rig
from busbench.rig.motors import motor_locks
from busbench.rig.rest import rest_sent
from busbench.verify.stations import stops_of
from busbench.wire.codec import CHANNELS
from busbench.wire.frame_spec import ALL_CHANNELS


def now_utc() -> str:
    """As in 2026-05-01T09:30:00Z."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def plan_walk(
    rig: Rig, *, rig_path: str, port: str, is_rehearsal: bool, rate_pct_per_s: float = RATE_PCT_PER_S
) -> tuple[WalkHead, tuple[Station, ...]]:
    """The walk that a plan asks for.

    Args:
        rig: the plan.
        rig_path: its file, for errors.
        port: where the frames go.
        is_rehearsal: True where no aircraft moves.
        rate_pct_per_s: limit of speed; motions take half of it.

    Raises:
        DriveError: there is nothing to walk, or the plan's period cannot be.
    """
    stops, not_walked = stops_of(rig)
    if not stops:
        raise DriveError(f"{rig_path}: has nothing to walk", hint="state a servo on the bus, with its channel")
    walked = {stop.channel + 1 for stop in stops}
    resting = {
        device.channel - 1: rest_sent(device, rig.scale)
        for device in rig.driven
        if device.channel is not None and 1 <= device.channel <= ALL_CHANNELS and device.channel not in walked
    }
    limits = walk_limits(stops, scale=rig.scale, locked=resting | motor_locks(rig), rate_pct_per_s=rate_pct_per_s)
    head = WalkHead(
        rig=rig.plan.name,
        port=port,
        is_rehearsal=is_rehearsal,
        start_utc=now_utc(),
        limits=limits,
        period_s=rig.plan.period_ms / 1e3,
        rate_pct_per_s=rate_pct_per_s,
        scale=rig.scale,
        not_walked=not_walked,
    )
    program_of(stops[0], head)  # a frame period that cannot be is told now
    return head, stops


def program_of(stop: Station, head: WalkHead) -> Program:
    """The motion of one halt."""
    return stop_program(stop, limits=head.limits, scale=head.scale, period_s=head.period_s)


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
        head: of this walk.
        stops: its halts.
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
