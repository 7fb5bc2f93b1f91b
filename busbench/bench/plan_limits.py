"""Merge plan, options and program into the limits of what is sent; the strictest wins. Only this module does it.

Each source may lock a channel or narrow its limits; none can loosen those of another. A locked channel rests
where all sources that state a rest agree, or nothing is sent. A motor or engine rests where its plan states
that it is off or idle, and a plan with a fault in what is moved or held moves nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from busbench.drive.limits import ChannelLimit, Limits
from busbench.drive.locked_program import MAKER_KEY, LockedProgram
from busbench.drive.preview import percent
from busbench.drive.program import Program, level_counts
from busbench.errors import DriveError, display_name, pluralize, sanitize
from busbench.rig.check import motion_faults
from busbench.rig.finding import Finding
from busbench.rig.model import Device, Rig
from busbench.rig.motors import MotorRest, kill_names, motor_rests, unstated_motors
from busbench.rig.rest import rest_sent
from busbench.rig.travel import endpoints_of
from busbench.wire.frame_spec import ALL_CHANNELS, CHANNELS, COUNTS_MAX
from busbench.wire.scale import Scale, whole

MOTOR_OFF_PCT = 90.0  # nearer to neutral than this, an electric motor may turn; common practice, no source
_SAME_COUNTS = 1  # difference by rounding of two scales


class PlanFaultError(DriveError):
    """A plan that contradicts itself moves nothing.

    Args:
        name: file name of the plan.
        faults: faults that `rig check` finds in moved or held devices.
    """

    def __init__(self, name: str, faults: Sequence[Finding]) -> None:
        self.faults = tuple(faults)
        self.details = tuple(line for fault in faults for line in str(fault).splitlines())
        super().__init__(
            f"{display_name(name)}: nothing moves with {pluralize(len(faults), 'fault')} in what is moved or held",
            hint=f"correct the plan; `busbench rig check` lists {'it' if len(faults) == 1 else 'them'}",
        )


@dataclass(frozen=True, slots=True)
class MotorOption:
    """The option --motor: a channel that drives a motor.

    Raises:
        DriveError: a motor may turn there.
    """

    channel: int  # 0-17
    # off position as sent; -100 and 100 on channels 16 and 17; None if not given
    rest_pct: float | None = None

    def __post_init__(self) -> None:
        if self.rest_pct is not None and not abs(self.rest_pct) >= MOTOR_OFF_PCT:
            raise DriveError(
                f"{self.text}: a motor may turn there",
                hint=f"give where it is off as sent, -{MOTOR_OFF_PCT:g} % or below or {MOTOR_OFF_PCT:g} % or above",
            )

    @property
    def text(self) -> str:
        """As on the command line."""
        if self.rest_pct is None:
            return f"--motor {self.channel + 1}"
        state = ("on" if self.rest_pct > 0 else "off") if self.channel >= CHANNELS else f"{self.rest_pct:g}"
        return f"--motor {self.channel + 1}={state}"


@dataclass(frozen=True, slots=True)
class _Word:
    """What one source states about one channel."""

    source: str
    rest: int | None = None  # counts, or 0 and 1; None if not stated
    is_locked: bool = False  # True if it must not move
    travel: tuple[int, int] | None = None  # min and max counts, None if not stated
    is_default: bool = False  # True for a default rest, which a stated one overrides
    is_motor: bool = False  # True for a motor, engine or ignition: its rest overrides all others


@dataclass(frozen=True, slots=True)
class LimitSources:
    """All sources of limits besides the program itself.

    Raises:
        DriveError: two of them contradict each other on whether there is a motor.
    """

    plans: tuple[tuple[str, Rig], ...] = ()  # name and plan from --rig or virtual:RIG
    # name and plan of another virtual aircraft on which a program or walk is tried; it states which
    # channels drive its motors
    aircraft: tuple[str, Rig] | None = None
    motors: tuple[MotorOption, ...] = ()  # channels of --motor
    has_no_motor: bool = False  # True with --no-motor
    locks: tuple[int, ...] = ()  # channels (0-17) of --lock
    faults: tuple[tuple[str, tuple[Finding, ...]], ...] = field(init=False)

    def __post_init__(self) -> None:
        found = ((name, tuple(motion_faults(rig))) for name, rig in self.plans)
        object.__setattr__(self, "faults", tuple((name, faults) for name, faults in found if faults))
        if self.has_no_motor and self.motors:
            raise DriveError("--no-motor: contradicts --motor", hint="give the one that is true")
        for name, rig in self._all_plans:
            if self.has_no_motor and (found_motors := motor_rests(rig)):
                raise DriveError(
                    f'--no-motor: {name} has the motor "{sanitize(found_motors[0].name)}"',
                    hint="give the one that is true",
                )
            for motor in self.motors:
                _require_motor(motor, name, rig)

    @property
    def _all_plans(self) -> tuple[tuple[str, Rig], ...]:
        return (*self.plans, *([self.aircraft] if self.aircraft is not None else []))

    @property
    def plan(self) -> Rig | None:
        """The plan that names channels, and gives period and scale if the program does not."""
        return self.plans[0][1] if self.plans else None

    @property
    def unstated(self) -> tuple[str, ...]:
        """Devices for which a plan does not say whether they can turn a propeller."""
        return tuple(device for _, rig in self.plans for device in unstated_motors(rig))

    @property
    def names_motor(self) -> bool:
        """True if it is stated which channels drive a motor, or that none does."""
        return bool(self.motors or self.has_no_motor or (self.plans and not self.unstated))

    def require_sound(self) -> None:
        """Refuse plans with faults in moved or held devices: PlanFaultError."""
        for name, faults in self.faults:
            raise PlanFaultError(name, faults)

    def lock(self, program: Program) -> LockedProgram:
        """The program within the limits of all sources.

        Raises:
            PlanFaultError: a plan has faults in moved or held devices.
            DriveError: a locked channel has two places of rest, or limits that leave nothing; names both sources.
        """
        self.require_sound()
        return LockedProgram(self.merge(program), cautions=self.cautions, key=MAKER_KEY)

    def merge(self, program: Program) -> Program:
        """The same for a calculation that sends nothing; faults of the plans are ignored.

        Raises:
            DriveError: a locked channel has two places of rest, or limits that leave nothing; names both sources.
        """
        named = replace(program, channel_names=tuple(self._names(program).items()))
        words = self._words(named)
        driven = {part.channel for part in program.parts}
        merged = [
            _merged(
                _base(program, channel), words[channel], is_driven=channel in driven, place=_ChannelName(channel, named)
            )
            for channel in range(ALL_CHANNELS)
        ]
        limits = Limits(
            tuple(merged[:CHANNELS]),
            tuple(bool(limit.rest) for limit in merged[CHANNELS:]),
            tuple(limit.is_locked for limit in merged[CHANNELS:]),
        )
        return replace(named, limits=limits)

    def _names(self, program: Program) -> dict[int, str]:
        names = dict(program.channel_names)
        for _, rig in self.plans:
            for device in rig.driven:
                if device.channel is not None:
                    names[device.channel - 1] = names.get(device.channel - 1) or device.name
        for motor in self.motors:
            names[motor.channel] = names.get(motor.channel) or "motor"
        return names

    def _words(self, program: Program) -> list[list[_Word]]:
        words: list[list[_Word]] = [[] for _ in range(ALL_CHANNELS)]
        for channel in range(ALL_CHANNELS):
            words[channel] += _of_program(program, channel)
        for name, rig in self.plans:
            kills = kill_names(rig)
            for device in rig.driven:
                if device.channel is not None and 1 <= device.channel <= ALL_CHANNELS:
                    words[device.channel - 1] += _of_device(name, device, rig.scale, is_kill=device.name in kills)
        for name, rig in self._all_plans:
            for rest in motor_rests(rig):
                words[rest.channel].append(_of_motor(name, rest))
        for motor in self.motors:
            words[motor.channel].append(_of_option(motor, words[motor.channel], program))
        for channel in self.locks:
            words[channel].append(_Word(f"--lock {channel + 1}", is_locked=True))
        return words

    @property
    def cautions(self) -> tuple[str, ...]:
        """The additional cautions of the plans."""
        return tuple(self._cautions())

    def _cautions(self) -> Iterator[str]:
        for _, rig in self.plans:
            channels = {device.name: device.channel for device in rig.driven}
            for device in rig.driven:
                if device.motor_kind == "engine" and (kill := device.ignition_kill) is not None:
                    where = f"held off on channel {channels[kill]}" if kill in channels else "switched off by hand"
                    yield f"  - {sanitize(device.name)}: ignition {where} ({sanitize(kill)}); see that it is dead"


NO_SOURCES = LimitSources()


def _require_motor(motor: MotorOption, name: str, rig: Rig) -> None:
    """Refuse --motor for a channel that has no motor by the plan."""
    devices = [device for device in rig.driven if device.channel == motor.channel + 1]
    if devices and all(device.motor is False for device in devices):
        raise DriveError(
            f'{motor.text}: {name} says that "{sanitize(devices[0].name)}" on that channel is no motor',
            hint="give the one that is true",
        )


def _of_program(program: Program, channel: int) -> Iterator[_Word]:
    limits, source = program.limits, f'the program "{sanitize(program.name)}"'
    is_locked, is_own = limits.is_locked(channel), channel in program.stated_rests
    if channel >= CHANNELS:
        rest = int(limits.switches_rest[channel - CHANNELS])
        if is_locked or is_own:
            yield _Word(source, rest, is_locked)
        return
    limit = limits.channels[channel]
    has_travel = channel in program.stated_travels and not is_locked
    if is_locked or is_own or has_travel:
        travel = (limit.low, limit.high) if has_travel else None
        yield _Word(source, limit.rest if is_locked or is_own else None, is_locked, travel)


def _of_device(name: str, device: Device, scale: Scale, *, is_kill: bool) -> Iterator[_Word]:
    """What a plan states about a device without a propeller; for motors see motor_rests."""
    if device.motor_kind:
        return
    travel = None
    if (device.channel or 0) <= CHANNELS:
        ends = endpoints_of(device, scale)
        travel = (whole(ends.low_counts, clip=True), whole(ends.high_counts, clip=True))
    is_default = device.rest_pct is None and not is_kill
    yield _Word(_source(name, device.name), rest_sent(device, scale), travel=travel, is_default=is_default)


def _of_motor(name: str, rest: MotorRest) -> _Word:
    if rest.rest is None:
        raise DriveError(
            f"{display_name(name)}: where {sanitize(rest.name)} must rest is not known",
            hint="state rest_pct as sent while it is off; see `busbench rig check`",
        )
    return _Word(_source(name, rest.name), rest.rest, is_locked=True, is_motor=True)


def _of_option(motor: MotorOption, others: Sequence[_Word], program: Program) -> _Word:
    """--motor: its rest, else the one of other sources if a motor is off there, else the low end."""
    if motor.rest_pct is not None:
        return _Word(motor.text, _motor_level(motor, motor.rest_pct, program), is_locked=True, is_motor=True)
    if any(word.is_motor for word in others):
        return _Word(motor.text, is_locked=True, is_motor=True)
    most = _motor_level(motor, -MOTOR_OFF_PCT, program)
    stated = [word.rest for word in others if word.rest is not None and not word.is_default]
    off = stated[0] if stated and stated[0] <= most else _motor_level(motor, -100.0, program)
    return _Word(motor.text, off, is_locked=True, is_motor=True)


def _motor_level(motor: MotorOption, pct: float, program: Program) -> int:
    if motor.channel >= CHANNELS:
        return int(pct > 0)
    counts = round(level_counts(pct, "%", program.scale))
    if not 0 <= counts <= COUNTS_MAX:
        raise DriveError(f"{motor.text}: {pct:g} % does not fit a frame", hint="give percent, as in --motor 3=-100")
    return counts


def _source(name: str, device: str) -> str:
    return f"{sanitize(name)} ({sanitize(device)})"


@dataclass(frozen=True, slots=True)
class _ChannelName:
    """A channel, for people."""

    channel: int
    program: Program

    @property
    def name(self) -> str:
        """Its number and name."""
        return sanitize(self.program.named(self.channel))

    def level(self, rest: int) -> str:
        """Its rest, in words."""
        if self.channel >= CHANNELS:
            return "on" if rest else "off"
        return f"{percent(self.program, rest)} % ({rest} counts)"


def _base(program: Program, channel: int) -> ChannelLimit:
    """The limits of the program; an on/off channel has two counts."""
    if channel < CHANNELS:
        return program.limits.channels[channel]
    at = channel - CHANNELS
    limits = program.limits
    return ChannelLimit(0, 1, int(limits.switches_rest[at]), 1.0, limits.switches_locked[at])


def _merged(base: ChannelLimit, words: Sequence[_Word], *, is_driven: bool, place: _ChannelName) -> ChannelLimit:
    """The strictest limit of all sources."""
    travels = [(word.source, word.travel) for word in words if word.travel]
    low = max([base.low, *(travel[0] for _, travel in travels)])
    high = min([base.high, *(travel[1] for _, travel in travels)])
    stated = [word for word in words if word.rest is not None and not word.is_default]
    stated.sort(key=lambda word: not word.is_motor)
    known = stated or [word for word in words if word.rest is not None]
    rest = base.rest if not known or known[0].rest is None else known[0].rest
    outside = next((one for one in travels if not one[1][0] <= rest <= one[1][1]), None)
    if any(word.is_locked for word in words):
        for word in stated:
            if word.rest is not None and abs(word.rest - rest) > (_SAME_COUNTS if place.channel < CHANNELS else 0):
                raise _two_rests(place, known[0], word)
        if outside is not None:
            raise DriveError(
                f"{place.name}: it is locked at {place.level(rest)}, but {outside[0]} limits it to"
                f" {_range(outside[1])}",
                hint="make the two agree",
            )
        return replace(base, rest=rest, is_locked=True)
    if low > high:
        sources = [("the program", (base.low, base.high)), *travels]
        limits = " and ".join(f"{_range(travel)} of {source}" for source, travel in sources)
        raise DriveError(f"{place.name}: no travel is left between {limits}", hint="make the limits meet")
    if not low <= rest <= high and outside is None and not is_driven:
        return replace(
            base, low=low, high=high, rest=rest, is_locked=True
        )  # limits of moving channels include the rest
    return replace(base, low=low, high=high, rest=min(max(rest, low), high))


def _range(travel: tuple[int, int]) -> str:
    return f"{travel[0]} to {travel[1]} counts"


def _two_rests(place: _ChannelName, one: _Word, other: _Word) -> DriveError:
    assert one.rest is not None
    assert other.rest is not None
    return DriveError(
        f"{place.name}: it is locked, but {one.source} has it rest at {place.level(one.rest)}"
        f" and {other.source} at {place.level(other.rest)}",
        hint="make the two agree",
    )
