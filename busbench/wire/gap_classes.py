"""Why bytes between two frames are in no frame."""

from __future__ import annotations

from busbench.model import Reason
from busbench.wire.frame_spec import END_SLOTS, FRAME_BYTES, HEADER, SLOT_GAPS, is_slot_gap

Run = tuple[int, int, int]  # start, end, Reason


def _tail(size: int) -> int:
    """Bytes of replies after damaged frames (whole in length, or one byte short or long), 0 for none."""
    for off in (0, FRAME_BYTES - 1, 1):
        for tail in SLOT_GAPS:
            if size - tail >= FRAME_BYTES - 1 and (size - tail) % FRAME_BYTES == off:
                return tail
    return 0


def sort_gap(gap: bytes, start: int, *, end_before: int | None, is_first: bool, is_last: bool) -> list[Run]:
    """Split the bytes between two frames into runs of one reason each.

    Args:
        end_before: end byte of the frame before, None without one.
        is_first: no frame comes before: the log may begin inside one.
        is_last: no frame follows: the log may end inside one.
    """
    size, end = len(gap), start + len(gap)
    if not size:
        return []
    if end_before is not None and is_slot_gap(end_before, size, gap[0]):
        return [(start, end, Reason.SLOT)]
    if is_first and size < FRAME_BYTES:
        return [(start, end, Reason.CUT)]
    if is_last and size < FRAME_BYTES and gap[0] == HEADER:
        return [(start, end, Reason.CUT)]
    if end_before not in END_SLOTS:
        return [(start, end, Reason.DAMAGED)]
    # Replies may come before a damaged or cut frame (then a header follows them) or after it.
    for lead in SLOT_GAPS:
        if lead < size and gap[0] != HEADER and gap[lead] == HEADER:
            rest = Reason.CUT if is_last and size - lead < FRAME_BYTES else Reason.DAMAGED
            return [(start, start + lead, Reason.SLOT), (start + lead, end, rest)]
    if tail := _tail(size):
        return [(start, end - tail, Reason.DAMAGED), (end - tail, end, Reason.SLOT)]
    return [(start, end, Reason.DAMAGED)]
