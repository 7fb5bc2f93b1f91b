"""CSV of levels: every layout, damage, several columns, and what must not be taken for one."""

from __future__ import annotations

import bisect
import contextlib
import re
import warnings
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import edges, file_io, level_csv
from busbench.capture.base import ReadOptions
from busbench.capture.edges import read_edges
from busbench.capture.open import open_capture
from busbench.errors import CaptureError
from busbench.model import Clock, ClockKind
from busbench.wire.uart import LineFault, encode_line
from tests.capture.levels import kept, read_with

pytestmark = pytest.mark.every_row

# 0x0F, even parity, inverted line: high, low for the ones, high for the zeros, low.
ROWS = ((0, 0), (1000, 1), (1010, 0), (1050, 1), (1100, 0), (2000, 0))


read = partial(read_with, level_csv.open_file)


def rows(form: str = "{s:.6f},{level}\n") -> str:
    return "".join(form.format(s=us / 1e6, ms=us / 1e3, us=us, ns=us * 1000, level=level) for us, level in ROWS)


def test_one_character(tmp_path: Path) -> None:
    path = kept(tmp_path, "Time [s],Channel 0\n" + rows())
    with open_capture(path) as capture:
        (log,) = capture.blocks()
    assert (log.data.tolist(), log.mark_end.tolist(), log.mark_t_ns.tolist(), log.bad) == (
        [0x0F],
        [1],
        [1_000_000],
        None,
    )
    assert capture.info.format == "CSV of levels"
    assert capture.info.clock == Clock(ClockKind.PER_BYTE, 1000)
    assert (capture.info.source, capture.info.notes) == ("Channel 0", [])


@pytest.mark.parametrize(
    "text",
    [
        rows(),
        "time;rx\n" + rows("{s:.6f};{level}\n").replace(".", ","),
        "time\trx\n" + rows("{s:.6f}\t{level}\n"),
        "t (ms),rx\n" + rows("{ms:.3f},{level}\n"),
        "t_us,rx\n" + rows("{us},{level}\n"),
        "Time[ns];rx\n" + rows("{ns};{level}\n"),
        "x-axis,1\nmicroseconds,level\n" + rows("{us}.0,{level}.0\n"),
        '"time s","rx"\r\n' + rows('"{s:.6f}","{level}"\r\n'),
        "; made for a test\n# twice, even\n\nTime, rx\n" + rows("  {s:e}, {level}\n"),
        "\ufefftime,rx\n" + rows().rstrip("\n"),
        "time,rx\n\n" + rows("{s:.6f},{level}\n\n"),
    ],
    ids=["bare", "semicolon", "tab", "ms", "us", "ns", "units below", "quoted", "comments", "no end", "blank lines"],
)
def test_every_layout(tmp_path: Path, text: str) -> None:
    assert level_csv.sniff(text.encode())
    assert read(kept(tmp_path, text)) == (b"\x0f", [1_000_000], [])


def test_a_row_for_each_sample(tmp_path: Path) -> None:
    edges = encode_line(b"\x0f\xa5\x00", np.array([1_000_300, 1_120_300, 1_240_300]))
    times = np.arange(0, 2_000_000, 500)
    text = "time_ns,rx\n" + "".join(
        f"{t},{level}\n" for t, level in zip(times, np.searchsorted(edges.t_ns, times, "right") % 2, strict=True)
    )
    path = kept(tmp_path, text)
    assert read(path)[:2] == (b"\x0f\xa5\x00", [1_000_500, 1_120_500, 1_240_500])
    assert level_csv.open_file(path, ReadOptions()).info.clock.resolution_ns == 500


def sampled(first: str, *, step_us: float, lead_us: int = 0, form: str = "{n},{level}\n") -> str:
    """A row for each sample of ROWS, after some lines; `n` counts the samples from 0."""
    text, times, levels = [first], [us for us, _ in ROWS], [level for _, level in ROWS]
    for n in range(int((2000 + lead_us) / step_us) + 1):
        us = n * step_us - lead_us
        level = levels[max(bisect.bisect_right(times, us) - 1, 0)]
        text.append(form.format(n=n, s=n * step_us / 1e6, level=level))
    return "".join(text)


@pytest.mark.parametrize("lead_us", [10_000, 100_000])
def test_the_line_may_rest_for_any_time_before_its_first_change(tmp_path: Path, lead_us: int) -> None:
    text = sampled("time [s],rx,idle\n", step_us=1, lead_us=lead_us, form="{s:.6f},{level},0\n")
    path = kept(tmp_path, text)
    with open_capture(path) as capture:
        (log,) = capture.blocks()
    assert (capture.info.format, capture.info.source) == ("CSV of levels", "rx")
    assert (log.data.tolist(), log.mark_t_ns.tolist()) == ([0x0F], [(lead_us + 1000) * 1000])


@pytest.mark.parametrize(
    "first",
    [
        "; Samplerate: 400 kHz\nsample,rx\n",
        "Sample rate [kHz],400\nticks,rx\n",
        "# sampling frequency = 400,000 Hz\nsample number,rx\n",
        "SAMPLE_RATE\t0.4 MHz\n\nIndex,rx\n",
        "Sample interval,2.5e-06\nn,rx\n",
        "Sample period: 2.5 us\n#,count,x\ncounts,rx\n",
        "META samplerate: 400000\nsamples,rx\n",
    ],
)
def test_a_column_that_counts_samples_is_timed_by_the_stated_rate(tmp_path: Path, first: str) -> None:
    path = kept(tmp_path, sampled(first, step_us=2.5))
    with open_capture(path) as capture:
        (log,) = capture.blocks()
    assert (log.data.tolist(), log.mark_t_ns.tolist()) == ([0x0F], [1_000_000])
    assert capture.info.clock == Clock(ClockKind.PER_BYTE, 2500)


@pytest.mark.parametrize("columns", ["rx\n{level}\n", "rx,gap\n{level},0\n", "samples,rx\n0,{level}\n"])
def test_rows_without_times_are_samples_where_the_rate_is_stated(tmp_path: Path, columns: str) -> None:
    head, _, form = columns.partition("\n")
    path = kept(tmp_path, sampled(f"META samplerate: 1000000\n{head}\n", step_us=1, form=form))
    with open_capture(path, options=ReadOptions(signal="rx")) as capture:
        (log,) = capture.blocks()
    assert (log.data.tolist(), log.mark_t_ns.tolist()) == ([0x0F], [1_000_000])
    assert not level_csv.sniff(sampled(f"{head}\n", step_us=1, form=form).encode())


@pytest.mark.parametrize("name", ["ticks", "samples", "Sample", "sample number", "clock_ticks", "n", "Index", "cycles"])
def test_samples_of_no_stated_rate_are_never_taken_for_seconds(tmp_path: Path, name: str) -> None:
    path = kept(tmp_path, sampled(f"{name},rx\n", step_us=2.5))
    expected = f'its column "{name}" counts samples, and no sample rate is stated: write the rate above the rows'
    with pytest.raises(CaptureError, match=re.escape(expected)):
        open_capture(path)


def test_whole_numbers_of_no_unit_take_the_one_in_which_a_bit_lasts_as_it_should(tmp_path: Path) -> None:
    busy = "".join(f"{2000 + 10 * i},{i % 2}\n" for i in range(1, 40))
    assert read(kept(tmp_path, "time,rx\n" + rows("{us},{level}\n") + busy))[1][0] == 1_000_000
    with pytest.raises(CaptureError, match='its column "time" holds whole numbers of no stated unit: name it'):
        open_capture(kept(tmp_path, sampled("time,rx\n", step_us=2.5)))


@pytest.mark.parametrize(
    ("high", "low"),
    [
        ("High", "Low"),
        ("HIGH", "LOW"),
        ('"true"', '"false"'),
        ("0b1", "0b0"),
        ("H", "L"),
        ("hi", "lo"),
        (" on", " off"),
    ],
)
def test_words_for_levels_are_understood(tmp_path: Path, high: str, low: str) -> None:
    text = "time [s],rx\n" + "".join(f"{us / 1e6:e},{high if level else low}\n" for us, level in ROWS)
    assert read(kept(tmp_path, text)) == (b"\x0f", [1_000_000], [])
    assert read(kept(tmp_path, text + "0.003,x\n"))[2] == [
        "1 row holds no time with levels, the first in line 8: left out"
    ]


@pytest.mark.parametrize("columns", [257, 3000, 20_000])
def test_any_number_of_columns_will_do(tmp_path: Path, columns: int) -> None:
    zeros = ",0" * (columns - 2)
    head = "time_us," + ",".join(f"D{i}" for i in range(columns)) + "\n"
    text = head + rows("{us},0,{level}" + zeros + "\n")
    path = kept(tmp_path, text)
    with open_capture(path) as capture:
        (log,) = capture.blocks()
    assert (capture.info.source, log.data.tolist(), log.mark_t_ns.tolist()) == ("D1", [0x0F], [1_000_000])


@pytest.mark.parametrize("signal", [None, "rx", "2"])
def test_the_column_is_chosen(tmp_path: Path, signal: str | None) -> None:
    clock = "".join(f"{us / 1e6:.6f},{us % 2},1\n" for us in range(1, 100))
    text = "time,clk,rx\n" + clock + "".join(f"{us / 1e6:.6f},0,{1 - level}\n" for us, level in ROWS[1:])
    data, times, notes = read(kept(tmp_path, text), signal=signal)
    assert (data, times) == (b"\x0f", [1_000_000])
    assert "the line idles high: inverted polarity" in notes
    assert any(note.startswith('signal "rx" of 2 was taken') for note in notes) is (signal is None)
    with pytest.raises(CaptureError, match='has no signal "3": it has clk, rx'):
        read(kept(tmp_path, text), signal="3")


def test_edges_of_all_columns(tmp_path: Path) -> None:
    text = "time_us,a,b\n0,0,1\n1500,1,1\n2000,1,0\n3000,0,0\n"
    found = read_edges(level_csv.LevelCsvFile(kept(tmp_path, text)))
    assert {name: (edges.initial, edges.t_ns.tolist(), edges.end_ns) for name, edges in found.items()} == {
        "a": (0, [1_500_000, 3_000_000], 3_000_000),
        "b": (1, [2_000_000], 3_000_000),
    }


def test_damaged_rows_are_left_out_and_noted(tmp_path: Path) -> None:
    text = "time,rx\n" + rows().replace("0.001050,1", "oops\x1b\n0.001020,x\n0.001050,1") + "0.0021"
    assert level_csv.sniff(text.encode())
    assert read(kept(tmp_path, text)) == (
        b"\x0f",
        [1_000_000],
        [
            "2 rows hold no time with levels, the first in line 5: left out",
            "the file is cut inside its last row",
        ],
    )


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("0.0005,1\n0.003,1\n", "line 8 goes back in time"),
        ("1e300,1\n", "line 8 has a time beyond all bounds"),
        ("4611686019,1\n", "line 8 has a time beyond all bounds"),
        ("\0\1garbage\n" * 200, "line 8 and those after it hold no time with levels"),
    ],
)
def test_what_stands_before_damage_is_given(tmp_path: Path, more: str, said: str) -> None:
    logs = level_csv.open_file(kept(tmp_path, "time,rx\n" + rows() + more), ReadOptions()).blocks()
    assert next(logs).data.tolist() == [0x0F]
    with pytest.raises(CaptureError, match=said):
        next(logs)


@pytest.mark.parametrize(
    ("first", "last", "line"),
    [
        ("-2305843009", "4611686018", 0),  # the bounds are -2^61 and 2^62 ns
        ("-2305843010", "4611686018", 2),
        ("-2305843009", "4611686019", 8),
        ("-2305843009.213693952", "4611686018", 2),
        ("-2305843009", "4611686018.427387904", 8),
    ],
)
def test_times_from_bound_to_bound_are_taken(tmp_path: Path, first: str, last: str, line: int) -> None:
    path = kept(tmp_path, f"time,rx\n{first},0\n{rows().partition(chr(10))[2]}{last},0\n")
    logs = level_csv.open_file(path, ReadOptions()).blocks()
    said = f"line {line} has a time beyond all bounds"
    with pytest.raises(CaptureError, match=said) if line else contextlib.nullcontext():
        assert [log.data.tolist() for log in logs] == [[0x0F]]


def test_one_damaged_time_does_not_hide_the_format() -> None:
    text = "time,rx\n" + "".join(f"{i}e-6,{i % 2}\n" for i in range(30))
    assert level_csv.sniff(text.replace("\n9e-6", "\n99e-6").encode())


def test_a_file_cut_anywhere_never_fails(tmp_path: Path) -> None:
    text = "time,rx\n" + rows()
    for cut in range(len("time,rx\n") + len(rows()) - 11, len(text)):
        assert read(kept(tmp_path, text[:cut]))[:2] == (b"\x0f", [1_000_000])


def test_long_files_go_in_pieces_that_cut_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = np.random.default_rng(5).integers(0, 256, 2000, dtype=np.uint8).tobytes()
    line = encode_line(data)
    text = "t_ns,rx\n-200000,0\n" + "".join(
        f"{t},{level}\n" for t, level in zip(line.t_ns.tolist(), line.level.tolist(), strict=True)
    )
    whole = read(kept(tmp_path, text))
    assert whole[0] == data
    monkeypatch.setattr(file_io, "BLOCK_BYTES", 20_011)
    assert read(kept(tmp_path, text)) == whole


def test_a_signal_slower_than_any_character_carries_none(tmp_path: Path) -> None:
    slow = "time_s,rail,cell\n" + "".join(f"{second / 10},{second % 2},{second % 3 % 2}\n" for second in range(9))
    with pytest.raises(
        CaptureError, match=r'"rail" carries no characters \(8 changes of level\): name another with --signal: cell$'
    ):
        read(kept(tmp_path, slow))
    with pytest.raises(CaptureError, match=r"with --signal: rail$"):
        read(kept(tmp_path, slow), signal="cell")


@pytest.mark.parametrize("most", [2, 3, 10_000])
def test_breaks_before_a_character_are_given_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    monkeypatch.setattr(edges, "_BREAKS_MOST", most)
    changes = [(-40_000, 0), (-30_000, 1), (-20_000, 0), (-10_000, 1), (-5_000, 0), *ROWS]
    text = "time_us,rx\n" + "".join(f"{us},{level}\n" for us, level in changes)
    with open_capture(kept(tmp_path, text)) as capture:
        logs = list(capture.blocks())
    faults = np.concatenate([log.bad for log in logs if log.bad is not None]).tolist()
    assert b"".join(log.data.tobytes() for log in logs) == b"\0\0\x0f"
    assert faults == [LineFault.BREAK | LineFault.FRAMING] * 2 + [0]


@pytest.mark.parametrize(("most", "is_given"), [(2, True), (3, True), (4, False)])
def test_breaks_alone_are_given_where_there_are_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int, is_given: bool
) -> None:
    monkeypatch.setattr(edges, "_BREAKS_MOST", most)
    text = "time_us,rx\n" + "".join(f"{10_000 * n},{n % 2}\n" for n in range(8))  # three that end
    with (
        open_capture(kept(tmp_path, text)) as capture,
        contextlib.nullcontext() if is_given else pytest.raises(CaptureError, match="carries no characters"),
    ):
        assert [log.data.tobytes() for log in capture.blocks()] == [b"\0" * 3]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "time_s,byte,error\n0.000000,0x0F,0\n0.000120,0x00,0\n0.000240,0x01,0\n0.000360,0x00,0\n",
        "time,value,parity error,framing error\n0,15,0,0\n0.00012,0,0,0\n0.00024,1,0,0\n",
        "time,rx\n0,0\n1,0\n2,0\n",  # nothing changes
        "time,rx\n0,0\n1,1\n0.5,0\n2,1\n",  # no time
        "0\n1\n0\n1\n",
        "0x0F,0x00\n",
        "a,b\nc,d\n",
        "a,b\n0,1\n",  # a single row says nothing, and quietly
    ],
)
def test_other_text_is_no_csv_of_levels(text: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert not level_csv.sniff(text.encode())


def test_a_file_without_rows_says_so(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="holds no rows of a time and of levels: it needs a time column"):
        read(kept(tmp_path, "time,rx\n"))


def test_names_out_of_files_bring_no_control_characters(tmp_path: Path) -> None:
    path = kept(tmp_path, "time,\x1b[7mrx\n" + rows())
    assert level_csv.open_file(path, ReadOptions()).info.source == "\\x1b[7mrx"
