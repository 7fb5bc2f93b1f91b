"""The words of each page whole, as they are kept in pages/: no heading, sentence, cell or caption changes unseen.

Where one was changed on purpose, `BUSBENCH_SNAPSHOTS=write` writes it again; read it then.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pytest

from busbench.analysis.recording import Recording, read_recording, read_recordings
from busbench.analysis.several import lay_beside
from busbench.analysis.trend import History, Trend
from busbench.bench.sign_off import pulse_outputs
from busbench.capture.base import ReadOptions
from busbench.report.compared import Compared
from busbench.report.page import page_html
from busbench.report.provenance import Provenance
from busbench.report.recording_page import RecordingPage
from busbench.report.survey_page import history_html, ranking_html
from busbench.verify.verify import verify
from tests.cli.running import CAPTURES
from tests.report.test_page import FROM
from tests.report.test_whole_pictures import RANKING, trend
from tests.verify.rounds import RIG, round_of

PAGES = Path(__file__).with_name("pages")


def words_of(html: str) -> str:
    """What a reader sees of a page, a line for each element; of a picture its description."""
    shown = re.sub(r"<(style|script)\b.*?</\1>", "", html, flags=re.DOTALL)
    shown = re.sub(r"<svg\b.*?<title>(.*?)</title>.*?</svg>", r"<p>[\1]</p>", shown, flags=re.DOTALL)
    shown = re.sub(r"</(td|th)><\1\b[^>]*>", " | ", shown)
    lines = (" ".join(unescape(line).split()) for line in re.sub(r"<[^>]*>", "\n", shown).split("\n"))
    return "".join(f"{line}\n" for line in lines if line)


def recording(name: str) -> Recording:
    return read_recording(CAPTURES / name)


def pulses() -> str:
    found = pulse_outputs(str(CAPTURES / "heron-outputs.vcd"), ReadOptions())
    return RecordingPage(recording("heron-outputs.vcd"), pulses=found).html(FROM)


def several() -> str:
    lines = read_recordings(CAPTURES / "heron-pair.pcapng")
    return RecordingPage(lines[0], several=lay_beside(lines)).html(FROM)


def compared() -> str:
    later = recording("heron-bench.pcapng")
    found = Compared("flights/heron-flight.pcapng", recording("heron-flight.pcapng").compare(later))
    return RecordingPage(later, compared=found).html(FROM)


def signed(*faults: str) -> str:
    found = verify(round_of(*faults, has_marks=True), RIG)  # type: ignore[arg-type]
    return page_html(found, provenance=FROM, not_walked=(("gear", "no answer"),) if faults else ())


AT_ONE_TIME = trend(*3 * [("2026-05-01T00:00:00Z", 0.001, None, None)], slope_per_day=0.0).points
HISTORY = History(
    "Heron",
    5,
    1,
    "cd" * 32,
    (
        trend(*((f"2026-05-{day:02}T00:00:00Z", 0.014, 0.0139, 0.0141) for day in (1, 8, 15)), slope_per_day=1.5e-9),
        Trend("missed frames", "ratio", AT_ONE_TIME, 0.00123, 0.000001, 0.0000005, 0.0000123),
    ),
)

MADE: dict[str, Callable[[], str]] = {
    "bytes": lambda: RecordingPage(recording("heron-noisy.raw")).html(FROM),
    "slots": lambda: RecordingPage(recording("heron-slots.csv")).html(
        Provenance("virtual:", None, "", None, "2026-01-31 12:00 UTC", (), "kept.pcapng", True)
    ),
    "pulses": pulses,
    "several": several,
    "compared": compared,
    "signed": signed,
    "signed-faulty": lambda: signed("reversed aileron", "no failsafe flag"),
    "ranking": lambda: ranking_html(
        RANKING, [("torn.pcapng", "torn.pcapng: is cut off: record it again")], recordings_sha256="ef" * 32
    ),
    "history": lambda: history_html(HISTORY),
}


@pytest.mark.parametrize("name", MADE)
def test_the_words_of_a_page_are_as_they_are_kept(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busbench.report.survey_page.gather", lambda **_: FROM)
    path, made = PAGES / f"{name}.txt", words_of(MADE[name]())
    if os.environ.get("BUSBENCH_SNAPSHOTS") == "write":
        path.write_text(made, encoding="utf-8")
    assert made.splitlines() == path.read_text(encoding="utf-8").splitlines(), f"{path.name} is another"
