"""Answers of a walk as checks: yes passes, no fails, the rest is not tested."""

from __future__ import annotations

from collections.abc import Iterator

from busbench.drive.surface_check import QUESTIONS, Entry, Question, Station
from busbench.drive.surface_file import SavedWalk
from busbench.errors import RigError
from busbench.rig.model import Rig
from busbench.rig.motors import kill_names
from busbench.verify.inputs import channel_plans
from busbench.verify.result import Check, CheckFactory
from busbench.verify.stations import stations_of

WORDS = {
    Question.RIGHT_SURFACE: "right surface, and only that",
    Question.RIGHT_WAY: "right way",
    Question.FULL_THROW: "full throw",
    Question.SMOOTH: "smooth",
}


def check_walk(walk: SavedWalk, rig: Rig, *, path: str) -> Iterator[Check]:
    """One check per question of each station, and one per surface that was not walked.

    Motors and PWM devices are not walked, and not required; see not_walked.

    Args:
        path: file of the answers, for errors.

    Raises:
        RigError: they belong to another aircraft.
    """
    if walk.rig != rig.plan.name:
        what = f'holds answers for "{walk.rig}", not for "{rig.plan.name}"'
        raise RigError(path, "", what, hint="name the answers for this aircraft")
    when = walk.start_utc[:10]
    planned = [_meant(stop) for stop in stations_of(rig)[0]]
    walked, stale = set(), set()
    for entry in walk.entries:
        if _meant(entry.stop) in planned:
            walked.add(entry.stop.channel + 1)
            yield from _answers(entry, when, is_rehearsal=walk.is_rehearsal)
        else:
            about = _about(entry.stop)
            stale.add(about.subject)
            yield about.not_tested("walk", "the plan says otherwise than when it was walked: walk it again")
    why = dict(walk.not_walked or ())
    kills = kill_names(rig)
    for mapped in channel_plans(rig):
        is_surface = any(
            device.kind == "servo" and device.motor_kind is None and device.name not in kills
            for device in mapped.devices
        )
        if is_surface and mapped.channel not in walked and mapped.subject not in stale:
            said = "; ".join(why[device.name] for device in mapped.devices if device.name in why)
            words = f"it was not walked{f': {said}' if said else ''}"
            yield CheckFactory("walk", mapped.subject, mapped.channel).not_tested("walk", words)


def not_walked(walk: SavedWalk, rig: Rig) -> tuple[tuple[str, str], ...]:
    """Devices not walked, and why: from the file, else from the plan."""
    return stations_of(rig)[1] if walk.not_walked is None else walk.not_walked


def _answers(entry: Entry, when: str, *, is_rehearsal: bool) -> Iterator[Check]:
    stop = entry.stop
    about = _about(stop)
    note = f"; {entry.note}" if entry.note else ""
    for question, answer in zip(QUESTIONS, entry.answers, strict=True):
        name = WORDS[question]
        if answer is None:
            yield about.not_tested(name, ("skipped" if entry.is_skipped else "not answered") + note)
        elif is_rehearsal:
            yield about.not_tested(name, "only rehearsed on a virtual aircraft" + note)
        else:
            yield about.is_so(name, f"{'yes' if answer else 'no'}, on {when}{note}", good=answer)


def _about(stop: Station) -> CheckFactory:
    return CheckFactory(
        "walk", f"channel {stop.channel + 1} ({', '.join(stop.members) or stop.name})", stop.channel + 1
    )


def _meant(stop: Station) -> tuple[object, ...]:
    """The subject of an answer, independent of the order in the plan."""
    ways = [sorted(words.split(", ")) for words in (stop.first, stop.then)]
    return stop.channel, {*stop.members}, stop.low, stop.neutral, stop.high, stop.is_high_first, ways
