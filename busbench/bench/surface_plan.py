"""Plan a walk: its stations and limits, what will move, and where answers are kept."""

from __future__ import annotations

import datetime
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from busbench.bench.plan_limits import LimitSources
from busbench.bench.sources import is_virtual, rig_in
from busbench.drive.locked_program import LockedProgram
from busbench.drive.program import RATE_PCT_PER_S, Program
from busbench.drive.surface_check import Station, Walk, begin, resume
from busbench.drive.surface_file import WalkHead, merge, read_walk
from busbench.drive.surface_motion import hold_program, station_program, walk_limits
from busbench.errors import DriveError
from busbench.rig.load import read_rig
from busbench.rig.model import Rig
from busbench.verify.stations import stations_of
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS

if TYPE_CHECKING:
    from busbench.sim.aircraft_faults import AircraftFault
    from busbench.sim.surface_rehearsal import Rehearsal


def now_utc() -> str:
    """The time now, for example 2026-05-01T09:30:00Z."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


@dataclass(frozen=True, slots=True)
class WalkPlan:
    """A planned walk: its stations, and the sources of its limits."""

    rig: Rig  # the plan whose names and directions are used
    aircraft: Rig  # the plan of the moved aircraft: another virtual one, or the same
    head: WalkHead  # how the answers' file describes it
    stops: tuple[Station, ...]  # the stations in order
    sources: LimitSources  # sources of the limits

    @property
    def hold(self) -> LockedProgram:
        """The program between motions: every channel holds its rest."""
        head = self.head
        return self.sources.lock(hold_program(limits=head.limits, scale=head.scale, period_s=head.period_s))

    def program_of(self, stop: Station) -> LockedProgram:
        """The program of one station."""
        head = self.head
        return self.sources.lock(station_program(stop, limits=head.limits, scale=head.scale, period_s=head.period_s))

    def rehearsal(self, faults: Sequence[AircraftFault] = ()) -> Rehearsal:
        """A virtual aircraft at rest (raises RigError: a fault cannot be built in)."""
        from busbench.sim.devices import VirtualRig
        from busbench.sim.surface_rehearsal import Rehearsal

        return Rehearsal(self.rig, VirtualRig(self.aircraft, faults=faults), hold=self.hold)

    def motion_lines(self) -> Iterator[str]:
        """Which devices move and how far, and which are locked."""
        head = self.head
        yield f"{head.rig}: one after another, each after a word from you, all other channels held:"
        for stop in self.stops:
            if stop.channel >= CHANNELS:
                yield f"  {stop.announced}: on and off"
            else:
                low, high = (head.scale.to_percent(counts) for counts in (stop.low, stop.high))
                yield f"  {stop.announced}: {low:+.1f} to {high:+.1f} % ({stop.low} to {stop.high} counts)"
        for name, why in head.not_walked:
            yield f"  {name} is not walked: {why}"


def plan_walk(rig: Rig, *, rig_path: str, port: str, rate_pct_per_s: float = RATE_PCT_PER_S) -> WalkPlan:
    """Plan the walk of a rig file.

    Args:
        rig_path: the rig file, for errors.
        port: a port, or `virtual:` or `virtual:RIG` for a rehearsal.
        rate_pct_per_s: rate limit; motions use half of it.

    Raises:
        PlanFaultError: the plan contradicts itself.
        DriveError: nothing to walk, or the plan's period is invalid.
        RigError: the port's rig file cannot be read.
    """
    stops, not_walked = stations_of(rig)
    if not stops:
        raise DriveError(f"{rig_path}: has nothing to walk", hint="state a servo on the bus, with its channel")
    other = rig_in(port)
    aircraft = (other, read_rig(other)) if other is not None and other != rig_path else None
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
        is_rehearsal=is_virtual(port),
        start_utc=now_utc(),
        limits=limits,
        period_s=period_s,
        rate_pct_per_s=rate_pct_per_s,
        scale=rig.scale,
        not_walked=not_walked,
    )
    return WalkPlan(rig, rig if aircraft is None else aircraft[1], head, stops, sources)


def answers_path(rig_path: str) -> Path:
    """The default file of the answers of a real walk."""
    return Path(f"{Path(rig_path).stem}.walk.json")


@dataclass(frozen=True, slots=True)
class WalkStart:
    """The start of a walk."""

    plan: WalkPlan
    walk: Walk  # new, or continued from the kept answers
    path: Path | None = None  # file of the answers, None if none are kept
    renewed: tuple[str, ...] = ()  # names of devices walked again because the plan has changed


def begin_walk(plan: WalkPlan, *, path: Path | None = None, is_resumed: bool = False) -> WalkStart:
    """Start a walk, or continue it from the kept answers.

    Args:
        path: file of the answers, None if none are kept.
        is_resumed: True to continue with existing answers.

    Raises:
        DriveError: the file exists although not resumed, belongs to another walk, or cannot be read.
    """
    head = plan.head
    if path is None or not is_resumed:
        if path is not None and os.path.lexists(path):
            raise DriveError(
                f"{path}: file exists already", hint="go on with it by --resume, or name another by --answers"
            )
        return WalkStart(plan, begin(plan.stops), path)
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
    entries, renewed = merge(plan.stops, saved, path=path)
    plan = replace(plan, head=replace(head, start_utc=saved.start_utc))
    return WalkStart(plan, resume(entries), path, renewed)
