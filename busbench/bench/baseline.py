"""An earlier recording that a later one is held against."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.analysis.comparison import Comparison, compare
from busbench.analysis.recording import Recording
from busbench.rig.model import Rig


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """An earlier recording.

    Args:
        path: its file.
        recording: all of it.
    """

    path: str
    recording: Recording

    def compare(self, new: Recording, *, rig: Rig | None = None) -> Comparison:
        """What changed to a new recording; see comparison.compare."""
        return compare(self.recording, new, rig=rig)
