"""Rehearse a drive program: the positions of its channels, or of the devices of a virtual aircraft."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from busbench.cli import output
from busbench.drive.frame_generator import FrameBlock
from busbench.drive.preview import percent
from busbench.drive.program import Program
from busbench.errors import DriveError, pluralize, sanitize
from busbench.model import U16
from busbench.rig.model import Rig
from busbench.rig.power import holding_more_a
from busbench.rig.travel import endpoints_of
from busbench.sim.aircraft_faults import AircraftFault
from busbench.sim.devices import VirtualRig
from busbench.wire.codec import unpack_channels
from busbench.wire.frame_spec import CHANNELS, FRAME_BYTES
from busbench.wire.scale import FULL_COUNTS

LOOK_S = 0.5  # a rehearsal shows the positions this often
_NARROW = 6  # -100.0
_WITH_UNIT = 9
_APART_PCT = 0.5  # a smaller difference is not shown


def rehearse(program: Program, blocks: Iterable[FrameBlock]) -> Iterator[str]:
    """Run a program without hardware, and show the channel positions read back from its frames."""
    channels = sorted({part.channel for part in program.parts})
    width = 14 if 9 + 16 * len(channels) <= output.WIDTH else 6  # percent and counts, or only percent
    gap = "  " if 9 + (width + 2) * len(channels) <= output.WIDTH else " "
    yield gap.join([f"{'time':>9}", *(f"{f'ch {channel + 1}':>{width}}" for channel in channels)])
    look = max(1, round(LOOK_S / program.period_s))
    frames = 0
    for block in blocks:
        counts, flags = unpack_channels(block.raw), block.raw[:, 23]
        for row in range(-block.slot % look, len(block), look):
            seen = [_stand(program, channel, counts[row], int(flags[row]), width) for channel in channels]
            sent = "" if block.is_sent[row] else "  (gap)"
            yield gap.join([f"{(block.slot + row) * program.period_s:7.2f} s", *seen]) + sent
        frames += len(block)
    yield f"rehearsed {pluralize(frames, 'frame')} in {frames * program.period_s:.2f} s; nothing was sent"


def _stand(program: Program, channel: int, counts: U16, flags: int, width: int) -> str:
    if channel >= CHANNELS:
        return f"{'on' if flags >> (channel - CHANNELS) & 1 else 'off':>{width}}"
    level = int(counts[channel])
    said = percent(program, level)
    return f"{said:>8} % {level:4d}" if width > 6 else f"{said:>6}"


def rehearse_on(
    rig: Rig, program: Program, blocks: Iterable[FrameBlock], *, faults: Sequence[AircraftFault] = ()
) -> Iterator[str]:
    """Run a program on a virtual aircraft and show its devices' positions (raises DriveError: no device obeys it)."""
    channels = {part.channel + 1 for part in program.parts}
    shown = [device.name for device in rig.driven if device.channel in channels]
    if not shown:
        raise DriveError("--to: nothing on this aircraft obeys the program's channels", hint="see `busbench rig check`")
    aircraft = VirtualRig(rig, faults=faults)  # before the heading, since a fault may not fit this aircraft
    if holding_more_a(rig):
        output.say("at rest devices draw the holding current, where the plan states one")
    for line in _apart(rig, program, shown):
        output.say(line)
    width, gap, heads = _columns(shown)
    for head, time, supply in heads:
        yield gap.join([f"{time:>9}", *head, f"{supply:>9}"])
    percent = " %" if width >= _WITH_UNIT else ""
    look = max(1, round(LOOK_S / program.period_s))
    frames = restarts = 0
    for block in blocks:
        counts, flags = unpack_channels(block.raw), block.raw[:, FRAME_BYTES - 2].tolist()
        for row, is_sent in enumerate(block.is_sent.tolist()):
            slot = block.slot + row
            t_ns = round(slot * program.period_s * 1e9)
            if not slot:
                aircraft.settle(counts[row], flags=flags[row])
            if is_sent:
                aircraft.frame(t_ns, counts[row], flags=flags[row])
            else:
                aircraft.wait(t_ns)
            if aircraft.restarts > restarts:
                restarts, low = aircraft.restarts, f"{aircraft.lowest_v:.1f} V"
                yield f"{slot * program.period_s:7.2f} s  the receiver has too little voltage ({low}) and restarts"
            if slot % look == 0:
                states = {state.name: state for state in aircraft.states()}
                stand = (f"{f'{states[name].position_pct:+.1f}{percent}':>{width}}" for name in shown)
                yield gap.join([f"{slot * program.period_s:7.2f} s", *stand, f"{aircraft.supply_a:9.2f}"])
        frames += len(block)
    yield f"rehearsed {pluralize(frames, 'frame')} in {frames * program.period_s:.2f} s; nothing was sent"


def _apart(rig: Rig, program: Program, names: Sequence[str]) -> Iterator[str]:
    """The positions at level 0 of devices with another neutral."""
    for device in rig.driven:
        if device.name in names and (device.channel or 0) <= CHANNELS:
            apart = program.scale.centre_counts - endpoints_of(device, rig.scale).neutral_counts
            stands = 100 * apart / FULL_COUNTS * (-1 if device.reversed else 1)
            if abs(stands) >= _APART_PCT:
                neutral = f"its neutral lies at level {-100 * apart / FULL_COUNTS:+.1f} %"
                yield f"{sanitize(device.name)}: {neutral}, so at level 0 it is at {stands:+.1f} %"


def _columns(names: Sequence[str]) -> tuple[int, str, list[tuple[list[str], str, str]]]:
    """Width of a column, gap between two, and the heading lines with their words for time and supply.

    Names that do not fit one line take several; words that are too long are cut.
    """
    width = max(_WITH_UNIT, *map(len, names))
    if 20 + (width + 2) * len(names) <= output.WIDTH:
        return width, "  ", [([f"{name:>{width}}" for name in names], "time", "supply A")]
    width = max(_NARROW, min(width, (output.WIDTH - 19) // len(names) - 1))
    words = [[sanitize(word, most=width) for word in name.split()] for name in names]
    deep = max(2, *map(len, words))  # the first line says the unit too
    rows = zip(*([""] * (deep - len(one)) + one for one in words), strict=True)
    heads = [([f"{word:>{width}}" for word in row], "", "") for row in rows]
    heads[0] = (heads[0][0], "in %", "")
    heads[-1] = (heads[-1][0], "time", "supply A")
    return width, " ", heads
