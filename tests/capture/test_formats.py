"""Which suffix is read and written by which format, and what needs a clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busbench.capture.base import CaptureInfo
from busbench.capture.formats import FORMATS, format_of, read_suffixes, written_suffixes
from busbench.capture.write import open_writer, write_levels
from busbench.errors import OutputError
from busbench.model import NO_CLOCK, Clock, ClockKind
from busbench.wire.edges import Edges


def test_suffixes() -> None:
    assert read_suffixes() == (
        ".pcapng", ".pcap", ".parquet", ".sr", ".vcd", ".csv", ".raw", ".bin", ".gz", ".zst", ".xz", ".bz2",
    )  # fmt: skip
    assert written_suffixes() == (".pcapng", ".vcd", ".csv", ".raw", ".bin")


@pytest.mark.parametrize(
    ("suffix", "module", "needs_clock"),
    [(".pcapng", "pcapng_read", False), (".vcd", "vcd", True), (".csv", "byte_csv", True), (".bin", "raw", False)],
)
def test_what_is_written_under_a_suffix(tmp_path: Path, suffix: str, module: str, needs_clock: bool) -> None:
    made = format_of(suffix)
    assert made is not None
    assert (made.module, made.needs_clock) == (f"busbench.capture.{module}", needs_clock)
    path = str(tmp_path / f"out{suffix.upper()}")
    if needs_clock:
        with pytest.raises(OutputError, match=f"a {suffix} file needs times, and own has none: write .raw or .pcapng"):
            open_writer(path, CaptureInfo("own", "made", NO_CLOCK))
    else:
        open_writer(path, CaptureInfo("own", "made", NO_CLOCK)).discard()
    open_writer(path, CaptureInfo("own", "made", Clock(ClockKind.PER_BYTE, 1))).close()
    assert Path(path).exists()


@pytest.mark.parametrize("suffix", ["", ".sr", ".parquet", ".pcap", ".gz", ".txt"])
def test_what_is_not_written(suffix: str) -> None:
    assert format_of(suffix) is None
    said = "suffix of no known format: end the name in .pcapng, .vcd, .csv, .raw, .bin or .parquet"
    with pytest.raises(OutputError, match=said):
        open_writer(f"out{suffix}", CaptureInfo("own", "made", NO_CLOCK))


def test_what_is_read_while_it_arrives_through_a_pipe() -> None:
    followed = [one.module.rpartition(".")[2] for one in FORMATS if one.is_followed]
    assert followed == ["pcapng_read", "vcd", "level_csv", "byte_csv", "raw"]


def test_every_format_has_a_reader() -> None:
    assert [one.reader().FORMAT for one in FORMATS] == [
        "USB capture", "pcapng", "Parquet", "sigrok session", "VCD", "CSV of levels", "byte CSV", "CSV of volts",
        "raw bytes",
    ]  # fmt: skip


LINES = {"rx": Edges(np.array([100, 300]), 0, 0, 500), "p1": Edges(np.array([100, 200]), 1, 0, 450)}


def test_lines_as_levels_in_one_file(tmp_path: Path) -> None:
    path = tmp_path / "a.CSV"
    write_levels(str(path), LINES)
    assert path.read_text() == "time_ns,rx,p1\n0,0,1\n100,0,0\n100,1,0\n200,1,1\n300,0,1\n"
    path = tmp_path / "a.vcd"
    write_levels(str(path), LINES)
    head, _, body = path.read_text().partition("$enddefinitions $end\n")
    assert '$timescale 1 ns $end\n$scope module line $end\n$var wire 1 ! rx $end\n$var wire 1 " p1 $end\n' in head
    assert body == '#0\n$dumpvars\n0!\n1"\n$end\n#100\n0"\n#100\n1!\n#200\n1"\n#300\n0!\n#500\n'
    with pytest.raises(OutputError, match="file exists already"):
        write_levels(str(path), LINES)
    write_levels(str(path), {"p1": LINES["p1"]}, force=True)
    assert path.read_text().endswith("#450\n")
    with pytest.raises(OutputError, match=r"holds no levels of several lines: end the name in \.vcd or \.csv"):
        write_levels(str(tmp_path / "a.raw"), LINES)
