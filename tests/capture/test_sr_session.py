"""Sessions of the sigrok tools: entries in order, any unit and rate, long idle lines in little memory, damage."""

from __future__ import annotations

import io
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import compressed, sr_session
from busbench.capture.base import ReadOptions
from busbench.capture.edges import read_edges
from busbench.capture.open import open_capture, open_levels
from busbench.errors import CaptureError
from busbench.model import ByteLog, Clock, ClockKind
from busbench.wire.uart import encode_line

DATA = b"\x0f\xa5\x00\x7f" * 30


def samples(data: bytes, *, rate: int, bit: int = 0, unit: int = 1, lead_s: float = 0.001) -> bytes:
    """A line that sends some bytes, sampled; all other bits toggle."""
    edges = encode_line(data)
    total = int((lead_s + edges.end_ns / 1e9) * rate)
    times = np.arange(total) * 10**9 // rate - int(lead_s * 1e9)
    level = np.searchsorted(edges.t_ns, times, "right") & 1
    columns = np.tile((np.arange(total) % 2 * 255).astype(np.uint8)[:, None], (1, unit))
    byte = columns[:, bit // 8]
    columns[:, bit // 8] = byte & (255 ^ 1 << bit % 8) | (level << bit % 8).astype(np.uint8)
    return columns.tobytes()


def session(
    *parts: bytes, meta: str = "", first: int = 1, probes: int = 1, rate: str = "2 MHz", unit: int = 1
) -> bytes:
    named = "".join(f"probe{i + 1}=D{i}\n" for i in range(probes))
    said = f"[global]\nsigrok version=0.5.2\n\n[device 1]\ncapturefile=logic-1\ntotal probes={probes}\n"
    said += f"samplerate={rate}\ntotal analog=0\n{named}unitsize={unit}\n"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("version", "2")
        archive.writestr("metadata", meta or said)
        for i, part in reversed(list(enumerate(parts, 1))):  # their numbers say their order
            archive.writestr(f"logic-1-{i}", part)
    return out.getvalue()


def kept(tmp_path: Path, data: bytes) -> str:
    path = tmp_path / "a.sr"
    path.write_bytes(data)
    return str(path)


@pytest.mark.parametrize(("rate", "said"), [(2_000_000, "2 MHz"), (500_000, "500 kHz"), (1_500_000, "1500000")])
def test_bytes_and_times_of_a_session(tmp_path: Path, rate: int, said: str) -> None:
    path = kept(tmp_path, session(samples(DATA, rate=rate), rate=said))
    with open_capture(path) as capture:
        (log,) = capture.blocks()
        assert log.data.tobytes() == DATA
        assert log.bad is None
        assert np.abs(log.mark_t_ns - 1_000_000 - np.arange(len(DATA)) * 120_000).max() <= 10**9 / rate
        assert capture.info.format == "sigrok session"
        assert capture.info.clock == Clock(ClockKind.PER_BYTE, round(10**9 / rate))
        assert (capture.info.source, capture.info.notes) == ("D0", [])


@pytest.mark.parametrize(("bit", "unit"), [(3, 1), (7, 1), (9, 2), (23, 3), (40, 8)])
def test_the_signal_with_frames_is_found_in_units_of_any_size(tmp_path: Path, bit: int, unit: int) -> None:
    frames = (b"\x0f" + bytes(range(22)) + b"\0\0") * 9
    data = samples(frames, rate=1_000_000, bit=bit, unit=unit)
    cut = len(data) // 2 + 1  # inside a sample
    path = kept(tmp_path, session(data[:cut], data[cut:], probes=8 * unit, rate="1 MHz", unit=unit))
    with open_capture(path) as capture:
        (log,) = capture.blocks()
        assert (capture.info.source, log.data.tobytes()) == (f"D{bit}", frames)


def test_entries_are_read_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    data = samples(DATA, rate=2_000_000)
    parts = [data[at : at + 3001] for at in range(0, len(data), 3001)]
    path = kept(tmp_path, session(*parts))
    assert len(parts) > 10  # 10 comes after 9, not after 1
    with open_capture(path) as capture:
        (log,) = capture.blocks()
    assert log.data.tobytes() == DATA


def test_levels_of_all_signals(tmp_path: Path) -> None:
    path = kept(tmp_path, session(bytes([0, 1, 1, 3, 2, 2]), probes=2, rate="1 MHz"))
    file = open_levels(path)
    assert file is not None
    found = read_edges(file)
    assert {name: (one.initial, one.t_ns.tolist(), one.end_ns) for name, one in found.items()} == {
        "D0": (0, [1000, 4000], 5000),
        "D1": (0, [3000], 5000),
    }


@pytest.mark.parametrize(
    "stated", ["", "unitsize=\n", "unitsize=two\n", "unitsize=-1\n", "unitsize=²\n", "unitsize=1000\n"]
)
@pytest.mark.parametrize(("probe", "unit"), [(8, 1), (9, 2), (16, 2), (17, 3)])
def test_without_a_stated_size_a_sample_has_room_for_its_last_signal(
    tmp_path: Path, stated: str, probe: int, unit: int
) -> None:
    meta = f"[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nprobe{probe}=rx\n{stated}"
    rows = np.zeros((6, unit), np.uint8)
    rows[2:5, -1] = 1 << (probe - 1) % 8
    file = open_levels(kept(tmp_path, session(rows.tobytes(), meta=meta)))
    assert file is not None
    (found,) = read_edges(file).values()
    assert (found.initial, found.t_ns.tolist(), found.end_ns) == (0, [2000, 5000], 5000)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (("rx", "tx"), ("rx", "tx")),
        (("rx", ""), ("rx", "2")),
        (("rx", "rx"), ("1", "2")),  # a name twice names nothing
        (("rx", "1"), ("rx", "1")),
        (("2", ""), ("1", "2")),
        (("r\x1bx", "tx"), ("r\\x1bx", "tx")),
    ],
)
def test_names_of_signals(tmp_path: Path, names: tuple[str, str], expected: tuple[str, str]) -> None:
    said = "".join(f"probe{n}={name}\n" for n, name in enumerate(names, 1))
    meta = f"[other]\nprobe3=no\n[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\n{said}"
    file = open_levels(kept(tmp_path, session(bytes([0, 1, 2, 3, 0]), meta=meta)))
    assert file is not None
    assert tuple(file.names) == expected
    assert [one.t_ns.tolist() for one in read_edges(file).values()] == [[1000, 2000, 3000, 4000], [2000, 4000]]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (session(bytes(9))[:-30], r"is damaged \(sigrok session\): copy it again"),
        (session(bytes(9), meta="x"), r"is damaged"),
        (session(bytes(9), meta="[device 1]\ncapturefile=logic-1\n"), "holds no logic signals"),
        (session(bytes(9), rate=""), "states no sample rate: record it again with one, such as 1 MHz"),
        (session(bytes(9), rate="soon"), 'has the sample rate "soon"'),
        (session(bytes(9), rate="900 GHz"), 'has the sample rate "900 GHz"'),
        (session(bytes(9), unit=500), "is damaged"),
        (session(bytes(9), probes=9), "is damaged"),
        (session(bytes(9)), r'signal "D0" carries no characters \(0 changes of level\)'),
    ],
    ids=lambda value: value if isinstance(value, str) else "session",  # archives hold the time of their making
)
def test_what_cannot_be_read_ends_in_one_line(tmp_path: Path, data: bytes, said: str) -> None:
    with pytest.raises(CaptureError, match=said):
        list(open_capture(kept(tmp_path, data)).blocks())


def test_damage_inside_gives_what_stands_before(tmp_path: Path) -> None:
    data = samples(DATA * 40, rate=20_000_000)
    whole = bytearray(session(*(data[at : at + 1_000_000] for at in range(0, len(data), 1_000_000)), rate="20 MHz"))
    at = whole.index(b"logic-1-9") + 60
    whole[at : at + 200] = bytes(200)
    blocks = sr_session.open_file(kept(tmp_path, bytes(whole)), ReadOptions()).blocks()
    found: list[ByteLog] = []
    with pytest.raises(CaptureError, match="is damaged"):
        found.extend(blocks)
    read = b"".join(log.data.tobytes() for log in found)
    assert len(read) > 3000
    assert (DATA * 40).startswith(read)


def test_what_unpacks_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compressed, "_UNPACKED_FREE", 1 << 20)
    with pytest.raises(CaptureError, match=r"unpacks to more than \d MB, which no recording does"):
        open_capture(kept(tmp_path, session(bytes(20 << 20))))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no resource module")
def test_a_long_session_is_read_in_little_memory(tmp_path: Path) -> None:
    data = samples(DATA, rate=100_000_000)
    idle = data[:2] * (2 << 20)
    path = kept(tmp_path, session(*[idle] * 48, data, rate="100 MHz"))
    assert 48 * len(idle) > 200_000_000
    code = (
        "import resource, sys, busbench\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "found = busbench.read_recording(sys.argv[1])\n"
        "print(found.span.bytes_total, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    total, grown = map(int, done.stdout.split())
    unit = 1 if sys.platform == "darwin" else 1024
    assert total == len(DATA)
    assert grown * unit < 60 << 20
