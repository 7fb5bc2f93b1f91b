"""The cable test: on an echoing pseudo-terminal, and its verdicts."""

from __future__ import annotations

import json
import sys

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

from busbench.cli.loop import LoopResult, command, loop, text_lines
from tests.cli.running import invoke
from tests.port.ends import echoing


def account(result: LoopResult) -> tuple[int, int, int, int]:
    return result.sent, result.received, result.damaged, result.lost


def test_a_good_cable_passes() -> None:
    with echoing(lambda data: data) as ports:
        done = invoke(command, *ports, "--seconds", "0.35", "--format", "json")
    assert done.exit_code == 0, done.output
    result = json.loads(done.stdout)
    assert [result[key] for key in ("sent", "received", "damaged", "lost", "stray_bytes")] == [50, 50, 0, 0, 0]
    assert result["verdict"] == "PASS: all came back: cable and adapter are good at this rate"
    latency = result["latency_s"]
    assert 0 < latency["min"] <= latency["median"] <= latency["p99"] <= latency["max"]
    assert result["wire_s"] == 0.003


def test_two_adapters() -> None:
    with echoing(lambda data: data, to_second=True) as ports:
        assert account(loop(*ports, seconds=0.07)) == (10, 10, 0, 0)


def test_nothing_back_fails() -> None:
    with echoing(lambda data: b"") as ports:
        done = invoke(command, *ports, "--seconds", "0.07")
    assert done.exit_code == 1
    lines = [line for line in done.stdout.splitlines() if not line.startswith("slots skipped")]  # a busy machine
    assert lines == [
        "blocks sent      10",
        "       received  0",
        "       damaged   0",
        "       lost      10",
        "FAIL: nothing came back: is TX tied to RX, is ground joined, is it the right port?",
    ]


def test_an_inverted_cable_fails() -> None:
    with echoing(lambda data: bytes(byte ^ 0xFF for byte in data)) as ports:
        result = loop(*ports, seconds=0.07)
    assert account(result) == (10, 0, 10, 0)
    assert result.verdict.startswith("FAIL: only other bytes came back: inverted line")


def test_a_flaky_cable_fails() -> None:
    seen = bytearray()

    def flip_byte_60(data: bytes) -> bytes:
        at = len(seen)
        seen.extend(data)
        return bytes(byte ^ (4 if at + i == 60 else 0) for i, byte in enumerate(data))

    with echoing(flip_byte_60) as ports:
        result = loop(*ports, seconds=0.07)
    assert account(result) == (10, 9, 1, 0)
    assert not result.is_good
    assert result.verdict == "FAIL: not all came back: repair cable or adapter before suspecting a receiver"


def test_a_port_that_is_none_gets_one_line() -> None:
    done = invoke(command, "/dev/ttyHERON")
    assert str(done.exception).startswith("/dev/ttyHERON: ")


def test_text() -> None:
    latency_s = {"min": 0.0031, "median": 0.0032, "p99": 0.0047, "max": 0.0052}
    result = LoopResult(714, 712, 1, 1, 25, 3, 2, 0.003, latency_s, "FAIL: as it is", False)
    assert text_lines(result) == [
        "blocks sent      714",
        "       received  712",
        "       damaged   1",
        "       lost      1",
        "stray bytes      25, marked as damaged by the line 3",
        "slots skipped    2 (this machine was busy; no fault of the cable)",
        "latency, ms      min 3.100  median 3.200  p99 4.700  max 5.200  (the line itself takes 3.000)",
        "FAIL: as it is",
    ]
