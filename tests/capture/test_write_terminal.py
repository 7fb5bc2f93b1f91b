"""Frames reach a terminal or serial port through an armed drive alone, whatever the name of an output."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import tty

from busbench.cli.main import run
from tests.cli.running import CAPTURES


@pytest.fixture
def port() -> Iterator[tuple[int, str]]:
    far, near = os.openpty()
    tty.setraw(near)
    yield far, os.ttyname(near)
    os.close(near)
    os.close(far)


@pytest.mark.parametrize("suffix", [".raw", ".bin", ".csv", ".vcd", ".pcapng"])
@pytest.mark.parametrize("force", [[], ["--force"]], ids=["", "force"])
@pytest.mark.parametrize("command", ["convert", "drive", "pulses"])
def test_a_link_to_a_port_is_no_file(
    port: tuple[int, str], tmp_path: Path, suffix: str, force: list[str], command: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    far, name = port
    link = tmp_path / f"output{suffix}"
    link.symlink_to(name)
    sweep = ["drive", "sweep", "--channel", "1", "--period", "4", "--to", str(link)]
    words = {
        "convert": ["convert", str(CAPTURES / "heron-bench.pcapng"), "-o", str(link)],
        "drive": sweep,
        "pulses": [*sweep, "--pulses", "1"],
    }[command]
    assert run([*words, *force]) == 2
    assert not select.select([far], [], [], 0.05)[0]
    why = {"convert": "is a terminal or a serial port", "drive": "nothing was sent", "pulses": "works with a file only"}
    assert why[command] in capsys.readouterr().err


def test_a_device_that_takes_everything_is_no_port(tmp_path: Path) -> None:
    link = tmp_path / "output.raw"
    link.symlink_to(os.devnull)
    assert run(["convert", str(CAPTURES / "heron-bench.pcapng"), "-o", str(link), "--force"]) == 0
