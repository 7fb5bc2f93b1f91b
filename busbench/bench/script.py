"""Ports, plans and programs for scripts: the procedures of the commands, under short names."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from os import PathLike
from typing import TYPE_CHECKING

from busbench.analysis.recording import read_recording
from busbench.bench import sign_off as whole
from busbench.bench.drive_run import Outcome, SendingRun
from busbench.bench.plan_limits import LimitSources, MotorOption
from busbench.bench.receiver import LOOK_S, Receiver, Reception
from busbench.bench.replay import load_recording
from busbench.bench.safety import LISTEN_S, UNPLUG_SENDER, require_arming, require_motor
from busbench.bench.sign_off import Baseline, SignOff, find_answers, pulse_outputs
from busbench.bench.sources import is_virtual, open_source
from busbench.capture.base import ReadOptions
from busbench.drive import program_file
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.drive.locked_program import LockedProgram
from busbench.drive.program import Program
from busbench.errors import PortError, PortLost
from busbench.line import BUS_LINE, LineSettings
from busbench.port.pacer import Transmission
from busbench.port.port import LivePort
from busbench.rig.model import Rig

if TYPE_CHECKING:
    from busbench.analysis.recording import Recording

_TICK_S = 0.05


def open_port(source: str, *, line: LineSettings = BUS_LINE) -> LivePort:
    """Open a port, an address, a virtual receiver or a virtual aircraft; a context manager.

    Args:
        source: a device's name, `socket://HOST:PORT`, `virtual:` with settings, or `virtual:RIG.toml`.
        line: settings of the line.

    Returns:
        The open port, for `Receiver` and `DriveRun`.

    Raises:
        PortError: it cannot be opened; the class says why.
    """
    return open_source(source, line=line)


@dataclass(frozen=True, slots=True)
class DriveProgram:
    """A drive program as read from its file. It can only be sent after one of its methods has locked it.

    Args:
        program: its parts and limits.
    """

    program: Program

    @property
    def duration_s(self) -> float:
        """Time from the first frame to the last."""
        return self.program.duration_s

    def locked_for(self, rig: Rig) -> LockedProgram:
        """Lock it to the limits of a plan, with its motors off.

        Args:
            rig: the plan.

        Raises:
            DriveError: the plan has faults, does not say what can turn a propeller, or contradicts the program.
        """
        name = rig.plan.name
        sources = LimitSources(plans=((name, rig),))
        require_motor(name, names_motor=sources.names_motor, unsaid=sources.unstated, has_options=False)
        return sources.lock(self.program)

    def with_motor(self, *channels: int) -> LockedProgram:
        """Lock motors on these channels (1-18) at their low end.

        Raises:
            DriveError: the program moves one of them, or rests it elsewhere.
        """
        return LimitSources(motors=tuple(MotorOption(channel - 1) for channel in channels)).lock(self.program)

    def without_motor(self) -> LockedProgram:
        """State that no channel drives a motor."""
        return LimitSources(has_no_motor=True).lock(self.program)


def read_program(path: str | PathLike[str]) -> DriveProgram:
    """Read a drive program from a TOML file.

    Args:
        path: the TOML file.

    Returns:
        The program, to be locked before it is sent.

    Raises:
        DriveError: the file cannot be read, or has errors.
    """
    return DriveProgram(program_file.read_program(str(path), load=load_recording))


class DriveRun:
    """Send one locked program to a port. Observe the cautions in README first.

    Args:
        port: an open port.
        program: what to send.
        armed: True to allow movement on a real port.
        end: what to do at the end, and when stopped.
        listener: called with each reception meanwhile.

    Raises:
        DriveError: not armed; nothing was sent.
    """

    def __init__(
        self,
        port: LivePort,
        program: LockedProgram,
        *,
        armed: bool,
        end: EndState = EndState.REST,
        listener: Callable[[Reception], None] | None = None,
    ) -> None:
        is_rehearsal = is_virtual(port.source)
        require_arming(port.source, is_armed=armed or is_rehearsal)
        self._receiver = Receiver(port)
        if listener is not None:
            self._receiver.listeners.append(listener)
        source, wait_s = DriveSource(program, end=end), 0 if is_rehearsal else LISTEN_S
        self._run = SendingRun(self._receiver, source, countdown_s=wait_s)

    def stop(self) -> None:
        """Go to the end state; may be called from another thread while `wait` runs."""
        self._run.stop()

    def wait(self) -> Transmission:
        """Send it to its end. Ctrl-C moves all channels to rest, as a key does in the command.

        Raises:
            PortError: another sender is on the line; nothing was sent.
            PortLost: the drive was interrupted; the positions of the surfaces are unknown.
        """
        run, receiver = self._run, self._receiver
        while not run.is_over:
            try:
                run.tick()
                receiver.pump(_TICK_S)
            except KeyboardInterrupt:
                run.stop()
        receiver.pump(LOOK_S)  # what the last frames caused
        receiver.finish()
        if run.outcome is Outcome.REFUSED:
            raise PortError(receiver.port.source, run.reason, hint=UNPLUG_SENDER)
        if run.outcome is Outcome.LOST:
            raise PortLost(receiver.port.source, run.reason, hint="the positions of the surfaces are not known")
        return run.how


def sign_off(
    recording: Recording,
    rig: Rig,
    *,
    answers: str | PathLike[str] | None = None,
    pulses: str | PathLike[str] | None = None,
    baseline: str | PathLike[str] | None = None,
) -> SignOff:
    """Check a recording of one test sequence against a plan, as the command `verify` does.

    Args:
        recording: all frames.
        rig: the plan.
        answers: file of the answers of a walk, if they count.
        pulses: the recording's file, if it holds pulse outputs beside the bus.
        baseline: file of an earlier recording: what has changed since fails.

    Returns:
        The verdict, with every check.

    Raises:
        DriveError: the answers cannot be read.
        RigError: the answers are those of another aircraft.
        CaptureError: the pulse outputs or the earlier recording cannot be read.
    """
    kept = None if answers is None else find_answers(rig, rig_path="", path=answers)
    outputs = None if pulses is None else pulse_outputs(str(pulses), ReadOptions())
    earlier = None
    if baseline is not None:
        path = str(baseline)
        earlier = Baseline(path, read_recording(path), pulse_outputs(path, ReadOptions()))
    return whole.sign_off(recording, rig, answers=kept, pulses=outputs, baseline=earlier)
