"""`busbench help`: the topics, a topic, and the manual page."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from busbench.cli.manual import escape
from tests.cli.running import call


def test_without_a_topic_the_topics_are_listed(capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "help")
    assert ran.code == 0
    assert "  rig-file       the plan of an aircraft, key by key\n" in ran.out
    assert ran.err == ""


@pytest.mark.parametrize("topic", ["wiring", "Wiring"])
def test_a_topic_is_printed(capfd: pytest.CaptureFixture[str], topic: str) -> None:
    ran = call(capfd, "help", topic)
    assert ran.code == 0
    assert ran.out.startswith("# Wiring\n")
    assert "WARNING: Remove the propeller" in ran.out


def test_the_manual_names_every_command_and_option(capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, "help", "--man")
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert lines[0].startswith('.TH BUSBENCH 1 "" "busbench ')
    for line in (".SS busbench rig check", ".SH TOPICS", r".B busbench help rig\-file"):
        assert line in lines, line
    assert any(r"\-\-arm" in line for line in lines)
    known = {"TH", "SH", "SS", "PP", "TP", "B", "nf", "fi"}
    assert {line.split()[0][1:] for line in lines if line.startswith(".")} == known


@pytest.mark.parametrize(
    ("text", "line"), [("a-b", r"a\-b"), (".hidden", r"\&.hidden"), ("'quoted'", r"\&'quoted'"), ("C:\\x", r"C:\ex")]
)
def test_roff_prints_a_text_as_it_is(text: str, line: str) -> None:
    assert escape(text) == line


def test_the_manual_is_roff_without_warnings(capfd: pytest.CaptureFixture[str]) -> None:
    if shutil.which("groff") is None:
        pytest.skip("outside tool missing: groff")
    page = call(capfd, "help", "--man").out
    done = subprocess.run(
        ["groff", "-man", "-ww", "-Kutf8", "-Tutf8"], input=page, capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    text = re.sub(r"\x1b\[[\d;]*m|.\x08", "", done.stdout)
    assert "busbench drive sweep --channel 1" in text
    assert "--format [table|csv|json]" in text


def test_the_commands_of_rig_are_listed_in_the_order_of_work(capfd: pytest.CaptureFixture[str]) -> None:
    listed = call(capfd, "rig", "--help").out.partition("Commands:\n")[2]
    assert [line.split()[0] for line in listed.splitlines()] == ["new", "draft", "check", "power", "sheet"]


def test_the_page_of_the_manual_leaves_out_what_each_command_has(capfd: pytest.CaptureFixture[str]) -> None:
    page = call(capfd, "help", "--man").out
    assert page.count("\n\\fB\\-\\-help\\fR\n") == 0
    assert "\n\\fB\\-\\-seconds SECONDS\\fR\n" in page


def test_no_help_shows_a_number_of_many_digits(capfd: pytest.CaptureFixture[str]) -> None:
    shown = call(capfd, "help", "--man").out
    assert re.findall(r"\d{11,}|[<>]=?x|x[<>]", re.sub(r"[0-9a-f]{50}", "", shown)) == []
    assert "0.05 to 3600" in call(capfd, "loop", "--help").out
