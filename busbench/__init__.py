"""busbench: bench test tool for the serial servo bus.

From Python it gives what the commands give, as arrays:

>>> import busbench
>>> raw = busbench.pack_frames([[992] * 16, [172] * 16, [1811] * 16])
>>> busbench.unpack_channels(raw)[:, 0].tolist()
[992, 172, 1811]
>>> log = busbench.ByteLog.from_bytes(b"noise" + raw.tobytes())
>>> found = busbench.find_frames(log, clock=busbench.NO_CLOCK)
>>> found.frames.offset.tolist(), found.rejects.length.tolist()
([5, 30, 55], [5])
>>> busbench.Scale().to_us(found.frames.channels[:, 0]).tolist()
[1500.0, 987.5, 2011.875]
>>> round(busbench.loss_bounds(0, 300).upper_one_sided, 6)
0.009936
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busbench.analysis.binomial import LossBounds, loss_bounds
    from busbench.analysis.change import Figure
    from busbench.analysis.channels import Channels, ChannelStats, ChannelSummary, Glitch, summarise_channels
    from busbench.analysis.clock_alignment import Bounded, ClockAlignment, Lateness
    from busbench.analysis.coincidence import Coincidence, Overlap
    from busbench.analysis.comparison import Comparison, compare
    from busbench.analysis.jitter import Jitter
    from busbench.analysis.outages import MarkedInterval, Outage, Outages, OutageSummary, find_outages
    from busbench.analysis.ranking import Ranked
    from busbench.analysis.recording import Recording, read_recording, read_recordings
    from busbench.analysis.several import Several, SourceOutages, lay_beside
    from busbench.analysis.skew import Skew
    from busbench.analysis.timing import Timing, timing
    from busbench.analysis.trend import History, Point, Trend
    from busbench.bench.rack import Rack
    from busbench.bench.receiver import LinkState, Receiver, Reception
    from busbench.bench.recorder import Retention
    from busbench.bench.script import DriveProgram, DriveRun, open_port, read_program, sign_off
    from busbench.bench.sign_off import Answers, SignOff
    from busbench.bench.survey import Survey, read_survey, survey
    from busbench.capture.base import Capture, CaptureInfo, Origin, ReadOptions
    from busbench.capture.frames import Span, read_frames
    from busbench.capture.left_out import LeftOut, MinuteTotals
    from busbench.capture.open import open_capture
    from busbench.drive.frame_generator import EndState
    from busbench.drive.locked_program import LockedProgram
    from busbench.errors import (
        BusbenchError,
        CaptureError,
        DriveError,
        OutputError,
        PortBusy,
        PortDenied,
        PortError,
        PortLost,
        PortMissing,
        RigError,
    )
    from busbench.line import Chunk, LineSettings, WakeUps
    from busbench.model import NO_CLOCK, Annotation, ByteLog, Clock, ClockKind, FrameTimes, Reason, Rejects
    from busbench.port.ipc import EventKind, PortEvent
    from busbench.port.pacer import Transmission
    from busbench.port.port import LivePort
    from busbench.rig.finding import Finding
    from busbench.rig.load import read_rig
    from busbench.rig.model import Device, Hub, Plan, Rig, Supply, SupplyFeed, VerifyLimits
    from busbench.rig.power import LoadCase, LoadWarning, NodeLoad, WarningKind
    from busbench.verify.control_moves import ControlMove
    from busbench.verify.inputs import ChannelPlan
    from busbench.verify.link_loss import LinkLoss
    from busbench.verify.result import Check, Verdict
    from busbench.verify.verify import Verification
    from busbench.wire.codec import pack_frames, unpack_channels
    from busbench.wire.framing import FrameFinder, find_frames
    from busbench.wire.scale import Scale
    from busbench.wire.table import AlignmentResult, FrameTable


__version__ = "0.1.0"

__all__ = [
    "NO_CLOCK",
    "AlignmentResult",
    "Annotation",
    "Answers",
    "Bounded",
    "BusbenchError",
    "ByteLog",
    "Capture",
    "CaptureError",
    "CaptureInfo",
    "ChannelPlan",
    "ChannelStats",
    "ChannelSummary",
    "Channels",
    "Check",
    "Chunk",
    "Clock",
    "ClockAlignment",
    "ClockKind",
    "Coincidence",
    "Comparison",
    "ControlMove",
    "Device",
    "DriveError",
    "DriveProgram",
    "DriveRun",
    "EndState",
    "EventKind",
    "Figure",
    "Finding",
    "FrameFinder",
    "FrameTable",
    "FrameTimes",
    "Glitch",
    "History",
    "Hub",
    "Jitter",
    "Lateness",
    "LeftOut",
    "LineSettings",
    "LinkLoss",
    "LinkState",
    "LivePort",
    "LoadCase",
    "LoadWarning",
    "LockedProgram",
    "LossBounds",
    "MarkedInterval",
    "MinuteTotals",
    "NodeLoad",
    "Origin",
    "Outage",
    "OutageSummary",
    "Outages",
    "OutputError",
    "Overlap",
    "Plan",
    "Point",
    "PortBusy",
    "PortDenied",
    "PortError",
    "PortEvent",
    "PortLost",
    "PortMissing",
    "Rack",
    "Ranked",
    "ReadOptions",
    "Reason",
    "Receiver",
    "Reception",
    "Recording",
    "Rejects",
    "Retention",
    "Rig",
    "RigError",
    "Scale",
    "Several",
    "SignOff",
    "Skew",
    "SourceOutages",
    "Span",
    "Supply",
    "SupplyFeed",
    "Survey",
    "Timing",
    "Transmission",
    "Trend",
    "Verdict",
    "Verification",
    "VerifyLimits",
    "WakeUps",
    "WarningKind",
    "compare",
    "find_frames",
    "find_outages",
    "lay_beside",
    "loss_bounds",
    "open_capture",
    "open_port",
    "pack_frames",
    "read_frames",
    "read_program",
    "read_recording",
    "read_recordings",
    "read_rig",
    "read_survey",
    "sign_off",
    "summarise_channels",
    "survey",
    "timing",
    "unpack_channels",
]

# Imported at first use, so that a command that needs no arrays starts without numpy.
_HOMES = {
    "analysis.binomial": ("LossBounds", "loss_bounds"),
    "analysis.change": ("Figure",),
    "analysis.channels": ("ChannelStats", "ChannelSummary", "Channels", "Glitch", "summarise_channels"),
    "analysis.clock_alignment": ("Bounded", "ClockAlignment", "Lateness"),
    "analysis.coincidence": ("Coincidence", "Overlap"),
    "analysis.comparison": ("Comparison", "compare"),
    "analysis.jitter": ("Jitter",),
    "analysis.outages": ("MarkedInterval", "Outage", "OutageSummary", "Outages", "find_outages"),
    "analysis.ranking": ("Ranked",),
    "analysis.recording": ("Recording", "read_recording", "read_recordings"),
    "analysis.several": ("Several", "SourceOutages", "lay_beside"),
    "analysis.skew": ("Skew",),
    "analysis.timing": ("Timing", "timing"),
    "analysis.trend": ("History", "Point", "Trend"),
    "bench.rack": ("Rack",),
    "bench.recorder": ("Retention",),
    "bench.receiver": ("LinkState", "Receiver", "Reception"),
    "bench.script": ("DriveProgram", "DriveRun", "open_port", "read_program", "sign_off"),
    "bench.sign_off": ("Answers", "SignOff"),
    "capture.base": ("Capture", "CaptureInfo", "Origin", "ReadOptions"),
    "bench.survey": ("Survey", "read_survey", "survey"),
    "capture.frames": ("Span", "read_frames"),
    "capture.left_out": ("LeftOut", "MinuteTotals"),
    "capture.open": ("open_capture",),
    "drive.frame_generator": ("EndState",),
    "drive.locked_program": ("LockedProgram",),
    "errors": (
        "BusbenchError", "CaptureError", "DriveError", "OutputError", "PortBusy",
        "PortDenied", "PortError", "PortLost", "PortMissing", "RigError",
    ),
    "line": ("Chunk", "LineSettings", "WakeUps"),
    "model": (
        "NO_CLOCK", "Annotation", "ByteLog", "Clock", "ClockKind", "FrameTimes", "Reason", "Rejects",
    ),
    "port.ipc": ("EventKind", "PortEvent"),
    "port.pacer": ("Transmission",),
    "port.port": ("LivePort",),
    "rig.finding": ("Finding",),
    "rig.load": ("read_rig",),
    "rig.model": ("Device", "Hub", "Plan", "Rig", "Supply", "SupplyFeed", "VerifyLimits"),
    "rig.power": ("LoadCase", "LoadWarning", "NodeLoad", "WarningKind"),
    "verify.control_moves": ("ControlMove",),
    "verify.inputs": ("ChannelPlan",),
    "verify.link_loss": ("LinkLoss",),
    "verify.result": ("Check", "Verdict"),
    "verify.verify": ("Verification",),
    "wire.codec": ("pack_frames", "unpack_channels"),
    "wire.framing": ("FrameFinder", "find_frames"),
    "wire.scale": ("Scale",),
    "wire.table": ("AlignmentResult", "FrameTable"),
}  # fmt: skip


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            value = getattr(importlib.import_module(f"busbench.{home}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module 'busbench' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
