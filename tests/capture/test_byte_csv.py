"""CSV of bytes: every layout that an export may have, exact times, nothing lost to a bad row."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.capture import byte_csv
from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.csv_cells import SLACK, Cells, decimals
from busbench.capture.open import open_capture
from busbench.capture.write import open_writer
from busbench.errors import CaptureError
from busbench.model import ByteLog, Clock, ClockKind

pytestmark = pytest.mark.every_row

Row = tuple[int, int]  # ns, byte
CHARACTER_NS = 120_000


def opened(tmp_path: Path, text: str | bytes) -> Capture:
    path = tmp_path / "made.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert byte_csv.sniff(path.read_bytes()[:65_536])
    return byte_csv.open_file(str(path), ReadOptions())


def rows(capture: Capture) -> list[Row]:
    found: list[Row] = []
    for log in capture.blocks():
        assert log.offset == len(found)
        assert log.mark_end.tolist() == list(range(log.offset + 1, log.end + 1))  # one mark per byte
        found += zip(log.mark_t_ns.tolist(), log.data.tolist(), strict=True)
    return found


def bad(capture: Capture) -> list[int]:
    return [int(b) for log in capture.blocks() for b in (np.zeros(len(log)) if log.bad is None else log.bad)]


def ruled(*values: str, header: str = "time [s],byte\n") -> str:
    """Rows with the given bytes, a character apart."""
    return header + "".join(f"0.{i * 120:06d},{value}\n" for i, value in enumerate(values))


EXPECTED = [(120_000, 0x0F), (240_100, 0x10), (7_000_000_000, 0xFF)]


@pytest.mark.parametrize(
    "text",
    [
        "Time [s],Data\n0.00012,0x0F\n0.0002401,0x10\n7,0xFF\n",
        "Time [s],Data\r\n\r\n0.00012,0x0F\r\n\r\n0.0002401,0x10\r\n7.0,0xff\r\n",
        "Time [s],Data\r0.00012,0x0F\r0.0002401,0x10\r7.0,0xff\r",
        "\ufeffTime [s],Data\n0.00012,0x0F\n0.0002401,0x10\n7,0XFF\n",
        "Time [s];Data\n0,00012;0x0F\n0,0002401;0x10\n7,0;0xFF\n",
        "Time [s]\tData\n0,00012\t0x0F\n0.0002401\t0x10\n7\t0xFF\n",
        '"Time [s]","Data"\n"0,00012","0x0F"\n"0,0002401","0x10"\n"7,0","0xFF"\n',
        '"Time [s]"; "Data"\n "0.00012" ; "0x0F" \n0.0002401 ;0x10\n7\u00a0; 0xFF\n',
        "Time [s],Data\n1.2e-04,0x0F\n2.401E-4,0x10\n+7E0,0xFF\n",
        "time [ms],byte\n0.12,15\n0.2401,16\n7000,255\n",
        "time_us,byte\n120,15\n240.1,16\n7000000,255\n",
        "t/µs;hex\n120;0f\n240,1;10\n7000000;ff\n",
        "Zeit (ns),Wert\n120000,0F\n240100,10\n7000000000,FF\n",
        "start in milliseconds,data\n0.12,0x0F\n0.2401,0x10\n7000,0xFF\n",
        "start_s,duration_s,data\n0.00012,0.00012,0x0F\n0.0002401,0.00012,0x10\n7,0.00012,0xFF\n",
        "data,end [s],start [s]\n0x0F,9.1,0.00012\n0x10,9.2,0.0002401\n0xFF,9.3,7.0\n",
        "no,time [s],channel,value\n0,0.00012,3,0x0F\n1,0.0002401,3,0x10\n2,7.0,3,0xFF\n",
        "on the bench\n# Heron\n// left wing\nlines,3\n\nTime [s],Data\n0.00012,0x0F\n# gust\n0.0002401,0x10\n7,0xFF\n",
        "0.00012,0x0F\n0.0002401,0x10\n7.0,0xFF\n",
        "0.00012\t15\n0.0002401\t16\n7.0\t255",
        "\ufeff0.00012,0x0F\n0.0002401,0x10\n7.0,0xFF\n",
        "0,0.00012,15\n1,0.0002401,16\n2,7.0,255\n",
        "0.00012;0F;\n0.0002401;10;\n7.0;FF;\n",
    ],
)
def test_every_layout_gives_the_same_bytes_and_times(tmp_path: Path, text: str) -> None:
    capture = opened(tmp_path, text)
    assert rows(capture) == EXPECTED
    assert rows(capture) == EXPECTED  # as often as needed
    assert (capture.info.format, capture.info.clock.kind) == ("byte CSV", ClockKind.PER_BYTE)
    assert not any(bad(capture))


def test_a_plain_export_leaves_no_notes(tmp_path: Path) -> None:
    capture = opened(tmp_path, "Time [s],Data,Parity Error,Framing Error\n0.1,0x0F,,\n0.2,0x00,,\n")
    assert len(rows(capture)) == 2
    assert capture.info.notes == []


@pytest.mark.parametrize(
    "text",
    [
        "Time [s],Channel 0\n0.1,0\n0.2,1\n0.3,0\n",
        "0.1,0\n0.2,1\n0.3,0\n",
        "time,data,clock\n0.1,0,1\n0.2,1,1\n0.3,0,1\n",
        "Dear diary, the glider flew well.\nIt landed, too.\n",
        "time,volts\n0.1,3.31\n0.2,3.32\n",
        "",
        "\n\n\n",
        "time,byte\n",
        "0x0F\n0x10\n",
    ],
)
def test_other_text_is_not_taken(text: str) -> None:
    assert not byte_csv.sniff(text.encode())


def test_noise_is_not_taken() -> None:
    rng = np.random.default_rng(5)
    assert not any(byte_csv.sniff(rng.bytes(65_536)) for _ in range(20))


@pytest.mark.parametrize(
    ("values", "expected", "words"),
    [
        (("12", "34", "0F"), [0x12, 0x34, 0x0F], "read as hex digits: 1 of them"),
        (("12", "34", "04"), [0x12, 0x34, 0x04], "read as hex digits: 1 of them"),
        (("12", "34", "200"), [12, 34, 200], "read as decimal numbers: 1 of them"),
        (("012", "034", "099"), [12, 34, 99], "read as decimal numbers: 3 of them"),
        (("12", "34", "56"), [0x12, 0x34, 0x56], "read as hex digits: both would do, but all have two digits"),
        (("12", "34", "5"), [12, 34, 5], "read as decimal numbers: both would do, but some have a single digit"),
    ],
)
def test_bare_bytes_are_judged_by_the_whole_column(
    tmp_path: Path, values: tuple[str, ...], expected: list[int], words: str
) -> None:
    capture = opened(tmp_path, ruled(*values))
    assert [byte for _, byte in rows(capture)] == expected
    assert len(capture.info.notes) == 1
    assert words in capture.info.notes[0]


@pytest.mark.parametrize(("word", "expected"), [("hex", [0x12, 0x34]), ("byte (dec)", [12, 34])])
def test_the_header_settles_what_the_bytes_leave_open(tmp_path: Path, word: str, expected: list[int]) -> None:
    capture = opened(tmp_path, ruled("12", "34", header=f"time [s],{word}\n"))
    assert [byte for _, byte in rows(capture)] == expected
    assert "the header says so" in capture.info.notes[0]


@pytest.mark.parametrize(("last", "first"), [("FF", 0x12), ("255", 12)])
def test_evidence_may_stand_far_down_the_column(tmp_path: Path, last: str, first: int) -> None:
    capture = opened(tmp_path, ruled(*["12"] * 9_000, last))
    assert rows(capture)[0][1] == first
    assert rows(capture)[-1][1] == 255


@pytest.mark.parametrize(
    ("header", "cells", "expected"),
    [
        ("error", ("0", "1", "0", "1"), [0, 1, 0, 1]),
        ("error", ("", "x", "", "X"), [0, 1, 0, 1]),
        ("Framing Error", ("false", "true", "False", "TRUE"), [0, 1, 0, 1]),
        ("parity", ("ok", "error", "ok", "ok"), [0, 1, 0, 0]),
        ("break", ("no", "yes", "", "break condition"), [0, 1, 0, 1]),
    ],
)
def test_columns_of_errors_mark_bytes(tmp_path: Path, header: str, cells: tuple[str, ...], expected: list[int]) -> None:
    text = f"time [s],{header},byte\n" + "".join(f"0.{i + 1},{cell},0x1{i}\n" for i, cell in enumerate(cells))
    assert bad(opened(tmp_path, text)) == expected


def test_parity_and_framing_errors_are_joined(tmp_path: Path) -> None:
    text = "Time [s],Data,Parity Error,Framing Error\n0.1,0x0F,,\n0.2,0x10,Error,\n0.3,0x11,,Error\n0.4,0x12,,\n"
    assert bad(opened(tmp_path, text)) == [0, 1, 1, 0]


def test_a_parity_bit_is_no_error(tmp_path: Path) -> None:
    text = "time [s],byte,parity\n0.1,0x01,1\n0.2,0x02,1\n0.3,0x03,0\n"
    capture = opened(tmp_path, text)
    assert bad(capture) == [0, 0, 0]
    assert capture.info.notes == ["column 3 is taken for the parity bit itself, not for errors"]


def test_times_are_exact(tmp_path: Path) -> None:
    text = (
        "time [s],byte\n0.000000000000,0x01\n0.0000000014999,0x02\n0.1234567890123456789012,0x03\n"
        "1700000000.123456789,0x04\n"
    )
    assert [t for t, _ in rows(opened(tmp_path, text))] == [0, 1, 123_456_789, 1_700_000_000_123_456_789]


@given(
    st.lists(
        st.tuples(
            st.decimals(min_value=-(10**9), max_value=10**9, places=12), st.sampled_from(["f", "e"]), st.booleans()
        ),
        min_size=1,
    )
)
def test_decimals_agree_with_the_standard_library(values: list[tuple[Decimal, str, bool]]) -> None:
    texts = [f"{value:.{18 if style == 'e' else 9}{style}}" for value, style, _ in values]
    texts = [text.replace(".", ",") if comma else text for text, (_, _, comma) in zip(texts, values, strict=True)]
    joined = "".join(texts).encode()
    buffer = np.frombuffer(joined + bytes(SLACK), np.uint8)
    size = np.array([len(text) for text in texts])
    found, ok = decimals(Cells(buffer, np.cumsum(size) - size, size)).scaled(9)
    expected = [
        int((Decimal(text.replace(",", ".")) * 10**9).quantize(Decimal(1), rounding=ROUND_HALF_UP)) for text in texts
    ]
    assert found.tolist() == expected
    assert ok.all()


@pytest.mark.parametrize(
    "text",
    ["", "-", "+", ".", "1.2.3", "1e", "e5", "1e5.", "1-", "--1", "12a", "1 2", "0x1", "9" * 20, "1e999", "1" * 60],
)
def test_what_is_no_number_is_none(text: str) -> None:
    cells = Cells(np.frombuffer(text.encode() + bytes(SLACK), np.uint8), np.array([0]), np.array([len(text)]))
    assert not decimals(cells).scaled(9)[1].any()


@pytest.mark.parametrize(
    ("times", "resolution_ns"),
    [
        (["0.00012", "0.00024"], 10_000),
        (["0.000120000", "0.000240000"], 1),
        ([f"{i * 0.000125 * (1 + i % 2):.9f}" for i in range(40)], 1),  # made-up steps no clock can have
        ([f"{(i * 960 + i % 7) * 125e-9:.9f}" for i in range(40)], 125),  # stamps of 8 million a second
        ([f"{i * 120 + i % 5}e-6" for i in range(40)], 1_000),
    ],
)
def test_resolution_is_the_step_of_the_times(tmp_path: Path, times: list[str], resolution_ns: int) -> None:
    capture = opened(tmp_path, "time [s],byte\n" + "".join(f"{t},0x0F\n" for t in times))
    assert capture.info.clock == Clock(ClockKind.PER_BYTE, resolution_ns)


def test_whole_times_without_a_unit_are_judged_by_their_steps(tmp_path: Path) -> None:
    capture = opened(tmp_path, "time,byte\n" + "".join(f"{i * 120},0x0F\n" for i in range(20)))
    assert rows(capture)[1] == (120_000, 0x0F)
    assert capture.info.notes == ["no unit is named for the times; by their steps they are taken as microseconds"]


def test_a_counter_is_no_clock(tmp_path: Path) -> None:
    capture = opened(tmp_path, "index,ticks [us],byte\n1,120,0x0F\n2,240,0x10\n")
    assert rows(capture) == [(120_000, 0x0F), (240_000, 0x10)]


def test_dates_count_from_1970(tmp_path: Path) -> None:
    capture = opened(tmp_path, "time [s],byte\n1700000000.5,0x0F\n1700000000.6,0x10\n")
    assert capture.info.start_utc_ns == 0
    assert opened(tmp_path, ruled("0x0F", "0x10")).info.start_utc_ns is None


def test_rows_that_cannot_be_read_are_counted_and_the_first_is_named(tmp_path: Path) -> None:
    text = ruled("0x01", "0x0G", "\x1b[2Jzz", "0x100", "", "0x02") + "soon,0x03\nnothing\n\x00\xff\n0.9,0x04\n"
    capture = opened(tmp_path, text.encode("latin-1"))
    assert rows(capture) == [(0, 1), (600_000, 2), (900_000_000, 4)]
    assert capture.info.notes == ['7 lines cannot be read and are passed over, the first is line 3 ("0.000120,0x0G")']


def test_control_characters_never_reach_a_note(tmp_path: Path) -> None:
    capture = opened(tmp_path, ruled("0x01", "\x1b[2J\u202ezz\x07", "0x02"))
    rows(capture)
    assert r'line 3 ("0.000120,\x1b[2J\u202ezz\x07")' in capture.info.notes[0]
    assert all(note.isprintable() for note in capture.info.notes)


def test_times_that_do_not_rise_are_kept_and_noted(tmp_path: Path) -> None:
    capture = opened(tmp_path, "time [s],byte\n0.2,0x01\n0.3,0x02\n0.1,0x03\n0.1,0x04\n0.5,0x05\n")
    assert [t for t, _ in rows(capture)] == [200_000_000, 300_000_000, 100_000_000, 100_000_000, 500_000_000]
    assert capture.info.notes == ["the times do not rise at 2 rows, the first is line 4"]


LEFT_OUT = "line 4: the file is cut inside this line; it is left out"
MARKED = "line 4 has no end, so its byte may be cut short: it is marked as bad"


@pytest.mark.parametrize(
    ("text", "kept", "note"),
    [
        ("time [s],byte\n0.1,0x01\n0.2,0x02\n0.3,0x0F", 3, ""),
        ("time [s],byte\n0.1,0x01\n0.2,0x02\n0.3,0x0", 2, LEFT_OUT),
        ("time [s],byte\n0.1,0x01\n0.2,0x02\n0.3,0", 2, LEFT_OUT),
        ("time [s],byte\n0.1,0x01\n0.2,0x02\n0.3,", 2, LEFT_OUT),
        ("time [s],byte\n0.1,0x01\n0.2,0x02\n0.", 2, LEFT_OUT),
        ("time [s],byte,error\n0.1,0x01,0\n0.2,0x02,0\n0.3,0x03,", 3, ""),
        ("time [s],byte\n0.1,15\n0.2,255\n0.3,0", 3, ""),
        ("time [s],byte\n0.1,15\n0.2,255\n0.3,26", 3, ""),
        ("time [s],byte\n0.1,15\n0.2,255\n0.3,25", 3, MARKED),
        ("time [s],byte\n0.1,015\n0.2,255\n0.3,0", 3, MARKED),
        ("time [s],byte\n0.1,15\n0.2,255\n0.3,5", 3, MARKED),
        ("time [s],byte\n0.1,15\n0.2,255\n0.3,255", 3, ""),
        ("time [s],byte\n0.1,015\n0.2,255\n0.3,26", 3, MARKED),
        ("time [s],byte\n0.1,015\n0.2,255\n0.3,026", 3, ""),
        ("time [s],byte\n0.1,FF\n0.2,5\n0.3,0", 3, MARKED),
        ("byte,time [s]\n0x01,0.111\n0x02,0.222\n0x03,0.33", 2, LEFT_OUT),
        ("byte,time [s]\n0x01,0.111\n0x02,0.222\n0x03,0.333", 3, ""),
    ],
)
def test_a_cut_last_line_never_makes_up_a_byte(tmp_path: Path, text: str, kept: int, note: str) -> None:
    capture = opened(tmp_path, text)
    assert len(rows(capture)) == kept
    assert [one for one in capture.info.notes if one.startswith("line")] == [note] * bool(note)
    assert not any("cannot be read" in one for one in capture.info.notes)
    assert bad(capture)[-1] == (note == MARKED)


@pytest.mark.parametrize("buffer_bytes", [36, 40, 61, 100, 1000])
def test_the_size_of_the_buffer_does_not_matter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, buffer_bytes: int
) -> None:
    text = ruled(*[f"0x{i:02X}" for i in range(9)]) + "zzz\n0.000010,0x0A\n\n0.000010,0x0B\n# end\n0.000005,0x0C\n0.1,0"
    monkeypatch.setattr(byte_csv, "_BUFFER_BYTES", buffer_bytes)
    capture = opened(tmp_path, text)
    assert [byte for _, byte in rows(capture)] == [*range(9), 10, 11, 12]
    assert capture.info.notes == [
        '1 line cannot be read and is passed over, the first is line 11 ("zzz")',
        "the times do not rise at 3 rows, the first is line 12",
        "line 17: the file is cut inside this line; it is left out",
    ]


def test_a_long_file_comes_in_runs(tmp_path: Path) -> None:
    n = 120_000
    text = "time_s,byte,error\n" + "".join(f"{i * 0.00012:.9f},0x{i & 255:02X},{int(i % 7 == 0)}\n" for i in range(n))
    capture = opened(tmp_path, text)
    assert len(list(capture.blocks())) > 2
    assert rows(capture) == [(i * CHARACTER_NS, i & 255) for i in range(n)]
    assert bad(capture) == [int(i % 7 == 0) for i in range(n)]
    assert capture.info.notes == []


def test_what_stands_before_an_endless_line_is_given(tmp_path: Path) -> None:
    good = ruled(*["0x0F"] * 100)
    capture = opened(tmp_path, good + "A" * 3_000_000)
    logs = capture.blocks()
    assert len(next(logs)) == 100
    with pytest.raises(
        CaptureError, match=f"byte {len(good)}: line 102 is longer than 1 MB: each row needs a time and a byte"
    ):
        next(logs)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("time,byte\n", "no rows with a time and a byte"),
        ("time,byte\n0,0012,0x0F\n0,0013,0x10\n", "its header has 2 cells but its rows have 3: .* comma needs quotes"),
    ],
)
def test_a_file_that_cannot_be_read_gets_one_line(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(CaptureError, match=words):
        byte_csv.open_file(str(path), ReadOptions())


def test_our_own_files_come_back(tmp_path: Path) -> None:
    path = str(tmp_path / "a.csv")
    data = np.arange(256, dtype=np.uint8)
    ends = np.arange(1, 257, dtype=np.int64)
    marks = (data % 5 == 0).astype(np.uint8)
    log = ByteLog(0, data, ends, ends * 130_001, marks)
    out = open_writer(path, CaptureInfo("made", "", Clock(ClockKind.PER_BYTE, 1)))
    out.write_log(log)
    out.close()
    with open_capture(path) as capture:
        assert capture.info.format == "byte CSV"
        assert rows(capture) == [(i * 130_001, i) for i in range(256)]
        assert bad(capture) == marks.tolist()


def test_numbers_of_more_digits_than_64_bits_hold_and_cells_too_long_for_a_number() -> None:
    texts = ["1844674407370955161", "0.1234567890123456789", "0.12345678901234567899", "", "9" * 20, "0." + "0" * 46]
    texts.append("0." + "0" * 47)
    size = np.array([len(text) for text in texts])
    buffer = np.frombuffer("".join(texts).encode() + bytes(SLACK), np.uint8)
    found = decimals(Cells(buffer, np.cumsum(size) - size, size))
    assert found.ok.tolist() == [True, True, True, False, False, True, False]
    assert found.digits[:3].tolist() == [1844674407370955161, 1234567890123456789, 1234567890123456789]
    assert found.power[:3].tolist() == [0, -19, -19]
