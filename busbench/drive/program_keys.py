"""The keys of a drive program as people read of them; program_file.py and part_parser.py read their values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ProgramKey:
    """One key.

    Args:
        table: heading under which it is written.
        name: the key.
        default: its value where it is left out; "required" where it must be given, "" where there is none.
        meaning: what it sets.
    """

    table: str
    name: str
    default: str
    meaning: str


_TOP, _SCALE, _LIMITS = "above the first table", "[scale], as in a rig file", "[limits], for all channels"
_CHANNEL, _PART, _FAULT = "[[channel]], for one channel", "[[part]], at least one", "[[fault]], sent on purpose"

PROGRAM_KEYS = (
    ProgramKey(_TOP, "name", "the file's", "name of the program"),
    ProgramKey(_TOP, "unit", '"%"', 'unit of all levels: "%", "us" or "counts"'),
    ProgramKey(_TOP, "order", '"together"', '"together": parts of different channels start at the same time; "in turn":'
               " one after another"),
    ProgramKey(_TOP, "frame_period", "the rig's, or 0.007", "seconds from frame to frame, 0.004 to 1"),
    ProgramKey(_TOP, "end_byte", '"0x00"', 'or "0x04", "0x14", "0x24", "0x34", or "slots" for these four in turn'),
    ProgramKey(_TOP, "repeat", "1", "how often all parts run"),
    ProgramKey(_SCALE, "centre_counts", "992", "counts at the centre"),
    ProgramKey(_SCALE, "centre_us", "1500", "pulse at the centre, µs"),
    ProgramKey(_SCALE, "us_per_count", "0.625", "µs per count"),
    ProgramKey(_LIMITS, "low", "-100 %", "lower travel limit"),
    ProgramKey(_LIMITS, "high", "100 %", "upper travel limit"),
    ProgramKey(_LIMITS, "rest", "0 %", "position at rest"),
    ProgramKey(_LIMITS, "rate", "100 % per second", "fastest movement, in the unit per second"),
    ProgramKey(_CHANNEL, "number", "required", "1 to 18"),
    ProgramKey(_CHANNEL, "name", "", "shown beside the number"),
    ProgramKey(_CHANNEL, "locked", "false", "true: it stays at rest, which must then be given"),
    ProgramKey(_CHANNEL, "low", "of [limits]", "lower travel limit; not for 17 and 18"),
    ProgramKey(_CHANNEL, "high", "of [limits]", "upper travel limit; not for 17 and 18"),
    ProgramKey(_CHANNEL, "rest", "of [limits]; 17, 18: off", 'position at rest; "on" or "off" for 17 and 18'),
    ProgramKey(_CHANNEL, "rate", "of [limits]", "fastest movement; not for 17 and 18"),
    ProgramKey(_PART, "channel", "required", "a number, or a list such as [1, 2]"),
    ProgramKey(_PART, "shape", "required", "hold, ramp, triangle, sine, square, steps, staircase, chirp, wander or"
               " replay; channels 17 and 18: hold, square, steps or replay"),
    ProgramKey(_PART, "unit", "the program's", "unit of the levels of this part"),
    ProgramKey(_PART, "low", "-50 %", "lowest level of the shape"),
    ProgramKey(_PART, "high", "50 %", "highest level of the shape"),
    ProgramKey(_PART, "centre", "half-way", "level between them"),
    ProgramKey(_PART, "period", "required", "seconds per cycle; not for hold and replay"),
    ProgramKey(_PART, "cycles", "1", "number of cycles, which may be a fraction"),
    ProgramKey(_PART, "phase", "0", "where in its cycle the shape starts, degrees"),
    ProgramKey(_PART, "delay", "0", "seconds before it starts"),
    ProgramKey(_PART, "level", "required", "hold: the level"),
    ProgramKey(_PART, "levels", "required", "steps: a list of levels"),
    ProgramKey(_PART, "stairs", "5", "staircase: number of levels"),
    ProgramKey(_PART, "period_end", "required", "chirp: seconds of its last cycle"),
    ProgramKey(_PART, "seed", "1", "wander: the same seed gives the same movement"),
    ProgramKey(_PART, "recording", "required", "replay: the recording"),
    ProgramKey(_PART, "from_channel", "the same", "replay: channel of the recording"),
    ProgramKey(_PART, "start", "0", "replay: seconds into the recording at which it starts"),
    ProgramKey(_PART, "duration", "replay: all", "hold (required) and replay: seconds"),
    ProgramKey(_FAULT, "kind", "required", '"lost" and "failsafe" set the flag; "gap" sends no frame; "flips" changes'
               " bits. While frames are missing or unreadable, channels continue at their rate"),
    ProgramKey(_FAULT, "start", "0", "seconds after the start of the program"),
    ProgramKey(_FAULT, "duration", "required", "seconds"),
    ProgramKey(_FAULT, "flips", "0.001", "flips: share of bytes with one bit changed"),
    ProgramKey(_FAULT, "seed", "0", "flips: the same seed changes the same bits"),
)  # fmt: skip
