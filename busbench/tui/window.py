"""The stretch of a session that the timeline shows: all of it, or less and less around the place."""

from __future__ import annotations

import math

from busbench.tui.session import Session

FACTOR = 3  # a step shows so much less
_LEAST_FRAMES = 24  # of the closest look
_SNAP = 8  # the window moves by such parts of itself, so that it does not shimmer


def most_zoom(session: Session) -> int:
    """Steps down to single frames."""
    whole = max(1, session.end - session.start)
    return max(0, math.ceil(math.log(whole / _least(session), FACTOR))) if whole > _least(session) else 0


def timeline_window(session: Session, zoom: int) -> tuple[int, int]:
    """Places on the axis from which and up to which the timeline goes.

    Args:
        session: at whose place one looks.
        zoom: steps, 0 for all of it.
    """
    lo, hi = session.start, max(session.end, session.start + 1)
    zoom = min(zoom, most_zoom(session))
    if not zoom:
        return lo, hi
    length = max(_least(session), round((hi - lo) / FACTOR**zoom))
    step = max(1, length // _SNAP)
    first = (session.place - length // 2) // step * step
    first = min(max(first, lo), max(lo, hi - length))
    return first, first + length


def _least(session: Session) -> int:
    period_s = session.losses.period_s or 0.015
    return _LEAST_FRAMES if not session.clock.is_known else max(_LEAST_FRAMES, round(_LEAST_FRAMES * period_s * 1e9))
