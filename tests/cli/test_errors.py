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
    "idle.toml": b"[limits]\nidle = 0\n[[part]]\nchannel = 1\nshape = 'sine'\nperiod = 1\n",
    "packed.gz": b"\x1f\x8b" + bytes(100),
    "packed.zip": b"PK\x03\x04" + bytes(100),
    "old.pcap": b"\xd4\xc3\xb2\xa1" + bytes(100),
}
KNOWN = "busbench reads pcapng, CSV of bytes or of level changes, VCD, and raw bytes of the bus"

TABLE = [
    ("outages", "SOURCE: missing: see busbench outages --help"),
    ("outages a.raw b.raw", 'outages: "b.raw" is too much: it takes SOURCE and options'),
    ("outages a.raw --frmat json", "--frmat: no such option: did you mean --format?"),
    ("outages a.raw --format", "--format: needs a value: see busbench --help"),
    ("outages a.raw --format xml", '--format: "xml" is not known: give table, csv or json'),
    ("outages nothing.pcapng", "nothing.pcapng: there is no such file: check the name and the folder"),
    ("outages .", ".: is a folder: name a recording inside it"),
    ("outages /dev/null", "/dev/null: is a port, not a recording: record from it first, or watch it live"),
    ("outages empty.pcapng", "empty.pcapng: is empty: was the recording ended before a byte came?"),
    (
        "outages garbage.bin",
        "garbage.bin: is of no known format, and no servo frames stand in its first 4 MB: " + KNOWN,
    ),
    ("outages words.txt", "words.txt: is text of no layout that is known here: " + KNOWN),
    ("outages picture.png", "picture.png: is a picture: " + KNOWN),
    ("outages packed.gz", "packed.gz: is compressed (gzip): unpack it first"),
    ("outages packed.zip", "packed.zip: is an archive (zip): unpack it and name a recording from inside"),
    ("outages old.pcap", "old.pcap: is a packet capture in the old pcap layout: save it as pcapng"),
    ("timing virtual:", '"virtual:": is a live source, not a recording: record it first, or watch it'),
    (
        "frames socket://127.0.0.1:1",
        '"socket://127.0.0.1:1": is a live source, not a recording: record it first, or watch it',
    ),
    ("frames {line} --channels 3-19 --format table", '--channels: "3-19" is out of range: give 1 to 18'),
    ("frames {line} --channels 5-", '--channels: "5-" is not a channel: write as in 1-4,9,17'),
    ("frames {line} --channels 5-3", '--channels: "5-3" runs backwards: write 3-5'),
    ("frames {line} --channels rudder", '--channels: "rudder" is not a channel: write as in 1-4,9,17'),
    ("channels {line} --glitch 0", "--glitch: 0 is out of range: give 1 to 2047"),
    (
        "convert {line} -o heron.doc",
        "heron.doc: has a suffix of no known format: end the name in .pcapng, .csv, .vcd, .raw, .bin",
    ),
    ("convert {line}", "--output: missing: see busbench convert --help"),
    (
        "convert {captures}/heron-noisy.raw -o heron.csv",
        "heron.csv: a .csv file needs times, and {captures}/heron-noisy.raw has none: write .raw or .pcapng instead",
    ),
    ("convert {line} -o nowhere/heron.raw", "nowhere/heron.raw: there is no such folder: make it first"),
    ("convert {line} -o zeros.raw", "zeros.raw: exists already: choose another name, or write over it with --force"),
    ("convert {line} -o . ", ".: has a suffix of no known format: end the name in .pcapng, .csv, .vcd, .raw, .bin"),
    ("outages {line} --signal elevator", "{line}: *elevator*"),
    ("outages {captures}/heron-bench.pcapng --interface 7", "{captures}/heron-bench.pcapng: *"),
    ("outage x", "outage: no such command: did you mean outages?"),
    ("ports now", 'ports: "now" is too much: it takes options only'),
    ("probe nix://1", '"nix://1": is not an address that busbench knows: give socket://HOST:PORT'),
    ("probe virtual:?sede=3", '"virtual:?sede=3": "sede" is not a setting: did you mean seed?'),
    ("probe virtual:?xyzzy=3", '"virtual:?xyzzy=3": "xyzzy" is not a setting: see busbench simulate --help'),
    ("probe virtual:?slots=yes", '"virtual:?slots=yes": slots: "yes" is not understood; give it as in slots=on'),
    ("probe virtual", "virtual: there is no such port: did you mean virtual: (with its colon)?"),
    ("probe virtal:", '"virtal:": there is no such port: did you mean virtual: (with its colon)?'),
    ("probe virtual: --seconds 0", "--seconds: 0 is out of range: give 0.1 to 3600"),
    ("record virtual: -o heron.csv", "heron.csv: recordings are pcapng: name it so, and convert it afterwards"),
    (
        "record virtual: -o empty.pcapng",
        "empty.pcapng: exists already: choose another name, or write over it with --force",
    ),
    ("record virtual: -o x.pcapng --seconds 0", "--seconds: 0 is out of range: give more than 0"),
    (
        "drive swep --channel 1",
        "swep: neither a shape nor a file: did you mean sweep? Shapes: sweep, hold, ramp, triangle, sine, square, "
        "steps, staircase, chirp, wander, replay",
    ),
    (
        "drive sweep --channel 17 --period 4 --preview",
        "sweep: does not fit channel 17, which is on or off: give hold, square, steps or replay",
    ),
    ("drive sweep --channel 1 --period x", '--period: "x" is not a number: see busbench drive --help'),
    ("drive sweep --channel 1 --period 4 --end neutral", '--end: "neutral" is not known: give rest, hold or silence'),
    (
        "drive sweep --channel 1 --period 4",
        "--to: missing: say where the frames go, or look at them first with --preview",
    ),
    (
        "drive idle.toml --preview",
        "idle.toml, limits, idle: is not a key of limits: it knows high, low, rate, rest",
    ),
    (
        "verify {captures}/heron-round.pcapng --rig {captures}/heron.toml --walk picture.png",
        "picture.png, byte 0: is not UTF-8 text: name the file that `busbench walk` kept",
    ),
    ("loop", "PORT: missing: see busbench loop --help"),
    ("simulate --tcp 99999999", '--tcp: "99999999" is not a TCP port: give 1 to 65535, or 0 for any'),
    ("simulate --tcp 7000 --pty", "--tcp: goes with neither --pty nor --link: give one of them"),
    ("simulate --fault dead:rudder", "--fault: goes with --rig only: name the rig file of the aircraft"),
    ("completion tcsh", 'SHELL: "tcsh" is not known: give bash, zsh or fish'),
    (
        "watch virtual:",
        "watch: * use `busbench outages`, `timing` or `channels` on a recording,"
        " `busbench probe` or `record` on a port",
    ),
    ("pulses zeros.raw", "zeros.raw: holds no levels of lines: give a VCD, or a CSV of level changes"),
]


@pytest.mark.parametrize(("words", "line"), TABLE, ids=[words for words, _ in TABLE])
def test_one_line_and_exit_code_two(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, line: str
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, content in FILES.items():
        (tmp_path / name).write_bytes(content)
    words, line = (text.replace("{line}", "{captures}/heron-line.vcd") for text in (words, f"busbench: {line}"))
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


@pytest.mark.parametrize(
    ("words", "note"),
    [
        ("{captures}/heron-bench.pcapng --signal zzz", "--signal is for files of level changes; it was not used"),
        (
            "{captures}/heron-bench.pcapng --usb-device 9.9",
            "--usb-device is for captures of a USB host; it was not used",
        ),
        ("{captures}/heron-line.vcd --interface zzz", "--interface is for packet captures; it was not used"),
    ],
)
def test_an_option_that_does_not_fit_the_file_is_told(capfd: pytest.CaptureFixture[str], words: str, note: str) -> None:
    ran = call(capfd, "outages", *words.replace("{captures}", str(CAPTURES)).split())
    assert ran.code == 0
    assert f"busbench: {note}\n" in ran.err


def test_a_recording_that_was_cut_says_so_in_a_note(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    whole = (CAPTURES / "heron-bench.pcapng").read_bytes()
    (tmp_path / "cut.pcapng").write_bytes(whole[: len(whole) // 2 + 1])
    ran = call(capfd, "outages", tmp_path / "cut.pcapng")
    assert ran.code == 0
    assert len(ran.err.splitlines()) == 1
    assert ran.err.startswith(f"busbench: {tmp_path}/cut.pcapng: ")
