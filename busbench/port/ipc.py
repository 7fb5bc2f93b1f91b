"""What the child process and its parent say to each other over two pipes."""

from __future__ import annotations

import enum
import json
import pickle
import struct
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from busbench.errors import PortBusy, PortDenied, PortError, PortLost, PortMissing
from busbench.model import Chunk, WakeUps
from busbench.port.pacer import Transmission

_HEAD = struct.Struct("<BIq")  # kind, bytes that follow, time
_SIZE = struct.Struct("<I")


class Kind(enum.IntEnum):
    """Kinds of messages to the parent."""

    RECEIVED = 1
    RECEIVED_MARKED = 2  # the bytes, then one mark for each
    SENT = 3
    EVENT = 4
    STATUS = 5
    FAILED = 6  # the first opening failed: what, hint
    WOKE = 7  # how late the process was, an entry per second


class EventKind(enum.StrEnum):
    """What can happen to a live port.

    Attributes:
        OPENED: the port is open.
        UNPLUGGED: it has gone; it may come back.
        RECONNECTED: it is back.
        WARNING: a setting was not taken, or the adapter is back but cannot be opened.
        HELD_BACK: the reader is so slow that reading the port had to wait.
        ERRORS: damaged characters known from the driver's totals only.
        OVERRUN: characters lost since the system fetched them too late.
        PILOT: a virtual pilot begins something, or is through with it.
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
    """Something that happened to a live port.

    Args:
        t_ns: when, on the clock of the chunks.
        kind: what.
        text: the same for people, one clause.
        count: how many characters or times, 0 if there is nothing to count.
    """

    t_ns: int
    kind: EventKind
    text: str
    count: int = 0


def received(t_ns: int, data: bytes, bad: bytes) -> bytes:
    """Bytes that the port gave."""
    if bad:
        return _HEAD.pack(Kind.RECEIVED_MARKED, 2 * len(data), t_ns) + data + bad
    return _HEAD.pack(Kind.RECEIVED, len(data), t_ns) + data


def sent(t_ns: int, data: bytes) -> bytes:
    """Bytes that the port took."""
    return _HEAD.pack(Kind.SENT, len(data), t_ns) + data


def event(what: PortEvent) -> bytes:
    """Something that happened."""
    body = json.dumps([what.kind, what.text, what.count]).encode()
    return _HEAD.pack(Kind.EVENT, len(body), what.t_ns) + body


def status(state: Transmission) -> bytes:
    """How the transmission goes."""
    body = json.dumps(asdict(state)).encode()
    return _HEAD.pack(Kind.STATUS, len(body), 0) + body


def woke(wakes: WakeUps) -> bytes:
    """How late the process woke."""
    body = json.dumps(wakes.counts).encode()
    return _HEAD.pack(Kind.WOKE, len(body), wakes.t_ns) + body


def failed(error: PortError) -> bytes:
    """The port could not be opened."""
    body = json.dumps([type(error).__name__, error.port, error.problem, error.hint]).encode()
    return _HEAD.pack(Kind.FAILED, len(body), 0) + body


def _failure(name: str, port: str, problem: str, hint: str) -> PortError:
    kinds = (PortBusy, PortDenied, PortLost, PortMissing)
    kind = next((one for one in kinds if one.__name__ == name), PortError)
    return kind(port, problem, hint=hint)


Message = tuple[Kind, Chunk | PortEvent | Transmission | PortError | WakeUps]


class MessageReader:
    """Messages out of a pipe that is read piece by piece."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> list[Message]:
        """Take the next piece; gives every message that is whole now."""
        if self._held:
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
    """An order to the child, with any value that can be pickled."""
    body = pickle.dumps((word, value))
    return _SIZE.pack(len(body)) + body


class CommandReader:
    """Orders out of a pipe that is read piece by piece."""

    def __init__(self) -> None:
        self._held = b""

    @property
    def missing(self) -> int:
        """Bytes until the next order is whole, as far as is known."""
        have = len(self._held)
        if have < _SIZE.size:
            return _SIZE.size - have
        return _SIZE.size + int(_SIZE.unpack_from(self._held)[0]) - have

    def feed(self, data: bytes) -> Iterator[tuple[str, Any]]:
        """Take the next piece; gives every order that is whole now."""
        self._held += data
        while len(self._held) >= _SIZE.size:
            end = _SIZE.size + int(_SIZE.unpack_from(self._held)[0])
            if len(self._held) < end:
                return
            body, self._held = self._held[_SIZE.size : end], self._held[end:]
            word, value = pickle.loads(body)  # comes from our own parent alone
            yield word, value
