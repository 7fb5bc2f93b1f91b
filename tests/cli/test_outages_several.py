"""`outages` of several receivers: by one file with an interface each, and by a file each."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busbench.analysis.recording import read_recordings
from busbench.analysis.several import lay_beside
from busbench.capture.base import ReadOptions
from busbench.cli.main import run
from busbench.cli.source import read_lines
from tests.cli.running import CAPTURES, call

Capfd = pytest.CaptureFixture[str]
PAIR = CAPTURES / "heron-pair.pcapng"


def told(capfd: Capfd, *words: str | Path) -> dict[str, object]:
    done = call(capfd, "outages", *words, "--format", "json")
    assert done.code == 0, done.err
    return dict(json.loads(done.out))


def test_one_file_of_two_receivers(capfd: Capfd) -> None:
    found = told(capfd, PAIR)
    sources = found["sources"]
    assert isinstance(sources, list)
    assert [(one["name"], one["missed"], one["begin_s"]) for one in sources] == [
        ("left", 138, 0.0),
        ("right", 96, 0.0032),
    ]
    assert sources[0]["origin"] == {"unit": "left", "note": "two receivers in the Heron", "adapter_serial": None}
    overlaps = found["overlaps"]
    assert isinstance(overlaps, list)
    assert len(overlaps) == 7
    assert overlaps[4]["sources"] == [0, 1]
    assert overlaps[4]["end_s"] - overlaps[4]["start_s"] == pytest.approx(0.406043, abs=1e-6)
    assert (found["independent"], found["coincident"], found["bursts"]) == ("no", 7, 10)
    assert found["longest_uncovered_s"] == pytest.approx(0.406043, abs=1e-6)
    skews = found["skew"]
    assert isinstance(skews, list)
    (skew,) = skews
    assert skew["sources"] == [0, 1]
    assert skew["median_s"] == pytest.approx(0.0032, abs=2e-5)


def test_a_file_each_gives_the_same(tmp_path: Path, capfd: Capfd) -> None:
    paths = []
    for name in ("left", "right"):
        paths.append(tmp_path / f"{name}.pcapng")
        assert run(["convert", str(PAIR), "--interface", name, "-o", str(paths[-1])]) == 0
    assert told(capfd, *paths) == told(capfd, PAIR)


def test_an_interface_gives_that_one_alone(capfd: Capfd) -> None:
    found = told(capfd, PAIR, "--interface", "right")
    assert "sources" not in found
    assert found["missed"] == 96


def test_from_python_the_same(capfd: Capfd) -> None:
    assert lay_beside(read_recordings(PAIR)).to_json() == told(capfd, PAIR)


def test_the_table_says_it_in_words(capfd: Capfd) -> None:
    done = call(capfd, "outages", PAIR)
    assert done.err == ""
    assert done.out.splitlines()[:4] == [
        "2 receivers, 59.987 s recorded by all",
        "",
        "no  receiver  frames  missed   ratio  outages     longest",
        "0   left       4,187     138  3.22 %       12  518.000 ms",
    ]
    said = " ".join(done.out.split())
    assert "independent: no: more coincide than chance explains: look for a common cause; 7" in said
    assert "skew of right to left: +3.20 ms (5 to 95 %: +3.20 to +3.20 ms, 3,037 changes)" in said
    csv = call(capfd, "outages", PAIR, "--format", "csv").out.splitlines()
    assert csv[0] == "start_s,end_s,sources"
    assert [line.rpartition(",")[2] for line in csv[1:]] == ["0+1"] * 7


def test_recordings_without_dates_are_taken_to_begin_together(capfd: Capfd) -> None:
    done = call(capfd, "outages", CAPTURES / "heron-slots.csv", CAPTURES / "heron-slots.csv")
    assert done.code == 0
    assert "note: no dates are known: the recordings are taken to begin together" in done.out


def test_only_who_reads_one_of_several_lines_hears_of_the_others(
    capsys: pytest.CaptureFixture[str], wide: None
) -> None:
    lines = read_lines(str(PAIR), ReadOptions())
    assert [len(one.frames) for one in lines] == [4187, 4210]
    assert capsys.readouterr().err == ""
    (one,) = read_lines(str(PAIR), ReadOptions(interface="1"))
    assert len(one.frames) == 4210
    assert capsys.readouterr().err == (
        f"busbench: {PAIR}: read what was received on virtual receiver, right wing;"
        " passed over: 104,675 bytes received on 0 (virtual receiver, left wing)\n"
    )
