"""The aircraft as a plan: the data of a rig file.

Keys are as in the file. Whether the plan makes sense is
checked in check.py; these types only refuse meaningless values.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from msgspec import Meta, field

from busbench.schema import Table, TableError
from busbench.wire.scale import Scale
from busbench.wire.scale_table import ScaleTable

if TYPE_CHECKING:
    from busbench.rig.finding import Finding
    from busbench.rig.power import LoadCase

RECEIVER = "receiver"
SUPPLY = "supply"
RESERVED_NAMES = (RECEIVER, SUPPLY)

Above0 = Annotated[float, Meta(gt=0)]
AtLeast0 = Annotated[float, Meta(ge=0)]
Percent = Annotated[float, Meta(ge=-200, le=200)]
Name = Annotated[str, Meta(min_length=1, max_length=60)]

Kind = Literal["servo", "off-bus", "sensor"]
Failsafe = Literal["hold", "silence"] | Percent
Motor = Literal["electric", "engine"]
Way = Literal["up", "down", "right", "left", "out", "in", "open", "closed", "forward", "back"]
WhenSilent = Literal["hold", "release"] | Percent


class Lead(Table, frozen=True, kw_only=True):
    """A pair of wires to a hub or device.

    Args:
        length_m: length one way.
        awg: gauge of each wire; give awg, area_mm2 or resistance_ohm.
        area_mm2: copper area of each wire.
        resistance_ohm: measured out and back, instead of length and gauge.
        connector_ohm: resistance of all contacts, out and back.
        limit_a: continuous current that wire and connectors carry.
    """

    length_m: Above0 | None = None
    awg: Annotated[int, Meta(ge=0, le=40)] | None = None
    area_mm2: Above0 | None = None
    resistance_ohm: AtLeast0 | None = None
    connector_ohm: AtLeast0 = 0.0
    limit_a: Above0 | None = None

    def __post_init__(self) -> None:
        given = [key for key in ("awg", "area_mm2", "resistance_ohm") if getattr(self, key) is not None]
        if len(given) != 1:
            stated = " and ".join(given) if given else "no gauge, area or resistance"
            raise TableError(f"states {stated}", hint="give one of awg, area_mm2 and resistance_ohm")
        if self.resistance_ohm is None and self.length_m is None:
            raise TableError(f"states {given[0]} without length_m", hint="give its length one way")


class Plan(Table, frozen=True, kw_only=True):
    """The table [rig].

    Args:
        name: name of the aircraft.
        period_ms: frame period the receiver is set to, often 7, 14 or 15.
        sensor_slots: true if the receiver leaves slots for sensors.
    """

    name: Name
    period_ms: Above0
    sensor_slots: bool = False


class Pack(Table, frozen=True, kw_only=True):
    """The table [supply.pack].

    Args:
        cells: number of cells in series.
        capacity_mah: capacity as marked.
        usable_pct: how much of the capacity may be used.
    """

    cells: Annotated[int, Meta(ge=1)]
    capacity_mah: Above0
    usable_pct: Annotated[float, Meta(gt=0, le=100)] = 80.0


class Supply(Table, frozen=True, kw_only=True):
    """The table [supply].

    Args:
        voltage_v: voltage without load.
        resistance_ohm: internal resistance of pack, regulator and switch together.
        minimum_v: voltage that every device and the receiver need; without it there is no warning of low voltage.
        maximum_v: highest voltage that every device and the receiver accept.
        lead: from the supply to the receiver.
        limit_a: continuous current that pack, regulator or switch can give.
        pack: the battery, to calculate how long it lasts.
    """

    voltage_v: Above0
    resistance_ohm: AtLeast0 = 0.0
    minimum_v: Above0 | None = None
    maximum_v: Above0 | None = None
    lead: Lead | None = None
    limit_a: Above0 | None = None
    pack: Pack | None = None


class Hub(Table, frozen=True, kw_only=True):
    """A table [[hub]]: where the bus branches.

    Args:
        name: name of the hub.
        parent: key "from": what it is connected to: the receiver or another hub.
        lead: from there to this hub.
        limit_a: total current it can carry.
    """

    name: Name
    parent: Name = field(name="from", default=RECEIVER)
    lead: Lead | None = None
    limit_a: Above0 | None = None


class SupplyFeed(Table, frozen=True, kw_only=True):
    """A table [[feed]]: a further supply lead straight from the supply.

    Args:
        to: name of the hub.
        lead: from the supply to that hub.
    """

    to: Name
    lead: Lead


class Current(Table, frozen=True, kw_only=True):
    """What a device draws, in A, as far as known.

    Args:
        idle: at rest without load.
        moving: average while it moves without load.
        stall: held still at full command.
        holding: at rest against a load.
        hold_lowered_after_s: time at rest after which it draws idle instead of holding.
    """

    idle: AtLeast0 | None = None
    moving: AtLeast0 | None = None
    stall: AtLeast0 | None = None
    holding: AtLeast0 | None = None
    hold_lowered_after_s: Above0 | None = None


class Geometry(Table, frozen=True, kw_only=True):
    """What a device moves, as far as known.

    Args:
        arm_mm: radius of the device's arm at the rod.
        horn_mm: radius of the surface's horn at the rod.
        base_mm: distance between the two axes.
        chord_mm: chord of the surface, hinge to trailing edge.
        throw_deg: planned angle of the surface at 100 %.
        arm_deg: angle of the arm at 100 %.
    """

    arm_mm: Above0 | None = None
    horn_mm: Above0 | None = None
    base_mm: Above0 | None = None
    chord_mm: Above0 | None = None
    throw_deg: Annotated[float, Meta(gt=0, le=120)] | None = None
    arm_deg: Annotated[float, Meta(gt=0, le=120)] = 45.0  # common practice, no source: 40-60


class Device(Table, frozen=True, kw_only=True):
    """A table [[device]]: a servo, an off-bus device or a sensor.

    Args:
        name: name of the device.
        kind: "servo" on the bus, "off-bus" for a PWM device on an ordinary pulse lead, "sensor" that answers in slots.
        channel: 1 to 18; 17 and 18 are on/off channels.
        motor: "electric" (or true) or "engine" for what can turn a propeller: it is locked when driving. false for what
            cannot. State it for each off-bus device, or drive and walk send nothing to a port.
        idle_pct: position of an engine's channel at idle, as sent; required for an engine. verify takes it or the
            endpoint as the closed end.
        ignition_kill: what kills an engine's ignition: a device of the plan with its own channel (locked if its
            rest_pct has the ignition off), or the name of a switch by hand; required for an engine.
        control: stick, lever or switch that moves it; several devices may share one.
        gimbal: one name for the controls that one hand moves on one gimbal: they may move a little with one another
            (see hands_pct). A motor, a switch and the stick of another gimbal may not.
        high_when: position of the control at which the channel is at its upper endpoint.
        above_neutral: direction of its surface, seen on the finished aircraft, while the channel is above neutral (17
            and 18: on), with reversed and mounting included: "up", "down", "right", "left", "out", "in", "open",
            "closed", "forward" or "back". walk asks for it; if it is missing, walk states what it assumes.
        rest_pct: position of the channel while its control is left alone, in percent as sent. Default: neutral; idle
            for engines; the lower endpoint for motors and on/off channels. A reversed motor must state it.
        failsafe: what the receiver sends without a link: "hold", "silence", or percent. An electric motor must be off,
            an engine at idle or below (common practice, no source).
        when_silent: what it does without frames: "hold", "release", or a position in percent.
        parent: key "on": hub or receiver it is plugged into.
        lead: from there to the device.
        slot: slot of a sensor, 0 to 31.
        mounting: "mirrored" for the second device of a pair.
        reversed: true if the device is set to run the other way.
        group: one name for devices that are meant to move together.
        neutral_us: pulse at neutral, µs. Default: the scale's centre.
        travel_pct: its endpoints, in percent of full command either side of neutral.
        geometry: what it moves, as far as known.
        speed_s_per_60deg: seconds for 60 degrees without load. Default: at once.
        start_ramp_s: time over which its speed rises after power-up or silence.
        dead_band_us: change of command below which it does not move, µs.
        current_a: current it draws in A, as far as known.
    """

    # what it is, its control, and its state without a link
    name: Name
    kind: Kind = "servo"
    channel: int | None = None
    motor: bool | Motor | None = None
    idle_pct: Percent | None = None
    ignition_kill: Name | None = None
    control: Name | None = None
    gimbal: Name | None = None
    high_when: Name | None = None
    above_neutral: Way | None = None
    rest_pct: Percent | None = None
    failsafe: Failsafe | None = None
    when_silent: WhenSilent = "hold"
    # its connection and mounting
    parent: Name = field(name="on", default=RECEIVER)
    lead: Lead | None = None
    slot: Annotated[int, Meta(ge=0, le=31)] | None = None
    mounting: Literal["normal", "mirrored"] = "normal"
    reversed: bool = False
    group: Name | None = None
    neutral_us: Above0 | None = None
    travel_pct: Annotated[float, Meta(gt=0, le=200)] = 100.0
    geometry: Geometry = Geometry()
    # from its data sheet
    speed_s_per_60deg: Above0 | None = None
    start_ramp_s: AtLeast0 = 0.0
    dead_band_us: AtLeast0 = 0.0
    current_a: Current = Current()

    @property
    def motor_kind(self) -> Motor | None:
        """What turns its propeller; None if the plan states nothing."""
        return "electric" if self.motor is True else self.motor or None


class VerifyLimits(Table, frozen=True, kw_only=True):
    """The table [verify]: what passes a check; all but the period are common practice, no source.

    Args:
        frames_least: with fewer frames, the checks of missing, lost and damaged frames, period and jitter are not
            tested.
        period_pct: mean period against period_ms.
        jitter_ms: period jitter, rms.
        loss_pct: 95 % upper confidence limit of missing, of lost and of damaged frames.
        outage_s: longest outage besides the failsafe test.
        glitches: frames that jump away and back.
        noise_counts: noise of a channel at rest, rms.
        rest_counts: rest position, either side of the plan.
        end_pct: endpoints, either side of the plan, in percent of full command.
        others_counts: movement of any other channel while one control is moved.
        failsafe_after_s: time from the last good frame, or from the marked switching off, to failsafe.
        failsafe_counts: values in failsafe, either side of the plan.
        hands_pct: what a hand may add, in percent of full command: movement of another control on the same gimbal,
            drift of a control that is held away while the transmitter is off.
        recovery_s: time from the marked switching on to good frames.
        return_s: time from the first good frame after that until each channel is where its control is.
        pulse_us: width of a servo pulse output, either side of the plan's scale.
    """

    frames_least: Annotated[int, Meta(ge=1)] = 500
    period_pct: Above0 = 1.0
    jitter_ms: Above0 = 0.5
    loss_pct: Above0 = 1.0
    outage_s: Above0 = 0.1
    glitches: Annotated[int, Meta(ge=0)] = 0
    noise_counts: Above0 = 2.0
    rest_counts: Above0 = 8.0
    end_pct: Above0 = 3.0
    others_counts: Above0 = 8.0
    failsafe_after_s: Above0 = 1.5
    failsafe_counts: Above0 = 8.0
    hands_pct: Above0 = 10.0
    recovery_s: Above0 = 2.0
    return_s: Above0 = 0.5
    pulse_us: Above0 = 5.0


class Rig(Table, frozen=True, kw_only=True):
    """A whole rig file.

    Args:
        plan: its table [rig]: name, period, sensor slots.
        supply: voltage, resistance and lead of the supply.
        hubs, feeds, devices: what is connected to the bus, in the order of the file.
        scaling: its table [scale].
        limits: its table [verify].
    """

    plan: Plan = field(name="rig")
    supply: Supply
    hubs: Annotated[tuple[Hub, ...], Meta(max_length=1_000)] = field(name="hub", default=())
    feeds: Annotated[tuple[SupplyFeed, ...], Meta(max_length=1_000)] = field(name="feed", default=())
    devices: Annotated[tuple[Device, ...], Meta(max_length=10_000)] = field(name="device", default=())
    scaling: ScaleTable = field(name="scale", default=ScaleTable())
    limits: VerifyLimits = field(name="verify", default=VerifyLimits())

    @property
    def scale(self) -> Scale:
        """Counts to microseconds, as the file states it."""
        return self.scaling.scale

    @property
    def parts(self) -> tuple[Hub | Device, ...]:
        """Hubs, then devices: everything with a name and a lead."""
        return (*self.hubs, *self.devices)

    def device(self, name: str) -> Device:
        """Look up a device by name.

        Raises:
            KeyError: no such device.
        """
        for device in self.devices:
            if device.name == name:
                return device
        raise KeyError(name)

    def check(self) -> list[Finding]:
        """Faults and hints of the plan, faults first; like `busbench rig check`."""
        from busbench.rig.check import check_rig

        return check_rig(self)

    def power(self) -> list[LoadCase]:
        """Voltage and current in every lead, by load case; like `busbench rig power`.

        Raises:
            RigError: the leads form no tree.
        """
        from busbench.rig.power import power_cases

        return power_cases(self)

    @property
    def driven(self) -> tuple[Device, ...]:
        """Devices that obey a channel: all but sensors."""
        return tuple(device for device in self.devices if device.kind != "sensor")
