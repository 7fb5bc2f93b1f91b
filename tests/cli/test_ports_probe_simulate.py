"""What ports, probe and simulate say, literally."""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from busbench.cli import ports, simulate
from busbench.cli.main import COMMANDS, run
from busbench.port.adapters import CHIPS, Adapter, Chip, chip_of
from busbench.sim.receiver import ReceiverSettings

pytestmark = pytest.mark.usefixtures("wide")

ADAPTERS = [
    Adapter("/dev/ttyUSB0", "HERON bench", chip_of(0x0403, 0x6001), 16, ("set 1 ms",)),
    Adapter("/dev/ttyUSB1", "", chip_of(0x1A86, 0x7523), None, ("marks none", "is \x1b[31mred")),
]
Capture = pytest.CaptureFixture[str]


def test_ports_as_a_table(capsys: Capture) -> None:
    ports.show(ADAPTERS, "table")
    out = capsys.readouterr()
    assert out.out.splitlines() == [
        "port          chip   100 000 baud  damage marked  latency",
        "/dev/ttyUSB0  FTDI   exact         whole packets  16 ms",
        "/dev/ttyUSB1  CH340  exact         none           -",
        "/dev/ttyUSB0: calls itself HERON bench",
        "/dev/ttyUSB0: set 1 ms",
        "/dev/ttyUSB1: marks none",
        "/dev/ttyUSB1: is \\x1b[31mred",
    ]
    assert out.err.splitlines()[0] == (
        "The bus runs at 100000 baud, 8 data bits, even parity, 2 stop bits, inverted: it idles low."
    )


@pytest.mark.parametrize("chip", CHIPS.values(), ids=lambda chip: chip.name)
def test_the_table_of_ports_fits_80_columns(chip: Chip, capsys: Capture) -> None:
    ports.show([Adapter("/dev/ttyUSB10", "", chip, 16, ())], "table")
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 80


def test_help_fits_a_screen_of_24_lines(capsys: Capture) -> None:
    assert run(["--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    names = [re.match(r"[a-z]* +([a-z]+(?:, [a-z]+)*) ", line) for line in lines[4:]]
    assert ", ".join(name[1] for name in names if name) == ", ".join(COMMANDS)


def test_ports_for_programs(capsys: Capture) -> None:
    ports.show(ADAPTERS, "csv")
    assert capsys.readouterr().out.splitlines()[:2] == [
        "port,chip,at_100000_baud,damaged_bytes_marked,latency_timer_ms,description,advice",
        "/dev/ttyUSB0,FTDI,exact,whole packets,16,HERON bench,set 1 ms",
    ]
    ports.show(ADAPTERS[1:], "json")
    assert json.loads(capsys.readouterr().out) == [
        {
            "port": "/dev/ttyUSB1",
            "chip": "CH340",
            "at_100000_baud": "exact",
            "damaged_bytes_marked": "none",
            "latency_timer_ms": None,
            "description": "",
            "advice": ["marks none", "is \x1b[31mred"],
        }
    ]


def test_no_ports(capsys: Capture) -> None:
    ports.show([], "table")
    assert capsys.readouterr().out == "no serial port is there; plug the adapter in, or try virtual:\n"


def test_probe_frames(capsys: Capture) -> None:
    assert run(["probe", "virtual:?speed=max&duration=3s&join=4ms"]) == 0
    out = capsys.readouterr()
    assert (out.out, out.err) == ("frames: 214, one every 14.0 ms, end bytes 00\n", "")


def test_probe_tells_a_terminal_how_long_it_listens(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.setattr("busbench.cli.probe.is_terminal", lambda: True)
    assert run(["probe", "virtual:?speed=max&duration=3s", "--seconds", "2.5"]) == 0
    assert capsys.readouterr().err == "listening for 2.5 s\n"


def test_probe_says_the_mend(capsys: Capture) -> None:
    assert run(["probe", "virtual:?speed=max&duration=3s&inverted=on&pilot=still"]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        "inverted polarity: the bus idles low, and nothing inverts it for the adapter",
        "what to do: put an inverter gate or a transistor stage between receiver and adapter (mind 3.3 V levels),"
        " or use an adapter whose own setting inverts RX and TX",
        lines[2],
    ]
    assert "marked as damaged, the first: F8 " in lines[2]


def test_probe_for_programs(capsys: Capture) -> None:
    assert run(["probe", "virtual:?frames=off", "--seconds", "0.1", "--format", "json"]) == 1
    result = json.loads(capsys.readouterr().out)
    assert (result["line"], result["bytes"], result["period_s"], result["sample"]) == ("silent", 0, None, "")
    assert run(["probe", "virtual:?speed=max&duration=3s&slots=on", "--format", "json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["end_bytes"] == "0x04 0x14 0x24 0x34"
    assert result["period_s"] == pytest.approx(0.014)


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--period", "2ms"], "simulate: period 2 ms is too short: with these settings a frame needs 3.2 ms"),
        (["--lost", "x"], '--lost: "x" is not understood: give it as in --lost 2:0.5'),
        (["--tcp", "seven"], '--tcp: "seven" is not a TCP port: give 1 to 65535, or 0 for any'),
        (["--tcp", "65536"], '--tcp: "65536" is not a TCP port: give 1 to 65535, or 0 for any'),
        (["--tcp", "99999999"], '--tcp: "99999999" is not a TCP port: give 1 to 65535, or 0 for any'),
        (["--tcp", "0", "--link", "x"], "--tcp: cannot be combined with --pty or --link: give one of them"),
    ],
)
def test_simulate_refuses_what_cannot_be(args: list[str], says: str, capsys: Capture) -> None:
    assert run(["simulate", *args]) == 2
    assert capsys.readouterr().err == f"busbench: {says}\n"


@pytest.mark.skipif(sys.platform == "win32", reason="ended by a POSIX signal")
def test_simulate_on_tcp_is_probed() -> None:
    simulate = subprocess.Popen(
        [sys.executable, "-c", "from busbench.cli.main import main; main()", "simulate", "--tcp", "0", "--fast"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert simulate.stdout is not None
    address = simulate.stdout.readline().strip()
    assert address.startswith("socket://127.0.0.1:")
    assert run(["probe", address, "--seconds", "0.5"]) == 0
    with socket.create_connection(("127.0.0.1", int(address.rpartition(":")[2]))) as deaf:
        assert deaf.recv(1)  # and nothing more is taken
        simulate.send_signal(signal.SIGTERM)
        _, err = simulate.communicate(timeout=30)
    assert (simulate.returncode, err) == (
        0,
        "virtual receiver; it starts when a program listens; Ctrl-C ends it\n",
    )


@pytest.mark.parametrize("warning", ["", "anyone on the network can listen"])
@pytest.mark.parametrize("is_fast", [False, True])
def test_a_virtual_receiver_is_announced_with_its_port_and_played(
    warning: str, is_fast: bool, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    played, closed, settings = [], [], ReceiverSettings()
    outlet: Any = SimpleNamespace(name="0.0.0.0:7000", warning=warning, close=lambda: closed.append(True))

    def play(*given: object, is_fast: bool, is_wanted: Callable[[], bool]) -> int:
        played.append((given, is_fast, is_wanted()))
        return 7

    monkeypatch.setattr("busbench.sim.playback.play", play)
    assert simulate.simulate(settings, outlet, is_fast=is_fast) == 7
    assert (played, closed) == ([((settings, outlet), is_fast, True)], [True])
    said = capsys.readouterr()
    assert said.out == "0.0.0.0:7000\n"
    assert said.err.splitlines() == [
        "virtual receiver; it starts when a program listens; Ctrl-C ends it",
        *[f"busbench: 0.0.0.0:7000: {warning}"] * bool(warning),
    ]


@pytest.mark.parametrize(
    ("tcp", "host", "port"),
    [("0", "127.0.0.1", 0), ("65535", "127.0.0.1", 65535), (":7000", "", 7000), ("[::1]:7000", "::1", 7000)],
)
def test_where_a_virtual_receiver_listens(tcp: str, host: str, port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busbench.sim.playback.TcpOutlet", lambda **made: made)
    monkeypatch.setattr("busbench.sim.playback.PtyOutlet", lambda **made: made)
    assert simulate._outlet(tcp, None) == {"host": host, "port": port}  # type: ignore[comparison-overlap]
    assert simulate._outlet(None, "here") == {"link": "here"}  # type: ignore[comparison-overlap]
