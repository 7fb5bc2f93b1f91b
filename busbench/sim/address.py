"""The settings of a virtual receiver as text: `virtual:?period=14ms&seed=3&slots=on`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import unquote_plus

from busbench.errors import PortError, meant
from busbench.sim.line_faults import OutageSpan
from busbench.sim.receiver import ReceiverSettings
from busbench.sim.stick_motion import Hand

_UNITS_S = {"ms": 1e-3, "us": 1e-6, "s": 1.0, "min": 60.0, "h": 3600.0}


def _seconds(text: str) -> float:
    for unit in sorted(_UNITS_S, key=len, reverse=True):
        if text.endswith(unit):
            return _number(text.removesuffix(unit)) * _UNITS_S[unit]
    return _number(text)


def _number(text: str) -> float:
    value = float(text)
    if not 0 <= value < 1e12:
        raise ValueError
    return value


def _share(text: str) -> float:
    return _number(text.removesuffix("%")) / 100 if text.endswith("%") else _number(text)


def _whole(text: str) -> int:
    value = int(text)
    if not 0 <= value < 2**63:
        raise ValueError
    return value


def _switch(text: str) -> bool:
    return {"on": True, "off": False}[text]


def _spans(text: str) -> tuple[OutageSpan, ...]:
    spans = []
    for part in text.split(","):
        start, _, length = part.partition(":")
        spans.append(OutageSpan(_seconds(start), _seconds(length)))
    return tuple(spans)


@dataclass(frozen=True, slots=True)
class Key:
    """One setting as people write it."""

    name: str
    field: str  # the field of ReceiverSettings, or `noise.` and the field of Noise
    read: Callable[[str], Any]  # makes the value; raises ValueError or KeyError
    like: str
    text: str


KEYS = (
    Key("period", "period_s", _seconds, "14ms", "Set the frame period [default: 14ms]."),
    Key("jitter", "jitter_s", _seconds, "50us", "Set the standard deviation of the frame period."),
    Key("seed", "seed", _whole, "3", "Set the random seed [default: 1]."),
    Key("pilot", "hand", Hand, "mixed", "Select still, moving (all channels) or mixed [default: mixed]."),
    Key("dither", "dither", _share, "5%", "Change this share of the values by one count."),
    Key("slots", "has_slots", _switch, "on", "Leave slots for sensors: end bytes in turn, and replies."),
    Key("frames", "has_frames", _switch, "off", "Switch frames off: a line without frames."),
    Key("lost", "lost", _spans, "2:0.5", "Flag frames as lost: START:SECONDS, several with commas."),
    Key("failsafe", "failsafe", _spans, "10:1.5", "Flag failsafe: START:SECONDS, several with commas."),
    Key("gaps", "gaps", _spans, "20:0.4", "Send no frames: START:SECONDS, several with commas."),
    Key("lost-rate", "lost_rate", _number, "2", "Add random outages per minute: frames flagged lost."),
    Key("failsafe-rate", "failsafe_rate", _number, "0.5", "Add random outages per minute: failsafe."),
    Key("gap-rate", "gap_rate", _number, "1", "Add random outages per minute: gaps."),
    Key("flips", "noise.flips", _share, "0.1%", "Change one bit in this share of the bytes."),
    Key("drops", "noise.drops", _share, "0.1%", "Leave out this share of the bytes."),
    Key("extras", "noise.extras", _share, "0.1%", "Add a foreign byte after this share of the bytes."),
    Key("bursts", "noise.bursts", _share, "0.01%", "Start bursts of noise at this share of the bytes."),
    Key("chatter", "chatter", _number, "200", "Add noise bytes per second on the idle line."),
    Key("inverted", "is_inverted", _switch, "on", "Invert the polarity, as without an inverter."),
    Key("baud", "baud", _whole, "115200", "Set the rate at which the adapter reads [default: 100000]."),
    Key("batch", "batch_s", _seconds, "16ms", "Set the latency timer of the adapter [default: none]."),
    Key("marks", "has_marks", _switch, "off", "Let the adapter mark damaged bytes [default: on]."),
    Key("join", "join_s", _seconds, "5ms", "Start to listen this long after the first frame."),
    Key("duration", "duration_s", _seconds, "60s", "End after this time [default: never]."),
)
_BY_NAME = {key.name: key for key in KEYS}


def read_settings(texts: Mapping[str, str], *, source: str = "") -> ReceiverSettings:
    """Settings from words and their values.

    Args:
        source: for the error; empty if the words are options of a command.

    Raises:
        PortError: names the word, the value, and what it should be like.
    """
    settings = ReceiverSettings()
    for name, text in texts.items():
        key = _BY_NAME.get(name.replace("_", "-"))
        if key is None:
            hint = meant(name, _BY_NAME, otherwise="see busbench simulate --help")
            raise PortError(source, f'"{name}" is not a setting', hint=hint)
        try:
            value = key.read(text.strip())
        except (ValueError, KeyError):
            if not source:
                hint = f"give it as in --{key.name} {key.like}"
                raise PortError(f"--{key.name}", f'"{text}" is not understood', hint=hint) from None
            hint = f"give it as in {key.name}={key.like}"
            raise PortError(source, f'{key.name}: "{text}" is not understood', hint=hint) from None
        part, _, inner = key.field.partition(".")
        if inner:
            settings = replace(settings, noise=_with(settings.noise, inner, value))
        else:
            settings = _with(settings, part, value)
    settings.check(source or "simulate")
    return settings


def _with(settings: Any, field: str, value: object) -> Any:
    return replace(settings, **{field: value})


def parse_virtual(source: str) -> tuple[ReceiverSettings, bool]:
    """Read `virtual:` and what follows.

    Args:
        source: as in `virtual:?seed=3&speed=max`.

    Returns:
        The settings, and True if it must run as fast as it goes.

    Raises:
        PortError: it cannot be understood.
    """
    _, _, rest = source.partition(":")
    if rest and not rest.startswith("?"):
        what = f'"{rest}" would be a virtual aircraft, which this command does not take'
        raise PortError(source, what, hint="record it first, or give a receiver as in virtual:?period=14ms&seed=3")
    texts: dict[str, str] = {}
    for part in filter(None, rest[1:].split("&")):
        name, _, value = part.partition("=")
        texts[unquote_plus(name)] = unquote_plus(value)
    speed = texts.pop("speed", "real")
    if speed not in ("real", "max"):
        raise PortError(source, f'speed: "{speed}" is not understood', hint="give real or max")
    return read_settings(texts, source=source), speed == "max"
