"""Options for motors, locks and plans, as sources of a program's limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busbench.bench.plan_limits import LimitSources, MotorOption
from busbench.bench.sources import rig_in
from busbench.cli.numbers import each_channel
from busbench.errors import DriveError, quote_value
from busbench.rig.load import read_rig
from busbench.rig.model import Rig
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS


def limit_sources(
    *,
    rig: str | None = None,
    source: str | None = None,
    motors: Sequence[str] = (),
    has_no_motor: bool = False,
    locks: Sequence[int] = (),
) -> LimitSources:
    """Read the plans and check the options.

    Args:
        source: target or watched source; virtual:RIG is also a plan, or another aircraft beside --rig.
        motors: values of --motor, CH or CH=REST.
        has_no_motor: True with --no-motor.
        locks: values of --lock, 1-18.

    Raises:
        RigError: a plan cannot be read.
        DriveError: an option is invalid, or contradicts another one or a plan.
    """
    other = None if source is None else rig_in(source)
    plans = tuple((path, read_rig(path)) for path in [rig or other] if path)
    aircraft = (other, read_rig(other)) if rig and other and other != rig else None
    first = plans[0][1] if plans else None
    return LimitSources(
        plans,
        aircraft=aircraft,
        motors=tuple(one for text in motors for one in _motors(text, first)),
        has_no_motor=has_no_motor,
        locks=tuple(channel_index("lock", number, first) for number in locks),
    )


def _motors(text: str, rig: Rig | None) -> Iterator[MotorOption]:
    """CH or CH=REST; CH may be several channels."""
    numbers, equals, level = text.partition("=")
    for number in each_channel([int(numbers) if numbers.strip().isdecimal() else numbers]):
        channel = channel_index("motor", number, rig)
        yield _motor(channel, level) if equals else MotorOption(channel)


def _motor(channel: int, level: str) -> MotorOption:
    if channel >= CHANNELS:
        if level not in ("on", "off"):
            what = f'--motor: "{level}" is not a state of channel {channel + 1}'
            raise DriveError(what, hint="give on or off")
        return MotorOption(channel, 100.0 if level == "on" else -100.0)
    try:
        return MotorOption(channel, float(level))
    except ValueError:
        raise DriveError(f'--motor: "{level}" is not a rest value', hint="give percent, as in --motor 3=-100") from None


def channel_index(option: str, number: object, rig: Rig | None) -> int:
    """Channel 0-17 from a number 1-18; DriveError has a hint if it is a device's name."""
    if isinstance(number, int) and 1 <= number <= ALL_CHANNELS:
        return number - 1
    devices = () if rig is None else rig.driven
    known = "".join(f" ({d.name} is {d.channel})" for d in devices if d.name == number and d.channel is not None)
    raise DriveError(f"--{option}: {quote_value(number)} is not a channel", hint=f"give 1 to {ALL_CHANNELS}{known}")
