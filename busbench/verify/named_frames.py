"""Name frames outside their limits: when, in which phase, which value, and how many."""

from __future__ import annotations

from busbench.errors import pluralize
from busbench.model import I64
from busbench.verify.inputs import ChannelPlan, VerifyInputs
from busbench.verify.phases import Phase, Phases
from busbench.wire.frame_spec import FLAG_FAILSAFE


def name_frames(evidence: VerifyInputs, phases: Phases, mapped: ChannelPlan, rows: I64) -> str:
    """The first frame and the number: "1811 counts at 0.91 s (at rest), 67 frames to 1.89 s"."""
    first, last = int(rows[0]), int(rows[-1])
    phase = Phase(int(phases.of_frame[first]))
    words = phase.words
    if phase is Phase.MOVE:
        controls = [turn.control for turn in phases.control_moves.values() if turn.first <= first < turn.stop]
        controls += [window.word for window in phases.windows if window.first <= first < window.done]
        words = f'while "{controls[0]}" is moved' if controls else words
    if phase is Phase.FAILSAFE and not evidence.recording.frames.flags[first] & FLAG_FAILSAFE:
        words = "without link, not flagged failsafe"
    where = f"at frame {first + 1}" if evidence.no_times else f"at {evidence.t_s[first]:.3f} s"
    said = f"{mapped.level(float(evidence.counts[mapped.channel - 1][first]))} {where} ({words})"
    if rows.size > 1:
        until = f"frame {last + 1}" if evidence.no_times else f"{evidence.t_s[last]:.3f} s"
        said += f", {pluralize(rows.size, 'frame')} until {until}"
    return said
