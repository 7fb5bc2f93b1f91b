"""Words, units and limits of tables of levels, of dumps and of annotations, each from both sides."""

from __future__ import annotations

from pathlib import Path

import pytest

from busbench.capture.annotations import notes_path, read_annotations, write_annotations
from busbench.capture.edges import read_edges
from busbench.capture.level_layout import LevelLayout, find_layout, step_ns
from busbench.capture.vcd import VcdLevels
from busbench.errors import CaptureError
from busbench.model import Annotation
from tests.capture.levels import kept

pytestmark = pytest.mark.every_row


def layout(text: str, *, is_analog: bool = False) -> LevelLayout:
    found = find_layout(text.encode(), is_whole=True, is_analog=is_analog)
    assert found is not None
    return found


ROWS = "0.5,0\n1.5,1\n2.5,0\n3.5,1\n"
SAMPLES = "0\n0\n1\n1\n0\n"


@pytest.mark.parametrize(
    ("head", "tick_ns"),
    [
        *((head, 1e9) for head in ("time", "x", "s", "Time (s)", "time [sec]", "seconds", "stamp second")),
        *((head, 1e6) for head in ("ms", "time ms", "t_ms", "milliseconds", "Time[ms]")),
        *((head, 1e3) for head in ("us", "µs", "t/us", "time (μs)", "microsecond", "Time_us")),
        *((head, 1.0) for head in ("ns", "t_ns", "nanoseconds", "TIME (NS)")),
    ],
)
def test_units_of_times_of_levels(head: str, tick_ns: float) -> None:
    found = layout(f"{head},rx\n{ROWS}")
    assert (found.tick_ns, found.names, found.has_time, found.fault) == (tick_ns, ("rx",), True, None)


@pytest.mark.parametrize(
    ("line", "tick_ns"),
    [
        ("Sample rate: 1 MHz", 1e3),
        ("samplerate = 500 kHz", 2e3),
        ("Sampling frequency (MHz),4", 250.0),
        ("sample_freq. 2.5 MHz", 400.0),
        ("Sample Rate [Hz]: 1,000,000", 1e3),
        ("sampling rate 1e6 Hz", 1e3),
        ("Sample rate: 1 GHz", 1.0),
        ("Sampling interval,2.0E-6", 2e3),
        ("sample period 4 us", 4e3),
        ("Time increment 5ns", 5.0),
        ("Horizontal interval (µs) 2", 2e3),
        ("x increment 0.001 ms", 1e3),
        ("sample spacing [s],1e-6", 1e3),
    ],
)
def test_rates_above_samples(line: str, tick_ns: float) -> None:
    found = layout(f"{line}\nrx\n{SAMPLES}")
    assert found.tick_ns == pytest.approx(tick_ns)
    assert (found.names, found.has_time) == (("rx",), False)
    counted = layout(f"{line}\nSample,rx\n0,0\n1,0\n2,1\n3,1\n")
    assert counted.tick_ns == pytest.approx(tick_ns)
    assert (counted.has_time, counted.fault) == (True, None)


@pytest.mark.parametrize(
    "line", ["Sample rate: 0 Hz", "Sample rate: fast", "Samples: 5", "interval 5", "Sample rate: 1e16"]
)
def test_what_is_no_rate(line: str) -> None:
    assert find_layout(f"{line}\nrx\n{SAMPLES}".encode(), is_whole=True) is None


@pytest.mark.parametrize(
    ("lines", "is_found"), [(0, True), (39, True), (40, True), (41, False)], ids=["none", "39", "40", "41"]
)
def test_rows_begin_in_the_first_lines(lines: int, is_found: bool) -> None:
    text = "a remark\n" * lines + ROWS
    assert (find_layout(text.encode(), is_whole=True) is not None) is is_found


@pytest.mark.parametrize(
    ("above", "names"),
    [
        ("", ("1", "2")),
        ("time,a,b\n", ("a", "b")),
        ("time,a,b\ns,V,V\n", ("a", "b")),  # units below the names
        ("time,a,\n", ("1", "2")),
        ("time,a,a\n", ("1", "2")),
        ("time,x,y\nother,a,b\n", ("a", "b")),  # the last full ones
        ("one,two\n", ("1", "2")),
        ('"time","a","b"\n', ("a", "b")),
        ("# time,# a,;b\n", ("a", "b")),
    ],
)
def test_names_of_columns(above: str, names: tuple[str, ...]) -> None:
    assert layout(above + "0.5,0,1\n1.5,1,1\n2.5,0,1\n3.5,1,0\n").names == names


@pytest.mark.parametrize(
    ("rows", "is_taken"),
    [
        (["0.5,0", "1.5,1", "2.5,0"], True),
        (["0.5,0", "1.5,0", "2.5,0"], False),  # nothing changes
        (["0.5,0", "1.5,2", "2.5,0"], False),
        (["0.5,0", "2.5,1", "1.5,0"], False),  # one of three back in time
        ([f"{n}.5,{n % 2}" for n in range(19)] + ["3.1,0"], True),  # one of twenty
        ([f"{n}.5,{n % 2}" for n in range(18)] + ["3.1,0"], False),
        ([f"{n}.5,{n % 2}" for n in range(60)] + ["x"] * 8, True),  # a tenth and two may be damaged
        ([f"{n}.5,{n % 2}" for n in range(60)] + ["x"] * 9, False),
    ],
)
def test_rows_that_are_levels(rows: list[str], is_taken: bool) -> None:
    text = "".join(f"{row}\n" for row in rows)
    assert (find_layout(text.encode(), is_whole=True) is not None) is is_taken


@pytest.mark.parametrize(
    ("rows", "step"),
    [
        ("0.5,0\n1.5,1\n2.5,0\n3.5,1\n", 10**9),  # samples
        ("0.5,0\n1.5,1\n2.6,0\n3.9,1\n", 1_100_000_000),  # those of a clock that is not quite even
        ("0.5,0\n1.5,1\n2.5,0\n4.5,1\n", 10**8),  # changes: the last digit
        ("0.50,0\n1.5,1\n2.5,0\n4.500,1\n", 10**6),
        ("1,0\n2,1\n3,0\n9,1\n", 10**9),
        ("0.5,0\n1.5,1\n", 10**8),
        ("0.0000000001,0\n1.5,1\n2.5,0\n4.5,1\n", 1),
    ],
)
def test_the_step_of_written_times(rows: str, step: int) -> None:
    assert step_ns(rows.encode(), LevelLayout(b",", ("rx",), True, 1e9, 1, 0)) == step


def dump(declared: str, body: str) -> str:
    return f"$timescale 1 ns $end {declared} $enddefinitions $end {body} #100\n"


@pytest.mark.parametrize("others", [0, 6, 7, 8, 20])
def test_any_number_of_variables_is_read_alike(tmp_path: Path, others: int) -> None:
    """From eight on changes are sorted by variable."""
    names = [chr(40 + i) for i in range(others)]
    declared = "$var wire 1 ! rx $end " + " ".join(f"$var wire 1 {name} o{name} $end" for name in names)
    body = "#0 0! " + " ".join(f"0{name}" for name in names)
    body += "".join(f" #{10 * n} {n & 1}! {(n >> 1) & 1}{names[n % others] if others else '!'}" for n in range(1, 9))
    found = read_edges(VcdLevels(kept(tmp_path, dump(declared, body))))
    if others:
        assert found["rx"].t_ns.tolist() == list(range(10, 81, 10))
    for i, name in enumerate(names):
        levels = [(10 * n, (n >> 1) & 1) for n in range(1, 9) if n % others == i]
        changes = [
            t
            for (t, level), before in zip(levels, [0, *(level for _, level in levels)], strict=False)
            if level != before
        ]
        assert found[f"o{name}"].t_ns.tolist() == changes


@pytest.mark.parametrize(
    ("value", "levels"),
    [
        ("b1010", {0: 0, 1: 1, 2: 0, 3: 1}),
        ("B11", {0: 1, 1: 1, 2: 0, 3: 0}),  # missing bits are 0
        ("b0", dict.fromkeys(range(4), 0)),
        ("bx1", {0: 1}),  # missing bits repeat x
        ("b1x1z", {1: 1, 3: 1}),
        ("r1.5", {}),
        ("swords", {}),
    ],
)
def test_bits_of_vectors(tmp_path: Path, value: str, levels: dict[int, int]) -> None:
    text = dump("$var wire 4 ! line $end", f"#0 b0101 ! #50 {value} !")
    found = read_edges(VcdLevels(kept(tmp_path, text)))
    before = {0: 1, 1: 0, 2: 1, 3: 0}
    for bit in range(4):
        edges = found[f"line[{bit}]"]
        assert (edges.initial, edges.final) == (before[bit], levels.get(bit, before[bit]))
        assert edges.t_ns.tolist() == ([50] if edges.final != edges.initial else [])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("#1x", '"#1x" is not a time'),
        ("#" + "9" * 20, "is not a time"),
        ("#" + "9" * 19, "is too late a time"),
        ("#5 #4", '"#4" goes back in time from #5'),
        ("1?", '"1?" changes no signal that is declared'),
        ("?!", '"?!" is not an entry of a value change dump'),
    ],
)
def test_faults_of_dumps(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(CaptureError) as caught:
        read_edges(VcdLevels(kept(tmp_path, dump("$var wire 1 ! rx $end", text))))
    assert said in str(caught.value)


@pytest.mark.parametrize("text", ["#-5 0! #-3 1!", "#-" + "1" * 18 + " 0! #0 1!"])
def test_times_before_zero_at_the_start(tmp_path: Path, text: str) -> None:
    found = read_edges(VcdLevels(kept(tmp_path, dump("$var wire 1 ! rx $end", text))))["rx"]
    assert len(found) == 1
    assert found.start_ns == int(text.split()[0][1:])


def test_annotations_come_back_in_the_order_of_time(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    first, second, third = (
        Annotation(t_ns, text)
        for t_ns, text in ((10**9, "x" * 10_000), (1_250_000_001, 'a, "quoted"'), (5 * 10**9, "b"))
    )
    given = [third, second, Annotation(10**9, "x" * 10_001)]
    assert read_annotations(path, start_ns=0) == []
    assert write_annotations(path, given, start_ns=1_000_000_000) == notes_path(path) == f"{path}.notes.csv"
    assert Path(notes_path(path)).read_text().splitlines()[:2] == ["time_s,text", "4.000000000,b"]
    assert read_annotations(path, start_ns=1_000_000_000) == [first, second, third]
    with pytest.raises(CaptureError, match="holds no annotations with columns frame,text: move it to another name"):
        read_annotations(path, start_ns=None)
    write_annotations(path, [Annotation(12, "c"), Annotation(3, "d")], start_ns=None)
    assert Path(notes_path(path)).read_text() == "frame,text\n12,c\n3,d\n"
    assert read_annotations(path, start_ns=None) == [Annotation(3, "d"), Annotation(12, "c")]


@pytest.mark.parametrize(("row", "line"), [("x,a", 3), ("1", 3), ("1,a,b", 3), ("1.5,a", 3), ("1e400,a", 3)])
def test_rows_that_are_no_annotations_are_named(tmp_path: Path, row: str, line: int) -> None:
    path = tmp_path / "a.raw"
    Path(notes_path(path)).write_text(f"frame,text\n1,good\n{row}\n")
    with pytest.raises(CaptureError, match=f"line {line} is not a row of frame,text"):
        read_annotations(path, start_ns=None)
