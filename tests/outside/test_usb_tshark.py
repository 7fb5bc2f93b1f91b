"""Captures of a USB host, built by hand, against tshark.

Source: tshark of the Wireshark project, which reads link types 220 and 249
independently of us; it knows nothing of status bytes, so chips are plain here.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from busbench.capture.base import ReadOptions
from busbench.capture.usb import open_file
from tests.capture.blocks import packets
from tests.capture.usb_blocks import (
    CONTROL,
    FRAME,
    START_US,
    configuration,
    device_descriptor,
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
