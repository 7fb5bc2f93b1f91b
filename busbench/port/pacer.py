"""The times of frames: absolute deadlines; late slots are skipped and counted, never bunched."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from busbench.errors import pluralize
from busbench.wire.frame_spec import FRAME_BYTES

LATE_NS = 1_000_000  # a frame sent later than this counts as late
PAUSE_NS = 1_000_000_000  # no used slot for longer than this ends a transmission
STALL_NS = 500_000_000  # a frame unsent for longer than this ends it too
REST_NS = 1_000_000  # idle time kept between two frames; half of the idle time if that is less than twice this
STOPPED = "stopped"  # the reason if the user ended it
STALLED = "the port took nothing for 0.5 s"


class FrameSource(Protocol):
    """The source of frames for a transmission.

    Its class must be picklable, and its module importable by the child.
    It is pickled before its first frame, and is used in the child from then on.
    `next_frame` is called once per slot and must return within a fraction of a
    period; an exception ends the transmission at once. For a skipped slot it is not
    called, so the program waits and nothing moves faster. One
    frame is fetched ahead: it is still sent after `request_stop`.
    """

    period_s: float

    def next_frame(self) -> bytes | None:
        """25 bytes; no bytes for an intentionally empty slot; None at the end."""

    def request_stop(self) -> None:
        """Go to the end state from the last returned frame.

        Called once if the user stops; twice in a row if no one is left who
        could stop it again: then `next_frame` must reach None by itself.
        """


@dataclass(frozen=True, slots=True)
class Transmission:
    """The state or result of a transmission.

    Args:
        frames: sent.
        late: of these, sent more than 1 ms after their deadline.
        skipped: slots skipped because it was too late.
        worst_late_ns: max lateness of a frame.
        is_over: True if nothing more will be sent.
        reason: why it ended or is ending early, or "".
    """

    frames: int = 0
    late: int = 0
    skipped: int = 0
    worst_late_ns: int = 0
    is_over: bool = False
    reason: str = ""

    @property
    def is_broken_off(self) -> bool:
        """True if neither its own end nor the user ended it."""
        return self.reason not in ("", STOPPED)

    def progress_text(self, period_s: float) -> str:
        """For example "12.3 s, 1,757 frames, 2 late, 0 skipped"; the time is that of the past slots."""
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
        real_ns: now, on a clock that also runs while the process is stopped or the computer suspended.
    """

    def __init__(self, source: FrameSource, *, start_ns: int, character_ns: int, real_ns: int) -> None:
        self._source = source
        self._start_ns = start_ns
        self._used_ns = start_ns  # time of the last used slot, on both clocks
        self._used_real_ns = real_ns
        self._held_ns: int | None = None  # since when a frame is unsent
        self._period_ns = round(source.period_s * 1e9)
        if self._period_ns <= 0:
            raise ValueError(f"a period of {source.period_s} s cannot be kept")
        idle_ns = self._period_ns - FRAME_BYTES * character_ns
        spare_ns = idle_ns - min(REST_NS, idle_ns // 2)
        self._late_max_ns = max(0, min(self._period_ns // 2, spare_ns))
        self._slot = 0
        self._frames = self._late = self._skipped = self._worst_ns = 0
        self._reason = ""
        self._next: bytes | None = b""
        self._fetch()

    @property
    def deadline_ns(self) -> int:
        """Start of the next slot."""
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
        """Take the due slot.

        A slot is skipped if it is too late, if the system still holds what was sent
        before, and once more after that, since the far end may have just read it.

        Args:
            now_ns: the time, not before the deadline.
            real_ns: the same on the clock that also runs in suspend.
            is_free: False while the system holds unsent frames.

        Returns:
            What to send now, then to be confirmed with `sent`: a whole frame, or no
            bytes in a slot that stays empty. None if the slot is skipped, or
            this ended the transmission.
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
        """End it if no slot was used for too long by the running clock: nothing continues by itself."""
        awake_ns, gone_ns = now_ns - self._used_ns, real_ns - self._used_real_ns
        if max(awake_ns, gone_ns) <= PAUSE_NS + self._period_ns:
            return
        if gone_ns - awake_ns > PAUSE_NS // 2:
            self.cut(f"the computer was suspended for {(gone_ns - awake_ns) / 1e9:.1f} s")
        else:
            why = "busbench was stopped, or the computer or the port was busy"
            self.cut(f"no frame went out for {awake_ns / 1e9:.1f} s: {why}")

    def sent(self, now_ns: int) -> None:
        """Confirm the taken slot: note its lateness, and fetch the next frame."""
        if self._next:
            late_ns = now_ns - (self.deadline_ns - self._period_ns)
            self._frames += 1
            self._late += late_ns > LATE_NS
            self._worst_ns = max(self._worst_ns, late_ns)
        self._fetch()

    def stop(self, reason: str, *, is_abandoned: bool = False) -> None:
        """Let the source reach its end; `is_abandoned` if no one is left to stop it again."""
        self._reason = self._reason or reason
        try:
            self._source.request_stop()
            if is_abandoned:
                self._source.request_stop()
        except Exception as error:
            self.cut(f"the frame source failed ({type(error).__name__}: {error})")

    def cut(self, reason: str) -> None:
        """Send nothing more; this reason replaces an earlier stop by the user."""
        self._reason = reason if self._reason in ("", STOPPED) else self._reason
        self._next = None

    def _fetch(self) -> None:
        if self.is_over:
            return
        try:
            self._next = self._source.next_frame()
        except Exception as error:
            self.cut(f"the frame source failed ({type(error).__name__}: {error})")
