"""Every error as a person meets it: what they typed, the one line, the exit code. The table is errors.txt."""

from __future__ import annotations

import errno
import io
import os
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from busbench.wire.bulk import pack_frames
from tests.capture.usb_blocks import FRAME, START_US, linux, linux_file
from tests.cli.running import CAPTURES, call

HEAD = '[rig]\nname = "Heron"\nperiod_ms = 14\n[supply]\nvoltage_v = 7.4\n'
DEVICE = HEAD + '[[device]]\nname = "rudder"\nchannel = 2\n'
PART = '[[part]]\nchannel = 1\nshape = "sine"\nperiod = 1\n'
WALK = '{"version": 1, "rig": "%s", "is_rehearsal": %s, "start_utc": "2026-01-01T00:00:00Z", "devices": [%s]}'
TEXTS = {
    "words.txt": "this is a letter, not a recording\n" * 50,
    # Rig files.
    "heron.toml": DEVICE,
    "bare.toml": "",
    "rig-comma.toml": HEAD.replace("7.4", "7,4"),
    "rig-comma-key.toml": HEAD + "7,4 = 1\n",
    "rig-quoted-key.toml": HEAD.replace("[supply]", '"7,4" = 1\n[supply]'),
    "rig-colon.toml": "name: Heron\n",
    "rig-unquoted.toml": HEAD.replace('"Heron"', "Heron"),
    "rig-twice.toml": HEAD + "[supply]\n",
    "rig-key-twice.toml": HEAD + "voltage_v = 6\n",
    "rig-one-device.toml": HEAD + '[device]\nname = "rudder"\n',
    "rig-two-devices.toml": HEAD + '[device]\nname = "rudder"\n[device]\nname = "gear"\n',
    "rig-devices.toml": HEAD + '[[devices]]\nname = "rudder"\n',
    "rig-many.toml": "[[rig]]" + HEAD.removeprefix("[rig]"),
    "rig-no-supply.toml": HEAD.partition("[supply]")[0],
    "rig-no-period.toml": HEAD.replace("period_ms = 14\n", ""),
    "rig-volts.toml": HEAD.replace("voltage_v", "volts"),
    "rig-chanel.toml": DEVICE.replace("channel", "chanel"),
    "rig-length.toml": DEVICE + "length_m = 0.8\n",
    "rig-below-lead.toml": DEVICE.replace("channel", "[device.lead]\nawg = 22\nlength_m = 1\nchannel"),
    "rig-two-gauges.toml": DEVICE + "lead = { awg = 22, area_mm2 = 0.3, length_m = 1 }\n",
    "rig-no-length.toml": DEVICE + "lead = { awg = 22 }\n",
    "rig-lead-number.toml": DEVICE + "lead = 0.8\n",
    "rig-quoted.toml": HEAD.replace("7.4", '"7.4"'),
    "rig-nan.toml": HEAD.replace("7.4", "nan"),
    "rig-huge.toml": HEAD.replace("7.4", "7.4e9"),
    "rig-below-nil.toml": HEAD.replace("7.4", "-7.4"),
    "rig-kind.toml": DEVICE + 'kind = "serov"\n',
    "rig-winch.toml": DEVICE + 'kind = "winch"\n',
    "rig-no-name.toml": DEVICE.replace('"rudder"', '""'),
    "rig-yes.toml": DEVICE + 'motor = "yes"\n',
    "rig-control.toml": DEVICE + "control = 4\n",
    "rig-escape.toml": DEVICE.replace("rudder", "\\u001b[31m"),
    "rig-ring.toml": HEAD + '[[hub]]\nname = "a"\nfrom = "b"\n[[hub]]\nname = "b"\nfrom = "a"\n',
    "rig-loose.toml": DEVICE + 'on = "wing"\n',
    "rig-same.toml": DEVICE + '[[device]]\nname = "rudder"\nchannel = 3\n',
    "rig-motor.toml": DEVICE + '[[device]]\nname = "motor"\nchannel = 3\nmotor = true\n',
    "rig-sensor.toml": HEAD + '[[device]]\nname = "pack voltage"\nkind = "sensor"\n',
    # Drive programs.
    "idle.toml": "[limits]\nidle = 0\n" + PART,
    "drive-no-part.toml": 'name = "Heron"\n',
    "drive-one-part.toml": PART.replace("[[part]]", "[part]"),
    "drive-no-shape.toml": "[[part]]\nchannel = 1\n",
    "drive-sinus.toml": PART.replace("sine", "sinus"),
    "drive-no-period.toml": PART.replace("period = 1\n", ""),
    "drive-perod.toml": PART + "perod = 1\n",
    "drive-quoted.toml": PART.replace("period = 1", 'period = "1"'),
    "drive-comma.toml": PART.replace("period = 1", "period = 0,5"),
    "drive-channel-19.toml": PART.replace("channel = 1", "channel = 19"),
    "drive-channel-twice.toml": PART.replace("channel = 1", "channel = [1, 1]"),
    "drive-far.toml": PART + "low = -400\n",
    "drive-crossed.toml": PART + "low = 5\nhigh = -5\n",
    "drive-centre.toml": PART + "centre = 80\n",
    "drive-no-level.toml": '[[part]]\nchannel = 1\nshape = "hold"\nduration = 1\n',
    "drive-levels.toml": '[[part]]\nchannel = 1\nshape = "steps"\nperiod = 1\nlevels = 3\n',
    "drive-repeat.toml": "repeat = 0\n" + PART,
    "drive-end.toml": "end_byte = 5\n" + PART,
    "drive-locked.toml": PART + "[[channel]]\nnumber = 3\nlocked = true\n",
    "drive-locked-1.toml": PART + "[[channel]]\nnumber = 3\nlocked = 1\n",
    "drive-same.toml": PART + "[[channel]]\nnumber = 3\n[[channel]]\nnumber = 3\n",
    "drive-replay.toml": '[[part]]\nchannel = 1\nshape = "replay"\nrecording = "nothing.pcapng"\n',
    "drive-silent.toml": '[[part]]\nchannel = 1\nshape = "replay"\nrecording = "zeros.raw"\n',
    "drive-noiseless.toml": PART.replace("sine", "replay") + 'recording = "still.csv"\n',
    "drive-no-recording.toml": PART.replace("sine", "replay"),
    "drive-switch.toml": PART.replace("channel = 1", "channel = 17"),
    "drive-switch-level.toml": '[[part]]\nchannel = 17\nshape = "hold"\nduration = 1\nlevel = 50\n',
    "drive-channels.toml": PART.replace("channel = 1", "channel = []"),
    "drive-names.toml": "name = 7\n" + PART,
    "drive-half.toml": "repeat = 1.5\n" + PART,
    "drive-limits.toml": "limits = 3\n" + PART,
    "drive-limits-crossed.toml": PART + "[limits]\nlow = 80\nhigh = -80\n",
    "drive-limits-rest.toml": PART + "[limits]\nlow = 20\n",
    "drive-limits-far.toml": PART + "[limits]\nhigh = 200\n",
    "drive-limits-middle.toml": PART + "[limits]\nlow = -10\nhigh = 10\nrest = 50\n",
    "drive-steps.toml": '[[part]]\nchannel = 1\nshape = "steps"\nperiod = 1\nlevels = []\n',
    "drive-long.toml": "repeat = 1000000\n" + PART,
    "drive-deep.toml": "a = " + "[" * 5000,
    "drive-digits.toml": "repeat = " + "9" * 5000,
    "drive-large.toml": "#" * 1_000_001,
    # Answers of a walk.
    "walk-cut.json": '{"version": 1,',
    "walk-empty.json": '{"version": 1}',
    "walk-later.json": '{"version": 7}',
    "walk-lark.json": WALK % ("Lark", "true", ""),
    "walk-real.json": WALK % ("Heron", "false", ""),
    "walk-rig.json": WALK.replace('"%s"', "%s") % ("7", "true", ""),
    # Recordings.
    "parted.csv": "time,byte\n0,0012,0x0F\n0,0013,0x10\n",
    "still.csv": "time,byte\n" + "".join(f"0.{at:04},0x00\n" for at in range(50)),
    "head.csv": "time,value\n",
    "cut.csv": "Time [s],Channel 0\n0.0,1\n0.1,",
    "words.csv": "time,value\n" + "soon,0x0F\n" * 50,
    "head.vcd": "$timescale 1 ns $end\n$var wire 1 ! bus $end\n",
    "still.vcd": "$timescale 1 ns $end\n$var wire 1 ! bus $end\n$enddefinitions $end\n#0\n1!\n",
    "wide.vcd": "$timescale 1 ns $end\n$var wire 8 ! bus $end\n$enddefinitions $end\n#0\nb1 !\n",
    "scale.vcd": "$timescale soon $end\n$var wire 1 ! bus $end\n$enddefinitions $end\n#0\n1!\n",
    "broken.vcd": "$timescale 1 ns $end\n$var wire 1 ! bus $end\n$enddefinitions $end\n#soon\n1!\n",
}
BENCH = (CAPTURES / "heron-bench.pcapng").read_bytes()
FILES = {name: text.encode() for name, text in TEXTS.items()} | {
    "empty.pcapng": b"",
    "cut.pcapng": BENCH[:20],
    "head.pcapng": BENCH[:64],
    "garbage.bin": bytes(range(256)) * 40,
    "picture.png": b"\x89PNG\r\n\x1a\n" + bytes(100),
    "zeros.raw": bytes(5000),
    "rest.raw": pack_frames(np.full((400, 16), 992, np.uint16)).tobytes(),
    "line.vcd": (CAPTURES / "heron-line.vcd").read_bytes(),
    "usb.pcapng": linux_file(linux(START_US, FRAME), linux(START_US + 1, FRAME * 2, endpoint=0x83)),
    "usb-silent.pcapng": linux_file(),
    "packed.gz": b"\x1f\x8b" + bytes(100),
    "packed.zip": b"PK\x03\x04" + bytes(100),
    "old.pcap": b"\xd4\xc3\xb2\xa1" + bytes(100),
    "latin.toml": HEAD.encode().replace(b"Heron", b"H\xe9ron"),
}


def read_table() -> Iterator[tuple[str, str]]:
    """Words after `busbench` and the line that answers them, in the order of the file."""
    text = Path(__file__).with_name("errors.txt").read_text(encoding="utf-8")
    for entry in re.split(r"\n\n+", text.strip()):
        if entry.startswith("$ busbench "):
            words, line = entry.removeprefix("$ busbench ").split("\n")
            yield words, line


TABLE = list(read_table())
DENIED = "import os; from errno import EACCES\nreal = os.open\ndef refuse(path, *more):\n"
DENIED += "    if path == {path!r}: raise PermissionError(EACCES, 'Permission denied')\n    return real(path, *more)\n"
DENIED += "os.open = refuse\n"


def lock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let nothing be made in the folder "locked": a mode keeps all but the superuser out."""

    def guarded(real: Callable[..., object]) -> Callable[..., object]:
        def opened(path: object, *more: object, **named: object) -> object:
            if Path(str(path)).parent.name == "locked":
                raise PermissionError(errno.EACCES, "Permission denied", str(path))
            return real(path, *more, **named)

        return opened

    for module in (os, io):
        monkeypatch.setattr(module, "open", guarded(module.open))


@pytest.fixture
def ports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, str]]:
    """A port that another program has open, and one that nobody may open."""
    import fcntl

    from busbench.port import link

    master, slave = os.openpty()
    fcntl.flock(slave, fcntl.LOCK_EX)
    denied = "/dev/tty"
    monkeypatch.setattr(link, "_START", DENIED.format(path=denied) + link._START)
    yield {"{busy}": os.ttyname(slave), "{denied}": denied}
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize(("words", "line"), TABLE, ids=[words for words, _ in TABLE])
def test_one_line_and_exit_code_two(
    capfd: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
    words: str,
    line: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, content in FILES.items():
        Path(name).write_bytes(content)
    Path("locked").mkdir()
    if "full." in words:
        if not Path("/dev/full").exists():
            pytest.skip("outside tool missing: /dev/full, a full disk")
        for name in ("full.raw", "full.pcapng"):
            Path(name).symlink_to("/dev/full")
    lock(monkeypatch)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    known = {"{line}": str(CAPTURES / "heron-line.vcd"), "{captures}": str(CAPTURES)}
    if sys.platform == "win32" and any(word in words for word in ("{busy}", "{denied}", "--link")):
        pytest.skip("pseudo-terminals are POSIX")
    if "{busy}" in words or "{denied}" in words:
        known |= request.getfixturevalue("ports")
    for name, path in known.items():
        words, line = words.replace(name, path), line.replace(name, path)
    ran = call(capfd, *words.split())
    lines = ran.err.splitlines()
    assert (ran.code, ran.out, lines[-1:]) == (2, "", [one for one in lines if one.startswith("busbench: ")])
    assert len(lines) == 1 or "Before anything moves:" in lines, ran.err
    pattern = re.escape(f"busbench: {line}").replace(r"\*", ".*")
    assert re.fullmatch(pattern, lines[-1]), lines[-1]


def test_no_line_speaks_in_the_words_of_a_system() -> None:
    for _, line in TABLE:
        assert not re.search(r"Errno|Error\b|None|(?<!there )\b(is|are) no\b|[.!]$", line), line


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
