"""The frames around an outage with their bytes."""

from __future__ import annotations

from busbench.analysis.outages import Outage
from busbench.errors import pluralize
from busbench.tui.session import Session
from busbench.tui.text import Line, duration, fit, place_words
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST

_WIDE = 120  # cells from which bytes are apart, after offset and flags in words
_STYLES = {"failsafe": "gap", "lost": "lost", "damaged": "damaged"}


def byte_lines(session: Session, index: int, width: int, height: int) -> list[Line]:
    """A head, then frames before, during and after an outage; what is missing or in no frame is said between them."""
    event, store, is_wide = session.events.items[index], session.store, width >= _WIDE
    head = f" outage {index + 1} ({event.kind})"
    columns = f"{'at byte':>8}   {'flags':<10}bytes" if is_wide else "  frames with their bytes"
    out: list[Line] = [[(fit(f"{head:<20}{columns}", width), "head")]]
    first = int(store.offset.searchsorted(event.offset))
    came = event.frames - event.missing
    room = height - 2
    lo = max(0, first - max(1, room // 3))
    hi = min(len(store), lo + room)
    if hi <= lo:
        return [*out, [(" no frame is near it", "dim")]]
    table = store.table(lo, hi)
    for at, row in enumerate(range(lo, hi)):
        if row == first and not came:
            out.append([(fit(f" --- {_between(event)} ---", width), "gap")])
        word = _word(int(table.flags[at]), is_damaged=bool(table.line_marks[at]))
        sign = ">" if first <= row < first + came else " "
        place = f" {sign} {place_words(session, store.axis(row)):>11}"
        raw = table.raw[at].tobytes()
        if is_wide:
            place, state, data = f"{place}{int(table.offset[at]):>14}   ", fit(word, 10), raw.hex(" ")
        else:
            place, state, data = f"{place} ", fit(word[:1], 2), raw.hex()
        style = _STYLES.get(word, "ink")
        shown = fit(data, max(0, width - len(place) - len(state)))
        out.append([(place, "ink"), (state, style), (shown, style if word else "dim")])
    return out[:height]


def _between(event: Outage) -> str:
    """What did not come, or came in no frame."""
    missing = f"{pluralize(event.missing, 'frame')} missing" if event.missing else ""
    damaged = f"{pluralize(event.bytes, 'byte')} in no frame" if event.bytes else ""
    lasted = "" if event.duration_s is None else duration(event.duration_s)
    return ", ".join(filter(None, (missing, damaged, lasted)))


def _word(flags: int, *, is_damaged: bool) -> str:
    if is_damaged:
        return "damaged"
    return "failsafe" if flags & FLAG_FAILSAFE else "lost" if flags & FLAG_LOST else ""
