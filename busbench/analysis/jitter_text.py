"""The period jitter in words."""

from __future__ import annotations

import math

from busbench.analysis.jitter_range import JitterRange

ADVICE = "record with a logic analyser, or with an adapter whose latency timer is short"


def explain_jitter(found: JitterRange | None) -> str:
    """What is known about the period jitter and why, in one line."""
    if found is None:
        return f"too few periods, or too late reads, to say anything of jitter; {ADVICE}"
    match found.way:
        case "bytes":
            return "each byte has its own time"
        case "cut":
            why = "reads cut frames, so that their ends are known to a character"
        case "blocks":
            why = "the adapter hands over blocks, so that bytes held back look late"
        case _ if found.grid.hides_ns:
            step_ms, hides_ms = found.grid.step_ns / 1e6, found.grid.hides_ns / 1e6
            why = f"reads come every {step_ms:.3g} ms and can hide jitter up to {hides_ms:.2g} ms"
        case _ if found.grid.step_ns:
            why = f"reads come every {found.grid.step_ns / 1e6:.3g} ms, which adds to the jitter"
        case _ if found.host is None:
            why = "each read held a whole frame, so the computer's share is unknown"
        case _:
            most_ns = found.host.most_ns
            why = f"the computer woke {'at most' if math.isfinite(most_ns) else 'over'}"
            why += f" {most_ns / 1e6 if math.isfinite(most_ns) else 50:g} ms late while recording"
    if found.way == "whole" and found.grid.may_hide_ns > found.grid.hides_ns:
        why += f"; reads in step with the period may hide {found.grid.may_hide_ns / 1e6:.2g} ms"
    return f"{describe_range(found.kind, found.rms / 1e9, found.low / 1e9, found.high / 1e9)}: {why}"


def describe_range(kind: str, rms_s: float, low_s: float, high_s: float) -> str:
    """The range alone: `kind` is "figure" or "at most"; what was seen, and the bounds."""
    if kind == "at most":
        return f"period jitter is at most {_ms(high_s)} ms rms"
    return f"period jitter {_ms(rms_s)} ms rms, true value within {_ms(max(high_s - rms_s, rms_s - low_s))} ms"


def _ms(value_s: float) -> str:
    return f"{value_s * 1e3:.2g}" if value_s < 0.1e-3 else f"{value_s * 1e3:.2f}"
