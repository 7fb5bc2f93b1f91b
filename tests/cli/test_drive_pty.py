"""A drive on a real pseudo-terminal pair: what the far end reads, and how it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)


from busbench.bench.drive_run import Outcome, SendingRun
from busbench.bench.receiver import Receiver
from busbench.bench.sources import open_live
from busbench.cli.drive_port import follow
from busbench.cli.keys import AnyKey
from busbench.drive.frame_generator import EndState
from busbench.drive.frame_source import DriveSource
from busbench.model import I64
from tests.drive.helpers import counts_of, locked, make, sent
from tests.port.ends import Wire

# The command itself, with no more than its countdown left out.
CHILD = "import busbench.cli.drive_port as p; p.COUNTDOWN_S = 0; from busbench.cli.main import main; main()"
STEP = 5  # 819 counts/s, 7 ms


def never(seconds: float) -> bool:
    time.sleep(seconds)
    return False


def driven(wire: Wire, source: DriveSource, any_key: AnyKey) -> SendingRun:
    with open_live(wire.name) as live:
        receiver = Receiver(live)
        run = SendingRun(receiver, source, countdown_s=0)
        follow(run, receiver, any_key=any_key, period_s=source.period_s, when_sending=lambda: None)
    return run


def test_every_shape_reads_back_as_its_closed_form(wire: Wire) -> None:
    span = {"low": 500, "high": 1500, "period": 0.5}
    names = ("ramp", "triangle", "sine", "square", "staircase", "wander")
    program = make(
        *({"channel": number, "shape": name, **span} for number, name in enumerate(names, 1)),
        {"channel": 7, "shape": "steps", "levels": [500, 1500, 700], "period": 0.5},
        {"channel": 8, "shape": "chirp", **span, "period_end": 0.1},
        {"channel": 9, "shape": "hold", "level": 1234, "duration": 0.5},
    )
    run = driven(wire, DriveSource(locked(program), end=EndState.SILENCE), never)
    assert run.outcome is Outcome.RAN
    how = run.how
    data = wire.read(until_quiet_s=0.2)
    assert data == sent(program).raw.tobytes()
    assert (how.frames, how.reason) == (len(data) // 25, "")
    counts = counts_of(data)[-program.slots :]
    for part in program.parts:
        t_s = np.arange(int(part.end_s / 0.007 - 1e-6) + 1, dtype=np.float64) * 0.007
        assert np.array_equal(counts[: t_s.size, part.channel], np.rint(part.shape.counts(t_s)).astype(np.int64))


def test_a_key_ramps_out(wire: Wire) -> None:
    program = make({"channel": 1, "shape": "hold", "level": 1200, "duration": 60}, limits={"rate": 5000})
    pressed = iter([False] * 10)

    def any_key(seconds: float) -> bool:
        time.sleep(seconds)
        return next(pressed, True)

    assert driven(wire, DriveSource(locked(program)), any_key).outcome is Outcome.STOPPED
    level = counts_of(wire.read(until_quiet_s=0.2))[:, 0]
    assert 1200 in level
    assert np.abs(np.diff(level)).max() <= 35
    assert level[-3:].tolist() == [992, 992, 992]


@dataclass
class Driver:
    """A running `busbench drive` in a terminal of its own."""

    process: subprocess.Popen[bytes]
    keyboard: int

    def finish(self) -> tuple[int, str]:
        output, _ = self.process.communicate(timeout=20)
        return self.process.returncode, output.decode()


@pytest.fixture
def driver(wire: Wire, request: pytest.FixtureRequest) -> Iterator[Driver]:
    keyboard, terminal = os.openpty()
    args = ["drive", "hold", "--channel", "1", "--level", "20", "--duration", "60", "--to", wire.name]
    process = subprocess.Popen(
        [sys.executable, "-c", CHILD, *args, "--motor", "3", "--arm", *getattr(request, "param", ())],
        stdin=terminal,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    os.close(terminal)
    yield Driver(process, keyboard)
    process.kill()
    process.wait()


def ramped_out(data: bytes) -> I64:
    """Channel 1 of what came after the end was called for: whole frames, a ramp, idle, silence."""
    assert len(data) % 25 == 0
    assert set(data[::25]) == {0x0F}
    counts = counts_of(data)
    assert set(counts[:, 2].tolist()) == {173}
    level = counts[:, 0]
    assert 0 <= -np.diff(level).min() <= STEP
    assert np.diff(level).max(initial=0) <= 0
    assert level[-3:].tolist() == [992, 992, 992]
    return level


def up(wire: Wire) -> bytes:
    """Frames until channel 1 is at 20 %."""
    data = b""
    while not (data and counts_of(data)[-1, 0] == 992 + 164):
        more = wire.read(most=25, until_quiet_s=10.0)
        assert more, "no frames came"
        data += more
        data += wire.read(most=-len(data) % 25, until_quiet_s=5.0) if len(data) % 25 else b""
    return data


RAMP_FRAMES = -(-164 // STEP) + 3


def test_sigkill_of_the_program_ends_in_a_ramp_within_two_periods(wire: Wire, driver: Driver) -> None:
    up(wire)
    driver.process.send_signal(signal.SIGKILL)
    level = ramped_out(wire.read())
    # What was in the pipe before the kill is at full level.
    assert (level < 1156).sum() <= RAMP_FRAMES
    assert (level == 1156).sum() <= 2 + 15


def test_a_closed_terminal_ends_in_a_ramp(wire: Wire, driver: Driver) -> None:
    up(wire)
    os.close(driver.keyboard)
    level = ramped_out(wire.read())
    assert (level < 1156).sum() <= RAMP_FRAMES
    assert driver.finish()[0] == 130


def test_a_stopped_program_ends_in_a_ramp_after_a_second(wire: Wire, driver: Driver) -> None:
    up(wire)
    driver.process.send_signal(signal.SIGSTOP)
    level = ramped_out(wire.read())
    assert (level == 1156).sum() <= 1.5 / 0.007


@pytest.mark.parametrize("driver", [("--end", "hold")], indirect=True)
def test_a_hold_after_a_key_does_not_outlive_a_stopped_program(wire: Wire, driver: Driver) -> None:
    up(wire)
    os.write(driver.keyboard, b" ")
    held = wire.read(most=100 * 25)  # the key is obeyed within half as many
    driver.process.send_signal(signal.SIGSTOP)
    held += wire.read(most=1000 * 25)
    assert len(held) < 600 * 25
    assert set(counts_of(held)[:, 0].tolist()) == {1156}


def test_a_key_stops_and_the_result_is_said(wire: Wire, driver: Driver) -> None:
    up(wire)
    os.write(driver.keyboard, b" ")
    ramped_out(wire.read())
    code, output = driver.finish()
    assert code == 130
    assert output.endswith("ms (stopped)\n")
    assert " frames sent, " in output


def test_an_unplugged_adapter_ends_it_with_one_line(wire: Wire, driver: Driver) -> None:
    up(wire)
    wire.listener.close()
    os.close(wire.listener.fd)
    code, output = driver.finish()
    assert code == 2
    assert output.replace("\n", " ").endswith("ms (the port was unplugged) ")
