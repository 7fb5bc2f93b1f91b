"""Programs that listen for days give large freed memory back to the system; others keep it, which is faster."""

from __future__ import annotations

import platform
import subprocess
import sys
from pathlib import Path

import pytest

from busbench.capture.base import ReadOptions
from busbench.cli import follow, main, record, watch

CAPTURE = str(Path(__file__).parents[2] / "captures" / "heron-tty.pcapng")

_FREED = """
import ctypes, sys
import numpy as np
from busbench.cli.live import give_back_what_is_freed
class Heap(ctypes.Structure):
    _fields_ = [(name, ctypes.c_size_t) for name in "arena ordblks smblks hblks hblkhd b c d e f".split()]
libc = ctypes.CDLL(None)
libc.mallinfo2.restype = Heap
if sys.argv[1] == "given back":
    give_back_what_is_freed()
np.empty(24 << 20, np.uint8)
before = libc.mallinfo2().hblkhd
held = np.empty(1 << 20, np.uint8)
print(libc.mallinfo2().hblkhd - before >= 1 << 20)
"""


@pytest.mark.skipif(sys.platform != "linux" or platform.libc_ver()[0] != "glibc", reason="a matter of glibc alone")
@pytest.mark.parametrize(("how", "said"), [("given back", "True"), ("as it comes", "False")])
def test_a_large_piece_is_given_back_though_larger_ones_were_freed(how: str, said: str) -> None:
    run = [sys.executable, "-c", _FREED, how]
    assert subprocess.run(run, capture_output=True, text=True, check=True).stdout.strip() == said


@pytest.mark.parametrize(
    ("words", "times"),
    [
        (["record", "virtual:?duration=0.05s", "-o", "short.pcapng"], 1),
        (["frames", "virtual:?duration=0.05s"], 1),
        (["watch", "virtual:"], 1),
        (["watch", CAPTURE], 0),
        (["frames", CAPTURE], 0),
    ],
)
def test_live_sources_alone_ask_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], times: int
) -> None:
    monkeypatch.chdir(tmp_path)
    asked: list[str] = []
    for module in (record, follow, watch):
        monkeypatch.setattr(module, "give_back_what_is_freed", lambda: asked.append("asked"))
    if words[0] == "watch":  # without a terminal
        watch._open(words[1], ReadOptions()).close()
    else:
        assert main.run(words) == 0
    assert len(asked) == times
