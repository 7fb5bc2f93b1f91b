"""Words out of files that would steer a terminal or a page: none comes out as it went in."""

from __future__ import annotations

import html.parser
import json
import re
import struct
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import fuzz_seeds as fs
import numpy as np
import pytest

from busbench.capture.base import ReadOptions
from busbench.errors import sanitize
from busbench.rig.load import read_rig
from busbench.rig.sheet import sheet_html
from busbench.tui.opening import open_session
from busbench.tui.replay import ReplaySession
from tests.cli.running import CAPTURES, call
from tests.tui.screens import shown, text_of

# Colour, a link, the clipboard, C1 codes, text turned round, a line end of Unicode; markup of screens and of pages.
CODES = "\x1b[31m\x1b]8;;x\x07\x1b]52;c;eA==\x07\x9b31m\x90\u202e\u2066\u2028\u200f\ufeff\x7f"
MARKUP = "[bold red]x[@click=app.quit]<script>alert(1)<b onclick='y'>&\"{{7*7}}{%"
HOSTILE = CODES + MARKUP
TOML = MARKUP.replace('"', '\\"')
NAME = HOSTILE if sys.platform != "win32" else "[bold red]x"  # of a file

COMMANDS = ("outages", "timing", "channels", "frames --format table", "outages --format json", "timing --format json")


def option(code: int, text: str) -> bytes:
    return fs._option(code, text.encode())


def pcapng() -> bytes:
    """Every option that can hold words holds hostile ones."""
    words = b"".join(option(code, HOSTILE) for code in (1, 2, 3, 4))
    section = fs.block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1) + words + bytes(4))
    names = b"".join(option(code, HOSTILE) for code in (1, 2, 3, 11, 12, 15)) + fs._option(9, b"\x09") + bytes(4)
    interface = fs.block(1, struct.pack("<HHI", 147, 0, 0) + names)
    other = fs.block(1, struct.pack("<HHI", 1, 0, 0) + names)
    marks = option(1, HOSTILE) + option(1, "mark=" + HOSTILE) + bytes(4)
    packets = b"".join(
        fs._packet(n * 15_000_000, fs.frame(1) if n % 50 else b"junk", marks if n % 50 == 0 else b"")
        for n in range(200)
    )
    return section + interface + other + packets


def byte_csv() -> bytes:
    rows = [f"{n * 0.00012 + n // 25 * 0.012:.6f},0x{byte:02X},\n" for n, byte in enumerate(fs.frame(1) * 8)]
    rows[60] = f"{HOSTILE.replace(',', ' ')},nothing,\n"
    return (f"time {HOSTILE},byte {HOSTILE},{HOSTILE}\n" + "".join(rows)).replace("\u2028", " ").encode()


def levels() -> tuple[list[int], list[int]]:
    from busbench.wire.uart import encode_line

    starts = np.arange(8 * 25) * 120_000 + np.arange(8).repeat(25) * 12_000_000
    edges = encode_line(fs.frame(1) * 8, starts + 1_000_000)
    return edges.t_ns.tolist(), edges.level.tolist()


def vcd() -> bytes:
    name = re.sub(r"\s", "", HOSTILE)
    head = f"$comment {HOSTILE} $end $timescale 1 ns $end $scope module {name} $end "
    head += f"$var wire 1 ! {name} $end $var wire 1 ? {name}2 $end $enddefinitions $end\n#0\n0!\n0?\n"
    return (head + "".join(f"#{t}\n{level}!\n" for t, level in zip(*levels(), strict=True))).encode() + b"\x1b[7m"


def level_csv() -> bytes:
    name = HOSTILE.replace(",", " ").replace('"', "")
    rows = [f"{t / 1e9:.9f},{level},0\n" for t, level in zip(*levels(), strict=True)]
    return (f"time {name},{name},{name}2\n0,0,0\n" + "".join(rows[:90]) + f"{name}\n" + "".join(rows[90:])).encode()


RECORDINGS: dict[str, Callable[[], bytes]] = {
    ".pcapng": pcapng,
    ".csv": byte_csv,
    ".vcd": vcd,
    ".levels": level_csv,
    ".txt": lambda: HOSTILE.encode() * 9,
}


def hostile_rig() -> str:
    """The shipped plan, every name in it hostile."""
    text = (CAPTURES / "heron.toml").read_text(encoding="utf-8")
    for name in sorted(
        set(re.findall(r'(?:name|from|group|hub) = "([^"]+)"', text)) - {"receiver"}, key=len, reverse=True
    ):
        short = TOML[:30] + name[:3] + name[-5:]
        text = text.replace(f'"{name}"', f'"{short}"')
    return text


def is_safe(text: str) -> None:
    raw = {c for c in text if not c.isprintable() and c != "\n"}
    assert not raw, f"{raw} in {text[:200]!r}"


def run(capfd: pytest.CaptureFixture[str], *words: str | Path) -> str:
    ran = call(capfd, *words)
    assert ran.code in (0, 1, 2)
    assert "Traceback" not in ran.err
    is_safe(ran.out)
    is_safe(ran.err)
    return ran.out + ran.err


@pytest.mark.parametrize("suffix", RECORDINGS)
def test_commands_on_a_recording_full_of_hostile_words(
    suffix: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / (NAME.replace("/", "") + suffix)
    path.write_bytes(RECORDINGS[suffix]())
    said = "".join(run(capfd, *command.split(), path) for command in COMMANDS)
    said += run(capfd, "pulses", path)
    said += run(capfd, "frames", path, "--interface", HOSTILE, "--signal", HOSTILE)
    said += run(capfd, "convert", path, "-o", tmp_path / f"{suffix[1:]}.pcapng")
    said += run(capfd, "convert", path, "-o", path)
    said += run(capfd, "verify", path, "--rig", path)
    # The words came through, made harmless; a file of no known format shows its name alone.
    assert ("\\x1b[31m" in said) == (suffix != ".txt" or NAME == HOSTILE)


@pytest.mark.parametrize("command", ["outages", "timing", "channels", "frames", "probe", "drive", "rig check", "walk"])
def test_what_is_typed_is_no_code_either(command: str, capfd: pytest.CaptureFixture[str]) -> None:
    run(capfd, *command.split(), HOSTILE)
    run(capfd, *command.split(), HOSTILE + "/x", f"--{HOSTILE}")


def test_a_plan_of_hostile_names(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    rig = tmp_path / (NAME.replace("/", "") + ".toml")
    rig.write_text(hostile_rig(), encoding="utf-8")
    said = "".join(run(capfd, "rig", command, rig) for command in ("check", "power", "sheet"))
    assert "[bold red]x[@click=app.quit]" in said
    run(capfd, "rig", "power", rig, "--svg", tmp_path / "harness.svg")
    harmless_xml((tmp_path / "harness.svg").read_text(encoding="utf-8"))
    harmless_page(sheet_html(read_rig(rig)))


@pytest.mark.parametrize(
    "where", ['[rig]\nname = "{}"', '["{}"]\na = 1', '[rig]\n"{}" = "{}"', '[[device]]\nname = "{}"']
)
def test_control_characters_in_a_plan_are_refused(
    where: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    code = "".join(f"\\u{ord(c):04x}" for c in CODES)
    rig = tmp_path / "hostile.toml"
    rig.write_text(where.replace("{}", code + TOML), encoding="utf-8")
    for words in (("rig", "check", rig), ("drive", rig, "--preview")):
        assert call(capfd, *words).code == 2
        run(capfd, *words)


def test_a_program_of_hostile_words(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    part = '[[part]]\nchannel = 1\nshape = "sine"\nperiod = 1\n'
    program = tmp_path / (NAME.replace("/", "") + ".toml")
    program.write_text(f'name = "{TOML}"\n{part}[[channel]]\nnumber = 1\nname = "{TOML}"\n', encoding="utf-8")
    assert "[bold red]x" in run(capfd, "drive", program, "--preview")
    program.write_text(f'{part}"{TOML}" = "{TOML}"\n', encoding="utf-8")
    run(capfd, "drive", program, "--preview")


def test_the_page_and_the_xml_of_a_check(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    source, rig = tmp_path / f"{NAME.replace('/', '')}.pcapng", tmp_path / "rig.toml"
    source.write_bytes(pcapng())
    rig.write_text(hostile_rig(), encoding="utf-8")
    run(capfd, "verify", source, "--rig", rig, "--report", tmp_path / "page.html", "--junit", tmp_path / "checks.xml")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    harmless_page(page)
    assert "[bold red]x" in page
    is_safe((tmp_path / "checks.xml").read_text(encoding="utf-8"))
    ET.parse(tmp_path / "checks.xml")


class Page(html.parser.HTMLParser):
    """Tags and attributes of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if (tag, attrs[:1]) != ("script", [("type", "application/json")]):  # figures as data, which no browser runs
            self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}


def harmless_page(text: str) -> None:
    is_safe(text)
    page = Page(text)
    assert "script" not in page.tags
    assert not [name for name in page.attributes if name.startswith("on")]
    assert "&lt;script" in text or "&lt;scr" in text or "[bold red]" in text


def harmless_xml(text: str) -> None:
    is_safe(text)
    assert not [one.tag for one in ET.fromstring(text).iter() if "script" in str(one.tag)]


async def test_the_screens_show_the_words_and_do_not_obey_them(tmp_path: Path) -> None:
    source, rig = tmp_path / f"{NAME.replace('/', '')}.pcapng", tmp_path / "rig.toml"
    source.write_bytes(pcapng())
    rig.write_text(hostile_rig(), encoding="utf-8")
    session = open_session(str(source), options=ReadOptions(), rig=read_rig(rig))
    assert isinstance(session, ReplaySession)
    session.load()
    seen = ""
    async with shown(session, (120, 40), rig=rig) as (app, pilot):
        for key in "12345678":
            await pilot.press(key)
            app.draw()
            await pilot.pause()
            text = text_of(app)
            is_safe(text)
            seen += text
    assert "[bold red]x" in seen


def test_made_safe_once_is_made_safe() -> None:
    once = sanitize(HOSTILE)
    assert sanitize(once) == once
    is_safe(once)
    assert sanitize(HOSTILE.encode()) == once
    assert sanitize(b"\xff\xed\xa0\x80") == "\\xff\\xed\\xa0\\x80"
    assert sanitize("a\x1bb" * 20, most=8) == "a\\x1bba…"
    assert json.loads(json.dumps(once)) == once
