"""The page: whole, valid, escaped, and honest about what was not tested."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import heron
import pytest

from busbench.report.page import CAUTIONS, cell_text, margin_text, page_html
from busbench.report.provenance import Provenance, bare_name, gather, sha256_of
from busbench.rig.load import parse_rig
from busbench.verify.result import CheckFactory
from busbench.verify.verify import verify
from tests.verify.rounds import RIG, round_of, without_times

FROM = Provenance("round.pcapng", "ab" * 32, "heron.toml", "cd" * 32, "2026-01-31 12:00 UTC", (("busbench", "9.9"),))
VOID = {"meta", "br"}
SVG = {"svg", "title", "line", "polyline", "rect", "path", "text"}


class Page(HTMLParser):
    """A strict look at a page: every element closed where it was opened, attributes once, text by element."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len({name for name, _ in attrs}) == len(attrs)
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in SVG, f"<{tag}/> is no HTML"
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def page(*faults: heron.Fault) -> tuple[str, Page]:
    text = page_html(verify(round_of(*faults, has_marks=True), RIG), provenance=FROM)
    return text, Page(text)


def test_a_page_stands_alone_and_runs_nothing() -> None:
    text, read = page()
    assert {tag for tag, _ in read.tags} & {"script", "link", "img", "iframe", "object", "form"} == set()
    attributes = {name for _, attrs in read.tags for name in attrs}
    assert attributes & {"src", "href", "style", "onload", "onclick"} == set()
    assert re.findall(r"url\(|@import|https?://(?!www\.w3\.org/2000/svg)", text) == []
    assert text.startswith('<!doctype html>\n<html lang="en">')
    assert "@page { size: A4;" in text
    assert "prefers-color-scheme: dark" in text
    assert len(text) < 150_000


def test_the_good_aircraft() -> None:
    _, read = page()
    assert re.search(r"✓ pass \d+ passed, 0 failed, 0 not tested\.", read.text)
    assert "All checks of this page were made." in read.text
    assert "6 rudder ✓ 1024 ✓ 123 ✓ 1925 ✓ yes ✓ 0 ✓ 0 ✓ 1024 7 gear" in read.text
    assert "17 tow release ✓ off ✓ off ✓ on ✓ yes ✓ yes – ✓ on 8 sustainer" in read.text
    assert "What failed" not in read.text


def test_a_faulty_aircraft_says_so_first() -> None:
    _, read = page("reversed aileron", "no failsafe flag")
    assert re.search(r"✗ FAIL \d+ passed, 2 failed, 2 not tested\.", read.text)
    failed, untested = read.text.index("What failed"), read.text.index("What was not tested")
    line = 'channel 1 (left aileron), direction: "aileron stick" to "right" first took it below neutral'
    assert failed < read.text.index(line) < untested
    assert "failsafe, delay: there was no failsafe flag to wait for" in read.text[untested:]


def test_all_parts_are_there() -> None:
    _, read = page()
    for words in (
        *CAUTIONS,
        "round.pcapng (test)",
        "ab" * 32,
        "cd" * 32,
        "2026-01-31 12:00 UTC",
        "busbench 9.9",
        "each read held a whole frame, so the computer's share is unknown",
        "1500 µs at 992 counts, 0.625 µs a count",
        "Weakest lead: lead to hub tail, 1.7 m AWG 22, 0.86 V lost in it.",
        "Use thicker wire in the lead to hub tail: 1.7 m AWG 18 instead of 1.7 m AWG 22: gains 0.49 V.",
        "◄ weakest lead",
        "transmitter off",
        "No answers of a walk were given.",
        "Registration or serial number Receiver, firmware Transmitter, model memory Remarks Name and function"
        " Place and date Signature",
    ):
        assert words in read.text, words
    titles = [word for tag, attrs in read.tags if tag == "svg" and (word := attrs["aria-label"])]
    assert titles[:2] == ["channel 1 (left aileron) over time", "channel 2 (right aileron) over time"]
    assert titles[-3:] == ["histogram of the frame periods", "outages over time", "wiring tree"]
    assert len(titles) == 12
    thick = [attrs for tag, attrs in read.tags if tag == "line" and attrs.get("stroke-width") == "4"]
    assert len(thick) == 1  # the weakest lead


def test_words_of_people_are_words() -> None:
    hostile = "<script>alert(1)</script>&\"'"
    toml = heron.RIG.read_text(encoding="utf-8").replace('name = "Heron"', f"name = '''{hostile}'''")
    toml = toml.replace('"rudder"', f"'''{hostile}'''").replace('"rudder stick"', "'''<b>stick'''")
    rig = parse_rig(toml)
    walk = CheckFactory("walk", hostile).is_so(hostile, hostile, good=False)
    recording = round_of(rig=rig, has_marks=True)
    recording.info.notes.append(hostile)
    found = verify(recording, rig, more=(walk,))
    read = Page(page_html(found, provenance=Provenance(hostile, None, hostile, None, hostile, ((hostile, hostile),))))
    assert "script" not in {tag for tag, _ in read.tags}
    assert "b" in {tag for tag, _ in read.tags}  # the page's own
    assert read.text.count(hostile) > 15
    assert "moved by “<b>stick”" in read.text


@pytest.mark.parametrize("data", [b"", b"\x0f" * 100])
def test_a_recording_of_nothing_makes_a_page(data: bytes) -> None:
    read = Page(page_html(verify(without_times(data), RIG), provenance=FROM))
    assert "✗ FAIL 0 passed" in read.text
    assert "No histogram of periods" in read.text
    assert "No timeline of outages" in read.text


def test_a_plan_whose_harness_is_no_tree_makes_a_page() -> None:
    hubs = '\n[[hub]]\nname = "a"\nfrom = "b"\n[[hub]]\nname = "b"\nfrom = "a"\n'
    rig = parse_rig(heron.RIG.read_text(encoding="utf-8") + hubs)
    read = Page(page_html(verify(round_of(rig=rig), rig), provenance=FROM))
    assert "fault: harness" in read.text
    assert "fault: a, b: hubs form a ring: " in read.text  # what else is wrong is reported, too
    assert "The plan has 1 fault: see busbench rig check heron.toml" in read.text


def test_hashes_are_those_of_the_files(tmp_path: Path) -> None:
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-4, example of SHA-256
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(str(path)) == sha256_of(path.as_uri()) == digest
    found = gather(source="-", recording_path=None, rig_path=str(path))
    assert (found.recording_sha256, found.rig_sha256) == (None, digest)
    assert sha256_of("-") is None


def test_what_was_not_walked_stands_with_its_reason() -> None:
    found = verify(round_of(), RIG)
    text = page_html(found, provenance=FROM, not_walked=(("sustainer", "can <turn> a propeller"),))
    assert "<li><b>sustainer:</b> can &lt;turn&gt; a propeller</li>" in text
    assert "Not walked" not in page_html(found, provenance=FROM)


def test_the_page_says_where_a_motor_is_off_on_the_wire() -> None:
    _, read = page()
    assert "8 sustainer motor: off at -100 % as sent; propeller off, locked when driving" in read.text
    assert "6 rudder servo" in read.text


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("/home/pilot/heron.pcapng", "heron.pcapng"),
        ("C:\\planes\\heron.pcapng", "heron.pcapng"),
        ("/dev/ttyUSB0", "ttyUSB0"),
        ("virtual:/home/pilot/heron.toml?seed=3", "virtual:heron.toml?seed=3"),
        ("socket://127.0.0.1:7000", "socket://127.0.0.1:7000"),
        ("file:///home/pilot/heron%20two.pcapng", "heron two.pcapng"),
        ("virtual:", "virtual:"),
        ("-", "-"),
    ],
)
def test_a_page_holds_no_folders(given: str, shown: str) -> None:
    assert bare_name(given) == shown
    found = gather(source=given, recording_path="/home/pilot/kept.pcapng", rig_path="/home/pilot/heron.toml")
    assert (found.source, found.kept, found.rig) == (shown, "kept.pcapng", "heron.toml")


def test_limits_have_the_unit_and_the_digits_of_what_is_judged() -> None:
    about = CheckFactory("channel", "channel 5", 5)
    end = about.within("low end", "", measured=550, expected=254.88, limit=24.576, unit="counts")
    assert margin_text(end) == "limit 255 ± 24.6 counts, margin -271"
    assert margin_text(about.at_most("jitter", "", measured=0.0242, limit=0.5, unit="ms")) == (
        "limit 0.5 ms, margin +0.476"
    )
    assert margin_text(about.at_least("frames", "", measured=2687, limit=500, unit="frames")) == (
        "limit 500 frames, margin +2,187"
    )


def test_a_cell_has_the_mark_of_its_check_and_what_was_found() -> None:
    about = CheckFactory("channel", "channel 5", 5)
    found = [
        about.within("low end", "", measured=172.4, expected=172, limit=10, unit="counts"),
        about.within("high end", "", measured=1500, expected=1811, limit=10, unit="counts"),
        about.not_tested("rest", "", unit="counts", limit=10),
        about.is_so("direction", "", good=True),
        about.is_so("direction", "", good=False),
    ]
    assert [cell_text(one) for one in [*found, None]] == ["✓ 172.4", "✗ 1500", "○ not tested", "✓ yes", "✗ no", "–"]
