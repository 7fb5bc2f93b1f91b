"""Whether anything may be sent to the port that is watched, and if not, how to start so that it may."""

from __future__ import annotations

from busbench.bench.safety import require_arming, require_motor
from busbench.errors import DriveError
from busbench.rig.motors import unstated_motors
from busbench.tui.app_state import AppState

_OPTIONS = "--motor CH for each motor, --no-motor or --rig RIG.toml"


def refusal(ui: AppState, *, port: str, is_walk: bool = False) -> str:
    """Why nothing may be sent, for whoever reads it on a screen; empty where it may.

    Args:
        ui: says whether it is armed, and what drives a motor.
        port: name or address.
        is_walk: True where the plan alone says what can turn a propeller.
    """
    left = unstated_motors(ui.rig) if ui.rig is not None else ()
    whys, ways = [], []
    try:
        require_arming(port, is_armed=ui.is_armed)
    except DriveError:
        whys, ways = ["not armed"], ["--arm"]
    try:
        require_motor(port, names_motor=not left if is_walk else ui.lock is not None, unsaid=left)
    except DriveError:
        whys.append(
            f"the plan does not say what can turn a propeller ({', '.join(left)})"
            if left
            else "it is not said which channel drives a motor"
        )
        stated = "motor = true or motor = false for each of these in the rig file"
        ways.append(f"{stated}{'' if is_walk else f', or {_OPTIONS}'}" if left else _OPTIONS)
    if not whys:
        return ""
    why = ", and ".join(whys)
    return f"{why[0].upper()}{why[1:]}: leave with q and start again with {', and with '.join(ways)}"
