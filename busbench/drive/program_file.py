"""Read programs: a TOML file, or the options of one part."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.part_parser import Context, Loader, level_of, read_part
from busbench.drive.program import FRAME_PERIOD_S, FrameFault, Program, Unit, arrange, default_limits, rate_counts
from busbench.drive.program_keys import ChannelTable, LimitsTable, ProgramTables
from busbench.errors import DriveError, TextFileError
from busbench.schema import Path as KeyPath
from busbench.schema import TablePlace, TableReader
from busbench.text_file import read_toml
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, END_BYTES, END_SLOTS
from busbench.wire.scale import Scale

DEFAULT_SCALE = Scale()
_NAME_IT = "name a file of parts; see `busbench help drive-program`"
_OPTIONS = {"low": "travel", "high": "travel"}  # keys of [limits] whose options have another name


class ProgramReader(TableReader[ProgramTables]):
    """Reads a program.

    Args:
        raw: as read from TOML.
        source: the file, for errors.
        text: the file's text, for line numbers.
    """

    def __init__(self, raw: dict[str, Any], *, source: str, text: str = "") -> None:
        def raises(key: str, what: str, hint: str) -> DriveError:
            return DriveError(": ".join(filter(None, (", ".join(filter(None, (source, key))), what))), hint=hint)

        super().__init__(raw, ProgramTables, raises=raises, of="a program", text=text)


class OptionReader(ProgramReader):
    """Reads the options of a command as a program of one part."""

    noun, list_hint = "an option", "give them with commas, as in 0,50,-50"

    def __init__(self, raw: dict[str, Any]) -> None:
        super().__init__(raw, source="")

    def place(self, at: KeyPath) -> str:
        """The option; for a fault also its key."""
        key = str(at[-1])
        if at[0] == "limits":
            key = _OPTIONS.get(key, key)
        elif at[0] == "fault":
            kind = self.given((*at[:2], "kind"))
            return f"--{kind}" if key == kind else f"--{kind}, {key}"
        return f"--{key.replace('_', '-')}"


def read_program(
    path: str | Path, *, load: Loader, period_s: float = FRAME_PERIOD_S, scale: Scale = DEFAULT_SCALE
) -> Program:
    """Read a program file.

    Args:
        path: the TOML file.
        load: reads the recording that a replay names.
        period_s: default frame period.
        scale: default scale.

    Raises:
        DriveError: the file cannot be read, or says what cannot be; one line with
            file, key and value.
    """
    preview = f"replay it with `busbench drive {path} --preview`"
    try:
        values, text = read_toml(path, what="a drive program", hint=_NAME_IT, recording_hint=preview)
    except TextFileError as error:
        raise DriveError(f"{path}: {error.what}", hint=error.hint) from None
    if "part" not in values and ("rig" in values or "supply" in values):
        raise DriveError(
            f"{path}: this is a rig file, not a drive program", hint="give it to `busbench drive` by --rig"
        )
    reader = ProgramReader(values, source=str(path), text=text)
    return build_program(reader, name=Path(path).stem, load=load, period_s=period_s, scale=scale)


def build_program(
    reader: ProgramReader,
    *,
    name: str,
    load: Loader,
    period_s: float = FRAME_PERIOD_S,
    scale: Scale = DEFAULT_SCALE,
) -> Program:
    """Make a program from its keys.

    Args:
        reader: of the file, or of the options.
        name: default name.
        load: reads the recording that a replay names.
        period_s: default frame period.
        scale: default scale.

    Raises:
        DriveError: names place, key and value.
    """
    tables = reader.read()
    scale = Scale(**(asdict(scale) | {key: getattr(tables.scale, key) for key in reader.given(("scale",)) or ()}))
    context = Context(tables.unit, scale, load)
    parts = [
        read_part(part, TablePlace(reader, ("part", index)), context=context) for index, part in enumerate(tables.part)
    ]
    placed = arrange(parts, order=tables.order)
    limits, rests, travels = _limits(tables, reader, scale)
    return Program(
        name=tables.name or name,
        parts=placed,
        limits=limits,
        scale=scale,
        period_s=tables.frame_period or period_s,
        end_bytes=_end_bytes(tables.end_byte, reader),
        faults=tuple(
            FrameFault(one.kind, one.start, one.duration, one.flips if one.kind == "flips" else 0.0, one.seed)
            for one in tables.fault
        ),
        repeat=tables.repeat,
        channel_names=tuple((one.number - 1, one.name or "") for one in tables.channel),
        stated_rests=rests,
        stated_travels=travels,
    )


def _end_bytes(value: Any, reader: ProgramReader) -> tuple[int, ...]:
    if value == "slots":
        return END_SLOTS
    try:
        end = int(value, 16) if isinstance(value, str) else value
    except ValueError:
        end = None
    if isinstance(end, bool) or not isinstance(end, int) or end not in END_BYTES:
        known = ", ".join(f"0x{known:02X}" for known in END_BYTES)
        hint = f"give {known} or slots (the last four in turn)"
        raise reader.error(("end_byte",), "is not an end byte", hint=hint)
    return (end,)


def _limits(
    tables: ProgramTables, reader: ProgramReader, scale: Scale
) -> tuple[Limits, frozenset[int], frozenset[int]]:
    """Limits, and the channels with their own rest and travel."""
    base = _limit(tables.limits, TablePlace(reader, ("limits",)), default_limits(scale).channels[0], tables.unit, scale)
    channels = [base] * CHANNELS
    switches, locked = [False] * (ALL_CHANNELS - CHANNELS), [False] * (ALL_CHANNELS - CHANNELS)
    seen, rests, travels = set(), set(), set()
    for index, one in enumerate(tables.channel):
        place, channel = TablePlace(reader, ("channel", index)), one.number - 1
        if channel in seen:
            raise place.error("number", "is in two tables", hint="join the two")
        seen.add(channel)
        if one.rest is not None:
            rests.add(channel)
        if one.low is not None or one.high is not None:
            travels.add(channel)
        if channel >= CHANNELS:
            is_on = one.rest is not None and level_of(one.rest, "rest", place, channel, tables.unit, scale) > 0
            switches[channel - CHANNELS], locked[channel - CHANNELS] = is_on, one.locked
        else:
            if one.locked and one.rest is None:
                raise place.missing("rest", hint="state where it is locked, as at a motor's off")
            limit = _limit(one, place, base, tables.unit, scale, is_locked=one.locked)
            channels[channel] = replace(limit, is_locked=one.locked)
    return Limits(tuple(channels), tuple(switches), tuple(locked)), frozenset(rests), frozenset(travels)


def _limit(
    table: LimitsTable | ChannelTable,
    place: TablePlace,
    base: ChannelLimit,
    unit: Unit,
    scale: Scale,
    *,
    is_locked: bool = False,
) -> ChannelLimit:
    """The limits stated in [limits] or in a [[channel]]."""
    given = [key for key in ("low", "high", "rest") if getattr(table, key) is not None]
    stated = {key: round(level_of(getattr(table, key), key, place, 0, unit, scale)) for key in given}
    limit = replace(base, **stated, is_locked=False)
    if limit.low > limit.high:
        raise place.error("low" if "low" in stated else "high", "puts low above high", hint="low must not exceed high")
    if not is_locked and not limit.low <= limit.rest <= limit.high:
        if "rest" in stated:
            raise place.error("rest", "is not between low and high", hint="give a level between them")
        side = "low" if limit.low > limit.rest else "high"
        raise place.error(side, "leaves the rest value outside", hint="give rest too")
    return limit if table.rate is None else replace(limit, rate=rate_counts(table.rate, unit, scale))
