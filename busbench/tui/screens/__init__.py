"""The screens, one file each. A further view is a further row of VIEWS."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from busbench.tui.screens.base import BenchView


@dataclass(frozen=True, slots=True)
class View:
    """A view of a session."""

    name: str  # as in the palette of commands
    key: str
    text: str
    module: str
    class_: str

    def load(self) -> type[BenchView]:
        """The class; its module is loaded only now."""
        module = importlib.import_module(f"busbench.tui.screens.{self.module}")
        return cast("type[BenchView]", getattr(module, self.class_))


VIEWS = (
    View("Channels", "1", "all 18 channels: value, min and max, trace, state", "channels", "ChannelsView"),
    View("Timing", "2", "period, jitter and its bounds, histogram", "timing", "TimingView"),
    View("Outages", "3", "timeline, list, what each channel did", "outages", "OutagesView"),
    View("Range check", "4", "large figures to be read from metres away", "range_check", "RangeView"),
    View("Verify", "5", "the plan checked, step by step or on a recording", "verify", "VerifyView"),
    View("Walk", "6", "one device moves after another, and you say what it did", "walk", "WalkView"),
    View("Drive", "7", "one channel moved by a shape, inside limits; any key stops", "drive", "DriveView"),
    View("Rig", "8", "the plan as a tree with voltage and current", "rig", "RigView"),
)
