"""Remove the bad-byte marks of a Linux serial line from the stream."""

from __future__ import annotations

_ESCAPE = 0xFF


class Unmarker:
    """Undoes the marking of a terminal with PARMRK set.

    There a good 0xFF reads `FF FF`, a byte with a parity or framing error reads
    `FF 00 X`, and a break reads `FF 00 00`. An escape may be cut by the end of a read.

    Source: POSIX.1-2017, General Terminal Interface, 11.2.2 input modes.
    """

    def __init__(self) -> None:
        self._held = b""  # the start of an escape: nothing, FF or FF 00

    def feed(self, data: bytes) -> tuple[bytes, bytes]:
        """The bytes of the next read, and 1 for each marked one; no marks if none was marked."""
        if self._held:
            data, self._held = self._held + data, b""
        at = data.find(_ESCAPE)
        if at < 0:
            return data, b""
        out, marked = bytearray(data[:at]), []
        while at < len(data):
            follower = data[at + 1 : at + 2]
            if not follower or (follower == b"\0" and at + 2 == len(data)):
                self._held = data[at:]
                break
            if follower == b"\0":
                marked.append(len(out))
                out.append(data[at + 2])
                at += 3
            else:
                out.append(_ESCAPE)
                # Another follower is impossible: then nothing is removed.
                at += 2 if follower[0] == _ESCAPE else 1
            following = data.find(_ESCAPE, at)
            following = len(data) if following < 0 else following
            out += data[at:following]
            at = following
        return bytes(out), _mask(len(out), marked)

    def flush(self) -> tuple[bytes, bytes]:
        """Return the rest of a cut escape as damaged bytes: the port is lost."""
        held, self._held = self._held, b""
        return held, b"\1" * len(held)


def _mask(size: int, marked: list[int]) -> bytes:
    if not marked:
        return b""
    mask = bytearray(size)
    for place in marked:
        mask[place] = 1
    return bytes(mask)
