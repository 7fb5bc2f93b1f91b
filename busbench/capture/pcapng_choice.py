"""Choose the interface of a packet capture that is the serial line."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from busbench.capture import pcapng_blocks as pb
from busbench.capture.frames import SAMPLE_BYTES, carries_frames
from busbench.capture.packet_batch import NO_TIME, PacketBatch
from busbench.capture.packets import PacketFile
from busbench.errors import CaptureError, sanitize
from busbench.model import Bools


@dataclass
class Candidate:
    """One direction of an interface that has bytes."""

    interface: pb.Interface  # as described first
    is_sent: bool  # True for the sent bytes
    has_times: bool  # True if its packets have times
    sample: bytearray = field(default_factory=bytearray)  # its first bytes


def sent_packets(batch: PacketBatch, interfaces: list[pb.Interface]) -> Bools:
    """True for the sent packets of a batch: by their flags, else by their interface."""
    first = int(batch.interface.min())  # no batch is empty
    described = [one.is_outbound for one in interfaces[first : int(batch.interface.max()) + 1]]
    sent: Bools = np.array(described, np.bool_)[batch.interface - first]
    if batch.flags is not None:
        direction = batch.flags & np.uint32(pb.DIRECTION_MASK)
        sent = (direction == pb.OUTBOUND) | sent & (direction != pb.INBOUND)
    return sent


def choose(file: PacketFile, wanted: str | None) -> tuple[pb.Interface, bool, bool]:
    """The interface, whether its sent bytes are wanted, and whether its packets have times.

    Without a choice of the person's it is the serial interface that received bytes. Among several of one
    section the frames in their bytes decide, and for an interface of another kind nothing else does. Where
    nothing was received it is what was sent.

    Args:
        wanted: name or number of an interface, or None.

    Raises:
        CaptureError: no interface fits, or several do.
    """
    found = _look(file, wanted)
    received = [one for one in found if not one.is_sent]
    serial = [one for one in received if wanted is not None or one.interface.is_serial]
    if len(serial) != 1 and wanted is None:
        with_frames = [one for one in serial or received if carries_frames(bytes(one.sample))]
        if len(with_frames) != 1 and len(with_frames or serial) > 1:
            raise _several(file, with_frames or serial, what="frames" if with_frames else "bytes")
        serial = with_frames
    if len(serial) > 1:
        serial = [one for one in serial if wanted == str(one.interface.index)]
        if not serial:
            raise _several(file, received, what=f'"{sanitize(wanted or "", most=40)}" as the name')
    chosen = [*serial, *(one for one in found if one.is_sent)]
    if chosen:
        return chosen[0].interface, chosen[0].is_sent, chosen[0].has_times
    silent = sorted((one for one in file.interfaces if _may_be(one, wanted)), key=lambda one: one.is_outbound)
    if wanted is None:
        silent = [one for one in silent if one.is_serial]
    if silent:
        return silent[0], silent[0].is_outbound, True
    raise _none(file, wanted)


def line_numbers(file: PacketFile) -> list[int]:
    """Numbers of the serial interfaces: busbench's own that receive, and all others whose bytes hold frames."""
    found = [one for one in _look(file, None) if not one.is_sent and one.interface.is_serial]
    framed = [one.interface for one in found if carries_frames(bytes(one.sample))]
    section = framed[0].section if framed else 0
    own = [one for one in file.interfaces if one.is_own and not one.is_outbound and one.section == section]
    return sorted({one.index for one in (*own, *framed)})


def _look(file: PacketFile, wanted: str | None) -> list[Candidate]:
    """The candidates with bytes, read as far as needed to choose."""
    found: dict[tuple[int, bool], Candidate] = {}
    for batch in file.batches():
        sent = sent_packets(batch, file.interfaces)
        for index in np.flatnonzero(np.bincount(batch.interface)).tolist():
            one = file.interfaces[index]
            if not _may_be(one, wanted):
                continue
            for is_sent in (False, True):
                _add(found, batch, one, (batch.interface == index) & (sent == is_sent), is_sent=is_sent)
        received = [one for one in found.values() if not one.is_sent]
        if wanted is not None:
            if received and sum(_may_be(one, wanted) and not one.is_outbound for one in file.interfaces) == 1:
                break
            continue
        serial = [one for one in received if one.interface.is_serial]
        if serial:
            section = serial[0].interface.section
            found = {key: one for key, one in found.items() if one.interface.section == section}
            rivals = [one for one in file.interfaces if one.is_serial and one.section == section]
            rivals = [one for one in rivals if not one.is_outbound]
            settled = [one for one in serial if len(one.sample) >= SAMPLE_BYTES]
            if len(rivals) <= 1 or len(settled) == len(rivals):
                break
    return list(found.values())


def _add(
    found: dict[tuple[int, bool], Candidate], batch: PacketBatch, one: pb.Interface, mine: Bools, *, is_sent: bool
) -> None:
    mine &= batch.size > 0
    if not mine.any():
        return
    first = next(
        (key for key, known in found.items() if known.is_sent == is_sent and one.is_same(known.interface)), None
    )
    if first is None:
        first = one.index, is_sent
        found[first] = Candidate(one, is_sent, int(batch.t_ns[int(mine.argmax())]) != NO_TIME)
    candidate = found[first]
    missing = SAMPLE_BYTES - len(candidate.sample)
    if missing > 0:
        mine &= np.cumsum(batch.size * mine) <= missing + int(batch.size[mine][0])
        some = batch.select(mine)
        candidate.sample += some.payload(some.ends()).tobytes()


def _may_be(one: pb.Interface, wanted: str | None) -> bool:
    if wanted is None:
        return one.link_type not in pb.LINKS_USB
    return wanted in (one.name, one.description, one.origin.unit, str(one.index))


def _several(file: PacketFile, some: list[Candidate], *, what: str) -> CaptureError:
    names = pb.listed([one.interface.title for one in some])
    hint = f"choose one with --interface NUMBER; it holds {names}"
    return CaptureError(file.path, f"holds {what} of several serial interfaces", hint=hint)


def _none(file: PacketFile, wanted: str | None) -> CaptureError:
    names = pb.listed([one.title for one in file.interfaces])
    if wanted is not None and names:
        return CaptureError(file.path, f'has no interface "{sanitize(wanted, most=40)}"', hint=f"it has {names}")
    if names:
        hint = "capture the serial port, or name the one that holds it with --interface"
        return CaptureError(file.path, f"holds no serial interface and no frames, only {names}", hint=hint)
    return CaptureError(
        file.path, "describes no interface, so it holds no bytes", hint="copy the file again, or record again"
    )
