"""The terminal UI in a real terminal: it starts, takes another size, ends, and leaves all as it was."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from tests.cli.running import CAPTURES, spawn

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are not there on Windows", allow_module_level=True)

from tests.port.ends import Far
from tests.tui.ports import frames
from tests.tui.terminal import Terminal


def test_it_starts_resizes_and_leaves_the_terminal_as_it_was() -> None:
    with Terminal("watch", "virtual:?period=7ms", COLUMNS="80", LINES="24") as terminal:
        terminal.see("18 ", "in sync", "q quit")
        terminal.resize(120, 40)
        terminal.see("ctrl+p menu  ? help  q quit", line=39)
        terminal.press("q")
        assert terminal.wait() == 0
        assert terminal.is_restored


def test_a_recording_is_played_and_searched() -> None:
    with Terminal("watch", str(CAPTURES / "heron-flight.pcapng"), "--rig", str(CAPTURES / "heron.toml")) as terminal:
        terminal.see("290 missed of 5,334 due", "left aileron")
        terminal.press("3nnn")
        terminal.see("channels across outage 3 (lost)")
        terminal.press("\x03")
        assert terminal.wait() == 0
        assert terminal.is_restored


def test_leaving_while_it_records_says_what_was_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with Terminal("watch", "virtual:?period=7ms") as terminal:
        terminal.see("in sync")
        terminal.press("r")
        terminal.see("REC")
        terminal.press("q")
        terminal.see("y: leave")
        terminal.press("y")
        assert terminal.wait() == 0
        assert terminal.is_restored
        (path,) = tmp_path.glob("bench-*.pcapng")
        behind = terminal.raw[terminal.raw.rfind(b"\x1b[?1049l") :].decode()
        assert re.search(rf"busbench: wrote {re.escape(path.name)} \([\d,]+ frames?\)\r\n", behind)


def test_a_port_that_vanishes_and_comes_back(tmp_path: Path) -> None:
    far = Far(tmp_path / "ttyHeron")
    with Terminal("watch", str(tmp_path / "ttyHeron")) as terminal:
        terminal.see("silent")
        terminal.see_while("in sync", lambda: far.write(frames([992] * 4)))
        far.unplug()
        terminal.see("unplugged")
        far = Far(tmp_path / "ttyHeron")
        terminal.see_while("in sync", lambda: far.write(frames([992] * 4)))
        far.unplug()
        terminal.see("unplugged")
        terminal.press("q")
        assert terminal.wait() == 0
        assert terminal.is_restored


def test_a_port_that_gives_noise_alone(tmp_path: Path) -> None:
    far = Far(tmp_path / "ttyNoise")
    noise = bytes(range(16, 116))
    with Terminal("watch", str(tmp_path / "ttyNoise")) as terminal:
        terminal.see_while("out of sync", lambda: far.write(noise))
        terminal.press("q")
        assert terminal.wait() == 0
    far.unplug()


def test_no_colour_is_sent_where_none_is_wanted() -> None:
    with Terminal("watch", str(CAPTURES / "heron-flight.pcapng"), "--ascii", NO_COLOR="1") as terminal:
        terminal.see("290 missed of 5,334 due")
        terminal.press("4")
        terminal.see("LINK AT")
        terminal.press("q")
        assert terminal.wait() == 0
        colours = [code for code in (b"[38;", b"[48;", b";38;", b";48;", b"[31m", b"[32m") if code in terminal.raw]
        assert colours == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("virtual:?peroid=7ms",), '"peroid" is not a setting'),
        (("nowhere.pcapng",), "file not found"),
        (("virtual:", "--rig", "no.toml"), "no.toml"),
    ],
)
def test_what_cannot_be_opened_is_said_without_a_screen(words: tuple[str, ...], said: str) -> None:
    with Terminal("watch", *words, size=(160, 24)) as terminal:
        assert terminal.wait() == 2
        assert said in "\n".join(terminal.screen.display)
        assert b"\x1b[?1049h" not in terminal.raw
        assert "Traceback" not in "\n".join(terminal.screen.display)


def test_a_terminal_without_screens_is_refused() -> None:
    with Terminal("watch", "virtual:", TERM="dumb", size=(160, 24)) as terminal:
        assert terminal.wait() == 2
        words = " ".join(" ".join(terminal.screen.display).split())
        assert "`busbench outages`, `timing` or `channels`" in words


def test_a_pipe_is_refused() -> None:
    ran = spawn("watch", "virtual:")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("busbench: watch: standard input or error is not a terminal: use `busbench outages`")


def test_bytes_that_are_no_text_are_keys_like_others() -> None:
    with Terminal("watch", "virtual:?period=7ms", COLUMNS="80", LINES="24") as terminal:
        terminal.see("in sync")
        terminal.press(b"\xff\xfe\xc3(")
        terminal.press("3")
        terminal.see("3 Outages")
        terminal.press("q")
        assert terminal.wait() == 0
        assert terminal.is_restored
        assert b"Traceback" not in terminal.raw


def test_a_window_of_one_cell_and_back() -> None:
    with Terminal("watch", str(CAPTURES / "heron-flight.pcapng"), "--rig", str(CAPTURES / "heron.toml")) as terminal:
        terminal.see("of 5,334 due")
        for _ in range(2):  # the last size counts, as fast as they follow one another
            for columns, lines in ((1, 1), (80, 1), (1, 24), (2, 2)):
                terminal.resize(columns, lines)
                terminal.press("2345")
            terminal.resize(80, 24)
            terminal.press("1")
            terminal.see("left aileron")
        terminal.press("q")
        assert terminal.wait() == 0
        assert terminal.is_restored
        assert b"Traceback" not in terminal.raw
