"""Which signal of a file is read, what is said of its line, and how many damaged rows it may have."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import file_io
from busbench.capture.base import Capture, ReadOptions
from busbench.capture.edges import read_edges
from busbench.capture.frames import carries_frames
from busbench.capture.level_csv import LevelCsvFile, open_file, sniff
from busbench.capture.open import open_capture
from busbench.capture.vcd import VcdLevels, VcdWriter
from busbench.errors import CaptureError
from busbench.line import BUS_LINE, LineSettings
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.uart import encode_line
from tests.capture.levels import kept

FRAMES = pack_frames(900 + np.arange(8)[:, None] + np.arange(16)).tobytes()


def opened(text: str, signal: str | None = None) -> Capture:
    return open_capture(io.BytesIO(text.encode()), options=ReadOptions(signal=signal))


def sent(*, line: LineSettings = BUS_LINE, bit_ns: float = 10_000, size: int = len(FRAMES)) -> Edges:
    """A line that carries them from 1 ms on, back to back."""
    starts = 1_000_000 + np.rint(np.arange(size) * line.character_bits * bit_ns).astype(np.int64)
    return encode_line(FRAMES[:size], starts, line=line, bit_ns=bit_ns)


def dump(edges: Edges) -> str:
    file = io.BytesIO()
    writer = VcdWriter(file)
    writer.write(edges)
    writer.close()
    return file.getvalue().decode()


def notes(text: str) -> list[str]:
    capture = opened(text)
    list(capture.blocks())
    return capture.info.notes


@pytest.mark.parametrize(
    ("wanted", "found"),
    [("a.x", "a.x"), ("2", "b.x"), ("4", "7"), ("7", "7"), ("y", "c.y"), ("1", "a.x")],
)
def test_a_signal_by_its_name_its_last_part_or_its_number(tmp_path: Path, wanted: str, found: str) -> None:
    text = "time_us,a.x,b.x,c.y,7\n0,0,0,1,1\n1,1,0,1,0\n2,0,1,1,0\n"
    assert LevelCsvFile(kept(tmp_path, text)).pick(wanted) == found


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ("x", 'has several signals "x": it has a.x, b.x'),
        ("0", 'has no signal "0": it has a.x, b.x, c.y, 7'),
        ("5", 'has no signal "5": it has a.x, b.x, c.y, 7'),
        ("\u0662", 'has no signal "\u0662"'),  # a digit of another script
        ("a", 'has no signal "a"'),
    ],
)
def test_a_signal_that_there_is_not(tmp_path: Path, wanted: str, said: str) -> None:
    text = "time_us,a.x,b.x,c.y,7\n0,0,0,1,1\n1,1,0,1,0\n2,0,1,1,0\n"
    with pytest.raises(CaptureError) as caught:
        LevelCsvFile(kept(tmp_path, text)).pick(wanted)
    assert said in str(caught.value)


@pytest.mark.parametrize(("count", "more"), [(8, "s6, s7"), (9, "s6, s7, and 1 more"), (11, "s6, s7, and 3 more")])
def test_eight_names_are_listed(tmp_path: Path, count: int, more: str) -> None:
    names = [f"s{i}" for i in range(count)]
    text = f"time_us,{','.join(names)}\n" + "".join(f"{t}{',0' * (count - 1)},{t % 2}\n" for t in range(4))
    assert LevelCsvFile(kept(tmp_path, text)).listed(names).endswith(more)


@pytest.mark.parametrize(
    ("bit_ns", "said"),
    [
        (9_940, ["a bit lasts 9.940 µs, -0.6 % from nominal"]),
        (9_960, []),
        (10_040, []),
        (10_060, ["a bit lasts 10.060 µs, +0.6 % from nominal"]),
    ],
)
def test_a_clock_off_by_more_than_half_a_percent_is_noted(bit_ns: int, said: list[str]) -> None:
    assert notes(dump(sent(bit_ns=bit_ns))) == said


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (LineSettings(parity="O"), "the line is 8O2 (odd parity, 2 stop bits) but was read as 8E2: give --parity O"),
        (
            LineSettings(stop_bits=1),
            "the line is 8E1 (even parity, 1 stop bit) but was read as 8E2: give --stop-bits 1",
        ),
        (
            LineSettings(parity="N", stop_bits=1),
            "the line is 8N1 (no parity, 1 stop bit) but was read as 8E2: give --parity N --stop-bits 1",
        ),
    ],
)
def test_other_settings_that_explain_the_line_are_named(line: LineSettings, said: str) -> None:
    assert notes(dump(sent(line=line))) == [said]


@pytest.mark.parametrize(("busier", "why"), [(63, "which carries frames"), (64, "though none carries frames")])
def test_of_very_many_signals_the_64_that_change_most_are_tried(busier: int, why: str) -> None:
    """Noise of the others, of pulses too short for characters."""
    edges = sent(size=125)
    changes = [(t, f"{level}!") for t, level in zip(edges.t_ns.tolist(), edges.level.tolist(), strict=True)]
    count = len(edges) + 10
    names = [f"@{i}" for i in range(busier)]
    changes += [(1000 * n, " ".join(f"{n & 1}{name}" for name in names)) for n in range(count)]
    head = "$timescale 1 ns $end $var wire 1 ! bus $end " + "".join(f"$var wire 1 {n} n{n} $end " for n in names)
    body = "".join(f"#{t} {put}\n" for t, put in sorted(changes, key=lambda change: change[0]))
    capture = opened(f"{head}$enddefinitions $end\n{body}#{edges.end_ns}\n")
    assert capture.info.notes[0].partition(" of ")[2].startswith(f"{busier + 1} was taken, {why}")


def damaged(tmp_path: Path, good: int, bad: int, end: str = "") -> Capture:
    """Rows of a line, then rows that are none."""
    line = sent()
    changes = zip(line.t_ns.tolist(), line.level.tolist(), strict=True)
    written = ["-0.1,0\n", *(f"{t / 1e9:.9f},{level}\n" for t, level in changes)]
    return open_file(kept(tmp_path, "time s,rx\n" + "".join(written[:good]) + "oops\n" * bad + end), ReadOptions())


@pytest.mark.parametrize(
    ("good", "bad", "end", "said"),
    [
        (50, 1, "", ["1 row holds no time with levels, the first in line 52: left out"]),
        (50, 100, "", ["100 rows hold no time with levels, the first in line 52: left out"]),
        (101, 101, "", ["101 rows hold no time with levels, the first in line 103: left out"]),
        (50, 0, "oops", ["the file is cut inside its last row"]),
        (50, 2, "oops", [
            "2 rows hold no time with levels, the first in line 52: left out", "the file is cut inside its last row",
        ]),
    ],
)  # fmt: skip
def test_damaged_rows_of_levels(tmp_path: Path, good: int, bad: int, end: str, said: list[str]) -> None:
    capture = damaged(tmp_path, good, bad, end)
    assert sum(map(len, capture.blocks())) > 5
    assert capture.info.notes == said


@pytest.mark.parametrize("good", [50, 100])
def test_more_than_a_hundred_damaged_rows_and_fewer_good_ones_end_the_reading(tmp_path: Path, good: int) -> None:
    with pytest.raises(CaptureError, match=f"line {good + 2} and those after it hold no time with levels"):
        list(damaged(tmp_path, good, 101).blocks())


@pytest.mark.parametrize(("text", "is_taken"), [("0,0\n1,1\n2,0", True), ("0,0\n1,1\n", False), ("0,0\n1,1\n2", False)])
def test_three_rows_are_levels(text: str, is_taken: bool) -> None:
    assert sniff(text.encode()) is is_taken


@pytest.mark.parametrize(("levels", "is_taken"), [("001011", True), ("010101", False)])
def test_samples_without_times_stay_the_same_for_a_while(levels: str, is_taken: bool) -> None:
    """A list of changes would be without times."""
    text = "Sample rate: 1 MHz\nrx,tx\n" + "".join(f"{level},{level}\n" for level in levels)
    assert sniff(text.encode()) is is_taken


def test_an_identifier_may_hold_the_word_end() -> None:
    text = dump(sent()).replace("!", "a$end!")
    (log,) = opened(text).blocks()
    assert log.data.tobytes() == FRAMES


@pytest.mark.parametrize(
    ("written", "zero"),
    [
        ("2026-05-28 10:15:00.5", "2026-05-28T00:00"),
        ("2026-05-28T10:15:00.5Z", "2026-05-28T00:00"),
        ("2026/05/28 10:15:00,5 UTC", "2026-05-28T00:00"),
        ("2026.05.28 10:15:00.5+02:30", "2026-05-27T21:30"),
        ("2026-05-28 10:15:00.5 -0130", "2026-05-28T01:30"),
    ],
)
def test_dates_in_zones(written: str, zero: str) -> None:
    """Times count from midnight there, which is known in UTC."""
    capture = opened("time;byte\n" + f"{written};0x0F\n" * 4)
    assert next(capture.blocks()).mark_t_ns.tolist() == [36_900_500_000_000] * 4
    assert capture.info.start_utc_ns == int(np.datetime64(zero, "ns").astype(np.int64))


def test_a_day_later_by_date_and_by_the_clock() -> None:
    """Back by less than half a day is a clock that was set, by more a new day."""
    by_date = opened("time;byte\n" + "".join(f"2026-05-{28 + n} 10:15:00;0x0F\n" for n in range(3)))
    assert np.diff(next(by_date.blocks()).mark_t_ns).tolist() == [86_400 * 10**9] * 2
    clock = ("23:59:59", "00:00:01", "12:00:02", "11:59:00", "23:00:00", "10:00:00")
    by_clock = opened("time;byte\n" + "".join(f"{one};0x0F\n" for one in clock))
    expected = np.array([86_399, 86_401, 129_602, 129_540, 169_200, 208_800]) * 10**9
    assert next(by_clock.blocks()).mark_t_ns.tolist() == expected.tolist()


@pytest.mark.parametrize(
    ("cell", "byte"),
    [
        ("\\x1f", 0x1F), ("$f", 0x0F), ("$1F", 0x1F), ("1Fh", 0x1F), ("01Fh", 0x1F), ("<1f>", 0x1F), ("0x1", 0x01),
        ("0b11", 3), ("0b11111111", 255), ("0b1", None), ("0b111111111", None), ("A", 0x41), ("~", 0x7E),
        ("\x7f", 0x7F), ("\x80", None), ("é", None), ("'A'", 0x41), ("''", None), ("<SOH>", 1), ("[NUL]", 0),
        ("US", 31), ("SP", 32), ("DEL", 127), ("TAB", 9), ("SPACE", 32), ("comma", 44), ("\\n", 10), ("\\\\", 92),
        ("\\e", 27), ("\\q", None), ("A (0x42)", 0x42), ("A [0x43]", 0x43), (" ", 32), ("", None), ("nothing", None),
    ],
)  # fmt: skip
def test_bytes_as_they_are_written(cell: str, byte: int | None) -> None:
    ruled = [f"0.{n:03d}\t\\x0f" for n in range(12)] + [f"0.900\t{cell}", "0.901\t\\x07"]
    capture = opened("time [s]\tdata\n" + "".join(f"{row}\n" for row in ruled))
    (log,) = capture.blocks()
    assert log.data[12:].tolist() == [*([] if byte is None else [byte]), 7]


def test_three_frames_in_the_first_64_kb_are_a_line() -> None:
    lead = bytes(65_536 - 75)
    assert not carries_frames(FRAMES[:50])
    assert carries_frames(FRAMES[:75])
    assert carries_frames(lead + FRAMES)
    assert not carries_frames(lead + b"\0" + FRAMES)


def levels(tmp_path: Path, text: str) -> dict[str, tuple[int, list[int], int]]:
    found = read_edges(VcdLevels(kept(tmp_path, text)))
    return {name: (edges.initial, edges.t_ns.tolist(), edges.end_ns) for name, edges in found.items()}


@pytest.mark.parametrize(
    ("width", "names"),
    [
        ("1", ["rx"]),
        ("2", ["rx[0]", "rx[1]"]),
        ("64", [f"rx[{bit}]" for bit in range(64)]),
        *((width, []) for width in ("0", "65", "99999", "x", "w1", "-1")),
    ],
)
def test_variables_of_1_to_64_bits_are_signals(tmp_path: Path, width: str, names: list[str]) -> None:
    text = (
        f"$timescale 1 ns $end $var wire 1 # a $end $var reg {width} ! rx $end $enddefinitions $end #0 0# #9 1# #20\n"
    )
    assert list(VcdLevels(kept(tmp_path, text)).names) == ["a", *names]


@pytest.mark.parametrize("block_bytes", [16, 1 << 20])
def test_a_signal_without_a_level_so_far_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block_bytes: int
) -> None:
    """One that never got a level is absent; one that stays as it is lasts to the end."""
    monkeypatch.setattr(file_io, "BLOCK_BYTES", block_bytes)
    head = "$timescale 1 ns $end $var wire 1 ! a $end $var wire 1 # b $end $var wire 1 % c $end $enddefinitions $end\n"
    body = "#0 0!\n" + "".join(f"#{10 * n} {n & 1}!\n" for n in range(1, 9)) + "#85 1#\n#90 0!\n#95 1!\n#120\n"
    assert levels(tmp_path, head + body) == {
        "a": (0, [*range(10, 81, 10), 95], 120),
        "b": (1, [], 120),
    }
