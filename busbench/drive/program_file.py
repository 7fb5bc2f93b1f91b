"""Programs as people write them: a TOML file, or the options of one part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import cast

from busbench.drive.field_reader import Fields
from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.part_parser import SEED_MAX, UNITS, Context, Loader, read_part
from busbench.drive.program import (
    FRAME_PERIOD_S,
    FRAME_PERIODS_S,
    PROGRAM_MAX_S,
    FaultKind,
    FrameFault,
    Order,
    Program,
    Unit,
    arrange,
    default_limits,
    level_counts,
    rate_counts,
)
from busbench.errors import DriveError, not_toml, other_kind, quote_value, unreadable
from busbench.text_file import load_toml, read_bounded, require_small
from busbench.wire.codec import CHANNELS, COUNTS_MAX, END_BYTES, END_SLOTS
from busbench.wire.frame_spec import ALL_CHANNELS
from busbench.wire.scale import Scale

ORDERS = ("together", "in turn")
FAULTS = ("lost", "failsafe", "gap", "flips")
DEFAULT_SCALE = Scale()
_NAME_IT = "name a file of parts; see `busbench help drive-program`"
RATE_MAX = 1e6  # units a second: any step within one frame


def read_program(
    path: str | Path, *, load: Loader, period_s: float = FRAME_PERIOD_S, scale: Scale = DEFAULT_SCALE
) -> Program:
    """Read a program file.

    Args:
        path: the TOML file.
        load: reads the recording that a replay names.
        period_s: time from frame to frame where the file states none.
        scale: counts to microseconds where the file states none.

    Raises:
        DriveError: the file cannot be read, or says what cannot be; one line with
            file, key and value.
    """
    values = _read_toml(Path(path))
    top = Fields(values, place=str(path))
    return build_program(top, name=Path(path).stem, load=load, period_s=period_s, scale=scale)


def _read_toml(path: Path) -> Mapping[str, object]:
    try:
        raw = read_bounded(path)
    except (OSError, ValueError) as error:
        what, hint = unreadable(error)
        raise DriveError(f"{path}: {what}", hint=hint) from None
    if is_other := other_kind(raw):
        hint = _NAME_IT
        if is_other == "is a recording":
            hint = f"try `busbench drive replay --channel 1 --recording {path} --preview`"
        raise DriveError(f"{path}: {is_other}, not a drive program", hint=hint)
    try:
        require_small(raw)
        values = load_toml(raw.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        what, hint = not_toml(error, raw)
        raise DriveError(f"{path}: {what}", hint=hint) from None
    if "part" not in values and ("rig" in values or "supply" in values):
        raise DriveError(f"{path}: is a rig file, not a drive program", hint="give it to `busbench drive` by --rig")
    return values


def build_program(
    top: Fields,
    *,
    name: str,
    load: Loader,
    parts: Sequence[Fields] = (),
    period_s: float = FRAME_PERIOD_S,
    scale: Scale = DEFAULT_SCALE,
) -> Program:
    """Make a program of its keys.

    Args:
        top: the keys of the file, or the options.
        name: what it is called where it names itself nothing.
        load: reads the recording that a replay names.
        parts: the parts, where they are not in the file.
        period_s: time from frame to frame where none is stated.
        scale: counts to microseconds where none is stated.

    Raises:
        DriveError: names place, key and value.
    """
    scale = _scale(top.table("scale"), scale)
    unit = cast("Unit", top.word("unit", "%", choices=UNITS))
    context = Context(unit, scale, load)
    order = cast("Order", top.word("order", "together", choices=ORDERS))
    fields = [*parts, *top.tables("part")]
    if not fields:
        raise top.error("part", "missing", hint="write [[part]] and below it channel, shape and its keys")
    placed = arrange([read_part(part, context=context) for part in fields], order=order)
    limits, names, rests, travels = _limits(top, unit, scale)
    low_s, high_s = FRAME_PERIODS_S
    program = Program(
        name=top.text("name", name),
        parts=placed,
        limits=limits,
        scale=scale,
        period_s=top.number("frame_period", period_s, low=low_s, high=high_s, unit="s"),
        end_bytes=_end_bytes(top),
        faults=tuple(_fault(fault) for fault in top.tables("fault")),
        repeat=top.whole("repeat", 1, low=1, high=1_000_000),
        channel_names=names,
        stated_rests=rests,
        stated_travels=travels,
    )
    top.finish(of="a program")
    return program


def _scale(fields: Fields, unsaid: Scale) -> Scale:
    scale = Scale(
        centre_counts=fields.number("centre_counts", unsaid.centre_counts, low=0, high=COUNTS_MAX, unit="counts"),
        centre_us=fields.number("centre_us", unsaid.centre_us, low=500, high=2500, unit="us"),
        us_per_count=fields.number("us_per_count", unsaid.us_per_count, low=0.01, high=10, unit="us"),
    )
    fields.finish(of="a scale")
    return scale


def _end_bytes(fields: Fields) -> tuple[int, ...]:
    value = fields.raw("end_byte")
    if value is None:
        return (END_BYTES[0],)
    if value == "slots":
        return END_SLOTS
    try:
        end = int(value, 16) if isinstance(value, str) else value
    except ValueError:
        end = None
    if isinstance(end, bool) or not isinstance(end, int) or end not in END_BYTES:
        known = ", ".join(f"0x{known:02X}" for known in END_BYTES)
        raise fields.error("end_byte", "is not an end byte", hint=f"give {known} or slots (the last four in turn)")
    return (end,)


def _fault(fields: Fields) -> FrameFault:
    kind = cast("FaultKind", fields.word("kind", None, choices=FAULTS))
    start_s = fields.number("start", 0.0, low=0.0, high=PROGRAM_MAX_S, unit="s")
    duration_s = fields.number("duration", None, low=0.0, high=PROGRAM_MAX_S, unit="s")
    flips, seed = 0.0, 0
    if kind == "flips":
        flips = fields.number("flips", 1e-3, low=0.0, high=1.0, unit="a byte")
        seed = fields.whole("seed", 0, low=0, high=SEED_MAX)
    fields.finish(of=f"a fault of kind {kind}")
    return FrameFault(kind, start_s, duration_s, flips, seed)


def _limits(
    top: Fields, unit: Unit, scale: Scale
) -> tuple[Limits, tuple[tuple[int, str], ...], frozenset[int], frozenset[int]]:
    """Limits, names, and the channels of which rest and travel are stated by themselves."""
    base = default_limits(scale).channels[0]
    common = top.table("limits")
    base = _limit(common, base, unit, scale)
    common.finish(of="limits")
    channels = [base] * CHANNELS
    switches, locked = [False] * (ALL_CHANNELS - CHANNELS), [False] * (ALL_CHANNELS - CHANNELS)
    names: dict[int, str] = {}
    rests, travels = set(), set()
    for fields in top.tables("channel"):
        channel = fields.whole("number", None, low=1, high=ALL_CHANNELS) - 1
        if channel in names:
            raise fields.error("number", "stands in two tables", hint="join the two")
        names[channel] = fields.text("name", "") if "name" in fields else ""
        is_locked = fields.flag("locked", False)
        if "rest" in fields:
            rests.add(channel)
        if "low" in fields or "high" in fields:
            travels.add(channel)
        if channel >= CHANNELS:
            switches[channel - CHANNELS] = fields.word("rest", "off", choices=("on", "off")) == "on"
            locked[channel - CHANNELS] = is_locked
        else:
            if is_locked and "rest" not in fields:
                raise fields.error("rest", "missing", hint="state where it is locked, as at a motor's off")
            channels[channel] = _limit(fields, base, unit, scale, is_locked=is_locked)
        fields.finish(of="a channel")
    limits = Limits(tuple(channels), tuple(switches), tuple(locked))
    return limits, tuple(names.items()), frozenset(rests), frozenset(travels)


def _limit(fields: Fields, base: ChannelLimit, unit: Unit, scale: Scale, *, is_locked: bool = False) -> ChannelLimit:
    low, high, rest = (
        _counts(fields, key, unit, scale) if key in fields else old
        for key, old in (("low", base.low), ("high", base.high), ("rest", base.rest))
    )
    if low > high:
        raise fields.error("low" if "low" in fields else "high", "puts low above high", hint="low must not exceed high")
    if not is_locked and not low <= rest <= high:
        if "rest" in fields:
            raise fields.error("rest", "is not between low and high", hint="give a level between them")
        key = ("low" if low > rest else "high") if ("low" in fields or "high" in fields) else "rest"
        raise fields.error(key, "leaves the rest value outside", hint="give rest too")
    rate = base.rate
    if "rate" in fields:
        least = 0.001
        rate = rate_counts(fields.number("rate", None, low=least, high=RATE_MAX, unit=f"{unit} a second"), unit, scale)
    return replace(base, low=low, high=high, rest=rest, rate=rate, is_locked=is_locked)


def _counts(fields: Fields, key: str, unit: Unit, scale: Scale) -> int:
    value = fields.number(key, None, low=-1e6, high=1e6, unit=unit)
    counts = round(level_counts(value, unit, scale))
    if not 0 <= counts <= COUNTS_MAX:
        said = quote_value(fields.raw(key))
        raise DriveError(
            f"{fields.at(key)}: {said} {unit} does not fit a frame",
            hint=f"it would be {counts} counts, and a frame holds 0 to {COUNTS_MAX}",
        )
    return counts
