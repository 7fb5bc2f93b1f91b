"""Numbers as options take them."""

from __future__ import annotations

import math
from typing import Any

import click


class FiniteRange(click.FloatRange):
    """A number within bounds; nan and inf are none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; see click.ParamType."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a valid float.", param, ctx)
        return number
