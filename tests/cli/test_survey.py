"""`survey` as it is typed: the ranking, one unit over time, pages, and what an interruption leaves."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import html5lib
import pytest
import season

from busbench.analysis.ranking import Ranked
from busbench.bench import survey as surveys
from busbench.cli.survey import bar, command
from busbench.errors import BusbenchError
from busbench.report.page_data import figures_of
from busbench.report.survey_page import digits
from tests.cli.running import CAPTURES, ROOT, call, refusal_of
from tests.port.ends import wait_for

NAMES = [CAPTURES / name for name in ("heron-pair.pcapng", "heron-line.vcd", "heron-noisy.raw")]
RANKING = """\
recording              missed, %  at least  at most  0.001 … 100 %
heron-pair.pcapng [0]        3.2       1.3      7.4          ─●─
heron-pair.pcapng [1]        2.2      0.85      5.4         ─●─
heron-line.vcd                 0         0      2.7  ◄────────
heron-noisy.raw              1.7         -        -

at least, at most: two-sided 95 % confidence limits
4 serial lines, 3 with missed frames; 1 file could not be read
nothing.raw: file is empty: was the recording ended before a byte came?
"""


@pytest.fixture(scope="module")
def heron(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve recordings of a unit in eleven weeks, each with more frames missed than the one before."""
    folder = tmp_path_factory.mktemp("heron")
    for week, start_s in enumerate((0, 13, 3, 9, 11, 29, 28, 18, 20, 40, 37, 65)):
        path = folder / f"{week:02}.pcapng"
        season.write_piece(
            path, CAPTURES / "heron-flight.pcapng", start_s=start_s, seconds=4, unit="left wing", day=7 * week
        )
    return folder


def test_the_ranking_is_printed_with_what_could_not_be_read(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for path in NAMES:
        Path(path.name).symlink_to(path)
    Path("nothing.raw").touch()
    ran = call(capfd, "survey", *(path.name for path in NAMES), "nothing.raw")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines() == [line.rstrip() for line in RANKING.splitlines()]
    plain = call(capfd, "survey", "heron-pair.pcapng", "--ascii").out.splitlines()
    assert plain[1].split()[-1] == "-o-"
    found = json.loads(call(capfd, "survey", "heron-pair.pcapng", "nothing.raw", "--format", "json").out)
    assert [(one["path"], one["interface"], one["unit"], one["missed"]) for one in found["ranking"]] == [
        ("heron-pair.pcapng", "0", "left", 138), ("heron-pair.pcapng", "1", "right", 96),
    ]  # fmt: skip
    assert found["errors"] == [
        {"path": "nothing.raw", "error": "file is empty: was the recording ended before a byte came?"}
    ]
    rows = call(capfd, "survey", "heron-line.vcd", "--format", "csv").out.splitlines()
    assert rows[0] == "path,interface,unit,start_utc,missed,expected,missed_ratio,bursts,ratio_low,ratio_high"
    assert rows[1].startswith("heron-line.vcd,,,,0,134,0.0,0,0.0,0.02715")


def test_a_recording_without_a_good_frame_is_on_top_and_counted(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, option in (("inverted.pcapng", "inverted=on"), ("off.pcapng", "frames=off")):
        call(capfd, "record", f"virtual:?speed=max&duration=2s&{option}", "-o", name)
    page = tmp_path / "page.html"
    lines = call(capfd, "survey", NAMES[0], "inverted.pcapng", "off.pcapng", "--page", page).out.splitlines()
    assert [line.split()[0] for line in lines[1:3]] == ["inverted.pcapng", "off.pcapng"]
    assert [line.split()[1:] for line in lines[1:3]] == [
        ["100", "-", "-", "no", "good", "frame"], ["-", "-", "-", "no", "good", "frame"],
    ]  # fmt: skip
    assert lines[-1] == "4 serial lines, 3 with missed frames, 2 without a good frame"
    drawn = page.read_text(encoding="utf-8")
    assert drawn.count(">no good frame<") == 2
    assert "2 without a good frame." in drawn


def test_a_long_ranking_shows_the_worst(capfd: pytest.CaptureFixture[str], heron: Path) -> None:
    for paths in ([heron], [heron, CAPTURES / "heron-pair.pcapng"] * 2):  # each recording once
        ran = call(capfd, "survey", *paths)
        assert ran.out.count(".pcapng") == 12 + 2 * (len(paths) > 1)


def test_a_table_is_ranked_again_without_its_recordings(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    table = tmp_path / "table.parquet"
    made = call(capfd, "survey", *NAMES, "-o", table)
    assert made.err == f"busbench: wrote {table} (3 recordings)\n"
    assert call(capfd, "survey", table).out == made.out
    again = call(capfd, "survey", *NAMES, "-o", table)
    assert (again.code, again.err) == (
        2, f"busbench: {table}: file exists already: choose another name, or write over it with --force\n"
    )  # fmt: skip
    assert call(capfd, "survey", NAMES[1], "-o", table, "--force").code == 0


def test_one_unit_over_time(capfd: pytest.CaptureFixture[str], heron: Path, tmp_path: Path) -> None:
    ran = call(capfd, "survey", heron, CAPTURES / "heron-pair.pcapng", "--unit", "left wing")
    lines = ran.out.splitlines()
    assert (ran.code, lines[0]) == (0, "left wing: 12 recordings, 2026-05-28 to 2026-08-13")
    assert lines[2].split() == ["begun", "missed,", "%", "at", "least", "at", "most", "period,", "ms", "jitter,", "ms",
                                "at", "most"]  # fmt: skip
    assert lines[3].split()[:5] == ["2026-05-28", "20:26", "0", "0", "1.4"]
    assert lines[14].split()[:3] == ["2026-08-13", "20:27", "50"]
    (trend,) = [line.split() for line in lines if line.startswith("missed frames, %")]
    assert trend[-1] == "rising"
    found = json.loads(call(capfd, "survey", heron, "--unit", "left wing", "--format", "json").out)
    assert (found["unit"], found["recordings"], found["without_time"]) == ("left wing", 12, 0)
    lost = found["trends"][0]
    assert (lost["name"], lost["unit"], lost["direction"]) == ("missed frames", "ratio", "rising")
    missed = [point["value"] for point in lost["points"]]
    assert (missed[0], missed[-1]) == (0.0, pytest.approx(133 / 267))
    assert all(point["low"] <= point["value"] <= point["high"] for point in lost["points"])
    assert lost["low"] > 0
    table = tmp_path / "table.parquet"
    call(capfd, "survey", heron, CAPTURES / "heron-pair.pcapng", "-o", table)
    assert call(capfd, "survey", table, "--unit", "left wing").out == ran.out
    assert call(capfd, "survey", table, "--unit", "Heron").err.endswith(": there are left, left wing, right\n")
    rows = call(capfd, "survey", heron, "--unit", "left wing", "--format", "csv").out.splitlines()
    assert rows[0] == "figure,unit,start_utc,value,low,high,recording"
    assert sum(row.startswith("missed frames,ratio,2026-") for row in rows) == 12


def test_recordings_of_one_begin_have_a_row_each_and_two_days_no_trend(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, heron: Path
) -> None:
    page, flight = tmp_path / "page.html", CAPTURES / "heron-flight.pcapng"
    for name in ("first.pcapng", "copy.pcapng"):
        shutil.copy(heron / "00.pcapng", tmp_path / name)
    season.write_piece(tmp_path / "later.pcapng", flight, start_s=3, seconds=4, unit="left wing", day=2)
    lines = call(capfd, "survey", tmp_path, "--unit", "left wing", "--page", page).out.splitlines()
    assert lines[:3] == [
        "left wing: 3 recordings, 2026-05-28 to 2026-05-30", "",
        "too short a span for a trend: 7 days from first to last are needed",
    ]  # fmt: skip
    assert [line[:16] for line in lines[4:7]] == [*["2026-05-28 20:26"] * 2, "2026-05-30 20:26"]
    assert [line.split()[-7:] for line in lines if line.startswith("missed frames, %")] == [
        ["0", "-", "-", "-", "span", "too", "short"]
    ]
    shown = page.read_text(encoding="utf-8")
    assert "3 recordings. Too short a span for a trend: 7 days from first to last are needed." in shown
    assert "<polyline" not in shown  # the dashed line of a trend
    found = json.loads(call(capfd, "survey", tmp_path, "--unit", "left wing", "--format", "json").out)
    assert {(one["slope_per_day"], one["direction"]) for one in found["trends"]} == {(None, "span too short")}


def test_a_unit_that_is_not_there_names_those_that_are(capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "survey", CAPTURES / "heron-pair.pcapng", "--unit", "Heron")
    assert (ran.code, ran.err) == (2, "busbench: --unit: no recording is of Heron: there are left, right\n")
    ran = call(capfd, "survey", CAPTURES / "heron-pair.pcapng", "--unit", "left")
    assert (ran.code, ran.out) == (
        0, "left: 1 recording\n\ntoo few recordings with a date for a trend: three are needed\n"
    )  # fmt: skip


def test_pages_show_and_hold_the_figures(capfd: pytest.CaptureFixture[str], tmp_path: Path, heron: Path) -> None:
    ranking, history = tmp_path / "ranking.html", tmp_path / "history.html"
    (tmp_path / "<b>.raw").touch()
    said = call(capfd, "survey", *NAMES, tmp_path, "--page", ranking, "--format", "json")
    figures = figures_of(ranking.read_text("utf-8"))
    assert figures["kind"] == "ranking"
    assert figures["ranking"] == [one | {"path": Path(one["path"]).name} for one in json.loads(said.out)["ranking"]]
    said = call(capfd, "survey", heron, "--unit", "left wing", "--page", history, "--format", "json")
    figures = figures_of(history.read_text("utf-8"))
    assert figures.pop("kind") == "history"
    assert figures == json.loads(said.out)
    for page in (ranking, history):
        parser = html5lib.HTMLParser(strict=True)
        parser.parse(page.read_text(encoding="utf-8"))
        assert not parser.errors
    assert ranking.read_text(encoding="utf-8").count("<rect") == 2  # the ratio of each line that missed frames
    assert history.read_text(encoding="utf-8").count("<svg") == len(figures["trends"])  # type: ignore[arg-type]


def test_a_page_is_checked_by_whoever_receives_it(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, heron: Path
) -> None:
    """The recordings may lie elsewhere by then; one that was swapped for another shows even if its figures do not."""
    ranking, history, table = tmp_path / "ranking.html", tmp_path / "history.html", tmp_path / "season.parquet"
    three = sorted(heron.iterdir())[:3]
    call(capfd, "survey", *three, "--page", ranking, "-o", table)
    call(capfd, "survey", table, "--unit", "left wing", "--page", history)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    for path in three:
        shutil.copy(path, elsewhere)
    for page in (ranking, history):
        for sources in (sorted(elsewhere.iterdir(), reverse=True), [table]):
            checked = call(capfd, "report", *sources, "--check", page)
            assert (checked.code, checked.out, checked.err) == (0, f"{page}: is what the recordings show\n", "")
        text = page.read_text(encoding="utf-8")
        page.write_text(text.replace('"recordings":3', '"recordings":4'), encoding="utf-8")
        checked = call(capfd, "report", table, "--check", page)
        assert (checked.code, checked.out) == (1, f"{page}: recordings is 4, made again 3\n")
        page.write_text(text, encoding="utf-8")
    swapped = elsewhere / "02.pcapng"
    swapped.write_bytes(swapped.read_bytes() + bytes.fromhex("00000bad 00000010 00000000 00000010"))  # says nothing
    for page in (ranking, history):
        checked = call(capfd, "report", elsewhere, "--check", page)
        assert (checked.code, checked.out[:60]) == (1, f"{page}: recordings_sha256 is "[:60])
    refused = call(capfd, "report", CAPTURES / "heron-pair.pcapng", "--check", history)
    assert (refused.code, refused.err) == (
        2, f"busbench: {history}: shows left wing, and no recording is of that: name the recordings that the page"
        " was made from\n"
    )  # fmt: skip
    refused = call(capfd, "report", table, "--check", history, "--baseline", NAMES[0])
    assert (refused.code, refused.err) == (
        2, f"busbench: {history}: is the page of a survey: name only its recordings or its table\n"
    )  # fmt: skip


def test_ctrl_c_leaves_what_was_done(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, heron: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    output, done = tmp_path / "out.parquet", 0

    def interrupt(*_: object, real: object = surveys.survey_rows) -> object:
        nonlocal done
        done += 1
        if done > 2:
            raise KeyboardInterrupt
        return real(*_)  # type: ignore[operator]

    with monkeypatch.context() as patch:
        patch.setattr(surveys, "survey_rows", interrupt)
        assert call(capfd, "survey", heron).err == "busbench: interrupted\n"  # nothing was kept
        done = 0
        ran = call(capfd, "survey", heron, "-o", output)
    assert (ran.code, ran.err) == (
        130, f"busbench: {output}.jsonl holds 2 recordings: go on with --resume\nbusbench: interrupted\n"
    )  # fmt: skip
    refused = call(capfd, "survey", heron, "-o", output)
    assert refused.err == (
        f"busbench: {output}.jsonl: is the journal of a survey that was interrupted: go on with --resume, or begin"
        " again with --force\n"
    )
    ran = call(capfd, "survey", heron, "-o", output, "--resume")
    assert (ran.code, ran.err) == (0, f"busbench: wrote {output} (12 recordings)\n")
    assert [path.name for path in tmp_path.iterdir()] == ["out.parquet"]


def is_group_there(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_ctrl_c_ends_the_processes_without_a_word_of_theirs(tmp_path: Path) -> None:
    """A terminal sends it to all of them."""
    season.make_season(tmp_path, 60)
    output = tmp_path / "out.parquet"
    ran = subprocess.Popen(
        season.command(tmp_path, output, "--workers", "2"), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, start_new_session=True,
    )  # fmt: skip
    journal = tmp_path / "out.parquet.jsonl"
    wait_for(lambda: journal.exists() and journal.stat().st_size > 0)
    os.killpg(ran.pid, signal.SIGINT)
    _, err = ran.communicate()
    assert (ran.returncode, err.splitlines()[-1]) == (130, "busbench: interrupted")
    assert len(err.splitlines()) == 2
    wait_for(lambda: not is_group_there(ran.pid))


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "-"), (0.0, "0"), (1234.5, "1234"), (3.2349, "3.2"), (0.08576, "0.086"), (1e-12, "0.000000000")],
)
def test_digits_suit_the_value(value: float | None, text: str) -> None:
    assert digits(value) == text


@pytest.mark.parametrize(
    ("low", "missed", "high", "drawn"),
    [
        # 13 columns for five powers of ten from 0.001 %: 2.6 columns for each.
        (0.0, 0.0, 1e-5, "<            "),
        (0.9e-5, 1e-4, 1e-3, "<-o---       "),
        (0.0, 1e-6, 1e-5, "o            "),  # in hours of frames, one was missed
        (0.0, 5e-7, 1e-4, "o--          "),
        (1e-5, 1e-4, 1e-3, "--o---       "),
        (1.1e-5, 1e-3, 1e-2, "-----o--     "),
        (1e-3, 1e-2, 0.1, "     --o---  "),
        (0.1, 0.5, 1.0, "          --o"),
        (1.0, 1.0, 1.0, "            o"),
        (None, 0.5, None, ""),
    ],
)
def test_the_bar_of_a_ratio(low: float | None, missed: float, high: float | None, drawn: str) -> None:
    one = Ranked("a", None, None, None, 1, 2, missed, 1, low, high, None)
    assert bar(one, is_ascii=True) == drawn
    assert bar(one, is_ascii=False) == drawn.translate(str.maketrans("<o-", "◄●─"))


@pytest.mark.parametrize(
    ("given", "recordings", "workers"),
    [((), 1, 1), ((), 16, 1), ((), 17, 2), ((), 48, 3), ((), 999, 4), (("--workers", "7"), 1, 7)],
    ids=["1", "16", "17", "48", "all four cores", "as asked"],
)
def test_a_process_for_each_sixteen_recordings_up_to_the_cores_or_as_asked(
    given: tuple[str, ...], recordings: int, workers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[dict[str, object]] = []

    def open_executor(**asked: object) -> object:
        opened.append(asked)
        raise BusbenchError("opened")

    monkeypatch.setattr(os, "cpu_count", lambda: 4)
    monkeypatch.setattr("busbench.bench.survey_inputs.find_inputs", lambda _: ["a"] * recordings)
    monkeypatch.setattr("busbench.bench.survey_workers.open_executor", open_executor)
    assert refusal_of(command, "season", *given) == "opened"
    assert opened == [{"workers": workers, "dask": None}]
