"""Frame sources that a child process can import."""

from __future__ import annotations


class Counting:
    """Frames filled with their number, then one of 0xEE once it is stopped."""

    def __init__(self, frames: int, *, period_s: float = 0.007, empty: tuple[int, ...] = (), size: int = 25) -> None:
        self.period_s = period_s
        self._frames = frames
        self._empty = empty
        self._size = size
        self._next = 0
        self.stops = 0

    def next_frame(self) -> bytes | None:
        if self.stops and self._frames:
            self._frames = 0
            return b"\xee" * 25
        if self._next >= self._frames:
            return None
        number, self._next = self._next, self._next + 1
        return b"" if number in self._empty else bytes([number % 256]) * self._size

    def request_stop(self) -> None:
        self.stops += 1


class Failing:
    """So many frames, then an error."""

    period_s = 0.007

    def __init__(self, frames: int) -> None:
        self._left = frames

    def next_frame(self) -> bytes | None:
        if not self._left:
            raise RuntimeError("no more")
        self._left -= 1
        return bytes(25)

    def request_stop(self) -> None: ...


class Holding(Counting):
    """Goes on for ever after one stop, and ends with the second."""

    def __init__(self) -> None:
        super().__init__(1 << 40)

    def next_frame(self) -> bytes | None:
        if self.stops >= 2:
            return None
        return b"\xee" * 25 if self.stops else bytes(25)


class Unpicklable(Counting):
    """Cannot be taken over by the child."""

    def __setstate__(self, state: object) -> None:
        raise RuntimeError("not here")
