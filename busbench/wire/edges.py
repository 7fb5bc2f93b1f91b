"""The level of a line over time, as the times of its changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busbench.model import I64, U8, set_readonly


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """The level of a line over a time range, as the times of its changes."""

    t_ns: I64  # time of each change, int64 (E,), strictly rising
    initial: int  # level before the first change, 0 or 1
    start_ns: int  # start of the record
    end_ns: int  # end of the record; the time of the last change if the record does not state it

    def __post_init__(self) -> None:
        set_readonly(self.t_ns)

    def __len__(self) -> int:
        return int(self.t_ns.size)

    @property
    def level(self) -> U8:
        """Level after each change, uint8 (E,)."""
        return ((np.arange(1, len(self) + 1) & 1) ^ self.initial).astype(np.uint8)

    @property
    def final(self) -> int:
        """Level at the end."""
        return self.initial ^ (len(self) & 1)

    @staticmethod
    def from_levels(t_ns: I64, level: U8, *, end_ns: int | None = None, before: Edges | None = None) -> Edges:
        """The level changes in a list of times and levels; repeated levels are no change.

        Args:
            t_ns: times, int64 (K,), not falling; the last level at one time counts.
            level: level from each time on, uint8 (K,), 0 or 1.
            end_ns: end of the record, the last time if None.
            before: the record that this one continues, if any.
        """
        if t_ns.size > 1:
            last = np.append(t_ns[1:] != t_ns[:-1], True)
            t_ns, level = t_ns[last], level[last]
        if before is None:
            initial = int(level[0]) if level.size else 0
            start_ns = int(t_ns[0]) if t_ns.size else end_ns or 0
        else:
            initial, start_ns = before.final, before.end_ns
        changed = np.diff(level, prepend=np.uint8(initial)) != 0
        if end_ns is None:
            end_ns = int(t_ns[-1]) if t_ns.size else start_ns
        return Edges(t_ns[changed], initial, start_ns, end_ns)

    @staticmethod
    def join(parts: Sequence[Edges]) -> Edges:
        """Join consecutive records."""
        first, last = parts[0], parts[-1]
        t_ns = first.t_ns if len(parts) == 1 else np.concatenate([part.t_ns for part in parts])
        return Edges(t_ns, first.initial, first.start_ns, last.end_ns)
