"""A port without hardware: frames are made as simulated time passes."""

from __future__ import annotations

from dataclasses import replace

from busbench.port.pacer import STOPPED, FrameSource, Transmission


class RehearsalPort:
    """Takes programs like a port; a subclass may observe each frame."""

    times_away = 0  # it cannot be unplugged
    frames_total = 0  # no other sender is on its line

    def __init__(self) -> None:
        self.transmission: Transmission | None = None
        self._source: FrameSource | None = None
        self._slots = 0  # time of this transmission
        self._given_s = 0.0  # to this transmission
        self._before_s = 0.0  # of all transmissions before

    @property
    def port(self) -> RehearsalPort:
        """The port itself."""
        return self

    def now_ns(self) -> int:
        """The time of all slots so far."""
        period_s = 0.0 if self._source is None else self._source.period_s
        return round((self._before_s + self._slots * period_s) * 1e9)

    def transmit(self, source: FrameSource) -> None:
        """Start taking frames from a source."""
        if self._source is not None:
            self._before_s += self._slots * self._source.period_s
        self._source, self.transmission, self._slots, self._given_s = source, Transmission(), 0, 0.0

    def stop_transmission(self) -> None:
        """Go to the end state."""
        if self._source is not None and self.transmission is not None:
            self._source.request_stop()
            self.transmission = replace(self.transmission, reason=STOPPED)

    def play(self, dt_s: float) -> list[tuple[float, bytes]]:
        """Let time pass; returns the frames, each with its time in s from the start of the transmission."""
        out: list[tuple[float, bytes]] = []
        how, source = self.transmission, self._source
        if how is None or source is None or how.is_over:
            return out
        self._given_s += dt_s
        while not how.is_over and (t_s := self._slots * source.period_s) <= self._given_s + 1e-9:
            data = source.next_frame()
            how = replace(how, frames=how.frames + bool(data), is_over=data is None)
            if data is None:
                break
            self._slots += 1
            if data:
                self._hear(data)
                out.append((t_s, data))
        self.transmission = how
        return out

    def _hear(self, data: bytes) -> None:
        """A frame was sent."""
