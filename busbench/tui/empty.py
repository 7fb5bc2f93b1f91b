"""What a view says that has nothing to show yet: what it is for, what it needs, and how to get that from here."""

from __future__ import annotations

from busbench.tui.screens import VIEWS
from busbench.tui.text import Line, wrapped

NEEDS_PLAN = (
    "It needs the plan of the aircraft, a rig file: s opens one; or start with `busbench watch SOURCE --rig RIG.toml`."
)
_NO_PLAN_YET = (
    "No plan yet? `busbench rig new` writes one to fill in, and `busbench rig draft` learns the channels from a"
    " recording. To try it, open virtual:RIG.toml, a virtual aircraft: s lists those nearby."
)


def empty_lines(view: str, need: str, width: int) -> list[Line]:
    """What a view is for, by its name, and what it needs."""
    what = next(one.text for one in VIEWS if one.name == view)
    out = [*wrapped(f"{view}: {what}.", width, "title"), [("", "ink")], *wrapped(need, width, "warn")]
    return out if need != NEEDS_PLAN else [*out, [("", "ink")], *wrapped(_NO_PLAN_YET, width, "dim")]
