"""Every error as a person meets it: what they typed, the one line, the exit code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.cli.running import CAPTURES, call

FILES = {
    "empty.pcapng": b"",
    "garbage.bin": bytes(range(256)) * 40,
    "words.txt": b"this is a letter, not a recording\n" * 50,
    "picture.png": b"\x89PNG\r\n\x1a\n" + bytes(100),
    "zeros.raw": bytes(5000),
}

TABLE = [
    ("outages", "busbench: Missing argument 'SOURCE'. (see busbench outages --help)"),
    ("outages nothing.pcapng", "busbench: nothing.pcapng: there is no such file: check the name and the folder"),
    ("outages .", "busbench: .: is a folder: name a recording inside it"),
    ("outages /dev/null", "busbench: /dev/null: is a device, not a recording: record from it first, or watch it live"),
    ("outages empty.pcapng", "busbench: empty.pcapng: is empty"),
    ("outages garbage.bin", "busbench: garbage.bin: *"),
    ("outages words.txt", "busbench: words.txt: *"),
    ("outages picture.png", "busbench: picture.png: is a picture: *"),
    ("outages zeros.raw", "busbench: zeros.raw: *"),
    ("timing virtual:", "busbench: virtual:: is a live source, not a recording: record it first, or watch it"),
    (
        "frames socket://127.0.0.1:1",
        "busbench: socket://127.0.0.1:1: is a live source, not a recording: record it first, or watch it",
    ),
    (
        "frames {captures}/heron-line.vcd --channels 3-19 --format table",
        "busbench: Invalid value: --channels: '3-19' is beyond 1-18 (see busbench frames --help)",
    ),
    (
        "frames {captures}/heron-line.vcd --channels 5-",
        "busbench: Invalid value: --channels: '5-' is no channel; write for example 1-4,9,17 "
        "(see busbench frames --help)",
    ),
    (
        "frames {captures}/heron-line.vcd --channels 5-3",
        "busbench: Invalid value: --channels: '5-3' runs backwards (see busbench frames --help)",
    ),
    (
        "frames {captures}/heron-line.vcd --channels rudder",
        "busbench: Invalid value: --channels: 'rudder' is no channel; write for example 1-4,9,17 "
        "(see busbench frames --help)",
    ),
    (
        "channels {captures}/heron-line.vcd --glitch 0",
        "busbench: Invalid value for '--glitch': 0 is not in the range 1<=x<=2047. (see busbench channels --help)",
    ),
    (
        "convert {captures}/heron-line.vcd -o heron.doc",
        "busbench: heron.doc: has a suffix of no known format: end the name in .pcapng, .csv, .vcd, .raw, .bin",
    ),
    (
        "convert {captures}/heron-noisy.raw -o heron.csv",
        "busbench: heron.csv: a .csv file needs times, and {captures}/heron-noisy.raw has none: "
        "write .raw or .pcapng instead",
    ),
    ("convert {captures}/heron-line.vcd -o nowhere/heron.raw", "busbench: nowhere/heron.raw: cannot be written *"),
    ("outages {captures}/heron-line.vcd --signal elevator", "busbench: {captures}/heron-line.vcd: *elevator*"),
    ("outages {captures}/heron-bench.pcapng --interface 7", "busbench: {captures}/heron-bench.pcapng: *"),
    ("outage x", "busbench: No such command 'outage'. Did you mean 'outages'? (see busbench --help)"),
]


@pytest.mark.parametrize(("words", "line"), TABLE, ids=[words for words, _ in TABLE])
def test_one_line_and_exit_code_two(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, line: str
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, content in FILES.items():
        (tmp_path / name).write_bytes(content)
    ran = call(capfd, *words.replace("{captures}", str(CAPTURES)).split())
    assert (ran.code, ran.out) == (2, "")
    lines = ran.err.splitlines()
    assert len(lines) == 1, ran.err
    pattern = re.escape(line.replace("{captures}", str(CAPTURES))).replace(r"\*", ".*")
    assert re.fullmatch(pattern, lines[0]), lines[0]


def test_a_name_with_escapes_reaches_no_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "outages", "\x1b[31mred\x07.raw")
    assert ran.code == 2
    assert "\x1b" not in ran.err
    assert "\x07" not in ran.err
