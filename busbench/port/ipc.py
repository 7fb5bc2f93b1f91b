"""Messages between the child process and its parent over two pipes."""

from __future__ import annotations

import enum
import json
import pickle
import struct
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from busbench.errors import PortBusy, PortDenied, PortError, PortLost, PortMissing
from busbench.line import Chunk, WakeUps
from busbench.port.pacer import Transmission

_HEAD = struct.Struct("<BIq")  # kind, length, time
_SIZE = struct.Struct("<I")


class Kind(enum.IntEnum):
    """Kinds of messages to the parent."""

    RECEIVED = 1
    RECEIVED_MARKED = 2  # the bytes, then one mark per byte
    SENT = 3
    EVENT = 4
    STATUS = 5
    FAILED = 6  # the first opening failed: what, hint
    WOKE = 7  # lateness of the process, an entry per second


class EventKind(enum.StrEnum):
    """Events of a live port.

    Attributes:
        OPENED: the port is open.
        UNPLUGGED: it was unplugged; it may come back.
        RECONNECTED: it is back.
        WARNING: a setting was not accepted, or the adapter is back but cannot be opened.
        HELD_BACK: reading the port paused because the reader is too slow.
        ERRORS: damaged characters, known only from the driver's totals.
        OVERRUN: characters lost because the system fetched them too late.
        PILOT: a virtual pilot begins or finishes an action.
    """

    OPENED = "opened"
    UNPLUGGED = "unplugged"
    RECONNECTED = "reconnected"
    WARNING = "warning"
    HELD_BACK = "held back"
    ERRORS = "errors"
    OVERRUN = "overrun"
    PILOT = "pilot"


@dataclass(frozen=True, slots=True)
class PortEvent:
    """An event of a live port.

    Args:
        t_ns: when, on the clock of the chunks.
        kind: what.
        text: a clause for people.
        count: number of characters or times, else 0.
    """

    t_ns: int
    kind: EventKind
    text: str
    count: int = 0


def received(t_ns: int, data: bytes, bad: bytes) -> bytes:
    """A message with received bytes."""
    if bad:
        return _HEAD.pack(Kind.RECEIVED_MARKED, 2 * len(data), t_ns) + data + bad
    return _HEAD.pack(Kind.RECEIVED, len(data), t_ns) + data


def sent(t_ns: int, data: bytes) -> bytes:
    """A message with sent bytes."""
    return _HEAD.pack(Kind.SENT, len(data), t_ns) + data


def event(what: PortEvent) -> bytes:
    """A message with an event."""
    body = json.dumps([what.kind, what.text, what.count]).encode()
    return _HEAD.pack(Kind.EVENT, len(body), what.t_ns) + body


def status(state: Transmission) -> bytes:
    """A message with the state of the transmission."""
    body = json.dumps(asdict(state)).encode()
    return _HEAD.pack(Kind.STATUS, len(body), 0) + body


def woke(wakes: WakeUps) -> bytes:
    """A message with the lateness of the process."""
    body = json.dumps(wakes.counts).encode()
    return _HEAD.pack(Kind.WOKE, len(body), wakes.t_ns) + body


def failed(error: PortError) -> bytes:
    """A message that the port could not be opened."""
    body = json.dumps([type(error).__name__, error.port, error.problem, error.hint]).encode()
    return _HEAD.pack(Kind.FAILED, len(body), 0) + body


def _failure(name: str, port: str, problem: str, hint: str) -> PortError:
    kinds = (PortBusy, PortDenied, PortLost, PortMissing)
    kind = next((one for one in kinds if one.__name__ == name), PortError)
    return kind(port, problem, hint=hint)


Message = tuple[Kind, Chunk | PortEvent | Transmission | PortError | WakeUps]


class MessageReader:
    """Parses messages from a pipe read in pieces."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> list[Message]:
        """Take the next piece; returns all complete messages."""
        data = self._held + data
        messages: list[Message] = []
        at, end = 0, len(data)
        while at + _HEAD.size <= end:
            kind, size, t_ns = _HEAD.unpack_from(data, at)
            body = at + _HEAD.size
            if body + size > end:
                break
            at = body + size
            if kind == Kind.RECEIVED:
                messages.append((Kind.RECEIVED, Chunk(t_ns, data[body:at])))
            else:
                messages.append(_message(Kind(kind), t_ns, data[body:at]))
        self._held = data[at:]
        return messages


def _message(kind: Kind, t_ns: int, body: bytes) -> Message:
    match kind:
        case Kind.RECEIVED_MARKED:
            half = len(body) // 2
            return Kind.RECEIVED, Chunk(t_ns, body[:half], body[half:])
        case Kind.EVENT:
            word, text, count = json.loads(body)
            return kind, PortEvent(t_ns, EventKind(word), text, count)
        case Kind.STATUS:
            return kind, Transmission(**json.loads(body))
        case Kind.WOKE:
            return kind, WakeUps(t_ns, tuple(json.loads(body)))
        case Kind.FAILED:
            return kind, _failure(*json.loads(body))
        case _:
            return kind, Chunk(t_ns, body)


def command(word: str, *, value: object = None) -> bytes:
    """A command to the child, with any value that can be pickled."""
    body = pickle.dumps((word, value))
    return _SIZE.pack(len(body)) + body


class CommandReader:
    """Parses commands from a pipe read in pieces."""

    def __init__(self) -> None:
        self._held = b""

    @property
    def missing(self) -> int:
        """Bytes missing from the next command, as far as known."""
        have = len(self._held)
        if have < _SIZE.size:
            return _SIZE.size - have
        return _SIZE.size + int(_SIZE.unpack_from(self._held)[0]) - have

    def feed(self, data: bytes) -> Iterator[tuple[str, Any]]:
        """Take the next piece; returns all complete commands."""
        self._held += data
        while len(self._held) >= _SIZE.size:
            end = _SIZE.size + int(_SIZE.unpack_from(self._held)[0])
            if len(self._held) < end:
                return
            body, self._held = self._held[_SIZE.size : end], self._held[end:]
            word, value = pickle.loads(body)  # comes only from our own parent
            yield word, value
