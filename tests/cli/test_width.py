"""What people read fits 80 columns where nobody says how wide the terminal is."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from busbench.cli.output import wrapped
from tests.cli.running import ROOT, call

README = (ROOT / "README.md").read_text(encoding="utf-8")
# Lines of the README whose standard output may be wider, and why.
EXCEPT = {
    r"--format (csv|json)|^busbench frames .*(slots\.csv|vcd)$": "for programs",
    r" -o | --to [a-z-]+\.": "writes a file",
    r"/dev/|socket://|^busbench (ports|simulate|watch|walk|record|rig new|completion)\b": "needs a port or a person",
    r"\b(glider\.toml|try\.pcapng|sweep\.pcapng|faults\.pcapng|rehearsed\.pcapng|outputs\.vcd)": "needs a line before",
    r"--report ": "writes a file",
    r"\||<|>": "more than one program",
}
LINES = [line.split("  #")[0] for line in re.findall(r"^\$ (busbench .*)", README, re.MULTILINE)]
TYPED = sorted({line for line in LINES if not any(re.search(pattern, line) for pattern in EXCEPT)})


@pytest.mark.parametrize("line", TYPED)
def test_a_line_of_the_readme_fits(
    line: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    out = call(capfd, *shlex.split(line)[1:]).out
    assert out
    assert [row for row in out.splitlines() if len(row) > 80] == []


def test_enough_lines_are_typed() -> None:
    assert len(TYPED) >= 10


def test_words_are_wrapped_and_paths_are_not() -> None:
    path = "/" + "long" * 30
    assert wrapped(f"  - see {path} for more", indent=2) == f"  - see\n    {path}\n    for more"
    assert wrapped("a " * 38 + '"left aileron"') == ("a " * 38).strip() + '\n"left aileron"'


def test_a_message_for_a_log_stays_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "outages", tmp_path / ("x" * 90))
    assert ran.err.startswith("busbench: ")
    assert ran.err.count("\n") == 1
