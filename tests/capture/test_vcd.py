"""Value change dumps: every way to write them, damage, several signals, and our writer."""

from __future__ import annotations

import io
import re
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import file_io, vcd
from busbench.capture.base import CaptureInfo, ReadOptions
from busbench.capture.edges import read_edges
from busbench.capture.vcd_changes import Part, VcdChanges
from busbench.capture.write import open_writer
from busbench.errors import CaptureError
from busbench.line import BUS_LINE, LineSettings
from busbench.model import TIME_MIN_NS, ByteLog, Clock, ClockKind
from busbench.wire.edges import Edges
from busbench.wire.uart import encode_line
from tests.capture.levels import kept, read_with

HEAD = b"$timescale 1 us $end\n$scope module top $end\n$var wire 1 ! rx $end\n$upscope $end\n$enddefinitions $end\n"
# 0x0F, even parity, inverted line, as microseconds: high, low for the ones, high for the zeros, low.
BODY = b"#0\n0!\n#1000\n1!\n#1010\n0!\n#1050\n1!\n#1100\n0!\n#2000\n"


read = partial(read_with, vcd.open_file)


def dump(data: bytes, *, line: LineSettings = BUS_LINE, signal: str = "bus", step_ns: int = 1) -> bytes:
    file = io.BytesIO()
    writer = vcd.VcdWriter(file, signal=signal, timescale_ns=step_ns)
    writer.write(encode_line(data, 1_000_000 + 120_000 * np.arange(len(data)), line=line))
    writer.close()
    return file.getvalue()


def test_one_character(tmp_path: Path) -> None:
    path = kept(tmp_path, HEAD + BODY)
    assert vcd.sniff(HEAD)
    with vcd.open_file(path, ReadOptions()) as capture:
        (log,) = capture.blocks()
    assert (log.data.tolist(), log.mark_end.tolist(), log.mark_t_ns.tolist(), log.bad) == (
        [0x0F],
        [1],
        [1_000_000],
        None,
    )
    assert capture.info.clock == Clock(ClockKind.PER_BYTE, 1000)
    assert (capture.info.source, capture.info.notes) == ("top.rx", [])


@pytest.mark.parametrize(
    "body",
    [
        b"#0 0! #1000 1! #1010 0! #1050 1! #1100 0! #2000",
        b"#0\n$dumpvars\n0!\n$end\n#1000\nb1 !\n#1010\nb0 !\n#1050\nB01 !\n#1100\nb0 !\n#2000\n",
        b"#0\r\n0!\r\n#1000\r\n1!\r\n#1010\r\n0!\r\n#1050\r\n1!\r\n#1100\r\n0!\r\n#2000\r\n",
        b"#0\n0!\n$comment 1! #5 x $end\n#1000\n1!\n1!\n#1010\n0!\n#1020\n0!\n#1050\n1!\n#1100\n0!\n#2000\n",
        b"#0\nx!\n#900\n0!\n#1000\n1!\n#1010\n0!\n#1050\n1!\n#1070\nz!\n#1100\n0!\n#2000\n",
        b"#0\n1!\n0!\n#1000\n1!\n#1010\n0!\n#1050\n1!\n#1100\n0!\n",
        b"#0\n0!\n#1000\n1!\n#1010\n0!\n#1020\nr1.5 !\n#1050\n1!\n#1100\n0!\n",
    ],
    ids=["one line", "vectors", "carriage returns", "comment and repeats", "x and z", "no end", "a real"],
)
def test_every_way_to_write_it(tmp_path: Path, body: bytes) -> None:
    assert read(kept(tmp_path, HEAD + body))[:2] == (b"\x0f", [1_000_000])


@pytest.mark.parametrize("scale", [b"", b"$comment 1 us $end\n"])
def test_without_a_time_scale_a_step_is_a_nanosecond(tmp_path: Path, scale: bytes) -> None:
    head = HEAD.replace(b"$timescale 1 us $end\n", scale)
    path = kept(tmp_path, head + re.sub(rb"#(\d+)", rb"#\g<1>000", BODY))
    with vcd.open_file(path, ReadOptions()) as capture:
        (log,) = capture.blocks()
    assert (log.data.tolist(), log.mark_t_ns.tolist()) == ([0x0F], [1_000_000])
    assert capture.info.clock == Clock(ClockKind.PER_BYTE, 1)
    assert capture.info.notes == ["no time scale is given: 1 ns was taken"]


@pytest.mark.parametrize(
    ("scale", "factor", "resolution_ns"),
    [(b"1us", 1, 1000), (b"10 ns", 100, 10), (b"100\nps", 10_000, 1), (b"1 fs", 10**9, 1), (b"41667 ps", 24, 42)],
)
def test_any_time_scale(tmp_path: Path, scale: bytes, factor: int, resolution_ns: int) -> None:
    body = b"".join(b"#%d\n%d!\n" % (us * factor, i % 2) for i, us in enumerate((0, 1000, 1010, 1050, 1100)))
    path = kept(tmp_path, HEAD.replace(b"1 us", scale) + body)
    data, times, _ = read(path)
    assert data == b"\x0f"
    assert times[0] == pytest.approx(1_000_000, abs=10)
    assert vcd.open_file(path, ReadOptions()).info.clock.resolution_ns == resolution_ns


@pytest.mark.parametrize(
    ("more", "note"),
    [
        (b"x!\n", "1 change to x or z taken as no change"),
        (b"x!\nz!\n", "2 changes to x or z taken as no change"),
    ],
)
def test_x_and_z_are_noted(tmp_path: Path, more: bytes, note: str) -> None:
    body = BODY.replace(b"#1050\n", b"#1030\n" + more + b"#1050\n")
    assert read(kept(tmp_path, HEAD + body)) == (b"\x0f", [1_000_000], [note])


TWO = (
    b"$timescale 1 us $end $scope module a $end $var wire 1 ! rx $end $upscope $end "
    b"$scope module b $end $var wire 1 % rx $end $var reg 8 & wide [7:0] $end $var real 64 ' volts $end "
    b"$var wire 1 ( clk $end $upscope $end $enddefinitions $end\n"
    b"#0 0! 1% 0( bx & r1.5 '\n#7 1! 1(\n#9 0! 0(\n#500 b00001111 & 1!\n#1000 0% #1010 1% #1050 0% #1100 1%\n"
    b"#1200 r2e0 '\n#2000\n"
)


def test_what_has_no_level_is_not_offered(tmp_path: Path) -> None:
    kinds = ["event", "string", "parameter", "time"]
    head = "".join(f"$var {kind} 1 {chr(35 + i)} {kind} $end\n" for i, kind in enumerate(kinds))
    path = kept(tmp_path, f"$timescale 1 us $end\n{head}$var wire 1 ! rx $end\n$enddefinitions $end\n#0\n0!\n#5\n1!\n")
    assert vcd.VcdLevels(path).names == ("rx",)


@pytest.mark.parametrize("signal", [None, "b.rx", "2"])
def test_of_several_signals_the_one_with_characters_is_taken(tmp_path: Path, signal: str | None) -> None:
    path = kept(tmp_path, TWO)
    data, times, notes = read(path, signal=signal)
    assert (data, times) == (b"\x0f", [1_000_000])
    assert "the line idles high: inverted polarity" in notes
    assert any(note.startswith('signal "b.rx" of 12 was taken') for note in notes) is (signal is None)


def test_a_signal_by_the_wrong_name(tmp_path: Path) -> None:
    path = kept(tmp_path, TWO)
    with pytest.raises(CaptureError, match=r'has several signals "rx": it has a\.rx, b\.rx'):
        read(path, signal="rx")
    with pytest.raises(CaptureError, match=r'has no signal "tx\\x1b": it has a\.rx, b\.rx, b\.wide\[0\]'):
        read(path, signal="tx\x1b")
    with pytest.raises(CaptureError, match=r'signal "b\.clk" carries no characters'):
        read(path, signal="clk")


def test_edges_of_all_signals(tmp_path: Path) -> None:
    found = read_edges(vcd.VcdLevels(kept(tmp_path, TWO)))
    assert {name: (edges.initial, edges.t_ns.tolist()) for name, edges in found.items() if "[" not in name} == {
        "a.rx": (0, [7_000, 9_000, 500_000]),
        "b.rx": (1, [1_000_000, 1_010_000, 1_050_000, 1_100_000]),
        "b.clk": (0, [7_000, 9_000]),
        "b.volts": (0, [1_200_000]),
    }
    assert sum("b.wide[" in name for name in found) == 8
    assert {edges.end_ns for edges in found.values()} == {2_000_000}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD[:60], "byte 60: ends inside its declarations"),
        (b"$timescale 1 us $end $enddefinitions $end\n#0\n", "declares no signal"),
        (HEAD.replace(b"wire 1", b"wire 80") + BODY, r"declares no signal that has a level \(1 other variable\)"),
        (HEAD.replace(b"1 us", b"3 \x1b[7m years") + BODY, r'has the time scale "3\\x1b\[7myears"'),
        (HEAD, "carries no characters"),
    ],
)
def test_files_that_give_nothing(tmp_path: Path, text: bytes, said: str) -> None:
    with pytest.raises(CaptureError, match=said):
        read(kept(tmp_path, text))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (b"garb\x1bage\n1!\n", '"garb\\x1bage" is not an entry of a value change dump'),
        (b"#17\n1!\n", '"#17" goes back in time from #2000'),
        (b"#2k\n", '"#2k" is not a time'),
        (b"1?\n", '"1?" changes no signal that is declared'),
        (b"#99999999999999999999999\n", "is not a time"),
        (b"#9223372036854775807\n", "is too late a time"),
    ],
)
@pytest.mark.parametrize("first", [b"", b"$dumpvars\n0!\n$end\n"])
def test_what_stands_before_damage_is_given(tmp_path: Path, first: bytes, more: bytes, said: str) -> None:
    logs = vcd.open_file(kept(tmp_path, HEAD + first + BODY + more), ReadOptions()).blocks()
    assert next(logs).data.tolist() == [0x0F]
    with pytest.raises(CaptureError) as caught:
        next(logs)
    assert said in str(caught.value)
    assert caught.value.offset == len(HEAD + first + BODY)


def test_damage_is_noted_beside_edges(tmp_path: Path) -> None:
    found = read_edges(vcd.VcdLevels(kept(tmp_path, HEAD + BODY + b"garbage 1!\n")))
    assert len(found["top.rx"]) == 4


def test_a_cut_anywhere_never_fails(tmp_path: Path) -> None:
    text = dump(b"\x0f\x55\x00")
    for cut in range(text.index(b"#1120000"), len(text)):
        data, times, _ = read(kept(tmp_path, text[:cut]))
        # The last character may be a wrong guess where a file ends with an edge.
        assert data[: max(1, len(data) - 1)] == b"\x0f\x55\x00"[: max(1, len(data) - 1)]
        assert times == [1_000_000, 1_120_000, 1_240_000][: len(times)]


def test_long_files_go_in_pieces_that_cut_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = np.random.default_rng(5).integers(0, 256, 3000, dtype=np.uint8).tobytes()
    text = dump(data)
    whole = read(kept(tmp_path, text))
    assert whole[0] == data
    for size in (20_011, 4096):
        monkeypatch.setattr(file_io, "BLOCK_BYTES", size)
        assert read(kept(tmp_path, text)) == whole


def test_the_fast_way_and_the_slow_one_read_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = dump(bytes(range(256)))
    fast = read(kept(tmp_path, text))
    monkeypatch.setattr(VcdChanges, "_take_plain", lambda self, text: False)
    assert read(kept(tmp_path, text)) == fast


def test_what_the_writer_writes() -> None:
    file = io.BytesIO()
    writer = vcd.VcdWriter(file, signal="rx", timescale_ns=1000)
    writer.write(Edges(np.array([1_000_000, 1_010_000]), 0, 880_000, 1_200_000))
    writer.write(Edges(np.array([1_300_000]), 0, 1_200_000, 1_400_000))
    writer.close()
    assert file.getvalue().decode() == (
        "$version busbench $end\n$timescale 1 us $end\n$scope module line $end\n$var wire 1 ! rx $end\n"
        "$upscope $end\n$enddefinitions $end\n#880\n$dumpvars\n0!\n$end\n"
        "#1000\n1!\n#1010\n0!\n#1300\n1!\n#1400\n"
    )


def test_a_time_scale_that_is_none() -> None:
    with pytest.raises(ValueError, match="timescale_ns is 30"):
        vcd.VcdWriter(io.BytesIO(), timescale_ns=30).write(encode_line(b"\x0f"))


@pytest.mark.parametrize("inverted", [True, False])
def test_a_recording_written_and_read_again(tmp_path: Path, inverted: bool) -> None:
    data = np.arange(50, dtype=np.uint8)
    marks = 5_000_000_000 + 120_000 * np.arange(1, 51) + 7_000_000 * (np.arange(50) // 25)
    bad = np.zeros(50, np.uint8)
    bad[3], bad[7], bad[9] = 1, 2, 8
    path = str(tmp_path / "again.vcd")
    clock = Clock(ClockKind.PER_BYTE, 1)
    writer = open_writer(path, CaptureInfo("x", "x", clock), line=LineSettings(inverted=inverted))
    for start in (0, 20):
        part = slice(start, start + 20 if start == 0 else 50)
        ends = np.arange(1, 51)[part]
        writer.write_log(ByteLog(start, data[part], ends, marks[part], bad[part]))
    writer.close()
    with vcd.open_file(path, ReadOptions(line=LineSettings(inverted=inverted))) as capture:
        (log,) = capture.blocks()
    assert log.data.tolist() == data.tolist()
    assert np.diff(log.mark_t_ns).tolist() == np.diff(marks).tolist()
    assert log.bad is not None
    assert {int(i): int(log.bad[i]) for i in np.flatnonzero(log.bad)} == {3: 1, 7: 2, 9: 1}
    assert capture.info.notes == []


@pytest.mark.parametrize("head", [b"", b"time,ch\n0,1\n", b"$100 in the bank", b"\x0f\0\0", b"date $date"])
def test_other_files_are_no_dumps(head: bytes) -> None:
    assert not vcd.sniff(head)


@pytest.mark.parametrize(
    ("name", "signal"),
    [("port [3:0]", "port[2]"), ("port[0:3]", "port[1]"), ("port", "port[2]"), ("port [7:4]", "port[6]")],
)
def test_each_bit_of_a_vector_is_a_signal(tmp_path: Path, name: str, signal: str) -> None:
    head = f"$timescale 1 us $end\n$var wire 4 long_identifier {name} $end\n$enddefinitions $end\n"
    # What is not written on the left is 0, or x where the first that is written is.
    body = "#0 b0 V #1000 b100 V #1010 b0011 V #1030 bx V #1050 b1110 V #1100 b0 V #2000\n"
    path = kept(tmp_path, head + body.replace("V", "long_identifier"))
    assert read(path, signal=signal)[:2] == (b"\x0f", [1_000_000])
    assert len(vcd.VcdLevels(path).names) == 4


def test_a_real_number_is_a_signal_by_a_threshold(tmp_path: Path) -> None:
    head = "$timescale 1 us $end\n$var real 64 ! volts $end\n$enddefinitions $end\n"
    body = BODY.decode().replace("0!", "r0.12 !").replace("1!", "r3.21 !").replace("#1010", "#1005 r2.9 !\n#1010")
    data, times, notes = read(kept(tmp_path, head + body))
    assert (data, times) == (b"\x0f", [1_000_000])
    assert '"volts" holds voltages: the threshold is 1.61' in " ".join(notes)


def test_times_before_zero(tmp_path: Path) -> None:
    body = BODY.decode()
    for time in (0, 1000, 1010, 1050, 1100, 2000):
        body = body.replace(f"#{time}\n", f"@{time - 1500}\n")
    data, times, _ = read(kept(tmp_path, HEAD.decode() + body.replace("@", "#")))
    assert (data, times) == (b"\x0f", [-500_000])
    with pytest.raises(CaptureError, match="goes back in time from #5"):
        read(kept(tmp_path, HEAD.decode() + "#5\n1!\n#-5\n0!\n"))


@pytest.mark.parametrize("command", ["$dumpvars\n0!\n$end\n", "$comment one $end\n", "$comment\n$end"])
def test_what_follows_commands_is_read_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str) -> None:
    singly: list[bytes] = []
    take_one = VcdChanges._take_one

    def noting(changes: VcdChanges, token: bytes, got: dict[Part, tuple[list[int], list[float]]]) -> str:
        singly.append(token)
        return take_one(changes, token, got)

    monkeypatch.setattr(VcdChanges, "_take_one", noting)
    data, times, _ = read(kept(tmp_path, HEAD + b"#0\n" + command.encode() + b"\n" + BODY))
    assert (data, times) == (b"\x0f", [1_000_000])
    assert singly[-1:] == [b"$end"]


def test_many_signals_of_long_names_are_read_alike_fast_and_slowly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    idents = ["!", "ab", "abcdefgh", "abcdefghi", *(f"s{i}" for i in range(10))]
    head = "".join(f"$var wire 1 {ident} n{i} $end\n" for i, ident in enumerate(idents))
    rng = np.random.default_rng(3)
    rows = (f"#{10 * i}\n{i & 1}{idents[n]}\n" for i, n in enumerate(rng.integers(0, 14, 400).tolist()))
    path = kept(tmp_path, f"$timescale 1 ns $end\n{head}$enddefinitions $end\n" + "".join(rows))
    fast = {name: edges.t_ns.tolist() for name, edges in read_edges(vcd.VcdLevels(path)).items()}
    monkeypatch.setattr(VcdChanges, "_take_plain", lambda self, text: False)
    assert {name: edges.t_ns.tolist() for name, edges in read_edges(vcd.VcdLevels(path)).items()} == fast
    assert len(fast) == 14


def test_a_time_may_be_as_early_as_the_earliest_and_no_earlier(tmp_path: Path) -> None:
    earliest_us = TIME_MIN_NS // 1000
    assert len(read_edges(vcd.VcdLevels(kept(tmp_path, HEAD + b"#%d\n0!\n#0\n1!\n" % earliest_us)))["top.rx"]) == 1
    text = HEAD + b"#%d\n0!\n#0\n1!\n" % (earliest_us - 1)
    with pytest.raises(CaptureError, match="is too early a time"):
        read(kept(tmp_path, text))
