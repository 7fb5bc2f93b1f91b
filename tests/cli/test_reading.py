"""frames, outages, timing, channels and convert on the shipped recordings."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from busbench.analysis.outages import find_outages
from busbench.capture.pcapng_write import PcapngWriter
from busbench.cli.main import run
from busbench.cli.outages import loss_words
from busbench.line import BUS_LINE, Chunk
from busbench.model import Clock, ClockKind, FrameTimes, Rejects
from busbench.wire.codec import pack_frames
from tests.cli.running import CAPTURES, ROOT, Ran, call, spawn

Capfd = pytest.CaptureFixture[str]
FLIGHT = CAPTURES / "heron-flight.pcapng"
SLOTS = CAPTURES / "heron-slots.csv"
LINE = CAPTURES / "heron-line.vcd"
NOISY = CAPTURES / "heron-noisy.raw"


def rows(ran: Ran) -> list[dict[str, str]]:
    assert ran.code == 0, ran.err
    return list(csv.DictReader(io.StringIO(ran.out)))


def loaded(ran: Ran) -> dict[str, Any]:
    assert ran.code == 0, ran.err
    value: dict[str, Any] = json.loads(ran.out)
    return value


def test_frames_have_the_agreed_header(capfd: Capfd) -> None:
    ran = call(capfd, "frames", SLOTS)
    lines = ran.out.splitlines()
    assert lines[0] == (
        "time_s,offset,ch1,ch2,ch3,ch4,ch5,ch6,ch7,ch8,ch9,ch10,ch11,ch12,ch13,ch14,ch15,ch16,ch17,ch18,"
        "frame_lost,failsafe,end_byte,suspect"
    )
    found = rows(ran)
    assert len(found) == 666
    assert [row["end_byte"] for row in found[:5]] == ["0x14", "0x24", "0x34", "0x04", "0x14"]
    assert {row["suspect"] for row in found} == {"0"}
    assert float(found[1]["time_s"]) - float(found[0]["time_s"]) == pytest.approx(0.015, abs=2e-4)


def test_frames_without_a_clock_have_no_times(capfd: Capfd) -> None:
    found = rows(call(capfd, "frames", NOISY))
    assert len(found) == 3278
    assert {row["time_s"] for row in found} == {""}


def test_frames_as_json_lines_and_as_a_table(capfd: Capfd) -> None:
    lines = call(capfd, "frames", LINE, "--format", "json").out.splitlines()
    first = json.loads(lines[0])
    assert len(lines) == 134
    assert (first["ch1"], first["end_byte"], first["failsafe"]) == (992, "0x00", 0)
    table = call(capfd, "frames", FLIGHT, "--format", "table", "--channels", "1-3,17").out.splitlines()
    assert table[0] == "    time, s   ch1   ch2   ch3  ch17  flags   end"
    assert max(map(len, table)) <= 80
    assert sum(line.split()[5][1] == "F" for line in table[1:]) == 100


def test_each_of_many_frames_has_one_row(tmp_path: Path, capfd: Capfd) -> None:
    path, many = tmp_path / "many.raw", 8195  # more than are written at a time
    path.write_bytes(pack_frames(np.full((many, 16), 992)).tobytes())
    found = rows(call(capfd, "frames", path))
    assert [int(row["offset"]) for row in found] == list(range(0, 25 * many, 25))
    table = call(capfd, "frames", path, "--format", "table", "--channels", "1").out.splitlines()
    assert (len(table), sum("time, s" in line for line in table)) == (many + 1, 1)


@pytest.mark.parametrize("command", ["outages", "timing", "channels"])
@pytest.mark.parametrize("name", ["heron-flight.pcapng", "heron-slots.csv", "heron-line.vcd", "heron-noisy.raw"])
def test_tables_fit_eighty_columns(capfd: Capfd, command: str, name: str) -> None:
    ran = call(capfd, command, CAPTURES / name)
    assert ran.code == 0
    assert [line for line in ran.out.splitlines() if len(line) > 80] == []


def test_outages_have_the_agreed_keys(capfd: Capfd) -> None:
    result = loaded(call(capfd, "outages", FLIGHT, "--format", "json"))
    assert set(result) >= {
        "frames", "duration_s", "period_s", "events", "summary", "missed_ratio", "missed_ratio_upper95", "ambiguous",
    }  # fmt: skip
    assert set(result["events"][0]) == {
        "kind", "start_s", "end_s", "frames", "frames_low", "missing", "bytes", "offset",
    }  # fmt: skip
    assert result["missed"] == sum(one["frames"] for one in result["summary"].values())
    assert set(result["summary"]) == {"gap", "lost", "failsafe", "damaged"}
    assert set(result["summary"]["gap"]) >= {"count", "total_s", "longest_s"}
    assert result["start_utc"].startswith("2026-05-28T20:26:40.003")
    gaps = [(round(event["start_s"]), event["frames"]) for event in result["events"] if event["kind"] == "gap"]
    assert gaps == [(21, 20), (66, 133)]
    assert result["period_s"] == pytest.approx(0.015, rel=1e-5)


def test_marked_bytes_are_damage_everywhere(capfd: Capfd, tmp_path: Path) -> None:
    """Five frames with one marked byte each, and six that share two packets marked from end to end."""
    path = tmp_path / "marked.pcapng"
    raw = pack_frames(np.tile(np.arange(100, 1700, 100), (200, 1)))
    singles = (10, 40, 70, 130, 160)
    with PcapngWriter(
        str(path), port="tty", line=BUS_LINE, clock=Clock(ClockKind.PER_READ, 1), start_utc_ns=None
    ) as out:
        for row in range(200):
            if row in (101, 102, 111, 112):
                continue
            last = row + 3 if row in (100, 110) else row + 1
            data = raw[row:last].tobytes()
            bad = bytes([0] * 12 + [4] + [0] * 12) if row in singles else b"\0" * len(data)
            bad = b"\4" * len(data) if row in (100, 110) else bad
            out.write(Chunk(7_000_000 * last, data, bad))
    got = loaded(call(capfd, "outages", path, "--format", "json"))
    assert (got["frames"], got["missed"], got["missed_low"]) == (200, 11, 7)
    assert (got["summary"]["damaged"]["frames"], got["summary"]["damaged"]["frames_low"]) == (11, 7)
    text = " ".join(call(capfd, "outages", path).out.split())
    assert "missed 11 of 200 frames due: 5.5 %" in text
    assert "adapters may mark a whole packet for one bad byte; 7 were missed for certain" in text
    assert loaded(call(capfd, "channels", path, "--format", "json"))["damaged"] == 11
    first = call(capfd, "channels", path).out.splitlines()[0]
    assert first == "200 frames, 0 of them flagged lost or failsafe; 11 damaged, left out"


def test_channels_that_are_on_or_off_have_no_counts(capfd: Capfd) -> None:
    lines = call(capfd, "channels", CAPTURES / "heron-bench.pcapng").out.splitlines()
    assert [line.split() for line in lines if line.startswith(("17 ", "18 "))] == [
        ["17", "off", "on", "-", "55.9", "%", "on", "-", "-", "7", "0"],
        ["18", "off", "off", "-", "0.0", "%", "on", "-", "-", "0", "0"],
    ]


def test_a_channel_has_its_figures_in_a_line(capfd: Capfd) -> None:
    lines = call(capfd, "channels", FLIGHT).out.splitlines()
    assert lines[3].split() == ["1", "706", "1278", "572", "969.1", "1321…1679", "0.35", "44", "0"]


def test_outages_that_are_left_out_are_counted(capfd: Capfd, monkeypatch: pytest.MonkeyPatch) -> None:
    found = loaded(call(capfd, "outages", FLIGHT, "--format", "json"))["events"]
    for most, more in ((len(found), 0), (len(found) - 1, 1)):
        monkeypatch.setattr("busbench.cli.outages.EVENTS_SHOWN", most)
        told = [line for line in call(capfd, "outages", FLIGHT).out.splitlines() if "more (" in line]
        assert told == ([f"… and {more} more (--all lists them)"] if more else [])
    assert "more (" not in call(capfd, "outages", FLIGHT, "--all").out


def test_outages_as_csv(capfd: Capfd) -> None:
    found = rows(call(capfd, "outages", FLIGHT, "--format", "csv"))
    assert list(found[0]) == ["kind", "start_s", "end_s", "frames", "bytes", "offset"]
    assert [row["frames"] for row in found if row["kind"] == "failsafe"] == ["100"]


def test_the_outages_of_a_clean_run_say_how_sure_that_is(capfd: Capfd) -> None:
    out = call(capfd, "outages", CAPTURES / "heron-bench.pcapng").out
    assert "missed 0 of 4,000 frames due: 0 %, 95 % upper confidence limit 0.0749 %" in out


@pytest.mark.parametrize(
    ("frames", "lost", "said"),
    [
        (1, 0, "missed 0 of 1 frame due: 0 %, 95 % upper confidence limit 95 %: too few frames to say anything"),
        (134, 0, "missed 0 of 134 frames due: 0 %, 95 % upper confidence limit 2.22 %"),  # 2.2108: rounded up
        (200, 200, "missed 200 of 200 frames due: 100 %, 95 % upper confidence limit 100 %"),
    ],
)
def test_the_bound_is_rounded_up_and_never_below_the_ratio(frames: int, lost: int, said: str) -> None:
    count = np.arange(frames)
    flags = np.where(count < lost, 0x04, 0).astype(np.uint8)
    times = FrameTimes(count * 7_000_000, np.zeros(frames, np.uint32), flags)
    found = find_outages(times, Rejects.empty(), first_offset=0, clock=Clock(ClockKind.PER_BYTE, 1))
    assert loss_words(found) == said


def test_one_frame_with_a_clock_is_not_said_to_have_none(capfd: Capfd, tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    rows = [f"{i * 0.00012:.6f},0x{byte:02X}" for i, byte in enumerate(b"\x0f" + bytes(24))]
    path.write_text("\n".join(["Time [s],Value", *rows, ""]), encoding="utf-8")
    lines = call(capfd, "outages", path).out.splitlines()
    assert lines[-2:] == [
        "note: no period was found, so gaps cannot be seen; damaged bytes count as frames",
        "      by their number",
    ]


def test_timing_has_the_agreed_keys(capfd: Capfd) -> None:
    result = loaded(call(capfd, "timing", SLOTS, "--format", "json"))
    assert {key: list(value) for key, value in result.items() if isinstance(value, dict)} == {
        "period_s": ["mean", "median", "sd", "min", "max", "p01", "p99"],
        "period_jitter_s": ["rms", "rms_low", "rms_high", "kind", "peak", "pp"],
        "cycle_jitter_s": ["rms", "peak"],
        "tie_s": ["rms", "pp"],
        "clock": ["kind", "resolution_s", "floor_s"],
    }
    assert set(result) >= {"frames", "missing", "mtie_s", "lag1"}
    assert result["period_jitter_s"]["rms"] == pytest.approx(10e-6 * 2**0.5, rel=0.2)  # as it was made


def test_timing_without_a_clock_refuses(capfd: Capfd) -> None:
    ran = call(capfd, "timing", NOISY)
    assert ran.code == 0
    assert ran.out.splitlines() == [
        "3,278 frames; clock: none",
        "no clock: the recording has bytes but no times",
        "",
    ]


def test_channels(capfd: Capfd) -> None:
    result = loaded(call(capfd, "channels", FLIGHT, "--format", "json"))
    assert [one["channel"] for one in result["channels"]] == list(range(1, 19))
    assert result["channels"][8]["span_counts"] <= 2
    assert result["channels"][0]["moves"] > 20
    found = rows(call(capfd, "channels", FLIGHT, "--format", "csv"))
    assert found[0]["max_counts"] == str(result["channels"][0]["max_counts"])
    assert "1500 µs at 992 counts" in call(capfd, "channels", FLIGHT).out


@pytest.mark.parametrize("source", ["heron-flight.pcapng", "heron-slots.csv", "heron-line.vcd"])
@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd", ".raw"])
def test_a_converted_recording_holds_the_same_frames(capfd: Capfd, tmp_path: Path, source: str, suffix: str) -> None:
    new = tmp_path / f"new{suffix}"
    ran = call(capfd, "convert", CAPTURES / source, "-o", new)
    assert (ran.code, ran.out) == (0, "")
    before, after = rows(call(capfd, "frames", CAPTURES / source)), rows(call(capfd, "frames", new))
    assert [row["ch1"] + row["offset"] for row in before] == [row["ch1"] + row["offset"] for row in after]
    if suffix != ".raw":
        spread = [float(a["time_s"]) - float(b["time_s"]) for a, b in zip(after, before, strict=True)]
        assert max(spread) - min(spread) < 300e-6


def test_convert_writes_over_nothing_unless_told(capfd: Capfd, tmp_path: Path) -> None:
    new = tmp_path / "new.raw"
    new.write_bytes(b"mine")
    ran = call(capfd, "convert", LINE, "-o", new)
    assert ran.code == 2
    assert ran.err == (f"busbench: {new}: file exists already: choose another name, or write over it with --force\n")
    assert new.read_bytes() == b"mine"
    assert call(capfd, "convert", LINE, "-o", new, "--force").code == 0
    assert new.stat().st_size == 3350


@pytest.mark.parametrize("suffix", [".pcapng", ".parquet"])
def test_convert_never_writes_over_what_it_reads(capfd: Capfd, tmp_path: Path, suffix: str) -> None:
    source, link = tmp_path / f"heron{suffix}", tmp_path / f"again{suffix}"
    source.write_bytes(FLIGHT.read_bytes())
    link.hardlink_to(source)
    for other in (source, link):
        ran = call(capfd, "convert", source, "-o", other, "--force")
        said = f"busbench: {other}: is also an input file: choose another name\n"
        assert (ran.code, ran.out, ran.err) == (2, "", said)
    assert source.read_bytes() == FLIGHT.read_bytes()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="outside tool missing: /dev/full, a full disk")
@pytest.mark.parametrize("words", [("frames",), ("outages", "--format", "json"), ("channels",)])
def test_a_full_disk_gets_one_line(words: tuple[str, ...]) -> None:
    with Path("/dev/full").open("wb") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "busbench", words[0], SLOTS, *words[1:]],
            stdout=full, stderr=subprocess.PIPE, cwd=ROOT, check=False, timeout=60,
        )  # fmt: skip
    said = b"busbench: standard output: cannot be written (No space left on device): make room, or write elsewhere\n"
    assert (ran.returncode, ran.stderr) == (2, said)


def test_a_closed_standard_output_is_no_failure(capfd: Capfd, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", None)
    assert run(["outages", str(LINE)]) == run(["frames", str(LINE)]) == 0
    assert capfd.readouterr() == ("", "")


def test_standard_input_and_output() -> None:
    raw = NOISY.read_bytes()
    ran = spawn("outages", "-", "--format", "json", stdin=raw)
    assert json.loads(ran.out)["frames"] == 3278
    packets = spawn("outages", "-", "--format", "json", stdin=FLIGHT.read_bytes())
    assert json.loads(packets.out)["frames"] == 5172
    again = spawn("convert", FLIGHT, "-o", "-")
    assert again.code == 0
    assert len(again.raw) == 129_522


def test_a_cut_recording_gives_what_is_there(capfd: Capfd, tmp_path: Path) -> None:
    cut = tmp_path / "cut.pcapng"
    cut.write_bytes(FLIGHT.read_bytes()[:100_003])
    ran = call(capfd, "outages", cut, "--format", "json")
    assert ran.code == 0
    assert 1300 < json.loads(ran.out)["frames"] < 1450
    assert ran.err.count("\n") == 1
    assert f"{cut}" in ran.err
    assert "byte" in ran.err


def test_a_damaged_recording_is_named_once_and_read_up_to_there(capfd: Capfd, tmp_path: Path) -> None:
    path = tmp_path / "damaged.vcd"
    whole = LINE.read_bytes()
    path.write_bytes(whole + b"#zz\n")
    ran = call(capfd, "outages", path)
    assert ran.out.startswith("134 frames, ")
    said = f'byte {len(whole)}: "#zz" is not a time: save it again; what is before it was read'
    assert ran.err == f"busbench: {path}: {said}\n"


def test_a_reader_of_a_pipe_that_leaves() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "busbench", "frames", str(FLIGHT)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 0
