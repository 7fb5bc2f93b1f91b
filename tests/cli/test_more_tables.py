"""Tables of measured voltages, rankings, histories and pulse outputs for results that no shipped recording gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from busbench.analysis.change import Figure
from busbench.analysis.coincidence import Coincidence
from busbench.analysis.pulse_fit import Fit
from busbench.analysis.ranking import Ranked
from busbench.analysis.trend import History, Point, Trend
from busbench.cli import compare, loop, output, pulses, rig_measured, survey, survey_history, watch
from busbench.errors import DriveError, RigError
from tests.cli.running import CAPTURES
from tests.cli.test_tables import Capsys, event, made


def lead(name: str, extra_ohm: float, lost_v: float = 0.1) -> Any:
    return made(name=name, to=name, planned_ohm=0.0853, extra_ohm=extra_ohm, low_ohm=extra_ohm - 0.01,
                high_ohm=extra_ohm + 0.02, lost_v=lost_v, current_a=1.5)  # fmt: skip


def explained(**fields: object) -> list[str]:
    usual: dict[str, object] = {
        "verdict": "explained", "leads": (), "alternatives": (), "reason": "", "next_node": "",
        "next_differs_v": 0.1234, "next_current": "", "noise_v": None,
    }  # fmt: skip
    return list(rig_measured._explanation(made(**(usual | fields)), "mohm"))


def test_a_lead_with_more_and_one_with_less_than_planned() -> None:
    assert explained(leads=(lead("a", 0.15), lead("b", -0.05, -0.2))) == [
        "a: 150.0 mohm more than planned (140.0 to 170.0, 95 % interval; planned 85.3 mohm)",
        "  loses 0.100 V more at 1.50 A: check its contacts first, then length and gauge",
        "b: 50.0 mohm less than planned (30.0 to 60.0, 95 % interval; planned 85.3 mohm)",
        "  loses 0.200 V less at 1.50 A: check its contacts first, then length and gauge",
    ]
    assert explained(leads=(lead("a", 0.0, 0.0),))[0].startswith("a: 0.0 mohm more than planned (-10.0 to 20.0,")


def test_what_cannot_be_told_and_what_to_measure_next() -> None:
    two = (lead("a", 0.15), lead("b", 0.2))
    told = explained(verdict="cannot tell", alternatives=two, next_node="tail", next_current="hub", noise_v=0.01)
    assert [line for line in told if not line.startswith("  ")] == [
        "cannot tell: these fit equally well",
        "measure the voltage at tail next: it differs by 0.123 V between them",
        "measure the current of hub too, for narrower intervals",
        "not explained: 10.0 mV rms",
    ]
    told = explained(verdict="cannot tell", leads=two[:1], alternatives=two)
    assert told[2] == "cannot tell what is left: these fit equally well"
    assert told[-1] == "measure again with more current or for longer: no further voltage distinguishes them"
    assert explained(verdict="cannot tell", reason="no current was measured") == [
        "cannot tell: no current was measured"
    ]
    assert explained(verdict="nothing found", next_current="hub") == [
        "no lead differs from the plan by more than these readings can show",
        "measure the current of hub too, for narrower intervals",
    ]
    assert explained(next_current="hub", noise_v=0.0) == ["not explained: 0.0 mV rms"]


def sags(many: int, beside: list[Any], outage_count: int = 0, min_v: float | None = 6.5) -> Any:
    one = made(start_s=1.0, end_s=1.25, min_v=5.25)
    voltages = [made(min_v=min_v, has_sag=False), made(min_v=None, has_sag=True), made(min_v=6.0, has_sag=False)]
    return made(
        node="receiver", below_v=5.5, reading_s=0.1, sags=(one,) * many, outages=voltages[:outage_count],
        beside=lambda _: beside,
        coincidence=Coincidence(0.0, 9.0, (), 0.0, 0.0, 0.0, "no", 2, 1, 0.1234, 0.5, 1.0),
    )  # fmt: skip


def test_sags_none_one_and_many() -> None:
    assert list(rig_measured._sag_lines(sags(0, []))) == [
        "receiver: never below 5.5 V; readings 100.000 ms apart: shorter sags may be missing"
    ]
    head, table, last = rig_measured._sag_lines(sags(1, [], min_v=None))
    assert head == "receiver, below 5.5 V: 1 sag; readings 100.000 ms apart: shorter sags may be missing"
    assert " ".join(table.splitlines()[1].split()) == "1.000 250.000 ms 5.250 none"
    assert last == "without a sag: 0 of 0 outages"
    _, table, more, calm, together = rig_measured._sag_lines(sags(22, [event(), event()], 3))
    assert len(table.splitlines()) == 21
    assert table.splitlines()[1].endswith("  gap from 1.000 s for 500.000 ms and 1 more")
    assert more == "… and 2 more (--format json lists them)"
    assert calm == "without a sag: 2 of 3 outages: 6.000 V or more in them"
    assert together.startswith("1 of 2 bursts coincides, 0.123 expected by chance: ")
    *_, table, calm = rig_measured._sag_lines(sags(20, [event()]))
    assert table.splitlines()[1].endswith("  gap from 1.000 s for 500.000 ms")
    _, _, calm, _ = rig_measured._sag_lines(sags(1, [], 1, min_v=None))
    assert calm == "without a sag: 1 of 1 outage"


def ranked(name: str, ratio: float | None, low: float | None, high: float | None) -> Ranked:
    return Ranked(name, None, None, None, 2, 100, ratio, 1, low, high, None)


def test_bars_of_a_ranking_are_on_powers_of_ten() -> None:
    def bar(ratio: float | None, low: float | None, high: float | None) -> str:
        return survey.bar(ranked("a", ratio, low, high), is_ascii=True)

    assert bar(None, None, 0.1) == bar(None, 0.1, None) == ""
    assert bar(0.01, 0.001, 0.1) == "     --o---  "
    assert bar(0.0, 0.0, 0.001) == "<-----       "
    assert bar(0.00001, 0.00001, 1.0) == "o------------"
    assert bar(1.0, 0.00001, 1.0) == "------------o"
    assert survey.bar(ranked("a", 0.01, 0.0, 0.1), is_ascii=False) == "◄──────●───  "


@pytest.mark.parametrize(("many", "errors"), [(20, 5), (22, 6)])
def test_a_ranking_shows_the_first_and_counts_the_rest(capsys: Capsys, many: int, errors: int) -> None:
    names = [ranked("x" * 34, 0.01, 0.001, 0.1), *[ranked("y" * 35, 0.01, 0.001, 0.1)] * (many - 1)]
    wrong = [(f"{at}.raw", "is cut") for at in range(errors)]
    survey._print_ranking(names, wrong, show_all=False, is_ascii=True)
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == "x" * 34 + "        1.0      0.10       10       --o---".replace("       --o", "       --o")
    assert lines[2].startswith("…" + "y" * 33 + " ")
    assert sum("--o---" in line for line in lines) == 20
    more = [f"… and {many - 20} more (--all lists them)", f"… and {errors - 5} more (--all lists them)"]
    assert [line for line in lines if line.startswith("… and")] == (more if many > 20 else [])
    assert sum("is cut" in line for line in lines) == 5
    survey._print_ranking(names, wrong, show_all=True, is_ascii=True)
    lines = capsys.readouterr().out.splitlines()
    assert (sum("--o---" in line for line in lines), sum("is cut" in line for line in lines)) == (many, errors)
    assert "… and" not in "".join(lines)


def trend(name: str, values: Sequence[tuple[str, float, float | None]], *, low: float | None = None) -> Trend:
    points = tuple(Point(when, value, None, high) for when, value, high in values)
    return Trend(name, "s", points, 0.014, 1e-9, low, None if low is None else 3e-9)


def test_a_history_lists_the_last_recordings_and_the_trends_that_there_are(capsys: Capsys) -> None:
    days = [(f"2026-05-{day:02}T08:09:00Z", 0.014, None) for day in range(1, 23)]
    trends = (trend("period", days), trend("period jitter, rms", [(days[-1][0], 1e-5, 4e-5)]),
              trend("centre, ch1", days), trend("centre, ch2", days, low=1e-10))  # fmt: skip
    survey_history._print_table(History("Heron\x1b", 24, 2, "", trends), show_all=False)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Heron\\x1b: 24 recordings, 2026-05-01 to 2026-05-22"
    assert lines[2:4] == ["2 recordings have no date and are in no trend", "the last 20 (--all lists 22)"]
    assert lines[5] == "2026-05-03 08:09          -         -        -     14.0000           -        -"
    assert lines[24] == "2026-05-22 08:09          -         -        -     14.0000       0.010    0.040"
    assert [line.split(",")[0] for line in lines if " µs" in line] == ["period", "period jitter", "centre"]
    assert lines[-1] == "not listed: 1 figure of channels without a trend (--all lists them)"
    survey_history._print_table(History("Heron", 22, 0, "", trends), show_all=True)
    lines = capsys.readouterr().out.splitlines()
    assert lines[3].startswith("2026-05-01 08:09 ")
    assert "not listed" not in lines[-1]
    assert "in no trend" not in "".join(lines)
    survey_history._print_table(History("Heron", 1, 1, "", ()), show_all=False)
    assert capsys.readouterr().out.splitlines() == [
        "Heron: 1 recording", "", "1 recording has no date and is in no trend",
        "too few recordings with a date for a trend: three are needed",
    ]  # fmt: skip


def test_a_history_has_a_dash_for_what_a_recording_does_not_show_and_lists_channels_with_a_trend(
    capsys: Capsys,
) -> None:
    first, second = "2026-05-01T08:09:00Z", "2026-05-02T08:09:00Z"
    trends = (trend("missed frames", [(first, 0.099, 0.198)]), trend("period", [(second, 0.014, None)]),
              trend("centre, ch1", [(second, 0.014, None)]),
              trend("centre, ch2", [(second, 0.014, None)], low=1e-10))  # fmt: skip
    survey_history._print_table(History("Heron", 2, 0, "", trends), show_all=False)
    lines = capsys.readouterr().out.splitlines()
    assert [line.split() for line in lines[3:5]] == [
        ["2026-05-01", "08:09", "9.9", "-", "20", "-", "-", "-"],
        ["2026-05-02", "08:09", "-", "-", "-", "14.0000", "-", "-"],
    ]
    assert [line.partition(", µs")[0] for line in lines if ", µs" in line] == ["missed frames", "period", "centre, ch2"]


def pulse_line(name: str, *, fit: Fit | None = None, has_latency: bool = False, note: str = "") -> Any:
    stats = made(mean=1500.0, sd=2.0, min=988.04, max=2012.06)
    late = made(to_json=lambda: dict(zip("abcd", (0.001, 0.002, 0.003, 0.004), strict=True)), late_ns=np.zeros(7))
    return made(name=name, pulses=240, width_us=stats, period_s=made(mean=0.014, sd=1.5e-5, min=0.01, max=0.02),
                fit=fit, latency=late if has_latency else None, note=note)  # fmt: skip


def test_pulse_lines_with_and_without_fit_and_latency(capsys: Capsys) -> None:
    fit = Fit(3, (4, 5), 1500.123, 0.625004, 0.001, 0.256, 0.5, 1, 0, 173, 1811)
    even = pulse_line("c", fit=replace(fit, us_per_count_se=0.0001, is_centre_known=False))
    bare = pulse_line("b", note="follows no channel")
    skews = (made(sources=("a", "b"), matches=9, median_s=0.0015, low_s=None, high_s=0.002),)
    found = made(bus="bus", frames=1, resolution_us=0.5, skews=skews,
                 lines=(pulse_line("a", fit=fit, has_latency=True), bare, even))  # fmt: skip
    assert pulses._row(bare) == ("b", 240, 1500.0, 2.0, 988.04, 2012.06, 0.014, 1.5e-5, *[None] * 10)
    assert pulses._row(found.lines[0])[8:] == (3, 1500.123, 0.625004, 0.001, 0.256, 1, 0.001, 0.002, 0.003, 0.004)
    assert pulses._row(even)[8:] == (3, None, 0.625004, 0.0001, 0.256, 1, *[None] * 4)
    pulses._print_table(found)
    done = capsys.readouterr()
    assert done.out.splitlines() == [
        "bus on bus: 1 frame; times in steps of 0.5 µs",
        "",
        "line  pulses        width µs  period ms  sd ms",
        "a        240  988.0 … 2012.1     14.000  0.015",
        "b        240  988.0 … 2012.1     14.000  0.015",
        "c        240  988.0 … 2012.1     14.000  0.015",
        "",
        "line     ch  µs at 992  µs a count  residual µs  lag",
        "a     3/4/5    1500.12     0.62500         0.26    1",
        "b         -          -           -            -    -",
        "c     3/4/5          ?     0.62500         0.26    1",
        "",
        "latency  frames  min ms  median ms  99 % ms  max ms",
        "a             7  1.0000     2.0000   3.0000  4.0000",
        "",
        "skew       frames  median ms  5 % ms  95 % ms",
        "b after a       9     1.5000       -   2.0000",
        "",
        "for the rig file:",
        "[scale]",
        "centre_counts = 992",
        "centre_us = 1500.12",
        "us_per_count = 0.62500",
    ]
    assert done.err == "busbench: b: follows no channel\n"
    pulses._print_table(made(bus="bus", frames=2, resolution_us=1.0, skews=(), lines=(bare,)))
    assert "latency" not in (out := capsys.readouterr().out)
    assert "for the rig file" not in out
    assert "skew" not in out


@pytest.mark.parametrize(
    ("resolution_us", "least"),
    [(20_000.0, "1"), (1000.0, "1"), (999.0, "1.0"), (1.0, "1.000"), (0.5, "1.0000"), (0.001, "1.000000"),
     (0.0001, "1.000000")],
)  # fmt: skip
def test_latencies_have_the_digits_of_one_step_of_the_times(resolution_us: float, least: str, capsys: Capsys) -> None:
    found = made(resolution_us=resolution_us, lines=(pulse_line("a", has_latency=True),), skews=())
    pulses._print_latency(found)
    assert capsys.readouterr().out.splitlines()[-1].split()[:3] == ["a", "7", least]


@pytest.mark.parametrize(("devices", "name"), [("x" * 9, "noise, ch3 xxxxxxxxx"), ("x" * 10, "noise, ch3")])
def test_a_figure_has_the_names_of_its_devices_where_they_fit(
    devices: str, name: str, monkeypatch: pytest.MonkeyPatch, capsys: Capsys
) -> None:
    """A name and its unit have 28 columns."""
    monkeypatch.setattr("busbench.analysis.comparison_text.sentences", lambda _: [])
    figure = Figure("noise", "counts", 1.0, 2.0, 0.5, 0.5, 1.5, (-1.0, 1.0), "ch3", devices)
    found: Any = made(figures=(figure,))
    compare._print_table(found, show_all=True, is_ascii=True)
    assert capsys.readouterr().out.splitlines()[1].startswith(f"{name}, counts  ")


def test_a_fault_of_an_aircraft_that_is_watched_must_fit_it() -> None:
    source = f"virtual:{CAPTURES / 'heron.toml'}"
    assert [str(one) for one in watch.faults_of(("dead:rudder",), source=source, rig=None)] == ["dead:rudder"]
    assert watch.faults_of((), source="virtual:", rig=None) == ()
    with pytest.raises(RigError, match="nose wheel"):
        watch.faults_of(("dead:nose wheel",), source=source, rig=None)
    with pytest.raises(DriveError, match="--fault: works with virtual:RIG only"):
        watch.faults_of(("dead:rudder",), source="virtual:", rig=None)


def test_json_holds_signs_as_they_are_and_nothing_that_json_does_not_know(capsys: Capsys) -> None:
    output.write_json({"unit": "µs", "least": [1, None]})
    assert capsys.readouterr().out == '{\n  "unit": "µs",\n  "least": [\n    1,\n    null\n  ]\n}\n'
    with pytest.raises(ValueError, match="not JSON compliant"):
        output.write_json({"least": float("nan")})


def test_latencies_of_a_loop_are_those_of_its_blocks_in_whatever_order_they_come_back() -> None:
    number = np.arange(101)[::-1]  # block n comes back n ms after it was sent
    back: Any = made(intact=101, damaged=0, lost=0, stray_bytes=0, number=number, back_ns=11_000_000 * number)
    sent: Any = [made(t_ns=10_000_000 * at) for at in range(101)]
    found = loop._judge(back, [], sent, skipped=0, character_ns=120_000)
    assert found.latency_s == {"min": 0.0, "median": 0.05, "p99": 0.099, "max": 0.1}
