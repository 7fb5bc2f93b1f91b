"""The stretch of a session that the timeline and large plots show: all of it, or a length around the place."""

from __future__ import annotations

from busbench.tui.session import Session

FACTOR = 3  # between two lengths
_LEAST_FRAMES = 24  # of the closest look
_SNAP = 8  # the window moves by such parts of itself, so that it does not shimmer


def length_of(session: Session, level: int) -> int:
    """Length on the axis at a level: single frames at 0."""
    period_s = session.losses.period_s or 0.015
    least = _LEAST_FRAMES * (period_s * 1e9 if session.clock.is_known else 1)
    return max(_LEAST_FRAMES, round(least * float(FACTOR) ** level))


def level_within(session: Session, length: int) -> int | None:
    """The widest level that is no longer than a length and shorter than the session; None if none is shorter."""
    whole, level = session.end - session.start, 0
    if length_of(session, 0) >= min(whole, length):
        return None
    while length_of(session, level + 1) < min(whole, length + 1):
        level += 1
    return level


def zoomed(session: Session, level: int | None, steps: int) -> int | None:
    """The level some steps closer, or farther where negative; None shows all."""
    whole = session.end - session.start
    for _ in range(abs(steps)):
        if steps > 0:
            level = level_within(session, whole) if level is None else max(0, level - 1)
        elif level is not None:
            level = level + 1 if length_of(session, level + 1) < whole else None
    return level


def timeline_window(session: Session, level: int | None) -> tuple[int, int]:
    """Places on the axis from which and up to which the timeline of a level goes; see length_of."""
    lo, hi = session.start, max(session.end, session.start + 1)
    length = hi - lo if level is None else min(length_of(session, level), hi - lo)
    if length == hi - lo:
        return lo, hi
    step = max(1, length // _SNAP)
    first = (session.place - length // 2) // step * step
    first = min(max(first, lo), max(lo, hi - length))
    return first, first + length
