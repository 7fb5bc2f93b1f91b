"""When frames go out: absolute deadlines, a late slot skipped and counted, never bunched."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from busbench.errors import pluralize

LATE_NS = 1_000_000  # a frame that leaves later than this counts as late
PAUSE_NS = 1_000_000_000  # no slot used for longer than this ends a transmission
STALL_NS = 500_000_000  # the system still holds a frame after this: it ends too
REST_NS = 1_000_000  # idle line kept between two frames; of less idle time than twice that, half is kept
STOPPED = "stopped"  # the reason where a person ended it
STALLED = "the port took nothing for 0.5 s"
_FRAME_BYTES = 25


class FrameSource(Protocol):
    """What a transmission asks for frames.

    An object of a class that can be pickled and whose module the child can import.
    It is pickled before its first frame and lives in the child from then on.
    `next_frame` is called once a slot and must return within a fraction of a
    period; what it raises ends the transmission at once. A skipped slot is not
    asked for, so a program waits and nothing ever moves faster than it says. One
    frame is asked for ahead: after `request_stop` it still goes out.
    """

    period_s: float

    def next_frame(self) -> bytes | None:
        """25 bytes; no bytes where the slot stays empty on purpose; None at the end."""

    def request_stop(self) -> None:
        """Go to the end state from the frame last handed out.

        Called once where a person stops; twice in a row if no one is left who
        could stop it once more, and then `next_frame` must come to None by itself.
        """


@dataclass(frozen=True, slots=True)
class Transmission:
    """How a transmission goes or went.

    Args:
        frames: sent.
        late: of these, sent more than 1 ms after their deadline.
        skipped: slots in which it was too late to send.
        worst_late_ns: the latest frame.
        is_over: True if nothing more will be sent.
        reason: why it ended or is ending before its own end, or an empty string.
    """

    frames: int = 0
    late: int = 0
    skipped: int = 0
    worst_late_ns: int = 0
    is_over: bool = False
    reason: str = ""

    @property
    def is_broken_off(self) -> bool:
        """True if something else than its own end or a person ended it."""
        return self.reason not in ("", STOPPED)

    def progress_text(self, period_s: float) -> str:
        """For example "12.3 s, 1,757 frames, 2 late, 0 skipped"; the time is that of the slots gone by."""
        slots_s = (self.frames + self.skipped) * period_s
        stopping = ", stopping" if self.reason else ""
        return f"{slots_s:.1f} s, {pluralize(self.frames, 'frame')}, {self.late} late, {self.skipped} skipped{stopping}"

    @property
    def result_text(self) -> str:
        """For example "500 frames sent, 2 late, 0 skipped, worst lateness 1.204 ms (stopped)"."""
        reason = f" ({self.reason})" if self.reason else ""
        return (
            f"{pluralize(self.frames, 'frame')} sent, {self.late} late, {self.skipped} skipped,"
            f" worst lateness {self.worst_late_ns / 1e6:.3f} ms{reason}"
        )


class Pacer:
    """The slots of one transmission.

    Args:
        start_ns: deadline of the first.
        character_ns: time of a character on the line.
        real_ns: now, on a clock that runs while the process is stopped and the machine is suspended.
    """

    def __init__(self, source: FrameSource, *, start_ns: int, character_ns: int, real_ns: int) -> None:
        self._source = source
        self._start_ns = start_ns
        self._used_ns = start_ns  # when a slot was last used, on the clock of the slots and on the other
        self._used_real_ns = real_ns
        self._held_ns: int | None = None  # since when the system holds a frame that should have left
        self._period_ns = round(source.period_s * 1e9)
        if self._period_ns <= 0:
            raise ValueError(f"a period of {source.period_s} s cannot be kept")
        idle_ns = self._period_ns - _FRAME_BYTES * character_ns
        spare_ns = idle_ns - min(REST_NS, idle_ns // 2)
        self._late_max_ns = max(0, min(self._period_ns // 2, spare_ns))
        self._slot = 0
        self._frames = self._late = self._skipped = self._worst_ns = 0
        self._reason = ""
        self._next: bytes | None = b""
        self._fetch()

    @property
    def deadline_ns(self) -> int:
        """When the next slot begins."""
        return self._start_ns + self._slot * self._period_ns

    @property
    def is_over(self) -> bool:
        """True if no slot follows."""
        return self._next is None

    @property
    def state(self) -> Transmission:
        """Counts so far."""
        return Transmission(self._frames, self._late, self._skipped, self._worst_ns, self.is_over, self._reason)

    def step(self, now_ns: int, *, real_ns: int, is_free: bool = True) -> bytes | None:
        """Take the slot that is due.

        A slot is skipped where it is too late, where the system still holds what was sent
        before, and once more after that: the far end may have read it a moment ago only.

        Args:
            now_ns: the time, not before the deadline.
            real_ns: the same on the clock that runs in suspend.
            is_free: False while the system holds frames that should have left.

        Returns:
            What to send now, then to be noted with `sent`: a whole frame, or no
            bytes in a slot that stays empty. None if the slot is skipped, or
            where this ended the transmission.
        """
        self._look_for_pause(now_ns, real_ns)
        if self.is_over:
            return None
        slot = max(self._slot, (now_ns - self._start_ns) // self._period_ns)
        self._skipped += slot - self._slot
        late_ns = now_ns - self._start_ns - slot * self._period_ns
        self._slot = slot + 1
        was_held = self._held_ns is not None
        if is_free:
            self._held_ns = None
        elif self._held_ns is None:
            self._held_ns = now_ns
        elif now_ns - self._held_ns >= STALL_NS:
            self.cut(STALLED)
            return None
        if late_ns > self._late_max_ns or was_held or not is_free:
            self._skipped += 1
            return None
        self._used_ns, self._used_real_ns = now_ns, real_ns
        return self._next

    def _look_for_pause(self, now_ns: int, real_ns: int) -> None:
        """End it where no slot was used for too long, by the clock that ran: nothing goes on by itself."""
        awake_ns, gone_ns = now_ns - self._used_ns, real_ns - self._used_real_ns
        if max(awake_ns, gone_ns) <= PAUSE_NS + self._period_ns:
            return
        if gone_ns - awake_ns > PAUSE_NS // 2:
            self.cut(f"the computer was suspended for {(gone_ns - awake_ns) / 1e9:.1f} s")
        else:
            why = "busbench was stopped, or the computer or the port was busy"
            self.cut(f"no frame went out for {awake_ns / 1e9:.1f} s: {why}")

    def sent(self, now_ns: int) -> None:
        """The slot just taken is done: note how late it was, and fetch the next frame."""
        if self._next:
            late_ns = now_ns - (self.deadline_ns - self._period_ns)
            self._frames += 1
            self._late += late_ns > LATE_NS
            self._worst_ns = max(self._worst_ns, late_ns)
        self._fetch()

    def stop(self, reason: str, *, is_abandoned: bool = False) -> None:
        """Let the source come to its end; `is_abandoned` if no one is left to stop it once more."""
        self._reason = self._reason or reason
        try:
            self._source.request_stop()
            if is_abandoned:
                self._source.request_stop()
        except Exception as error:
            self.cut(f"the frame source failed ({type(error).__name__}: {error})")

    def cut(self, reason: str) -> None:
        """Send nothing more; this counts as the reason even where a person had it stop before."""
        self._reason = reason if self._reason in ("", STOPPED) else self._reason
        self._next = None

    def _fetch(self) -> None:
        if self.is_over:
            return
        try:
            self._next = self._source.next_frame()
        except Exception as error:
            self.cut(f"the frame source failed ({type(error).__name__}: {error})")
