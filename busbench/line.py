"""The serial line: how it is set, what one read of it returned, and how late the reader woke.

It does without numpy, so that the process that owns a port starts in half the time.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How the serial line is set; the defaults are the bus.

    Args:
        baud: bits per second.
        parity: "E", "O" or "N".
        stop_bits: 1 or 2.
        inverted: True if the line idles low, as the bus does.
    """

    baud: int = 100_000
    parity: str = "E"
    stop_bits: int = 2
    inverted: bool = True

    @property
    def character_bits(self) -> int:
        """Bits of one character on the line, start and stop bits included."""
        return 1 + 8 + (self.parity != "N") + self.stop_bits

    @property
    def character_ns(self) -> int:
        """Time that one character takes: 120 000 ns on the bus."""
        return round(self.character_bits * 1_000_000_000 / self.baud)


BUS_LINE = LineSettings()


@dataclass(frozen=True, slots=True)
class Chunk:
    """What one read of a live port returned, and when it returned.

    Args:
        t_ns: time at which the read returned.
        data: the bytes.
        bad: one byte per byte of data, non-zero if the line marked it
            as damaged (parity, framing, break); empty if none was marked.
    """

    t_ns: int
    data: bytes
    bad: bytes = b""


WAKE_EDGES_US = (25, 50, 75, 100, 150, 200, 300, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)


@dataclass(frozen=True, slots=True)
class WakeUps:
    """How late the process that reads the port woke for its own timer, during about a second.

    Args:
        t_ns: the end of that second, on the recording's clock.
        counts: how often it was late by less than each of WAKE_EDGES_US, and by more
            than the last.
    """

    t_ns: int
    counts: tuple[int, ...]

    @staticmethod
    def on_time(first_ns: int, last_ns: int) -> list[WakeUps]:
        """What a simulated source writes down, whose times are those of its own clock: an entry per second.

        Args:
            first_ns, last_ns: what they cover.
        """
        counts = (50, *[0] * len(WAKE_EDGES_US))
        return [WakeUps(t_ns, counts) for t_ns in range(first_ns + 1_000_000_000, last_ns + 1, 1_000_000_000)]
