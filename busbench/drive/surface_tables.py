"""The tables and keys of the file in which the answers of a walk are kept."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from msgspec import Meta, field

from busbench.drive.program import PROGRAM_MAX_S
from busbench.schema import Table
from busbench.wire.frame_spec import ALL_CHANNELS, COUNTS_MAX

VERSION = 1
Counts = Annotated[int, Meta(ge=0, le=COUNTS_MAX)]


class MoveTable(Table, frozen=True, kw_only=True):
    """One motion.

    Args:
        t_utc: when it began, ISO 8601 as every time here.
        duration_s: how long it went.
        ended: "ran", "stopped" by the builder, or "lost" with the port.
        reason: why it ended before its time.
        seen: what a virtual aircraft did.
    """

    t_utc: str
    duration_s: Annotated[float, Meta(ge=0, le=PROGRAM_MAX_S)]
    ended: Literal["ran", "stopped", "lost"]
    reason: str
    seen: tuple[str, ...]


class AnswersTable(Table, frozen=True, kw_only=True):
    """The answers for one device: true, false, or null where there is none yet."""

    right_surface: bool | None
    right_way: bool | None
    full_throw: bool | None
    smooth: bool | None


class DeviceTable(Table, frozen=True, kw_only=True):
    """One channel that was walked, in the order of the walk.

    Args:
        name: of the device, or of all on the channel.
        members: their names in the plan.
        channel: 1-18.
        is_high_first: true if the channel rises to go the first way.
        low, neutral, high: keys low_counts, neutral_counts, high_counts.
        remark: what the plan says of the direction.
        state: "done" (all answered), "skipped" or "open".
    """

    name: str
    channel: Annotated[int, Meta(ge=1, le=ALL_CHANNELS)]
    members: tuple[str, ...]
    first: str
    then: str
    is_high_first: bool
    low: Counts = field(name="low_counts")
    neutral: Counts = field(name="neutral_counts")
    high: Counts = field(name="high_counts")
    remark: str
    moves: tuple[MoveTable, ...]
    answers: AnswersTable
    note: str
    state: Literal["done", "skipped", "open"]


class NotWalkedTable(Table, frozen=True, kw_only=True):
    """A device that is not walked, and why."""

    name: str
    why: str


class WalkTable(Table, frozen=True, kw_only=True):
    """The whole file.

    Args:
        version: 1.
        port: where the frames went.
        is_rehearsal: true if no aircraft moved.
        start_utc: ISO 8601.
        limits: `channels[{channel, rest_counts, low_counts, high_counts, rate_counts_per_s, is_locked}]` for channels
            1-16, `switches[{channel, rest, is_locked}]` for 17 and 18.
        program: `period_s`, `rate_pct_per_s` (the limit; motions take half of it), `scale`.
        not_walked: the others; missing in old files.
    """

    version: int
    rig: str
    port: str = ""
    is_rehearsal: bool
    start_utc: str
    limits: Any = None
    program: Any = None
    devices: tuple[DeviceTable, ...]
    not_walked: tuple[NotWalkedTable, ...] | None = None
