"""CSV of volts as oscilloscopes save it: any lines about the scope above, thresholds found, noise and rest."""

from __future__ import annotations

import io
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from busbench.capture import byte_csv, level_csv, volts_csv
from busbench.capture.edges import read_edges
from busbench.capture.file_io import ObjectSource
from busbench.capture.open import open_capture, open_levels
from busbench.wire.uart import encode_line
from tests.capture.levels import kept, read_with

DATA = b"\x0f\xa5\x00\x7f" * 12
HEADS = {
    "one row": "time [s],CH1\n",
    "units below": "Time,CH1\n(s),(V)\n",
    "unit words": "x-axis,1\nsecond,Volt\n",
    "about the scope": "Model,none\nPoints,4000\nVertical Units,V\nSample Interval,2e-06\n\n\nTIME,CH1\n",
    "comments": "# scope\n# 2 channels\n\nSource,CH1\nSecond,Volt\n",
    "none": "",
}


read = partial(read_with, volts_csv.open_file)


def trace(
    data: bytes, *, rate: int, head: str = "time [s],CH1\n", low: float = 0.1, high: float = 3.2, noise: float = 0.05,
    lead_s: float = 0.002, form: str = "{s:.9f},{volts:.4f}\n",
) -> str:  # fmt: skip
    """A line that sends some bytes, as a scope samples it: slow edges, noise, the trigger at time 0."""
    edges = encode_line(data)
    times = np.arange(-lead_s, edges.end_ns / 1e9, 1 / rate)
    level = np.searchsorted(edges.t_ns / 1e9, times, "right") & 1
    volts = np.where(level == 1, high, low) + np.random.default_rng(2).normal(0, noise, times.size)
    return head + "".join(form.format(s=s, volts=v) for s, v in zip(times.tolist(), volts.tolist(), strict=True))


@pytest.mark.parametrize("head", HEADS.values(), ids=HEADS)
def test_the_bytes_behind_any_lines_about_the_scope(tmp_path: Path, head: str) -> None:
    text = trace(DATA, rate=500_000, head=head)
    path = kept(tmp_path, text)
    assert not level_csv.sniff(text.encode()[:65_536])
    assert not byte_csv.sniff(text.encode()[:65_536])
    with open_capture(path) as capture:
        (log,) = capture.blocks()
    assert log.data.tobytes() == DATA
    assert log.bad is None
    assert np.abs(log.mark_t_ns - np.arange(len(DATA)) * 120_000).max() <= 2000
    assert (capture.info.format, capture.info.clock.resolution_ns) == ("CSV of volts", 2000)


@pytest.mark.parametrize(("more", "is_volts"), [("", True), (",0.5", True), (",high", False), (",true", False)])
def test_words_are_no_volts(more: str, is_volts: bool) -> None:
    text = trace(DATA, rate=500_000, form=f"{{s:.9f}},{{volts:.4f}}{more}\n")
    assert volts_csv.sniff(text.encode()[:65_536]) is is_volts


@pytest.mark.parametrize(("low", "high"), [(0, 3.3), (0, 5), (-0.2, 1.6), (120, 880), (-5, 5)])
def test_the_threshold_is_half_way_between_the_voltages(tmp_path: Path, low: float, high: float) -> None:
    path = kept(tmp_path, trace(DATA, rate=500_000, low=low, high=high, noise=0.02 * (high - low)))
    data, _, notes = read(path)
    assert data == DATA
    (note,) = notes
    assert note.startswith('"CH1" holds voltages: the threshold is ')
    found = float(note.rsplit(" ", 1)[1])
    assert abs(found - (low + high) / 2) < 0.02 * (high - low)


def test_rest_of_any_length_and_a_spike_hide_no_threshold(tmp_path: Path) -> None:
    text = trace(DATA, rate=500_000, lead_s=0.5)
    path = kept(tmp_path, text.replace("0.1", "9.9", 1))
    with open_capture(path) as capture:
        (log,) = capture.blocks()
    assert log.data.tobytes() == DATA


def test_semicolons_with_decimal_commas(tmp_path: Path) -> None:
    text = trace(DATA, rate=500_000, head="Zeit (s);Kanal A\n", form="{s:.9f};{volts:.4f}\n")
    head, _, rows = text.partition("\n")
    assert read(kept(tmp_path, head + "\n" + rows.replace(".", ",")))[0] == DATA


def test_all_columns_have_thresholds_of_their_own(tmp_path: Path) -> None:
    rows = "".join(f"{us}e-6,{3.3 if us % 4 < 2 else 0.1},{0.0 if us % 2 else 5.5},1.25\n" for us in range(40))
    file = open_levels(kept(tmp_path, "t [s],a,b,still\n" + rows))
    assert file is not None
    found = read_edges(file)
    assert {name: (one.initial, one.t_ns[:3].tolist()) for name, one in found.items()} == {
        "a": (1, [2000, 4000, 6000]),
        "b": (1, [1000, 2000, 3000]),
        "still": (0, []),
    }


@pytest.mark.parametrize("is_long", [False, True])
def test_a_row_that_does_not_end_is_read_no_further_than_four_megabytes(is_long: bool) -> None:
    """Neither for the threshold nor for the levels."""
    rows = "".join(f"{us}e-6,{3.3 if us % 4 < 2 else 0.1}\n" for us in range(40))
    file = io.BytesIO(f"t [s],a\n{rows}".encode() + b"0" * ((16 if is_long else 3) << 20))
    levels = level_csv.LevelCsvFile(ObjectSource(file, name="made"), is_analog=True)
    found = [file.tell()]
    assert read_edges(levels)["a"].t_ns[:3].tolist() == [2000, 4000, 6000]
    found.append(file.tell())
    assert levels.notes == [
        '"a" holds voltages: the threshold is 1.7',
        "line 42 is longer than any row: save it again; what is before it was read"
        if is_long
        else "the file is cut inside its last row",
    ]
    assert [round(at / (1 << 20), 1) for at in found] == ([5.0, 5.0] if is_long else [3.0, 3.0])
