"""What changed since an earlier recording, as checks: changed fails, unchanged passes, the rest is not tested."""

from __future__ import annotations

from dataclasses import replace

from busbench.analysis.change import Figure
from busbench.analysis.comparison import Comparison
from busbench.analysis.recording import read_recording
from busbench.bench.sign_off import Baseline, sign_off
from busbench.rig.load import read_rig
from busbench.verify.change_checks import check_changes
from busbench.verify.result import Verdict
from tests.cli.running import CAPTURES

MOVED = Figure("endpoint low", "counts", 173.0, 190.0, 6.0, 11.0, 23.0, (-4.1, 4.1), "ch2", "aileron")
STILL = Figure("endpoint low", "counts", 173.0, 173.0, 1.0, -1.0, 1.0, (-4.1, 4.1), "ch3")
ONCE = Figure("endpoint low", "counts", 1811.0, 1811.0, None, None, None, (-4.1, 4.1), "ch1")
WIDE = replace(STILL, old=300.0, new=310.0, floor=40.0, low=-30.0, high=50.0, subject="ch4")
GONE = Figure("failsafe delay", "s", 0.615, None, None, None, None, (0.0, 0.0))
PERIOD = Figure("period", "s", 0.007, 0.007, 1.2e-6, -1.2e-6, 1.2e-6, (-3.5e-6, 3.5e-6))


def said(*figures: Figure) -> list[tuple[str, Verdict, str]]:
    return [(one.name, one.verdict, one.sentence) for one in check_changes(Comparison(figures), old="old.pcapng")]


def test_a_kind_of_figure_fails_if_one_is_different() -> None:
    assert said(PERIOD, MOVED, STILL, ONCE) == [
        ("period", Verdict.PASS, "unchanged: 7.0000 ms"),
        (
            "endpoint low",
            Verdict.FAIL,
            "changed: ch2 173.0 to 190.0 counts (floor 6.0); no floor, as seen too few times: ch1",
        ),
    ]


def test_a_kind_is_not_tested_if_one_cannot_be_judged() -> None:
    assert said(STILL, ONCE, WIDE, GONE) == [
        (
            "endpoint low",
            Verdict.NOT_TESTED,
            "no floor, as seen too few times: ch1; below the floor: ch4 300 to 310 counts",
        ),
        ("failsafe delay", Verdict.NOT_TESTED, "in one of the recordings only: 615.0 ms earlier only"),
    ]
    jitter = Figure("period jitter rms", "s", 2.0e-5, 2.4e-5, 4e-4, -4e-4, 4e-4, (-3.6e-6, 3.6e-6))
    assert said(jitter) == [("period jitter rms", Verdict.NOT_TESTED, "below the floor")]
    assert said(STILL) == [("endpoint low", Verdict.PASS, "unchanged: ch3 173.0 counts")]
    assert said() == [("change", Verdict.NOT_TESTED, "no figure is in both recordings")]


def test_values_that_cannot_be_judged_are_shown_where_they_look_changed() -> None:
    """Each doubt once, with its figures; those of which no value differs by their names."""
    appeared = replace(ONCE, old=None, new=1800.0, subject="ch5")
    tiny = replace(ONCE, old=173.01, new=173.04, tolerance=(0.0, 0.0), subject="ch6")
    seen = replace(ONCE, new=1820.0, subject="ch7")
    steady = replace(WIDE, new=301.0, subject="ch8")
    assert said(appeared, tiny, seen, WIDE, steady) == [
        (
            "endpoint low",
            Verdict.NOT_TESTED,
            "in one of the recordings only: ch5 1800.0 counts now only;"
            " no floor, as seen too few times: ch6, ch7 1811.0 to 1820.0 counts;"
            " below the floor: ch4 300 to 310 counts, ch8",
        )
    ]


def test_a_figure_that_changed_names_all_that_did_in_its_own_unit() -> None:
    late = Figure("failsafe delay", "s", 0.5, 0.75, 0.01, 0.2, 0.3, (-0.1, 0.1))
    other = replace(MOVED, old=20.0, new=10.0, low=-15.0, high=-5.0, subject="ch9")
    assert said(MOVED, other, WIDE, STILL, late) == [
        (
            "endpoint low",
            Verdict.FAIL,
            "changed: ch2 173.0 to 190.0 counts (floor 6.0), ch9 20.0 to 10.0 counts (floor 6.0);"
            " below the floor: ch4 300 to 310 counts",
        ),
        ("failsafe delay", Verdict.FAIL, "changed: 500 to 750 ms (floor 10)"),
    ]
    checks = list(check_changes(Comparison((STILL, PERIOD)), old="old.pcapng"))
    assert {(one.part, one.subject, one.channel) for one in checks} == {("change", "since old.pcapng", None)}
    (nothing,) = check_changes(Comparison(()), old="b")
    assert (nothing.part, nothing.subject) == ("change", "since b")
    same = said(STILL, replace(STILL, new=172.0, subject="ch5"))
    assert same == [("endpoint low", Verdict.PASS, "unchanged: ch3 173.0 counts, ch5 172.0 counts")]


def test_without_a_baseline_nothing_is_said_of_changes() -> None:
    recording, rig = read_recording(CAPTURES / "heron-round.pcapng"), read_rig(CAPTURES / "heron.toml")
    path = str(CAPTURES / "heron-bench.pcapng")
    done = sign_off(recording, rig, baseline=Baseline(path, read_recording(path)))
    alone = sign_off(recording, rig)
    assert (alone.compared, done.compared is not None) == (None, True)
    assert [one for one in done.found.checks if one.part != "change"] == list(alone.found.checks)
    assert {one.name for one in done.found.checks if one.part == "change"} >= {"period", "bursts of outages"}
