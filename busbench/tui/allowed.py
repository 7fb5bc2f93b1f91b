"""Whether anything may be sent to the port that is watched, and if not, how to start so that it may."""

from __future__ import annotations

from busbench.bench.plan_limits import LimitSources, PlanFaultError
from busbench.bench.safety import require_arming, require_motor
from busbench.errors import BusbenchError, DriveError

_OPTIONS = "--motor CH for each motor, --no-motor or --rig RIG.toml"


def refusal(sources: LimitSources, *, port: str, is_armed: bool, is_walk: bool = False) -> str:
    """Why nothing may be sent, for whoever reads it on a screen; empty where it may.

    Args:
        sources: say what drives a motor.
        port: name or address.
        is_armed: True where the person asked that a real port may move things.
        is_walk: True where the plan alone says what can turn a propeller.
    """
    try:
        sources.require_sound()
    except PlanFaultError as error:
        return error_text(error)
    left = sources.unstated
    whys, ways = [], []
    try:
        require_arming(port, is_armed=is_armed)
    except DriveError:
        whys, ways = ["not armed"], ["--arm"]
    try:
        require_motor(port, names_motor=sources.names_motor, unsaid=left)
    except DriveError:
        whys.append(
            f"the plan does not say what can turn a propeller ({', '.join(left)})"
            if left
            else "it is not said which channel drives a motor"
        )
        stated = 'motor = "electric", "engine" or false for each of these in the rig file'
        ways.append(f"{stated}{'' if is_walk else f', or {_OPTIONS}'}" if left else _OPTIONS)
    if not whys:
        return ""
    why = ", and ".join(whys)
    return f"{why[0].upper()}{why[1:]}: leave with q and start again with {', and with '.join(ways)}"


def error_text(error: BusbenchError) -> str:
    """An error in one text, with the faults of a plan that contradicts itself."""
    if not isinstance(error, PlanFaultError):
        return str(error)
    return f"{error} ({'; '.join(f'{fault.where}: {fault.what}' for fault in error.faults)})"
