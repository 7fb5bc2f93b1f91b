"""An earlier recording that a later one is held against."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.analysis.comparison import Comparison, compare
from busbench.analysis.pulses import Pulses
from busbench.analysis.recording import Recording
from busbench.rig.model import Rig


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """An earlier recording."""

    path: str  # its file
    recording: Recording  # all of it
    pulses: Pulses | None = None  # its pulse outputs, None if it holds none

    def compare(self, new: Recording, *, rig: Rig | None = None, pulses: Pulses | None = None) -> Comparison:
        """What changed to a new recording and its pulse outputs; see comparison.compare."""
        both = None if self.pulses is None or pulses is None else (self.pulses, pulses)
        return compare(self.recording, new, rig=rig, pulses=both)
