"""The tables and keys of a drive program."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from msgspec import Meta

from busbench.drive.program import FRAME_PERIODS_S, PROGRAM_MAX_S, FaultKind, Order, Unit
from busbench.drive.shape_words import SHAPES, shapes_text, switch_words
from busbench.errors import any_of
from busbench.schema import Table
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX
from busbench.wire.scale_table import ScaleTable

PERIODS_S = (0.02, 86_400.0)
SEED_MAX = 2**63 - 1

if TYPE_CHECKING:
    ShapeName = str
else:
    ShapeName = Literal[tuple(SHAPES)]
Channel = Annotated[int, Meta(ge=1, le=ALL_CHANNELS)]
Text = Annotated[str, Meta(min_length=1, max_length=200)]
Seed = Annotated[int, Meta(ge=0, le=SEED_MAX)]
CycleSeconds = Annotated[float, Meta(ge=PERIODS_S[0], le=PERIODS_S[1], extra={"unit": "s"})]
ProgramSeconds = Annotated[float, Meta(ge=0, le=PROGRAM_MAX_S, extra={"unit": "s"})]
Rate = Annotated[
    float, Meta(ge=0.001, le=1e6, extra={"unit": "per second"})
]  # a rate that allows any step within one frame
Level = Any  # its range depends on unit and channel


class LimitsTable(Table, frozen=True, kw_only=True):
    """The table [limits], for all channels.

    Args:
        low: lower travel limit. Default: -100 %.
        high: upper travel limit. Default: 100 %.
        rest: position at rest. Default: 0 %.
        rate: fastest movement, in the unit per second. Default: 100 %.
    """

    low: Level = None
    high: Level = None
    rest: Level = None
    rate: Rate | None = None


class ChannelTable(Table, frozen=True, kw_only=True):
    """A table [[channel]], for one channel.

    Args:
        number: 1 to 18.
        name: shown beside the number.
        locked: true: it stays at rest, which must then be given.
        low: lower travel limit; not for 17 and 18. Default: of [limits].
        high: upper travel limit; not for 17 and 18. Default: of [limits].
        rest: position at rest; "on" or "off" for 17 and 18. Default: of [limits]; 17, 18: off.
        rate: fastest movement; not for 17 and 18. Default: of [limits].
    """

    number: Channel
    name: Text | None = None
    locked: bool = False
    low: Level = None
    high: Level = None
    rest: Level = None
    rate: Rate | None = None

    @classmethod
    def known(cls, raw: Mapping[str, Any]) -> tuple[str, Sequence[str]]:
        """On/off channels only have a rest."""
        if raw.get("number") in range(CHANNELS + 1, ALL_CHANNELS + 1):
            return "an on/off channel", ("number", "name", "locked", "rest")
        return super().known(raw)


class PartTable(Table, frozen=True, kw_only=True):
    """A table [[part]], at least one.

    Args:
        channel: a number, or a list such as [1, 2].
        shape: {shapes}; channels 17 and 18: {switch_shapes}.
        unit: unit of the levels of this part. Default: the program's.
        low: lowest level of the shape. Default: -50 %.
        high: highest level of the shape. Default: 50 %.
        centre: level between them. Default: half-way.
        period: seconds per cycle; required, but not for hold and replay.
        cycles: number of cycles, which may be a fraction.
        phase: where in its cycle the shape starts, degrees.
        delay: seconds before it starts.
        level: hold: the level; required.
        levels: steps: a list of levels; required.
        stairs: staircase: number of levels.
        period_end: chirp: seconds of its last cycle; required.
        seed: wander: the same seed gives the same movement.
        recording: replay: the recording; required.
        from_channel: replay: channel of the recording. Default: the same.
        start: replay: seconds into the recording at which it starts.
        duration: hold (required) and replay (default: all): seconds.
    """

    _ALWAYS: ClassVar[tuple[str, ...]] = ("channel", "shape", "unit", "delay")

    channel: Annotated[Any, Meta(extra={"hint": f"give 1 to {ALL_CHANNELS}"})]
    shape: ShapeName
    unit: Unit | None = None
    low: Level = None
    high: Level = None
    centre: Level = None
    period: CycleSeconds | None = None
    cycles: Annotated[float, Meta(ge=1e-3, le=1e6)] = 1.0
    phase: Annotated[float, Meta(ge=-360, le=360, extra={"unit": "degrees"})] = 0.0
    delay: Annotated[float, Meta(ge=0, le=PERIODS_S[1], extra={"unit": "s"})] = 0.0
    level: Level = None
    levels: Annotated[tuple[Level, ...], Meta(min_length=1)] = ()
    stairs: Annotated[int, Meta(ge=2, le=COUNTS_MAX)] = 5
    period_end: CycleSeconds | None = None
    seed: Seed = 1
    recording: Text | None = None
    from_channel: Channel | None = None
    start: Annotated[float, Meta(ge=0, le=PROGRAM_MAX_S, extra={"unit": "s"})] = 0.0
    duration: CycleSeconds | None = None

    @classmethod
    def known(cls, raw: Mapping[str, Any]) -> tuple[str, Sequence[str]]:
        """Each shape has its own keys."""
        shape = raw.get("shape")
        if not isinstance(shape, str) or shape not in SHAPES:
            return super().known(raw)
        return f"a part with shape {shape}", (*cls._ALWAYS, *SHAPES[shape].keys)


PartTable.__doc__ = (PartTable.__doc__ or "").format(shapes=shapes_text(), switch_shapes=any_of(switch_words()))


class FaultTable(Table, frozen=True, kw_only=True):
    """A table [[fault]], sent on purpose.

    Args:
        kind: "lost" and "failsafe" set the flag; "gap" sends no frame; "flips" changes bits. While frames are missing
            or unreadable, channels continue at their rate.
        start: seconds after the start of the program.
        duration: seconds.
        flips: flips: share of bytes with one bit changed.
        seed: flips: the same seed changes the same bits.
    """

    kind: FaultKind
    start: ProgramSeconds = 0.0
    duration: ProgramSeconds
    flips: Annotated[float, Meta(ge=0, le=1, extra={"unit": "per byte"})] = 1e-3
    seed: Seed = 0

    @classmethod
    def known(cls, raw: Mapping[str, Any]) -> tuple[str, Sequence[str]]:
        """Flips alone are random."""
        kind = raw.get("kind")
        if kind in ("lost", "failsafe", "gap"):
            return f"a fault of kind {kind}", ("kind", "start", "duration")
        return super().known(raw)


class ProgramTables(Table, frozen=True, kw_only=True):
    """A whole drive program.

    Args:
        name: name of the program. Default: the file's.
        unit: unit of all levels: "%", "us" or "counts".
        order: "together": parts of different channels start at the same time; "in turn": one after another.
        frame_period: seconds from frame to frame, 0.004 to 1. Default: the rig's, or 0.007.
        end_byte: "0x00", "0x04", "0x14", "0x24", "0x34", or "slots" for the last four in turn.
        repeat: how often all parts run.
        scale: its table [scale], as in a rig file.
        limits: its table [limits].
        channels, parts, faults: its lists of tables.
    """

    name: Text | None = None
    unit: Unit = "%"
    order: Order = "together"
    frame_period: Annotated[float, Meta(ge=FRAME_PERIODS_S[0], le=FRAME_PERIODS_S[1], extra={"unit": "s"})] | None = (
        None
    )
    end_byte: Any = "0x00"
    repeat: Annotated[int, Meta(ge=1, le=1_000_000)] = 1
    scale: ScaleTable = ScaleTable()
    limits: LimitsTable = LimitsTable()
    channel: tuple[ChannelTable, ...] = ()
    part: Annotated[tuple[PartTable, ...], Meta(min_length=1)]
    fault: tuple[FaultTable, ...] = ()
