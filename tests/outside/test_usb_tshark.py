"""Captures of a USB host, built by hand, against tshark.

Source: tshark of the Wireshark project, which reads link types 220 and 249
independently of us; it knows nothing of status bytes, so chips are plain here.
"""

from __future__ import annotations

import itertools
import shutil
import subprocess
from pathlib import Path

import pytest

from busbench.analysis.outages import find_outages
from busbench.analysis.recording import read_recording
from busbench.capture.base import ReadOptions
from busbench.capture.usb import open_file
from busbench.model import NO_CLOCK
from tests.capture.blocks import packets
from tests.capture.usb_blocks import (
    CONTROL,
    FRAME,
    START_US,
    configuration,
    device_descriptor,
    ftdi,
    linux,
    linux_file,
    windows,
    windows_file,
)


def listed(path: Path, *names: str, only: str = "") -> list[list[str]]:
    """The fields of each packet."""
    tool = shutil.which("tshark")
    if tool is None:
        pytest.skip("outside tool missing: tshark")
    fields = [word for name in names for word in ("-e", name)]
    command = [tool, "-r", str(path), *(["-Y", only] if only else []), "-T", "fields", *fields]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return [line.split("\t") for line in done.stdout.splitlines()]


def linux_capture() -> bytes:
    return linux_file(
        linux(START_US, device_descriptor(0x10C4), endpoint=0x80, transfer=CONTROL),
        linux(START_US + 50, configuration(64), endpoint=0x80, transfer=CONTROL),
        linux(START_US + 100, b"", event=b"S", length=512),
        linux(START_US + 7_000, FRAME[:11]),
        linux(START_US + 7_100, b"ask", endpoint=0x02, event=b"S"),
        linux(START_US + 7_200, b"status", endpoint=0x83, transfer=1),
        linux(START_US + 8_001, FRAME[11:]),
        linux(START_US + 9_000, b"", status=-2),
    )


def windows_capture() -> bytes:
    return windows_file(
        windows(START_US, b"", info=0),
        windows(START_US + 7_000, FRAME[:11]),
        windows(START_US + 7_100, b"ask", endpoint=0x02, info=0),
        windows(START_US + 7_200, b"status", endpoint=0x83, transfer=1),
        windows(START_US + 8_001, FRAME[11:]),
    )


@pytest.mark.parametrize(
    ("data", "completed"),
    [
        (linux_capture(), "usb.urb_type == 'C'"),
        (windows_capture(), "usb.irp_info.direction == 1"),
    ],
    ids=["linux", "windows"],
)
def test_tshark_finds_the_same_received_bytes(tmp_path: Path, data: bytes, completed: str) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(data)
    only = f"usb.transfer_type == 3 && usb.endpoint_address.direction == 1 && usb.capdata && {completed}"
    found = []
    for stamp, address, bytes_ in listed(path, "frame.time_epoch", "usb.device_address", "usb.capdata", only=only):
        seconds, ns = stamp.split(".")
        assert address == "7"
        found.append((int(seconds) * 1_000_000_000 + int(ns.ljust(9, "0")), bytes.fromhex(bytes_)))
    assert found == packets(open_file(str(path), ReadOptions()))
    assert [one[1] for one in found] == [FRAME[:11], FRAME[11:]]


@pytest.mark.parametrize("bad", [(3,), (3, 4), (0, 8, 9), (2, 3, 4, 5)])
def test_frames_of_marked_packets_are_counted(tmp_path: Path, bad: tuple[int, ...]) -> None:
    """Damaged at most: all frames with a byte in a marked packet, by tshark's bytes; at least: the fewest that
    explain the marks, by trying all choices of one byte a packet."""
    stream = FRAME * 30
    reads = [stream[at : at + 62] for at in range(0, len(stream), 62)]
    transfers = [
        linux(START_US + 16_000 * i, ftdi(read, status=b"\x01\x64" if i in bad else b"\x01\x60"))
        for i, read in enumerate(reads)
    ]
    path = tmp_path / "a.pcapng"
    path.write_bytes(linux_file(*transfers))
    at, choices = 0, []
    for (words,) in listed(path, "usb.capdata"):
        data = bytes.fromhex(words)
        held = range(at, at + len(data) - 2)
        at = held.stop
        if data[1] & 0x04:
            choices.append({offset // 25 for offset in held})
    assert len(choices) == len(bad)
    most = len(set().union(*choices))
    least = min(len(set(one)) for one in itertools.product(*choices))
    recording = read_recording(path)
    found = find_outages(recording.times, recording.rejects, first_offset=0, clock=NO_CLOCK)
    assert (found.frames, found.missed, found.missed_low) == (30, most, least)


def test_tshark_reads_the_headers_that_we_build(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(linux_capture())
    rows = listed(path, "usb.urb_type", "usb.transfer_type", "usb.endpoint_address", "usb.bus_id", "usb.urb_status")
    assert [[row[0].strip("'"), int(row[1], 0), int(row[2], 0), row[3], row[4]] for row in rows] == [
        ["C", 2, 0x80, "1", "0"],
        ["C", 2, 0x80, "1", "0"],
        ["S", 3, 0x81, "1", "0"],
        ["C", 3, 0x81, "1", "0"],
        ["S", 3, 0x02, "1", "0"],
        ["C", 1, 0x83, "1", "0"],
        ["C", 3, 0x81, "1", "0"],
        ["C", 3, 0x81, "1", "-2"],
    ]
