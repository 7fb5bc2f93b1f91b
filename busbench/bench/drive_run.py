"""Send one program to a port: countdown, frames, end state. Used by commands, walks and screens."""

from __future__ import annotations

import enum
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from busbench.bench.safety import COUNTDOWN_S, UNPLUG_SENDER
from busbench.errors import PortError, pluralize
from busbench.port.clocks import SECOND_NS, real_ns
from busbench.port.pacer import FrameSource, Transmission

PAUSE_NS = SECOND_NS  # after a longer pause, nothing continues by itself
UNPLUGGED = "the port was unplugged"
STEP_NS = SECOND_NS // 4  # max that one tick subtracts from the countdown
ECHO_NS = SECOND_NS // 2  # time after the last own frame in which its echo may come


class RunState(enum.StrEnum):
    """The states of a run."""

    COUNTING = "counting down"
    HANDING_OVER = "ending what was sent before"
    SENDING = "sending"
    STOPPING = "stopping"
    OVER = "over"


class Outcome(enum.StrEnum):
    """How a run ended."""

    RAN = "ran"
    STOPPED = "stopped"
    CANCELLED = "cancelled"  # by a key or a pause, before anything was sent
    REFUSED = "refused"  # another sender is on the line; nothing was sent
    LOST = "lost"  # if frames were sent, the positions of the surfaces are unknown


class SendingPort(Protocol):
    """A port that frames are sent to."""

    @property
    def transmission(self) -> Transmission | None:
        """The state or result of the latest transmission."""

    def transmit(self, source: FrameSource) -> None:
        """Send frames from a source (raises PortError: nothing can be sent here)."""

    def stop_transmission(self) -> None:
        """Go to the end state."""


class WatchedPort(Protocol):
    """A port read by the caller, such as a Receiver."""

    @property
    def port(self) -> SendingPort:
        """The port itself."""

    @property
    def times_away(self) -> int:
        """How often it was unplugged."""

    @property
    def frames_total(self) -> int:
        """How many frames came."""


class SendingRun:
    """Sends one program once. The reader of the port calls `tick` at least every 0.25 s.

    Args:
        countdown_s: time during which a key cancels.
        now_ns: a clock that also runs while the process is stopped or the computer suspended.
    """

    def __init__(
        self,
        watched: WatchedPort,
        source: FrameSource,
        *,
        countdown_s: float = COUNTDOWN_S,
        now_ns: Callable[[], int] = real_ns,
    ) -> None:
        self._watched, self._source, self._now_ns = watched, source, now_ns
        self._times_away = watched.times_away
        self._left_ns = round(countdown_s * 1e9)
        self._looked_ns = now_ns()
        self._heard = watched.frames_total
        self._others = 0  # frames that came in the countdown from another sender
        self._echo_end_ns = self._looked_ns + (0 if watched.port.transmission is None else ECHO_NS)
        self._begun_ns: int | None = None
        self._takes_over = False
        self.how = Transmission()  # what was sent
        self.state = RunState.COUNTING
        self.outcome: Outcome | None = None
        self.reason = ""  # why it did not run to its end, unless a key ended it

    @property
    def is_over(self) -> bool:
        """True if nothing more will be sent."""
        return self.state is RunState.OVER

    @property
    def is_sending(self) -> bool:
        """True from the first frame to the last."""
        return self.state in (RunState.SENDING, RunState.STOPPING)

    @property
    def has_sent(self) -> bool:
        """True if frames were sent."""
        return self._begun_ns is not None

    @property
    def left_s(self) -> float:
        """Remaining countdown."""
        return max(0, self._left_ns) / 1e9

    @property
    def duration_s(self) -> float:
        """Time from the first frame to the last tick."""
        return 0.0 if self._begun_ns is None else (self._looked_ns - self._begun_ns) / 1e9

    @property
    def result_text(self) -> str:
        """For example "500 frames sent, …" or "cancelled; nothing was sent"."""
        if self.has_sent:
            return replace(self.how, reason=self.reason or self.how.reason).result_text
        if self.outcome is Outcome.REFUSED:
            return f"{self.reason}: {UNPLUG_SENDER}"
        if self.outcome is Outcome.LOST and self.reason != UNPLUGGED:
            return self.reason
        before = "; what was sent before has stopped" if self._takes_over else ""
        return f"cancelled{f': {self.reason}' if self.reason else ''}; nothing was sent{before}"

    def stop(self) -> None:
        """A key or a click: cancel, or go to the end state; a second one ends a hold."""
        if self.is_sending:
            self.state = RunState.STOPPING
            self._watched.port.stop_transmission()
        elif not self.is_over:
            self._end(Outcome.CANCELLED)

    def lose(self, reason: str) -> None:
        """The port is lost: reading it raised this error."""
        if not self.is_over:
            self.how = self._watched.port.transmission or self.how if self.has_sent else self.how
            self._end(Outcome.LOST, reason)

    def tick(self) -> None:
        """Count down, start sending, follow."""
        now_ns = self._now_ns()
        gone_ns, self._looked_ns = now_ns - self._looked_ns, now_ns
        if self.is_sending:
            self._follow()
        elif self.is_over:
            return
        elif self._watched.times_away != self._times_away:  # plugged in again or not: nothing moves by itself
            self._end(Outcome.LOST, UNPLUGGED)
        elif gone_ns > PAUSE_NS:
            self._end(Outcome.CANCELLED, f"busbench was stopped for {gone_ns / 1e9:.1f} s")
        elif self.state is RunState.HANDING_OVER:
            self._hand_over()
        else:
            self._count(gone_ns)

    def _count(self, gone_ns: int) -> None:
        before = self._watched.port.transmission
        self._listen(is_ours=before is not None and not before.is_over)
        self._left_ns -= min(gone_ns, STEP_NS)
        if self._left_ns > 0:
            return
        if self._others:
            came = pluralize(self._others, "frame")
            self._end(Outcome.REFUSED, f"nothing was sent, since another sender is on the line ({came} came)")
            return
        self.state = RunState.HANDING_OVER
        self._takes_over = before is not None and not before.is_over
        if self._takes_over:
            self._watched.port.stop_transmission()
        self._hand_over()

    def _listen(self, *, is_ours: bool) -> None:
        """Count the frames of another sender: those that came well after our own."""
        came, self._heard = self._watched.frames_total - self._heard, self._watched.frames_total
        if is_ours:
            self._echo_end_ns = self._looked_ns + ECHO_NS
        if self._looked_ns >= self._echo_end_ns:
            self._others += came

    def _hand_over(self) -> None:
        before = self._watched.port.transmission
        if before is not None and not before.is_over:
            return
        if before is not None and before.is_broken_off and self._takes_over:
            self._end(Outcome.LOST, before.reason)
            return
        try:
            self._watched.port.transmit(self._source)
        except PortError as error:
            self._end(Outcome.LOST, error.problem)
            return
        self._begun_ns, self.state = self._looked_ns, RunState.SENDING

    def _follow(self) -> None:
        how = self.how = self._watched.port.transmission or self.how
        if not how.is_over:
            return
        if how.is_broken_off:
            self._end(Outcome.LOST, how.reason)
        else:
            self._end(Outcome.STOPPED if self.state is RunState.STOPPING else Outcome.RAN)

    def _end(self, outcome: Outcome, reason: str = "") -> None:
        self.state, self.outcome, self.reason = RunState.OVER, outcome, reason
