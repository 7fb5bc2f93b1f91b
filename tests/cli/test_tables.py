"""Tables and sentences of commands for results that no shipped recording gives: none, one, many, and what is odd."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from busbench.analysis.change import Figure
from busbench.analysis.clock_text import decimals_of
from busbench.analysis.line_probe import LineState, ProbeResult
from busbench.capture.frames import Span
from busbench.cli import channels, compare, loop, outages, outages_several, output, probe, timing
from busbench.cli.loop import LoopResult
from busbench.cli.output import same_unit, table_lines, to_the_millisecond, write_csv
from busbench.cli.record import RecordResult
from busbench.drive.pattern import PatternSource, pattern_block
from busbench.errors import PortError
from busbench.line import BUS_LINE, Chunk
from busbench.port.port import Transmission
from busbench.wire.scale import Scale

Capsys = pytest.CaptureFixture[str]


def made(**fields: object) -> Any:
    return SimpleNamespace(**fields)


def event(kind: str = "gap", start_s: float | None = 1.0, duration_s: float | None = 0.5) -> Any:
    return made(kind=kind, start_s=start_s, duration_s=duration_s, frames=3, bytes=75, offset=100)


def found_outages(**fields: object) -> Any:
    zero = made(count=0, frames=0, total_s=None, longest_s=None)
    usual: dict[str, object] = {
        "frames": 100, "duration_s": 1.4, "period_s": 0.014, "start_utc": None, "events": (), "summary": {"gap": zero},
        "missed_ratio": 0.5, "missed_ratio_upper95": 0.6, "missed": 50, "expected": 100, "notes": (), "stray_bytes": 0,
        "between_marks": (),
    }  # fmt: skip
    return made(**(usual | fields))


@pytest.mark.parametrize(("many", "more"), [(40, ""), (41, "… and 1 more (--all lists them)")])
def test_outages_beyond_forty_are_counted(capsys: Capsys, many: int, more: str) -> None:
    outages._print_table(found_outages(events=(event(),) * many), Span(), show_all=False)
    lines = capsys.readouterr().out.splitlines()
    assert lines.count("gap       1.000      0.500       3     75     100") == 40
    assert [line for line in lines if line.startswith("…")] == [more] * bool(more)
    outages._print_table(found_outages(events=(event(),) * many), Span(), show_all=True)
    assert capsys.readouterr().out.count("gap       1.000") == many


@pytest.mark.parametrize(
    ("fields", "line"),
    [
        ({}, "100 frames, 1.400 s, period 14.000 ms"),
        ({"frames": 1, "duration_s": None, "period_s": None}, "1 frame, period not known"),
        ({"start_utc": "2026-05-28T20:26:40.003000000Z"},
         "100 frames, 1.400 s, period 14.000 ms   begun 2026-05-28T20:26:40.003Z"),
    ],
)  # fmt: skip
def test_the_first_line_says_what_is_known(capsys: Capsys, fields: dict[str, object], line: str) -> None:
    outages._print_table(found_outages(**fields), Span(), show_all=False)
    assert capsys.readouterr().out.splitlines()[0] == line


def test_stretches_between_annotations_are_a_table(capsys: Capsys) -> None:
    parts = (
        made(start_mark="", end_mark="30 paces", start_s=0.0, end_s=12.34, frames=800, missed=2),
        made(start_mark="30 paces", end_mark="", start_s=12.34, end_s=20.0, frames=500, missed=0),
    )
    outages._print_table(found_outages(between_marks=parts), Span(), show_all=False)
    assert capsys.readouterr().out.splitlines()[-3:] == [
        "from annotation  to annotation  from, s  to, s  frames  missed",
        "start            30 paces           0.0   12.3     800       2",
        "30 paces         end               12.3   20.0     500       0",
    ]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"missed_ratio": None}, "no frames: the ratio of missed frames is not known"),
        ({"missed": 1234, "expected": 5678, "missed_ratio": 0.21733, "missed_ratio_upper95": 0.2265},
         "missed 1,234 of 5,678 frames due: 21.73 %, 95 % upper confidence limit 22.7 %"),
        ({"missed": 0, "expected": 60, "missed_ratio": 0.0, "missed_ratio_upper95": 0.0487},
         "missed 0 of 60 frames due: 0 %, 95 % upper confidence limit 4.87 %"),
        ({"missed": 0, "expected": 59, "missed_ratio": 0.0, "missed_ratio_upper95": 0.0495},
         "missed 0 of 59 frames due: 0 %, 95 % upper confidence limit 4.95 %: too few frames to say anything"),
        ({"missed": 1, "expected": 1, "missed_ratio": 1.0, "missed_ratio_upper95": 1.0},
         "missed 1 of 1 frame due: 100 %, 95 % upper confidence limit 100 %: too few frames to say anything"),
    ],
)  # fmt: skip
def test_the_ratio_in_words(fields: dict[str, object], words: str) -> None:
    assert outages.loss_words(found_outages(**fields)) == words


@pytest.mark.parametrize(
    ("percent", "text"), [(0.12301, "0.124"), (0.123, "0.123"), (99.94, "100"), (99.9, "99.9"), (12.31, "12.4")]
)
def test_a_bound_is_rounded_up(percent: float, text: str) -> None:
    assert outages._at_most(percent) == text


def test_what_is_noted_of_the_bytes() -> None:
    note = "note: {}, so gaps cannot be seen; damaged bytes count as frames by their number"
    assert outages._notes(found_outages(), Span()) == []
    assert outages._notes(found_outages(notes=("odd",), stray_bytes=1), Span()) == [
        "note: odd", "note: 1 damaged byte came where no frame was due",
    ]  # fmt: skip
    assert outages._notes(found_outages(period_s=None), Span()) == [note.format("no period was found")]
    assert outages._notes(found_outages(period_s=None, duration_s=None), Span()) == [note.format("no clock")]
    span = Span(1000, None, None, [(1, 2), (3, 4), (5, 6), (7, 8)])
    assert outages._notes(found_outages(), span) == [
        "AMBIGUOUS: bytes 1-2, 3-4, 5-6 can be read in two ways that are equally good: record it with a clock"
    ]


@pytest.mark.parametrize(("many", "more"), [(40, 0), (42, 2)])
def test_receivers_out_at_once_beyond_forty_are_counted(
    capsys: Capsys, monkeypatch: pytest.MonkeyPatch, many: int, more: int
) -> None:
    monkeypatch.setattr("busbench.analysis.several.sentences", lambda _: ["said of both"])
    own = found_outages(missed_ratio=None, events=(event(duration_s=None), event(duration_s=0.25)))
    overlap = made(start_s=2.0, end_s=2.5, sources=(0, 1))
    found = made(
        sources=[made(name="left", outages=own), made(name="right", outages=found_outages(events=()))],
        coincidence=made(overlaps=(overlap,) * many, start_s=1.0, end_s=61.0),
    )
    for show_all in (False, True):
        outages_several._print_table(found, show_all=show_all)
        lines = capsys.readouterr().out.splitlines()
        assert "0   left         100      50      -        2  250.000 ms" in lines
        assert "1   right        100      50   50 %        0         0 s" in lines
        assert lines.count("2.000               500.000 ms        0 1") == (many if show_all else 40)
        told = [f"… and {more} more (--all lists them)"] if more and not show_all else []
        assert [line for line in lines if line.startswith("…")] == told
        assert lines[-1] == "said of both"


def glitch(time_s: float | None) -> Any:
    return made(time_s=time_s, frame=7, offset=175, channel=3, value_counts=1500, size_counts=-500)


@pytest.mark.parametrize(("total", "more"), [(10, ""), (12, "… and 2 more (--format json lists up to 1000)")])
def test_glitches_beyond_ten_are_counted(capsys: Capsys, total: int, more: str) -> None:
    one = made(channel=3, min_counts=172, max_counts=1811, span_counts=1639, mean_counts=992.04,
               still_noise_counts=None, moves=2, glitches=total)  # fmt: skip
    glitches = [glitch(1.2345), glitch(None), *[glitch(2.0)] * (total - 2)]
    found = made(frames=100, flagged=1, damaged=0, channels=(one,), glitches=glitches, glitch_counts=40)
    channels._print_table(found, Scale())
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "100 frames, 1 of them flagged lost or failsafe"
    assert " 3  172  1811   1639  992.0  988…2012              -      2        10".replace("10", str(total)) in lines
    assert "       1.234      7     175   3    1500  -500" in lines
    assert "           -      7     175   3    1500  -500" in lines
    assert lines[-1] == (more or "       2.000      7     175   3    1500  -500")


def test_no_frames_have_no_channels(capsys: Capsys) -> None:
    channels._print_table(made(frames=1, flagged=0, damaged=2, channels=(), glitches=()), Scale())
    assert capsys.readouterr().out == "1 frame, 0 of them flagged lost or failsafe; 2 damaged, left out\n\n"


def test_a_bar_has_its_interval_its_change_and_arrows_where_it_goes_on() -> None:
    def bar(low: float, change: float, high: float) -> str:
        return compare._bar(Figure("x", "counts", 0.0, change, 1.0, low, high, (-8.0, 8.0)), is_ascii=True)

    # The sixth of eleven columns is no change, the third and the ninth are what matters.
    assert [bar(-2.0, 0.0, 2.0), bar(-2.0, 2.0, 6.0), bar(-12.0, -4.0, 1.0)] == [
        "  [ -o- ]  ", "  [ --o-]  ", " --o--  ]  ",
    ]  # fmt: skip
    assert [bar(-40.0, -30.0, -20.0), bar(20.0, 30.0, 40.0)] == ["o [  |  ]  ", "  [  |  ] o"]
    assert bar(-40.0, 0.0, 40.0) == "<----o---->"


def result(**fields: object) -> ProbeResult:
    return ProbeResult(line=LineState.FRAMES, says="frames are on the line", **fields)  # type: ignore[arg-type]


def test_a_probe_says_what_to_do_and_what_came(capsys: Capsys) -> None:
    probe.show(result(bytes_total=25, judged=25, sample=b"\x0f"), "table")
    assert capsys.readouterr().out == "frames are on the line\n"
    other = next(state for state in LineState if state is not LineState.FRAMES)
    odd = ProbeResult(other, "noise", "turn it round", 2500, 3, sample=b"\x0f\xe0", judged=1000)
    probe.show(odd, "table")
    assert capsys.readouterr().out.splitlines() == [
        "noise",
        "what to do: turn it round",
        "judged by the first 1,000 of 2,500 bytes",
        "2,500 bytes, 3 of them marked as damaged, the first: 0F E0",
    ]
    probe.show(ProbeResult(other, "noise", "", 1, 0, sample=b"\x0f", judged=1), "table")
    assert capsys.readouterr().out.splitlines() == ["noise", "1 byte, the first: 0F"]
    probe.show(result(end_bytes=((4, 7), (0x14, 6)), period_s=0.015, frames=13, replies=2), "csv")
    head, row = capsys.readouterr().out.splitlines()
    assert head == (
        "line,says,advice,bytes,judged_bytes,marked_bytes,frames,period_s,end_bytes,slot_replies,damaged_bytes,sample"
    )
    assert row == f"{LineState.FRAMES.value},frames are on the line,,0,0,0,13,0.015,0x04 0x14,2,0,"


def echo(**counts: int) -> Any:
    return made(**{"intact": 10, "damaged": 0, "lost": 0, "stray_bytes": 0, "back_ns": np.empty(0), **counts})


@pytest.mark.parametrize(
    ("counts", "sent", "marked", "verdict"),
    [
        ({"intact": 0}, 0, 0, "FAIL: nothing was sent"),
        ({"intact": 0}, 10, 0, "FAIL: nothing came back"),
        ({"intact": 0, "stray_bytes": 1}, 10, 0, "FAIL: only other bytes came back"),
        ({"damaged": 1}, 10, 0, "FAIL: not all came back"),
        ({"lost": 1}, 10, 0, "FAIL: not all came back"),
        ({"stray_bytes": 1}, 10, 0, "FAIL: all came back, with more than was sent"),
        ({}, 10, 1, "FAIL: all came back, with more than was sent"),
        ({}, 10, 0, "PASS: all came back"),
    ],
)
def test_verdicts_of_a_loop(counts: dict[str, int], sent: int, marked: int, verdict: str) -> None:
    assert loop._verdict(echo(**counts), sent, marked).startswith(verdict)


@pytest.mark.parametrize(
    ("counts", "sent", "bad", "is_good"),
    [({}, 10, b"", True), ({}, 11, b"", False), ({"stray_bytes": 1}, 10, b"", False), ({}, 10, b"\0\4", False)],
)
def test_a_loop_is_good_if_all_came_back_and_nothing_else(
    counts: dict[str, int], sent: int, bad: bytes, is_good: bool
) -> None:
    at = np.arange(10)
    back = echo(back_ns=at * 1_000_000 + 4_000_000, number=at, **counts)  # type: ignore[arg-type]
    sent_chunks = [made(t_ns=i * 1_000_000) for i in range(sent)]
    found = loop._judge(back, [made(bad=bad)], cast(Any, sent_chunks), skipped=3, character_ns=120_000)
    assert (found.is_good, found.marked_bytes, found.sent, found.received) == (is_good, int(bool(bad)), sent, 10)
    assert found.latency_s == {"min": 0.004, "median": 0.004, "p99": 0.004, "max": 0.004}
    assert (found.skipped, found.wire_s) == (3, 0.003)


@pytest.mark.parametrize("is_one", [True, False])
def test_a_loop_listens_for_half_a_second_more(is_one: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last echo may wait in an adapter; of two ports the sending one is read as well, for its events."""
    now_s, reads = [0.0], {"out": 0, "back": 0}
    how = made(is_over=False)

    def read(name: str, timeout_s: float) -> list[str]:
        reads[name] += 1
        now_s[0] += timeout_s
        how.is_over = now_s[0] > 0.17
        return [f"{name} at {now_s[0]:.2f}"] if timeout_s else []

    out = made(read=lambda timeout_s: read("out", timeout_s), sent=lambda: ["sent"], transmission=how)
    back = out if is_one else made(read=lambda timeout_s: read("back", timeout_s))
    monkeypatch.setattr("time.monotonic", lambda: now_s[0])
    received, sent = cast(tuple[list[Any], list[Any]], loop._exchange(out, back))
    name = "out" if is_one else "back"
    # Sending ends at 0.20 s: 0.05 s for each read, until half a second later.
    assert received[:1] == [f"{name} at 0.05"]
    assert received[-1] in (f"{name} at 0.70", f"{name} at 0.75")
    assert len(sent) == reads[name]
    assert reads["out"] == len(received)


class Taking:
    """A port that is given a pattern, and says how that went."""

    def __init__(self, how: Transmission | None) -> None:
        self.transmission = how
        self.line = BUS_LINE
        self.done: list[Any] = []

    def read(self, timeout_s: float) -> list[Chunk]:
        self.done.append(timeout_s)
        return []

    def transmit(self, source: PatternSource) -> None:
        self.done.append(source)


@pytest.mark.parametrize("names", [("a",), ("a", "b")])
@pytest.mark.parametrize(("seconds", "blocks"), [(0.002, 1), (0.7, 100), (0.0104, 1), (0.0106, 2)])
def test_a_loop_sends_blocks_for_so_long_after_the_bytes_from_before(
    names: tuple[str, ...], seconds: float, blocks: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    ports, opened = {name: Taking(Transmission(blocks, is_over=True)) for name in names}, []

    def open_live(name: str, *, is_sender: bool = False) -> AbstractContextManager[Taking]:
        opened.append((name, is_sender))
        return nullcontext(ports[name])

    monkeypatch.setattr("busbench.bench.sources.open_live", open_live)
    monkeypatch.setattr(loop, "_exchange", lambda out, back: ([], [made(t_ns=0)] * blocks))
    found = loop.loop(*names, seconds=seconds, seed=7)
    assert opened == [("a", True), ("b", False)][: len(names)]
    assert (found.sent, found.lost, found.is_good) == (blocks, blocks, False)
    (source,) = (one for one in ports["a"].done if isinstance(one, PatternSource))
    assert ports[names[-1]].done[0] == 0.05
    assert (source.period_s, source.next_frame()) == (0.007, pattern_block(0, seed=7))
    assert len(list(iter(source.next_frame, None))) == blocks - 1


@pytest.mark.parametrize(
    ("how", "says"),
    [(None, "sent nothing"), (Transmission(3, is_over=True, reason="the port is gone"), "the port is gone")],
)
def test_a_loop_whose_port_does_not_send_ends_in_one_line(
    how: Transmission | None, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busbench.bench.sources.open_live", lambda *_, **__: nullcontext(Taking(how)))
    monkeypatch.setattr(loop, "_exchange", lambda out, back: ([], []))
    with pytest.raises(PortError) as caught:
        loop.loop("a")
    assert str(caught.value) == f"a: {says}: see to the port, then try again"


def test_a_loop_as_rows_and_without_what_did_not_happen(capsys: Capsys) -> None:
    none = LoopResult(5, 0, 0, 5, 0, 0, 0, 0.003, None, "FAIL: so", False)
    loop.show(none, "csv")
    assert capsys.readouterr().out.splitlines() == [
        "sent,received,damaged,lost,stray_bytes,marked_bytes,skipped,wire_s,verdict", "5,0,0,5,0,0,0,0.003,FAIL: so",
    ]  # fmt: skip
    loop.show(none, "table")
    assert capsys.readouterr().out.splitlines() == [
        "blocks sent      5", "       received  0", "       damaged   0", "       lost      5", "FAIL: so",
    ]  # fmt: skip
    marked = LoopResult(5, 5, 0, 0, 0, 2, 0, 0.003, {"min": 0.003}, "FAIL: so", False)
    assert loop.text_lines(marked)[4] == "stray bytes      0, marked as damaged by the line 2"
    loop.show(marked, "csv")
    assert capsys.readouterr().out.splitlines()[0].endswith(",verdict,latency_min_s")


@pytest.mark.parametrize(("rms_s", "digits"), [(0.0, 6), (-1.0, 6), (1.2e-5, 3), (1e-3, 1), (0.02, 0), (1e-9, 6)])
def test_decimals_of_a_period_suit_its_jitter(rms_s: float, digits: int) -> None:
    assert decimals_of(rms_s) == digits


def test_a_value_that_is_not_known_is_a_dash_and_lists_are_rows() -> None:
    assert (timing._ms(None, 3), timing._ms(0.0123456, 3)) == ("-", "12.346")
    assert timing._flat({"a": {"b": 1, "c": None}, "mtie": [[0.5, 2], [1.0, 3]], "d": "x"}) == [
        ("a.b", 1), ("a.c", None), ("mtie[0.5]", 2), ("mtie[1]", 3), ("d", "x"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("values_s", "unit", "shown"),
    [
        ([], "µs", []),
        ([1.0, 0.5], "s", ["1.000", "0.500"]),
        ([-1.0], "s", ["-1.000"]),
        ([0.9994], "ms", ["999.400"]),
        ([0.001], "ms", ["1.000"]),
        ([0.00099, 1e-7], "µs", ["990.0", "0.1"]),
    ],
)
def test_times_of_one_table_have_the_unit_of_the_largest(values_s: list[float], unit: str, shown: list[str]) -> None:
    assert same_unit(values_s) == (unit, shown)


def test_columns_are_as_wide_as_their_widest_cell() -> None:
    assert table_lines(["a", "bb"], []) == ["a  bb"]
    assert table_lines(["a", "b"], [["xyz", "1234"], ["", "5"]]) == ["a       b", "xyz  1234", "        5"]
    assert table_lines(["a", "b"], [["xy", "z"], ["x", ""]], left=2) == ["a   b", "xy  z", "x"]
    assert table_lines(["aa"], [["1"]], left=0) == ["aa", " 1"]


def test_rows_for_programs_hold_no_formulas(capsys: Capsys) -> None:
    write_csv(("a", "=b"), [(None, True), ("=1+1", -1.5), ("@x", "x"), ('q"', "-2")])
    assert capsys.readouterr().out == 'a,\'=b\n,1\n\'=1+1,-1.5\n\'@x,x\n"q""",-2\n'


def test_a_date_is_cut_to_the_millisecond() -> None:
    assert to_the_millisecond("2026-05-28T20:26:40.003999Z") == "2026-05-28T20:26:40.003Z"
    assert to_the_millisecond("2026-05-28T20:26:40Z") == "2026-05-28T20:26:40Z"


def test_the_totals_of_a_recording_name_what_there_was() -> None:
    none = RecordResult()
    assert str(none) == "0 frames, 0 flagged lost, 0 damaged bytes, 0.0 kB, 0:00:00"
    assert none.advice("/dev/tty A") == "not one byte came: try `busbench probe '/dev/tty A'`"
    assert RecordResult(bytes_total=1).advice("COM3") == "bytes came, but no frame: try `busbench probe COM3`"
    assert RecordResult(frames=1).advice("COM3") == ""
    some = RecordResult(5172, 1234, 1000, 7, 1, 129_349, seconds=3725.9, away_s=2.04, silent_s=0.56)
    assert str(some) == (
        "5,172 frames, 1,234 flagged lost, 1,000 failsafe, 7 damaged, 1 damaged byte, 129.3 kB, 1:02:05;"
        " the port was away for 2.0 s; nothing came in the last 0.6 s"
    )


@pytest.mark.parametrize(("encoding", "can"), [("utf-8", True), ("ascii", False), ("unheard-of", False), (None, True)])
def test_signs_that_the_output_cannot_show_are_known(
    monkeypatch: pytest.MonkeyPatch, encoding: str | None, can: bool
) -> None:
    monkeypatch.setattr(output.sys, "stdout", SimpleNamespace(encoding=encoding))  # type: ignore[attr-defined]
    assert output.can_write("─") is can
