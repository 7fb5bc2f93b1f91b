"""The page of any recording: its figures are those of the commands, and a page that says otherwise is found out."""

from __future__ import annotations

import json
import re
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import heron
import html5lib
import numpy as np
import pytest

from busbench.analysis.latency import Latency
from busbench.analysis.pulses import Pulses
from busbench.analysis.recording import read_recording
from busbench.errors import BusbenchError
from busbench.report.page_data import figures_of, first_difference
from busbench.report.pictures import draw_channel, draw_periods
from busbench.report.recording_page import RecordingPage
from tests.cli.running import CAPTURES, call
from tests.report.test_page import FROM
from tests.report.test_whole_pages import words_of
from tests.verify.rounds import RIG, recorded

NAMES = ("heron-flight.pcapng", "heron-bench.pcapng", "heron-slots.csv", "heron-line.vcd", "heron-noisy.raw")


@pytest.mark.parametrize("name", NAMES)
def test_figures_of_the_page_are_those_of_the_commands(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, name: str
) -> None:
    page = tmp_path / "page.html"
    assert call(capfd, "report", CAPTURES / name, "-o", page).code == 0
    figures = figures_of(page.read_text("utf-8"))
    for command in ("outages", "timing", "channels"):
        assert figures[command] == json.loads(call(capfd, command, CAPTURES / name, "--format", "json").out)
    checked = call(capfd, "report", CAPTURES / name, "--check", page)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")


def test_a_page_that_was_changed_or_is_of_another_recording_is_found_out(
    capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page, flight = tmp_path / "page.html", CAPTURES / "heron-flight.pcapng"
    call(capfd, "report", flight, "-o", page)
    text = page.read_text(encoding="utf-8")
    page.write_text(text.replace('"missed":290', '"missed":0', 1), encoding="utf-8")
    checked = call(capfd, "report", flight, "--check", page)
    assert (checked.code, checked.out) == (1, f"{page}: outages.missed is 0, made again 290\n")
    page.write_text(text, encoding="utf-8")
    other = call(capfd, "report", CAPTURES / "heron-bench.pcapng", "--check", page)
    assert (other.code, ": recording_sha256 is " in other.out) == (1, True)


def test_a_text_that_was_changed_is_found_out_though_the_figures_agree(
    capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page, rig = tmp_path / "page.html", CAPTURES / "heron.toml"
    recording, flight = CAPTURES / "heron-round-faulty.pcapng", CAPTURES / "heron-flight.pcapng"
    call(capfd, "verify", recording, "--rig", rig, "--report", page)
    signed = page.read_text(encoding="utf-8")
    page.write_text(signed.replace("✗ FAIL", "✓ PASS"), encoding="utf-8")
    checked = call(capfd, "report", recording, "--check", page, "--rig", rig)
    words = 'the figures agree, but not the text: line 35 has "<b>✓ PASS</b>", made again "<b>✗ FAIL</b>"'
    assert (checked.code, checked.out) == (1, f"{page}: {words}\n")
    page.write_text(signed + "\n<p>All is well</p>\n", encoding="utf-8")
    checked = call(capfd, "report", recording, "--check", page, "--rig", rig)
    assert (checked.code, 'has "<p>All is well</p>", made again ""\n' in checked.out) == (1, True)
    call(capfd, "report", flight, "-o", page, "--force")
    text = page.read_text(encoding="utf-8").replace("<dd data-own>0.1.0<", "<dd data-own>0.0.9<")
    page.write_text(text, encoding="utf-8")
    assert call(capfd, "report", flight, "--check", page).code == 0
    page.write_text(text.replace("290 missed", "0 missed"), encoding="utf-8")
    checked = call(capfd, "report", flight, "--check", page)
    assert (checked.code, "<li>0 missed" in checked.out) == (1, True)
    assert checked.out.endswith('"; another version of busbench made the page\n')


def test_the_page_of_a_guided_check_is_checked_with_what_it_kept(
    capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    page, kept, rig = tmp_path / "page.html", tmp_path / "kept.pcapng", CAPTURES / "heron.toml"
    call(capfd, "verify", f"virtual:{rig}", "--report", page, "--keep", kept, "--format", "json")
    checked = call(capfd, "report", kept, "--check", page, "--rig", rig)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")


def test_a_page_to_sign_is_checked_with_its_plan_and_answers(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    page, rig = tmp_path / "page.html", tmp_path / "heron.toml"
    recording = CAPTURES / "heron-round.pcapng"
    rig.write_bytes((CAPTURES / "heron.toml").read_bytes())
    call(capfd, "verify", recording, "--rig", rig, "--report", page)
    checked = call(capfd, "report", recording, "--check", page, "--rig", rig)
    assert (checked.code, checked.out) == (0, f"{page}: is what the recording shows\n")
    text = page.read_text(encoding="utf-8")
    page.write_text(text.replace('"not_tested":', '"not_tested":1', 1), encoding="utf-8")
    checked = call(capfd, "report", recording, "--check", page, "--rig", rig)
    assert (checked.code, f"{page}: not_tested is 1" in checked.out) == (1, True)
    page.write_text(text, encoding="utf-8")
    other = call(capfd, "report", CAPTURES / "heron-round-faulty.pcapng", "--check", page, "--rig", rig)
    assert (other.code, ': recording_sha256 is "' in other.out) == (1, True)
    rig.write_text(rig.read_text(encoding="utf-8") + "# another plan\n", encoding="utf-8")
    other = call(capfd, "report", recording, "--check", page, "--rig", rig)
    assert (other.code, ": rig_sha256 is " in other.out) == (1, True)


def test_the_page_is_whole_fetches_nothing_and_runs_nothing(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    call(capfd, "report", CAPTURES / "heron-flight.pcapng", "-o", page)
    text = page.read_text(encoding="utf-8")
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(text)
    assert re.findall(r"(?:src|href)=", text) == []
    assert re.findall(r"<script[^>]*>", text) == ['<script type="application/json" id="busbench-figures">']
    assert text.count("<svg") == 21  # outages, histogram, periods, 18 channels
    assert len(text) < 1_000_000


@pytest.mark.parametrize("name", ["outages", "histogram", "periods", "channel-1", "channel-17"])
def test_a_picture_alone_is_that_of_the_page(capfd: pytest.CaptureFixture[str], tmp_path: Path, name: str) -> None:
    page = tmp_path / "page.html"
    call(capfd, "report", CAPTURES / "heron-flight.pcapng", "-o", page)
    svg = call(capfd, "report", CAPTURES / "heron-flight.pcapng", "--svg", name).out.strip()
    assert svg.startswith("<svg ")
    assert svg in page.read_text(encoding="utf-8")


def test_a_recording_without_times_has_a_page_without_pictures() -> None:
    page = RecordingPage(read_recording(CAPTURES / "heron-noisy.raw"))
    assert [name for name, draw in page.pictures.items() if draw()] == []


def test_a_channel_is_drawn_from_its_first_frame_to_its_last_and_broken_where_none_came() -> None:
    t_s = np.array([0.0, 1.0, 2.0, 8.0, 9.0, 10.0])
    svg = draw_channel("channel 1", t_s, np.array([172, 992, 1811, 992, 172, 172], np.int16), 10.0, gap_s=2.0)
    # The drawn range is x 96 to 674 over 10 s, y 44 (min) to 10 (max).
    assert re.findall(r'points="([^"]*)"', svg) == [
        "96,44 153.8,27 211.6,10",
        "558.4,27 616.2,44 674,44",
    ]
    assert [word for word in re.findall(r">([^<>]+)</text>", svg) if len(word) > 2] == ["172", "1811"]


def test_periods_are_drawn_from_shortest_to_longest_and_a_gap_by_its_letter() -> None:
    svg = draw_periods(np.array([0.0, 0.014, 0.029, 0.043, 0.143, 0.157]), 0.157, most_s=0.021)
    assert svg.count(">G</text>") == 1
    assert ">14</text>" in svg
    assert ">15</text>" in svg


@pytest.mark.parametrize(
    ("page", "made", "words"),
    [
        ({"a": 1}, {"a": 1}, ""),
        ({"a": {"b": [1, 2]}}, {"a": {"b": [1, 3]}}, "a.b[1] is 2, made again 3"),
        ({"a": [1]}, {"a": [1, 2]}, "a has 1 entries, made again 2"),
        ({"a": 1}, {}, "a is unknown"),
        ({}, {"a": 1}, "a is missing"),
        ({"a": None}, {"a": 0.5}, "a is null, made again 0.5"),
        ({"a": {"b": 1}}, {"a": 1}, 'a is {"b": 1}, made again 1'),
        ({"a": 1}, {"a": {"b": 1}}, 'a is 1, made again {"b": 1}'),
        ({"a": [1]}, {"a": 1}, "a is [1], made again 1"),
        ({"a": 1}, {"a": [1]}, "a is 1, made again [1]"),
        ({"a": {"b": 1}, "c": 2}, {"a": {"b": 1}, "c": 3}, "c is 2, made again 3"),
    ],
)
def test_the_first_difference_is_named(page: object, made: object, words: str) -> None:
    assert first_difference(page, made) == words


def test_a_pulse_output_without_latency_or_channel_has_dashes_and_no_picture() -> None:
    late = Latency(np.arange(3) * 7_000_000, np.array([1_000_000, 2_000_000, 2_000_000]))
    fit = SimpleNamespace(channel=4)
    lines = [SimpleNamespace(name="a", pulses=3, fit=fit, latency=late, note=""),
             SimpleNamespace(name="b", pulses=240, fit=None, latency=None, note="follows no channel")]  # fmt: skip
    skews = [SimpleNamespace(sources=("a", "b"), median_s=0.0015), SimpleNamespace(sources=("a", "c"), median_s=None)]
    pulses = cast(Pulses, SimpleNamespace(lines=lines, skews=skews, to_json=lambda: {"lines": []}))
    page = RecordingPage(read_recording(CAPTURES / "heron-slots.csv"), pulses=pulses)
    assert [name for name in page.pictures if name.startswith("latency")] == ["latency-1"]
    shown = words_of(page.html(FROM))
    assert "a | 4 | 3 | 1.000 | 2.000 | 2.000 | 2.000 |\nb | – | 240 | – | – | – | – | follows no channel\n" in shown
    assert shown.count("shows the same frame") == 1
    assert "b shows the same frame 1.500 ms after a." in shown


def test_the_times_of_its_pictures_are_seconds_from_the_first_byte() -> None:
    page = RecordingPage(read_recording(CAPTURES / "heron-slots.csv"))
    assert page.t_s[[0, 1, -1]].tolist() == pytest.approx([0.01667438, 0.03167438, 9.99168741])
    assert page.end_s == pytest.approx(9.991687408)


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("heron-slots.csv", "give one of outages, histogram, periods, channel-1, channel-2"),
        ("heron-noisy.raw", "it has no times, and so no pictures"),
    ],
)
def test_an_unknown_picture_names_those_that_there_are(name: str, hint: str) -> None:
    with pytest.raises(BusbenchError) as refused:
        RecordingPage(read_recording(CAPTURES / name)).picture("beam")
    assert f"there is no picture beam of this recording: {hint}" in str(refused.value)


@pytest.mark.parametrize("frames", [0, 1])
def test_without_a_byte_there_are_no_pictures_over_time(frames: int) -> None:
    flown = heron.fly_round(RIG)
    few = heron.Round(flown.t_ns[:frames], flown.counts[:frames], flown.flags[:frames], flown.is_sent[:frames], ())
    page = RecordingPage(recorded(heron.read_by_adapter(RIG, few)))
    drawn = {name for name, draw in page.pictures.items() if draw()}
    assert (page.end_s > 0, "outages" in drawn, "channel-1" in drawn) == (frames > 0,) * 3
