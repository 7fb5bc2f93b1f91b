"""Lines for people are broken between words; tests/test_readme.py holds all that is printed to 80 columns."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from busbench.analysis.line_probe import LineState, ProbeResult
from busbench.capture.frames import Span
from busbench.cli import compare, main, outages, outages_several, ports, probe
from busbench.cli.output import wrapped
from busbench.errors import BusbenchError
from busbench.port.adapters import Adapter, chip_of
from tests.cli.running import call


def test_words_are_wrapped_and_paths_are_not() -> None:
    path = "/" + "long" * 30
    assert wrapped(f"  - see {path} for more", indent=2) == f"  - see\n    {path}\n    for more"
    for indent in (0, 1, 2):
        assert wrapped(f"- see {path} for more", indent=indent) == f"- see\n  {path}\n  for more"
    assert wrapped(f"- see {path} for more", indent=3) == f"- see\n   {path}\n   for more"
    assert wrapped("a " * 38 + '"left aileron"') == ("a " * 38).strip() + '\n"left aileron"'


@pytest.mark.parametrize(
    ("columns", "width"), [(10, 20), (20, 20), (57, 57), (100, 100), (101, 100), (300, 100), (None, 80)]
)
def test_a_terminal_gives_the_width_between_20_and_100_columns(
    columns: int | None, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shutil.get_terminal_size", lambda _: os.terminal_size((columns or 0, 24)))
    stream: Any = SimpleNamespace(isatty=lambda: columns is not None)
    text = "of one left-" + "y" * (width - 12)
    assert wrapped(text, stream) == text
    assert wrapped(f"{text}z", stream) == f"of one\n{text[7:]}z"  # no break at the hyphen


def test_a_message_for_a_log_stays_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "outages", tmp_path / ("x" * 90))
    assert ran.err.startswith("busbench: ")
    assert ran.err.count("\n") == 1


def print_outages(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    found: Any = SimpleNamespace(
        frames=0, duration_s=None, period_s=None, start_utc=None, events=(), summary={"gap": SimpleNamespace(
            count=0, frames=0, total_s=None, longest_s=None)}, missed_ratio=None, between_marks=(),
    )  # fmt: skip
    monkeypatch.setattr(outages, "_notes", lambda *_: [text])
    outages._print_table(found, Span(), show_all=False)


def print_several(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busbench.analysis.several.sentences", lambda _: [text])
    together = SimpleNamespace(overlaps=(), start_s=0.0, end_s=1.0)
    found: Any = SimpleNamespace(sources=(), coincidence=together)
    outages_several._print_table(found, show_all=False)


def print_comparison(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busbench.analysis.comparison_text.sentences", lambda _: [text])
    monkeypatch.setattr("busbench.analysis.comparison_text.to_list", lambda _: ())
    found: Any = SimpleNamespace(figures=())
    compare._print_table(found, show_all=False, is_ascii=False)


@pytest.mark.parametrize(
    ("show", "width", "indent"), [(print_outages, 80, 6), (print_several, 76, 2), (print_comparison, 80, 2)]
)
def test_a_sentence_below_a_table_fills_its_line_and_goes_on_below(
    show: Callable[[str, pytest.MonkeyPatch], None],
    width: int,
    indent: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = "of one " * 8
    text = words + "x" * (width - len(words))
    show(text, monkeypatch)
    assert capsys.readouterr().out.splitlines()[-1] == text
    show(f"{text}x", monkeypatch)
    assert capsys.readouterr().out.splitlines()[-2:] == [words.rstrip(), f"{' ' * indent}{text[len(words) :]}x"]


def test_the_details_of_an_error_come_first_and_those_of_a_list_go_on_below_it(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    error = BusbenchError("the plan has a fault", hint="mend it")
    error.details = ("fault: rudder: has no failsafe value", "  without a link it stays where it was last")

    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("busbench.cli.output.WIDTH", 30)
    monkeypatch.setattr(main.cli, "invoke", fail)
    ran = call(capfd, "ports")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.splitlines() == [
        "fault: rudder: has no failsafe",
        "value",
        "  without a link it stays",
        "    where it was last",
        "busbench: the plan has a fault: mend it",
    ]


def test_what_is_said_of_a_port_goes_on_below_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("busbench.cli.output.WIDTH", 36)
    chip = chip_of(0x0403, 0x6001)
    ports.show([Adapter("/dev/ttyHERON", "bench of the Heron", chip, 16, ("set its latency to 1 ms",))], "table")
    assert capsys.readouterr().out.splitlines()[2:] == [
        "/dev/ttyHERON: calls itself bench of",
        "  the Heron",
        "/dev/ttyHERON: set its latency to 1",
        "  ms",
    ]
    line = next(state for state in LineState if state is not LineState.FRAMES)
    advice = "swap the leads, and probe it once more"
    probe.show(ProbeResult(line, "noise", advice, 2500, 3, sample=b"\x0f\xe0", judged=1000), "table")
    assert capsys.readouterr().out.splitlines() == [
        "noise",
        "what to do: swap the leads, and",
        "  probe it once more",
        "judged by the first 1,000 of 2,500",
        "  bytes",
        "2,500 bytes, 3 of them marked as",
        "  damaged, the first: 0F E0",
    ]
