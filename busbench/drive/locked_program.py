"""The only kind of program that can be sent: its limits merge those of all sources."""

from __future__ import annotations

from typing import Any

from busbench.drive.program import Program

MAKER_KEY = object()
"""For bench/plan_limits.py alone; a test says so."""


class LockedProgram:
    """A program within the limits of plan, options and its own file; only plan_limits makes one.

    Attributes:
        program: with the merged limits and the names of its channels.
        cautions: additional cautions of the plan, such as how an ignition is killed by hand.
    """

    __slots__ = ("cautions", "program")
    program: Program
    cautions: tuple[str, ...]

    def __init__(self, program: Program, *, cautions: tuple[str, ...] = (), key: object) -> None:
        if key is not MAKER_KEY:
            raise TypeError("a LockedProgram comes from bench.plan_limits only")
        object.__setattr__(self, "program", program)
        object.__setattr__(self, "cautions", cautions)

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError("a LockedProgram is read-only")

    def __reduce__(self) -> Any:
        raise TypeError("a LockedProgram is not to be pickled: the frames made of it are")
