"""Frames that go out in time, whole, and stop when no one is left to stop them."""

from __future__ import annotations

import os
import pickle
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

from busbench.errors import PortError
from busbench.line import BUS_LINE
from busbench.port.pacer import Transmission
from busbench.port.port import LivePort, open_client
from busbench.port.port_client import PortClient
from tests.port.ends import LIMIT_S, Far, Seen, read_until, wait_for
from tests.port.sources import Counting, Failing, Holding, Unpicklable


def finish(port: LivePort, seen: Seen | None = None) -> Transmission:
    read_until(port, seen or Seen(), lambda _: port.transmission is not None and port.transmission.is_over)
    assert port.transmission is not None
    return port.transmission


def whole(data: bytes) -> list[int]:
    """The number in each frame; each is whole."""
    assert len(data) % 25 == 0
    frames = [data[at : at + 25] for at in range(0, len(data), 25)]
    assert all(len(set(frame)) == 1 for frame in frames)
    return [frame[0] for frame in frames]


def opened(far: Far) -> PortClient:
    port = PortClient(far.name, line=BUS_LINE)
    port.wait_open()
    return port


def test_every_frame_goes_out_once_and_in_order(far: Far) -> None:
    with open_client(far.name) as port:
        port.transmit(Counting(60))
        how = finish(port)
        echoed = port.sent()
    assert (how.frames, how.reason) == (60, "")
    assert whole(far.read()) == list(range(60))
    assert b"".join(chunk.data for chunk in echoed) == b"".join(bytes([n]) * 25 for n in range(60))
    # Absolute deadlines: 60 frames and the skipped slots span no less than their periods.
    assert echoed[-1].t_ns - echoed[0].t_ns >= (59 + how.skipped) * 7_000_000 - 3_500_000


def test_a_port_that_was_away_unseen_is_not_driven(far: Far) -> None:
    """Between the last look of the one that drives and the order it may go and be back."""
    with open_client(far.name) as port:
        far.unplug()
        again = Far(Path(far.name))
        wait_for(again.is_listened_to)
        port.transmit(Counting(60))
        seen = Seen()
        how = finish(port, seen)
        assert (how.frames, how.reason) == (0, "the port was unplugged")
        assert seen.kinds == ["opened", "unplugged", "reconnected"]
        port.transmit(Counting(2))  # now it has been seen
        assert finish(port).frames == 2
    assert whole(again.read()) == [0, 1]
    again.unplug()


def test_it_receives_meanwhile(far: Far) -> None:
    with open_client(far.name) as port:
        port.transmit(Counting(1 << 30))
        far.write(b"\x0f\xff\x00")
        seen = read_until(port, Seen(), lambda seen: len(seen.data) >= 3)
        port.stop_transmission()
        how = finish(port)
    assert seen.data == b"\x0f\xff\x00"
    assert how.reason == "stopped"
    assert whole(far.read())[-1] == 0xEE


@pytest.mark.parametrize(
    ("source", "reason"),
    [
        (Failing(3), "the frame source failed (RuntimeError: no more)"),
        (Unpicklable(3), "the part of busbench that keeps the port does not take the program"),
        (
            Counting(3, period_s=-1),
            "the part of busbench that keeps the port does not take the program",
        ),
    ],
)
def test_a_bad_source_ends_in_silence_and_the_port_lives(far: Far, source: Counting, reason: str) -> None:
    with open_client(far.name) as port:
        port.transmit(source)
        assert finish(port).reason == reason
        assert len(whole(far.read())) == (3 if isinstance(source, Failing) else 0)
        port.transmit(Counting(2))
        assert finish(port).frames == 2


def test_a_second_transmission_is_refused(far: Far) -> None:
    with open_client(far.name) as port:
        port.transmit(Counting(1 << 30))
        with pytest.raises(PortError, match="a transmission is running already: stop that one first"):
            port.transmit(Counting(1))
    assert whole(far.read())[-1] == 0xEE


def test_a_port_that_takes_nothing_is_not_waited_for(far: Far) -> None:
    far.listener.close()
    port = open_client(far.name)
    port.transmit(Counting(1 << 30))
    read_until(port, Seen(), lambda _: port.transmission is not None and port.transmission.skipped > 3)
    port.close()  # ends long before the test's own limit
    assert os.read(far.master, 65_536) == bytes(25)  # the first frame, and none of the end state


def test_no_sign_of_life_for_a_second_ends_it(far: Far) -> None:
    with open_client(far.name) as port:
        port.transmit(Holding())
        data, silences = b"", 0

        def is_silent() -> bool:
            nonlocal data, silences
            more = far.read()
            data += more
            silences = 0 if more else silences + bool(data)
            time.sleep(0.1)
            return silences >= 5  # fewer may be those of a busy machine

        wait_for(is_silent)  # read() is not called: no one shows a sign of life
        assert finish(port).reason == "no sign of life for one second"
    assert set(whole(data)) == {0}


def test_a_port_process_that_was_stopped_for_more_than_a_second_sends_nothing_more(far: Far) -> None:
    with opened(far) as port:
        port.transmit(Holding())
        read_until(port, Seen(), lambda _: port.transmission is not None and port.transmission.frames > 10)
        os.kill(port.pid, signal.SIGSTOP)
        time.sleep(1.3)
        far.read()
        os.kill(port.pid, signal.SIGCONT)
        how = finish(port)
        assert re.match("no frame went out for [1-9]", how.reason)  # seconds; a busy machine adds some
        assert how.reason.endswith(" s: busbench was stopped, or the computer or the port was busy")
        assert how.is_broken_off
        assert far.listener.take(0.3) == b""


def test_a_port_process_that_does_not_answer_for_two_seconds_is_ended(far: Far) -> None:
    port = opened(far)
    port.transmit(Holding())
    read_until(port, Seen(), lambda _: port.transmission is not None and port.transmission.frames > 10)
    os.kill(port.pid, signal.SIGSTOP)
    port.stop_transmission()
    with pytest.raises(PortError) as caught:
        finish(port)
    assert str(caught.value) == (
        f"{far.name}: the part of busbench that keeps the port did not answer for 2 s and was ended:"
        " the positions of the surfaces are not known; start again"
    )
    assert port.transmission is not None
    assert (port.transmission.is_over, port.transmission.is_broken_off) == (True, True)
    assert port.transmission.frames > 10
    port.close()
    with pytest.raises(ProcessLookupError):
        os.kill(port.pid, 0)


def test_closing_does_not_wait_for_a_port_process_that_does_not_answer(far: Far) -> None:
    port = opened(far)
    port.transmit(Holding())
    read_until(port, Seen(), lambda _: port.transmission is not None and port.transmission.frames > 10)
    os.kill(port.pid, signal.SIGSTOP)
    port.close()  # an end state may take a minute, a process that is silent may not
    with pytest.raises(ProcessLookupError):
        os.kill(port.pid, 0)


def test_unplugged_ends_it_for_good(far: Far) -> None:
    with open_client(far.name) as port:
        port.transmit(Counting(1 << 30))
        wait_for(lambda: bool(far.read()))
        far.unplug()
        assert finish(port).reason == "the port was unplugged"
        again = Far(far.path)
        read_until(port, Seen(), lambda seen: "reconnected" in seen.kinds)
        assert again.read() == b""
        again.unplug()


def test_closing_waits_for_the_end_state(far: Far) -> None:
    port = open_client(far.name)
    port.transmit(Counting(1 << 30))
    wait_for(lambda: bool(port.read(0.01) or port.sent()))
    port.close()
    assert whole(far.read())[-1] == 0xEE


PARENT = """
import pickle, sys
from busbench.port.port import open_client
port = open_client(sys.argv[1])
port.transmit(pickle.loads(bytes.fromhex(sys.argv[2])))
print(port.pid, flush=True)
while True:
    port.read(0.05)
"""


@pytest.mark.parametrize("source", [Counting(1 << 30), Holding()], ids=["ends", "holds"])
def test_a_killed_parent_ends_it_and_the_child_goes(far: Far, source: Counting) -> None:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT, far.name, pickle.dumps(source).hex()],
        stdout=subprocess.PIPE,
        env=environment,
    )
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    data = b""
    until = time.monotonic() + LIMIT_S
    while len(data) < 250 and time.monotonic() < until:
        data += far.read()
        time.sleep(0.005)
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    parent.stdout.close()

    def is_gone() -> bool:
        nonlocal data
        data += far.read()
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return True
        return _is_dead(child)

    wait_for(is_gone)
    data += far.read()
    numbers = whole(data)
    if isinstance(source, Holding):
        assert set(numbers) == {0}
    else:
        assert numbers[-1] == 0xEE
        assert numbers.count(0xEE) == 1


def _is_dead(pid: int) -> bool:
    """True for a process that has ended and that no one has asked after."""
    state = Path(f"/proc/{pid}/stat")
    return state.exists() and state.read_text().rpartition(")")[2].split()[0] == "Z"
