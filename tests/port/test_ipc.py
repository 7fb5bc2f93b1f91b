"""Two pipes: whatever the cuts, whole messages come out in order."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from busbench.errors import PortBusy, PortError
from busbench.line import Chunk
from busbench.port import ipc
from busbench.port.ipc import CommandReader, EventKind, Kind, MessageReader, PortEvent
from busbench.port.pacer import Transmission

EVENT = PortEvent(-5, EventKind.UNPLUGGED, "gone – weg", 3)
STREAM = (
    ipc.received(1 << 60, b"\x0f\x00", b"")
    + ipc.event(EVENT)
    + ipc.received(7, b"ab", b"\0\1")
    + ipc.sent(8, b"c")
    + ipc.status(Transmission(1, 2, 3, 4, True, "why"))
    + ipc.failed(PortBusy("/dev/port", "what", hint="hint"))
)
WANTED = [
    (Kind.RECEIVED, Chunk(1 << 60, b"\x0f\x00")),
    (Kind.EVENT, EVENT),
    (Kind.RECEIVED, Chunk(7, b"ab", b"\0\1")),
    (Kind.SENT, Chunk(8, b"c")),
    (Kind.STATUS, Transmission(1, 2, 3, 4, True, "why")),
    (Kind.FAILED, (PortBusy, "/dev/port", "what", "hint")),
]


def parts(what: object) -> object:
    return (type(what), what.port, what.problem, what.hint) if isinstance(what, PortError) else what


@given(st.lists(st.integers(0, len(STREAM))))
def test_any_cut_gives_the_same_messages(cuts: list[int]) -> None:
    places = [0, *sorted(cuts), len(STREAM)]
    reader, got = MessageReader(), []
    for start, stop in pairwise(places):
        got += reader.feed(STREAM[start:stop])
    assert [(kind, parts(what)) for kind, what in got] == WANTED


def test_orders_come_out_one_by_one_and_nothing_is_read_past_the_first() -> None:
    stream = ipc.command("transmit", value=b"x" * 70_000) + ipc.command("stop")
    reader, at = CommandReader(), 0
    got: list[object] = []
    while not got:
        part = stream[at : at + reader.missing]
        at += len(part)
        got += reader.feed(part)
    assert got == [("transmit", b"x" * 70_000)]
    assert at == len(ipc.command("transmit", value=b"x" * 70_000))
    assert list(reader.feed(stream[at:])) == [("stop", None)]
