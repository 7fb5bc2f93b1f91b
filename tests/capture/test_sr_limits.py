"""Sessions: rates and sizes at their limits, exact times, blocks, a cut sample, what is taken for a session."""

from __future__ import annotations

import io
import re
import zipfile

import numpy as np
import pytest

from busbench.capture import sr_session
from busbench.capture.edges import read_edges
from busbench.capture.file_io import ObjectSource
from busbench.capture.sr_session import SrSession, sniff
from busbench.errors import CaptureError

SAID = "[device 1]\ncapturefile=logic-1\nprobe1=rx\n"


def packed(meta: str, **entries: bytes) -> io.BytesIO:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("metadata", meta)
        for name, data in entries.items():
            archive.writestr(name.replace("_", "-"), data)
    file.seek(0)
    return file


def session(meta: str, **entries: bytes) -> SrSession:
    return SrSession(ObjectSource(packed(meta, **entries), name="made"))


def changes(file: SrSession) -> dict[str, tuple[int, list[int], int]]:
    return {name: (one.initial, one.t_ns.tolist(), one.end_ns) for name, one in read_edges(file).items()}


@pytest.mark.parametrize(
    ("rate", "times_ns", "resolution_ns"),
    [
        ("1", [1_000_000_000, 3_000_000_000], 10**9),
        ("3 Hz", [333_333_333, 1_000_000_000], 333_333_333),
        ("0.6", [1_000_000_000, 3_000_000_000], 10**9),  # rates are whole numbers
        ("2.5kHz", [400_000, 1_200_000], 400_000),
        ("24 mhz", [41, 125], 42),
        ("1.5 G", [0, 2], 1),
        ("5 GHz", [0, 0], 1),
    ],
)
def test_times_of_samples_are_rounded_down(rate: str, times_ns: list[int], resolution_ns: int) -> None:
    file = session(f"{SAID}samplerate={rate}\n", logic_1=b"\0\1\1\0")
    assert file._to_ns(np.array([1, 3])).tolist() == times_ns
    assert file.resolution_ns == resolution_ns
    if times_ns[0] < times_ns[1]:
        assert changes(file) == {"rx": (int(times_ns[0] == 0), times_ns[times_ns[0] == 0 :], times_ns[1])}


@pytest.mark.parametrize("rate", ["0", "0.4", "5.000000001 GHz", "1 THz", "-1", "1e6", "1234567890123"])
def test_rates_that_are_none(rate: str) -> None:
    said = f'made: has the sample rate "{rate}": record it again with one, such as 1 MHz'
    with pytest.raises(CaptureError, match=re.escape(said)):
        session(f"{SAID}samplerate={rate}\n", logic_1=b"\0\1")


@pytest.mark.parametrize(
    ("probe", "unit", "is_sound"),
    [(8, 1, True), (9, 1, False), (512, 64, True), (512, 65, False), (512, 63, False), (1, 0, False), (1, 999, False)],
)
def test_samples_hold_all_signals_in_at_most_64_bytes(probe: int, unit: int, is_sound: bool) -> None:
    meta = f"[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nunitsize={unit}\nprobe{probe}=rx\n"
    data = bytes(unit) + bytes(max(unit - 1, 0)) + b"\x80"
    if is_sound:
        assert changes(session(meta, logic_1=data)) == {"rx": (0, [1000], 1000)}
    else:
        with pytest.raises(CaptureError, match=r"made: is damaged \(sigrok session\)"):
            session(meta, logic_1=data)


@pytest.mark.parametrize(
    ("keys", "names"),
    [
        ("probe2=b\nprobe1=a\n", ("a", "b")),
        ("probe0=z\nprobe01=y\nprobes=x\nprobe1=a\n", ("a",)),
        ("probe100=a\n", ("a",)),
        ("probe1000=b\nprobe1=a\n", ("a",)),
        (f"probe1={'n' * 200}\nprobe2={'m' * 201}\n", ("n" * 200, "m" * 199 + "…")),
        ("probe3=\nprobe1=\n", ("1", "3")),
        ("probe3=a\nprobe1=a\n", ("1", "3")),
    ],
)
def test_names_by_the_numbers_of_signals(keys: str, names: tuple[str, ...]) -> None:
    file = session(f"[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\n{keys}", logic_1=bytes(99))
    assert file.names == names


def test_the_first_device_with_samples_is_read() -> None:
    meta = f"[device 1]\nprobe1=no\n{SAID.replace('1]', '2]')}samplerate=1 MHz\n[device 3]\ncapturefile=logic-3\n"
    assert changes(session(meta, logic_1=b"\0\1", logic_3=b"\1\0")) == {"rx": (0, [1000], 1000)}


def test_entries_of_others_are_not_read() -> None:
    """An entry without a number comes before those with one."""
    meta = f"{SAID}samplerate=1 MHz\n"
    entries = {"logic_1_2": b"\0", "logic_1_1": b"\1", "logic_1": b"\0", "logic_1_x": b"\1", "logic_12": b"\1\0\1"}
    assert changes(session(meta, **entries)) == {"rx": (0, [1000, 2000], 2000)}
    assert changes(session(meta, analog_1=b"\1")) == {}


@pytest.mark.parametrize("block_bytes", [4, 5, 7, 1 << 20])
def test_samples_over_blocks_and_entries(monkeypatch: pytest.MonkeyPatch, block_bytes: int) -> None:
    """Of two bytes each, from two entries with a part of a sample each; the last sample is cut."""
    monkeypatch.setattr(sr_session, "_BLOCK_BYTES", block_bytes)
    meta = "[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nunitsize=2\nprobe1=a\nprobe9=b\nprobe16=c\n"
    rows = [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0x80), (0, 0x81), (1, 0), (1, 0)]
    data = bytes(byte for row in rows for byte in row) + b"\1"
    file = session(meta, logic_1_1=data[:5], logic_1_2=data[5:])
    for _ in range(2):
        assert changes(file) == {"a": (0, [1000, 3000, 6000], 7000), "b": (0, [2000, 4000, 5000, 6000], 7000),
                                 "c": (0, [4000, 6000], 7000)}  # fmt: skip
        assert file.notes == ["the session is cut inside its last sample"]


@pytest.mark.parametrize("size", [1 << 20, (1 << 20) + 1])
def test_a_session_may_unpack_to_the_limit(monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    file = packed(f"{SAID}samplerate=1 MHz\n", logic_1_1=bytes(size - 1), logic_1_2=b"\0")
    most = {len(file.getvalue()): 1 << 20}
    monkeypatch.setattr(sr_session, "unpacked_most", most.__getitem__)
    if size == 1 << 20:
        made = SrSession(ObjectSource(file, name="made"))
        assert changes(made) == {"rx": (0, [], (size - 1) * 1000)}
    else:
        with pytest.raises(CaptureError, match="made: unpacks to more than 1 MB, which no recording does: look where"):
            SrSession(ObjectSource(file, name="made"))


@pytest.mark.parametrize(
    ("head", "is_session"),
    [
        (b"PK\3\4" + bytes(26) + b"version", True), (b"PK\3\4" + bytes(26) + b"metadata", True),
        (b"PK\3\4" + bytes(26) + b"logic-1-1", True), (b"PK\3\4" + bytes(26) + b"analog", False),
        (b"PK\3\4" + bytes(25) + b"version", False), (b"PK\3\4" + bytes(27) + b"version", False),
        (b"PK\1\2" + bytes(26) + b"version", False), (b"", False),
    ],
)  # fmt: skip
def test_a_session_begins_with_one_of_its_entries(head: bytes, is_session: bool) -> None:
    assert sniff(head) is is_session
