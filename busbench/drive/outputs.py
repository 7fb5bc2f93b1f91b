"""The lines of a virtual receiver as levels: the bus and servo pulse outputs."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from busbench.line import BUS_LINE
from busbench.model import I64, U8, U16
from busbench.wire.edges import Edges
from busbench.wire.frame_spec import FRAME_BYTES
from busbench.wire.scale import Scale
from busbench.wire.uart import encode_line

BUS = "bus"
_LATENCY_NS = 1_000_000
_AFTER_NS = 9_000_000


def receiver_lines(
    raw: U8,
    *,
    t_ns: I64,
    counts: U16,
    outputs: Mapping[str, int],
    scale: Scale,
    period_ns: int | None = None,
    latency_ns: int = _LATENCY_NS,
) -> dict[str, Edges]:
    """The bus and pulse outputs that follow channels at a scale.

    A pulse begins latency_ns after its frame's last bit, or every period_ns, and has the width
    that the counts ask for in the last frame that ended by latency_ns before it.

    Args:
        raw: frames as sent, uint8 (N, 25).
        t_ns: start of each frame, int64 (N,).
        counts: of channels 1-16 in each, uint16 (N, 16).
        outputs: channel (1-16) of each pulse line, by name.
        period_ns: pulse period, None for one pulse per frame.
        latency_ns: from a frame's last bit to the first pulse that can obey it.

    Returns:
        The lines by name, the bus first.

    Source: derivation; the width is the scale's closed form.
    """
    starts = t_ns[:, None] + np.arange(FRAME_BYTES) * BUS_LINE.character_ns
    lines = {BUS: encode_line(raw.reshape(-1), starts.reshape(-1))}
    end_ns = int(t_ns[-1]) + _AFTER_NS + latency_ns
    done_ns = t_ns + FRAME_BYTES * BUS_LINE.character_ns
    for name, channel in outputs.items():
        first_ns = int(done_ns[0]) + latency_ns
        begin = done_ns + latency_ns if period_ns is None else np.arange(first_ns, end_ns, period_ns)
        row = np.searchsorted(done_ns, begin - latency_ns, "right") - 1
        width = np.rint(scale.to_us(counts[row, channel - 1]) * 1000).astype(np.int64)
        edges = np.stack([begin, begin + width], axis=1).reshape(-1)
        lines[name] = Edges(edges, 0, 0, max(end_ns, int(edges[-1])))
    return lines
