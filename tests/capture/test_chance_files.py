"""What readers give of files put together by chance: a line for each, so that a changed figure, word or refusal shows.

Where a change is meant, take the lines that the test prints after a look at what changed.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.errors import CaptureError
from busbench.model import ByteLog
from tests.capture import chance_packets, chance_text

EXPECTED = Path(__file__).with_name("chance_files.txt")
ANY = ReadOptions()
Make = Callable[[np.random.Generator], bytes]
MAKERS: dict[str, tuple[Make, int, tuple[ReadOptions, ...]]] = {
    "pcapng": (
        chance_packets.pcapng,
        60,
        (ANY, ANY, ReadOptions(interface="ttyS0"), ReadOptions(interface="1"), ReadOptions(interface="left wing")),
    ),
    "pcap": (chance_packets.pcap, 24, (ANY, ANY, ReadOptions(interface="0"))),
    "usb": (
        chance_packets.usb,
        40,
        (ANY, ReadOptions(usb_device="1.5"), ReadOptions(usb_device="1.5.1"), ANY, ReadOptions(usb_device="1.6")),
    ),
    "bytes": (chance_text.byte_csv, 80, (ANY,)),
    "levels": (chance_text.level_csv, 40, (ANY, ANY, ReadOptions(signal="rx"), ANY, ReadOptions(signal="2"))),
    "vcd": (
        chance_text.vcd,
        50,
        (ANY, ANY, ReadOptions(signal="rx"), ReadOptions(signal="rx[2]"), ReadOptions(signal="1")),
    ),
}


def outcome(data: bytes, options: ReadOptions) -> str:
    """All that a reader gives of a file, in one line."""
    said: list[str] = []
    logs: list[ByteLog] = []
    try:
        with open_capture(io.BytesIO(data), options=options) as capture:
            info = capture.info
            said = [info.format, info.source, info.clock.kind.value, f"{info.clock.resolution_ns} ns"]
            said += [f"from {info.start_utc_ns}", info.origin.words, "sent" if capture.is_sent else ""]
            try:
                logs.extend(capture.blocks())
            finally:
                said += [*info.notes, *(str(one) for part in info.timed for one in part)]
    except CaptureError as error:
        said.append(f"ERROR {error}")
    times = [t for log in logs for t in log.mark_t_ns.tolist()]
    columns = [np.concatenate([getattr(log, name) for log in logs]) for name in ("data", "mark_end") if logs]
    bad = sum(int(np.count_nonzero(log.bad)) for log in logs if log.bad is not None)
    sums = [zlib.crc32(column.astype("<i8").tobytes()) for column in columns]
    figures = f"{sum(map(len, logs))} bytes, {bad} bad, {len(times)} times {times[:1]}-{times[-1:]}"
    return f"{figures} {zlib.crc32(repr(times).encode()):x} {sums}: {'; '.join(filter(None, said))}"


def outcomes(name: str) -> list[str]:
    make, count, choices = MAKERS[name]
    made = (make(np.random.default_rng(seed)) for seed in range(count))
    return [f"{name} {seed}: {outcome(data, choices[seed % len(choices)])}" for seed, data in enumerate(made)]


@pytest.mark.parametrize("name", MAKERS)
def test_every_file_gives_what_it_gave(name: str) -> None:
    lines = EXPECTED.read_text(encoding="utf-8").splitlines()
    assert outcomes(name) == [line for line in lines if line.startswith(f"{name} ")]
