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

if TYPE_CHECKING:  # the same names as below, for type checkers
    from busbench.analysis.binomial import LossBounds as LossBounds
    from busbench.analysis.binomial import loss_bounds as loss_bounds
    from busbench.analysis.change import Figure as Figure
    from busbench.analysis.channels import Channels as Channels
    from busbench.analysis.channels import ChannelStats as ChannelStats
    from busbench.analysis.channels import ChannelSummary as ChannelSummary
    from busbench.analysis.channels import Glitch as Glitch
    from busbench.analysis.channels import summarise_channels as summarise_channels
    from busbench.analysis.clock_alignment import Bounded as Bounded
    from busbench.analysis.clock_alignment import ClockAlignment as ClockAlignment
    from busbench.analysis.clock_alignment import Lateness as Lateness
    from busbench.analysis.coincidence import Coincidence as Coincidence
    from busbench.analysis.coincidence import Overlap as Overlap
    from busbench.analysis.comparison import Comparison as Comparison
    from busbench.analysis.comparison import compare as compare
    from busbench.analysis.jitter import Jitter as Jitter
    from busbench.analysis.marked_intervals import MarkedInterval as MarkedInterval
    from busbench.analysis.outages import Outage as Outage
    from busbench.analysis.outages import Outages as Outages
    from busbench.analysis.outages import OutageSummary as OutageSummary
    from busbench.analysis.outages import find_outages as find_outages
    from busbench.analysis.ranking import Ranked as Ranked
    from busbench.analysis.recording import Recording as Recording
    from busbench.analysis.recording import read_recording as read_recording
    from busbench.analysis.recording import read_recordings as read_recordings
    from busbench.analysis.several import Several as Several
    from busbench.analysis.several import SourceOutages as SourceOutages
    from busbench.analysis.several import lay_beside as lay_beside
    from busbench.analysis.skew import Skew as Skew
    from busbench.analysis.timing import Timing as Timing
    from busbench.analysis.timing import timing as timing
    from busbench.analysis.trend import History as History
    from busbench.analysis.trend import Point as Point
    from busbench.analysis.trend import Trend as Trend
    from busbench.bench.rack import Rack as Rack
    from busbench.bench.receiver import LinkState as LinkState
    from busbench.bench.receiver import Receiver as Receiver
    from busbench.bench.receiver import Reception as Reception
    from busbench.bench.recorder import Retention as Retention
    from busbench.bench.script import DriveProgram as DriveProgram
    from busbench.bench.script import DriveRun as DriveRun
    from busbench.bench.script import open_port as open_port
    from busbench.bench.script import read_program as read_program
    from busbench.bench.script import sign_off as sign_off
    from busbench.bench.sign_off import Answers as Answers
    from busbench.bench.sign_off import SignOff as SignOff
    from busbench.bench.survey import Survey as Survey
    from busbench.bench.survey import read_survey as read_survey
    from busbench.bench.survey import survey as survey
    from busbench.capture.base import Capture as Capture
    from busbench.capture.base import CaptureInfo as CaptureInfo
    from busbench.capture.base import Origin as Origin
    from busbench.capture.base import ReadOptions as ReadOptions
    from busbench.capture.frames import Span as Span
    from busbench.capture.frames import read_frames as read_frames
    from busbench.capture.left_out import LeftOut as LeftOut
    from busbench.capture.left_out import MinuteTotals as MinuteTotals
    from busbench.capture.open import open_capture as open_capture
    from busbench.drive.frame_generator import EndState as EndState
    from busbench.drive.locked_program import LockedProgram as LockedProgram
    from busbench.errors import BusbenchError as BusbenchError
    from busbench.errors import CaptureError as CaptureError
    from busbench.errors import DriveError as DriveError
    from busbench.errors import OutputError as OutputError
    from busbench.errors import PortBusy as PortBusy
    from busbench.errors import PortDenied as PortDenied
    from busbench.errors import PortError as PortError
    from busbench.errors import PortLost as PortLost
    from busbench.errors import PortMissing as PortMissing
    from busbench.errors import RigError as RigError
    from busbench.line import Chunk as Chunk
    from busbench.line import LineSettings as LineSettings
    from busbench.line import WakeUps as WakeUps
    from busbench.model import NO_CLOCK as NO_CLOCK
    from busbench.model import Annotation as Annotation
    from busbench.model import ByteLog as ByteLog
    from busbench.model import Clock as Clock
    from busbench.model import ClockKind as ClockKind
    from busbench.model import FrameTimes as FrameTimes
    from busbench.model import Reason as Reason
    from busbench.model import Rejects as Rejects
    from busbench.port.ipc import EventKind as EventKind
    from busbench.port.ipc import PortEvent as PortEvent
    from busbench.port.pacer import Transmission as Transmission
    from busbench.port.port import LivePort as LivePort
    from busbench.rig.finding import Finding as Finding
    from busbench.rig.load import read_rig as read_rig
    from busbench.rig.model import Device as Device
    from busbench.rig.model import Hub as Hub
    from busbench.rig.model import Plan as Plan
    from busbench.rig.model import Rig as Rig
    from busbench.rig.model import Supply as Supply
    from busbench.rig.model import SupplyFeed as SupplyFeed
    from busbench.rig.model import VerifyLimits as VerifyLimits
    from busbench.rig.power import LoadCase as LoadCase
    from busbench.rig.power import LoadWarning as LoadWarning
    from busbench.rig.power import NodeLoad as NodeLoad
    from busbench.rig.power import WarningKind as WarningKind
    from busbench.verify.control_moves import ControlMove as ControlMove
    from busbench.verify.inputs import ChannelPlan as ChannelPlan
    from busbench.verify.link_loss import LinkLoss as LinkLoss
    from busbench.verify.result import Check as Check
    from busbench.verify.result import Verdict as Verdict
    from busbench.verify.verify import Verification as Verification
    from busbench.wire.codec import pack_frames as pack_frames
    from busbench.wire.codec import unpack_channels as unpack_channels
    from busbench.wire.framing import FrameFinder as FrameFinder
    from busbench.wire.framing import find_frames as find_frames
    from busbench.wire.scale import Scale as Scale
    from busbench.wire.table import AlignmentResult as AlignmentResult
    from busbench.wire.table import FrameTable as FrameTable


__version__ = "0.1.0"

# Imported at first use, so that a command that needs no arrays starts without numpy.
_HOMES = {
    "analysis.binomial": ("LossBounds", "loss_bounds"),
    "analysis.change": ("Figure",),
    "analysis.channels": ("ChannelStats", "ChannelSummary", "Channels", "Glitch", "summarise_channels"),
    "analysis.clock_alignment": ("Bounded", "ClockAlignment", "Lateness"),
    "analysis.coincidence": ("Coincidence", "Overlap"),
    "analysis.comparison": ("Comparison", "compare"),
    "analysis.jitter": ("Jitter",),
    "analysis.marked_intervals": ("MarkedInterval",),
    "analysis.outages": ("Outage", "OutageSummary", "Outages", "find_outages"),
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
__all__ = sorted(name for names in _HOMES.values() for name in names)


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            value = getattr(importlib.import_module(f"busbench.{home}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module 'busbench' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
