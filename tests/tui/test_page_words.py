"""The command that writes the same page, the page that is written, and the table of what was judged."""

from __future__ import annotations

import shlex
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from busbench.bench.check_session import CheckSession
from busbench.capture.base import ReadOptions
from busbench.capture.open import open_capture
from busbench.errors import BusbenchError
from busbench.line import LineSettings
from busbench.rig.load import read_rig
from busbench.tui.replay import ReplaySession
from busbench.tui.verdicts import Filter, VerdictTable
from busbench.tui.verifying import RecordedCheck, command_words, write_page
from busbench.tui.widgets.verdicts import detail_lines, filter_words, no_moment
from busbench.verify.result import Check, Verdict
from tests.cli.running import CAPTURES
from tests.tui.ports import Live

RIG = CAPTURES / "heron.toml"
ROUND = CAPTURES / "heron-round-faulty.pcapng"
F, N, P = Verdict.FAIL, Verdict.NOT_TESTED, Verdict.PASS


def checked(options: ReadOptions) -> tuple[RecordedCheck, ReplaySession]:
    session = ReplaySession(open_capture(str(ROUND)), options=options)
    return RecordedCheck(session, read_rig(RIG), rig_path="heron.toml"), session


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (ReadOptions(), []),
        (ReadOptions(interface="1"), ["--interface", "1"]),
        (ReadOptions(usb_device="2", signal="D0"), ["--usb-device", "2", "--signal", "D0"]),
        (
            ReadOptions(line=LineSettings(baud=9600, parity="N", stop_bits=1)),
            ["--baud", "9600", "--parity", "N", "--stop-bits", "1"],
        ),
    ],
)
def test_the_command_has_the_options_of_the_recording(
    options: ReadOptions, words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    work, session = checked(options)
    page = str(ROUND.with_suffix(".html"))
    wanted = ["busbench", "verify", str(ROUND), "--rig", "a rig.toml", *words, "--report", page]
    assert shlex.split(command_words(work, session, rig_path="a rig.toml")) == wanted
    monkeypatch.setattr("sys.platform", "win32")
    assert '"a rig.toml"' in command_words(work, session, rig_path="a rig.toml")
    assert command_words(work, session, rig_path="") == ""
    session._capture.info.path = "-"
    assert command_words(work, session, rig_path="heron.toml") == ""
    session.close()


def test_the_command_of_a_guided_check_names_its_recording(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    live = Live("virtual:?period=15ms&pilot=still")
    work = CheckSession(live.session.receiver, read_rig(RIG))
    assert command_words(work, live.session, rig_path="heron.toml") == ""
    with pytest.raises(BusbenchError, match="there is no page before the end"):
        write_page(work, "a.html", source="virtual:", rig_path="heron.toml")
    work.start("round.pcapng")
    Path("round.html").touch()
    words = command_words(work, live.session, rig_path="heron.toml")
    assert shlex.split(words)[-2:] == ["--report", "round-2.html"]
    work.close()


def test_what_a_recording_cannot_be_checked_for_is_said(tmp_path: Path) -> None:
    work, session = checked(ReadOptions())
    session._capture.info.path = "-"
    work.work()
    assert (work.done, work.error) == (None, "standard input: cannot be read a second time: keep it in a file first")
    with pytest.raises(BusbenchError, match="there is no page before the end"):
        write_page(work, str(tmp_path / "a.html"), source="x", rig_path="heron.toml")
    session.close()


def test_a_page_is_html(tmp_path: Path) -> None:
    work, session = checked(ReadOptions())
    work.work()
    with pytest.raises(BusbenchError, match="HTML"):
        write_page(work, str(tmp_path / "page.txt"), source=str(ROUND), rig_path="heron.toml")
    said = write_page(work, str(tmp_path / "page.html"), source=str(ROUND), rig_path="heron.toml")
    assert said == f"wrote {tmp_path / 'page.html'} (page to print and sign)"
    session.close()


def check_of(subject: str, name: str, verdict: Verdict, *, channel: int | None = None, part: str = "channel") -> Check:
    return Check(part, subject, name, verdict, f"{name} of {subject}", channel=channel)  # type: ignore[arg-type]


def test_of_two_checks_in_one_cell_the_worse_is_shown() -> None:
    for verdicts, kept in (((P, N, F), 2), ((F, N, P), 0), ((N, P, N), 0), ((P, P, N), 2), ((P, P), 0)):
        checks = [check_of("channel 1", "low end", verdict, channel=1) for verdict in verdicts]
        table = VerdictTable(checks)
        assert (table.rows, table.columns) == (["channel 1"], ["low end"])
        assert table.chosen is checks[kept], verdicts


def test_moves_end_at_the_ends_of_rows_and_columns() -> None:
    checks = [
        check_of(f"channel {row}", f"check {column}", F, channel=row)
        for row, column in ((1, 1), (1, 2), (1, 4), (2, 3), (3, 1), (3, 4))
    ]
    table = VerdictTable(checks, Filter.FAILED)
    names = []
    for move in ((0, -1), (0, 1), (0, 1), (0, 9), (1, 0), (0, 1), (1, 0), (9, 0), (0, -9), (-1, 0), (-9, 0), (1, -1)):
        table.move(*move)
        chosen = table.chosen
        assert chosen is not None
        names.append(f"{chosen.subject[-1]}{chosen.name[-1]}")
    assert names == ["11", "12", "14", "14", "23", "23", "34", "34", "31", "23", "14", "23"]


def test_rows_are_a_table_where_half_of_their_cells_are_filled() -> None:
    def dense(*places: tuple[int, int]) -> set[int]:
        checks = [check_of(f"channel {row}", f"check {column}", F, channel=row) for row, column in places]
        return VerdictTable([check_of("line", "line", P, part="line"), *checks]).dense_rows()

    assert dense((1, 1), (2, 1)) == {1, 2}
    assert dense((1, 1), (2, 2)) == {1, 2}  # two of four
    assert dense((1, 1), (2, 2), (3, 3)) == set()  # three of nine
    assert dense((1, 1)) == set()  # one row is none
    walk = [check_of(name, "right way", F, part="walk") for name in ("rudder", "gear")]
    assert VerdictTable(walk).dense_rows() == {0, 1}
    assert (
        VerdictTable(
            [check_of("line", "a", P, part="line"), check_of("failsafe", "a", P, part="failsafe")]
        ).dense_rows()
        == set()
    )


@pytest.mark.parametrize(
    ("filtered", "verdict", "lets"),
    [
        *((Filter.FAILED, verdict, verdict is F) for verdict in (F, N, P)),
        *((Filter.OPEN, verdict, verdict is not P) for verdict in (F, N, P)),
        *((Filter.ALL, verdict, True) for verdict in (F, N, P)),
    ],
)
def test_what_a_filter_lets_through(filtered: Filter, verdict: Verdict, lets: bool) -> None:
    assert filtered.lets(verdict) is lets


def test_a_check_in_words_takes_four_lines_at_most_and_says_where_it_is_seen() -> None:
    long = Check("line", "line", "glitches", F, "word " * 60)
    lines = detail_lines(long, "0:12", 60)
    assert len(lines) == 5
    assert lines[0][0] == (" FAIL       ", "bad")
    assert lines[-1] == [(f"{'':13}Enter shows it at 0:12", "here")]
    assert detail_lines(long, "", 60)[-1] == [(f"{'':13}{no_moment(long)}", "dim")]
    assert detail_lines(None, "0:12", 60) == []
    table = VerdictTable(
        [check_of("channel 1", "low end", F, channel=1), check_of("channel 1", "high end", P, channel=1)]
    )
    assert filter_words(table) == "all 2 checks"
    table.next_filter()
    assert filter_words(table) == "failed: 1 of 2 checks (f shows more)"


def test_a_page_has_the_checksum_of_a_recording_that_is_still_there(tmp_path: Path) -> None:
    pages: list[dict[str, object]] = []

    def page(**names: object) -> str:
        pages.append(names)
        return "<p>a page</p>"

    work: Any = SimpleNamespace(done=SimpleNamespace(answers=None, page=page))
    there, gone = tmp_path / "there.pcapng", tmp_path / "gone.pcapng"
    there.touch()
    for source in (there, gone):
        path = tmp_path / f"{source.stem}.html"
        said = write_page(work, str(path), source=str(source), rig_path="heron.toml")
        assert said == f"wrote {path} (page to print and sign)"
        assert path.read_text(encoding="utf-8") == "<p>a page</p>"
    named = {"rig_path": "heron.toml"}
    assert pages == [
        {"source": str(there), "recording_path": str(there), **named},
        {"source": str(gone), "recording_path": None, **named},
    ]
