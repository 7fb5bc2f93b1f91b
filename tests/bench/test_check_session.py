"""A guided round: chunks and key presses in, the same checks out."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import heron
import numpy as np
import pytest

from busbench.analysis.recording import read_recording
from busbench.bench.check_session import CheckSession, CheckState
from busbench.bench.receiver import Receiver
from busbench.drive.surface_check import Word
from busbench.errors import BusbenchError
from busbench.line import BUS_LINE, Chunk, WakeUps
from busbench.port.port import EventKind, HearingPort, PortEvent
from busbench.reference.topics import source_text
from busbench.sim.aircraft import VirtualAircraft
from busbench.sim.aircraft_port import AircraftPort
from busbench.verify.procedure import round_of
from busbench.verify.repeats import Repeat
from busbench.verify.result import Verdict
from busbench.verify.verify import Verification, verify
from busbench.verify.windows import ON_MARK
from tests.rig.rigs import device, rig
from tests.verify.rounds import RIG, not_passed


def chunks_of(*faults: heron.Fault) -> list[Chunk]:
    log = heron.read_by_adapter(RIG, heron.fly_round(RIG, faults=faults))
    starts = [0, *log.mark_end[:-1].tolist()]
    return [
        Chunk(t, log.data[start:end].tobytes())
        for start, end, t in zip(starts, log.mark_end.tolist(), log.mark_t_ns.tolist(), strict=True)
    ]


class ChunkPort(HearingPort):
    """Gives chunks by the test's clock."""

    def __init__(self, chunks: list[Chunk]) -> None:
        super().__init__("port", line=BUS_LINE)
        self.t_ns, self._chunks, self.is_over = 0, chunks, False

    @property
    def has_ended(self) -> bool:
        return self.is_over

    def now(self) -> int:
        return self.t_ns

    def read(self, timeout_s: float) -> list[Chunk]:
        due = [chunk for chunk in self._chunks if chunk.t_ns <= self.t_ns]
        self._chunks = self._chunks[len(due) :]
        return due

    def unplug(self, text: str) -> None:
        self._events.append(PortEvent(self.t_ns, EventKind.UNPLUGGED, text))


class Bench:
    """A check on chunks, its time the test's."""

    def __init__(self, chunks: list[Chunk], *, record: Path | None = None) -> None:
        self.port = ChunkPort(chunks)
        self.receiver = Receiver(self.port, now=self.port.now)
        self.session = CheckSession(self.receiver, RIG)
        self.session.start(None if record is None else str(record))

    def at(self, t_ns: int) -> CheckState:
        self.port.t_ns = t_ns
        self.receiver.pump(0)
        return self.session.state

    def finish(self) -> Verification:
        self.session.finish()
        assert self.session.done is not None
        return self.session.done.found


def lead(*faults: heron.Fault, skip: str = "") -> tuple[Bench, dict[str, list[tuple[str, Verdict]]]]:
    """Lead a session through a round whose steps begin at the round's marks; what each step said."""
    flown, chunks = heron.fly_round(RIG, faults=faults), chunks_of(*faults)
    bench = Bench(chunks)
    session = bench.session
    # The round was flown sooner than a person is asked to go on.
    session.steps = tuple(replace(step, least_s=0.1) for step in session.steps)
    said: dict[str, list[tuple[str, Verdict]]] = {}
    begins = [0, *(t for t, _ in flown.marks)]
    steps = [step for step in session.steps if not step.is_optional]
    for at, (begin, end) in enumerate(zip(begins, [*begins[1:], chunks[-1].t_ns + 1], strict=True)):
        bench.at(begin)
        session.hear(Word.SKIP if steps[at].mark == skip else Word.GO)
        if bench.at(end - 1) is CheckState.RETURN:
            session.hear(Word.GO)
        if (found := session.results[at]) is not None:
            said[steps[at].mark] = [(c.name, c.verdict) for c in found if c.verdict is not Verdict.PASS]
    return bench, said


def test_the_steps_of_the_heron() -> None:
    steps = round_of(RIG)
    assert [step.mark for step in steps] == [
        "rest", "aileron stick", "flap lever", "elevator stick", "rudder stick", "gear switch", "release switch",
        "motor slider", "controls held away", "transmitter off", "transmitter on", "controls let go",
        "receiver on", "transmitter on after the receiver",
    ]  # fmt: skip
    assert [step.mark for step in steps if step.is_optional] == ["receiver on", "transmitter on after the receiver"]
    assert steps[1].channels == (1, 2)
    assert steps[1].instruction == (
        'Move "aileron stick" to "right", hold, to the other end, hold, then let go.'
        " It should move 1 left aileron down, 2 right aileron up, and nothing else."
    )
    assert steps[5].instruction.startswith('Move "gear switch" to "down", hold, and back to where it rests.')


def test_a_good_round_passes() -> None:
    bench, said = lead()
    assert not any(said.values())
    assert len(said) == 12
    assert not_passed(bench.finish()) == {}


@pytest.mark.parametrize("seed", range(6))
def test_a_virtual_pilot_moves_nothing_before_its_annotation(seed: int) -> None:
    """A person goes on at any time between two reads of the port."""
    draw, now_ns = np.random.default_rng(seed), [1_000_000_000]
    port = AircraftPort("virtual:", aircraft=VirtualAircraft(RIG, seed=seed), clock=lambda: now_ns[0])
    receiver = Receiver(port, now=lambda: now_ns[0])
    session = CheckSession(receiver, RIG)
    session.start()
    while session.step.mark != ON_MARK:
        now_ns[0] += round(draw.uniform(0.0, 0.3) * 1e9)
        session.hear(Word.SKIP if session.step.channels else Word.GO)
        while session.state is CheckState.LISTENING:
            now_ns[0] += round(draw.uniform(0.0, 0.3) * 1e9)
            receiver.pump(0)
    session.finish()
    assert session.done is not None
    assert [check.sentence for check in session.done.found.checks if check.verdict is Verdict.FAIL] == []


def test_the_engine_of_the_help_passes_its_rehearsal() -> None:
    (engine,) = re.findall(r"^\[\[device\]\]\n.*?(?=^```)", source_text("faq"), re.DOTALL | re.MULTILINE)
    plan = rig(engine, device("rudder", 1, 'high_when = "right"'))
    port = AircraftPort("virtual:", aircraft=VirtualAircraft(plan), is_fast=True)
    receiver = Receiver(port, now=port.now)
    session = CheckSession(receiver, plan)
    session.start()
    while session.state is not CheckState.OVER:
        session.hear(Word.GO)
        receiver.pump(session.left_s)
    assert session.done is not None
    assert not_passed(session.done.found) == {}


def test_a_step_reports_its_fault_at_once() -> None:
    bench, said = lead("reversed aileron")
    assert said.pop("aileron stick") == [("direction", Verdict.FAIL)]
    assert not any(said.values())
    assert bench.finish().verdict is Verdict.FAIL


def test_a_step_left_out_is_found_by_what_moved() -> None:
    # The words are missing, the moves are not.
    bench, said = lead(skip="rudder stick")
    assert "rudder stick" not in said
    assert not_passed(bench.finish()) == {}


def test_a_repeated_step_takes_the_place_of_the_former() -> None:
    bench, flown = Bench(chunks_of()), heron.fly_round(RIG)
    session = bench.session
    session.hear(Word.SKIP)
    session.hear(Word.GO)
    assert bench.at(flown.marks[0][0]) is CheckState.RETURN  # nothing moved: the stick is moved from here on
    session.hear(Word.GO)
    assert ("high end", Verdict.FAIL) in [(c.name, c.verdict) for c in session.results[1] or ()]
    session.hear(Word.BACK)
    session.hear(Word.GO)
    assert bench.at(flown.marks[1][0]) is CheckState.RETURN
    session.hear(Word.GO)
    assert [c.verdict for c in session.results[1] or () if c.name == "high end"] == [Verdict.PASS, Verdict.PASS]


def test_states_by_the_clock() -> None:
    """Rest lasts 4 s and ends by itself; a control asks for its return after 1 s."""
    bench = Bench(chunks_of())
    session = bench.session
    assert bench.at(3_000_000_000) is CheckState.READY
    assert session.words == (Word.GO, Word.SKIP, Word.END)
    session.hear(Word.BACK)  # there is no step before
    session.hear(Word.GO)
    assert bench.at(6_999_000_000) is CheckState.LISTENING
    assert (session.begun_ns, session.left_s) == (3_000_000_000, 0.001)
    assert session.words == (Word.SKIP, Word.BACK, Word.END)
    session.hear(Word.GO)  # it goes on by itself
    assert (bench.at(7_000_000_000), session.at) == (CheckState.READY, 1)
    session.hear(Word.GO)
    assert bench.at(7_999_000_000) is CheckState.LISTENING
    assert bench.at(8_000_000_000) is CheckState.RETURN
    session.hear(Word.BACK)
    assert (session.state, session.at) == (CheckState.READY, 1)
    session.hear(Word.BACK)
    assert (session.state, session.at) == (CheckState.READY, 0)
    session.hear(Word.END)
    assert session.state is CheckState.OVER
    assert not session.words
    assert [(note.t_ns, note.text) for note in bench.receiver.annotations] == [
        (3_000_000_000, "rest"),
        (7_000_000_000, "done"),
        (7_000_000_000, "aileron stick"),
    ]


def test_the_recording_grows_on_the_disk_and_gives_the_same_checks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busbench.capture.pcapng_write._FLUSH_NS", 0)
    path = tmp_path / "f.pcapng"
    bench = Bench(chunks_of(), record=path)
    bench.session.hear(Word.GO)
    bench.at(2_000_000_000)
    assert len(read_recording(str(path)).frames) > 0  # before the end
    bench.at(4_000_000_000)
    bench.port.unplug("unplugged")
    bench.at(5_000_000_000)
    found = bench.finish()
    kept = read_recording(str(path))
    assert [note.text for note in kept.info.marks] == ["rest", "done", "unplugged", "recording ended"]
    assert verify(kept, RIG).checks == found.checks
    assert bench.receiver.recordings == ()


def test_silence_at_the_end_counts_in_the_verdict_and_in_the_recording(tmp_path: Path) -> None:
    chunks, path = chunks_of()[:2000], tmp_path / "f.pcapng"
    bench = Bench(chunks, record=path)
    bench.at(chunks[-1].t_ns)
    bench.at(chunks[-1].t_ns + 3_000_000_000)
    for found in (bench.finish(), verify(read_recording(str(path)), RIG)):
        assert found.loss is not None
        assert found.loss.is_silent
        assert not found.loss.has_ended
        (end,) = found.evidence.recording.info.marks
        lasted_ns = chunks[-1].t_ns - chunks[0].t_ns + 3_000_000_000
        assert (end.t_ns - found.evidence.start_ns, end.text) == (lasted_ns, "recording ended")


def test_a_session_without_a_byte_fails() -> None:
    bench = Bench([])
    bench.session.hear(Word.SKIP)
    bench.session.hear(Word.GO)
    assert bench.at(1_000_000_000) is CheckState.RETURN
    bench.session.hear(Word.GO)
    assert bench.session.results == {0: None, 1: ()}
    assert bench.finish().verdict is Verdict.FAIL


def test_answers_that_mean_nothing_now_change_nothing() -> None:
    bench = Bench([])
    session = bench.session
    session.start("other.pcapng")  # one runs already
    assert session.recording_path is None
    session.hear(Word.YES)
    assert (session.state, session.at) == (CheckState.READY, 0)
    session.hear(Word.END)
    done = session.done
    for word in Word:
        session.hear(word)
    session.finish()
    assert (session.state, session.words, session.done) == (CheckState.OVER, (), done)
    assert session.step is session.steps[0]


def test_a_check_that_is_over_can_begin_again_and_knows_nothing_of_the_former(tmp_path: Path) -> None:
    paths = [tmp_path / f"{name}.pcapng" for name in ("first", "second")]
    chunks = chunks_of()
    bench = Bench(chunks, record=paths[0])
    session = bench.session
    assert session.left_s == 0.0
    session.hear(Word.GO)
    bench.at(2_000_000_000)
    session.hear(Word.SKIP)
    bench.finish()
    assert session.results == {0: None}
    session.start(str(paths[1]))
    assert (session.state, session.at, session.begun_ns, session.results, session.done) == (
        CheckState.READY, 0, 0, {}, None,
    )  # fmt: skip
    bench.at(5_000_000_000)
    session.hear(Word.GO)
    bench.at(5_500_000_000)
    bench.finish()
    recorded = session.recording()
    marks = [mark.text for mark in recorded.info.marks]
    assert marks == ["rest"]
    first_ns, last_ns = recorded.span.first_t_ns or 0, recorded.span.last_t_ns or 0
    assert (first_ns > 2_000_000_000, last_ns <= 5_500_000_000) == (True, True)
    kept = [read_recording(str(path)) for path in paths]
    assert [[mark.text for mark in one.info.marks] for one in kept] == [["rest"], ["rest"]]
    assert kept[0].span.bytes_total == sum(len(chunk.data) for chunk in chunks if chunk.t_ns <= 2_000_000_000)
    assert (
        recorded.span.bytes_total
        == kept[1].span.bytes_total
        == sum(len(chunk.data) for chunk in chunks if 2_000_000_000 < chunk.t_ns <= 5_500_000_000)
    )


def test_a_recording_is_pcapng_and_replaces_none_unasked(tmp_path: Path) -> None:
    bench = Bench([])
    session = bench.session
    bench.finish()
    with pytest.raises(BusbenchError, match="recordings are pcapng: end the name in "):
        session.start("f.csv")
    assert not session.words
    path = tmp_path / "F.PCAPNG"
    path.write_bytes(b"")
    with pytest.raises(BusbenchError, match="exists already"):
        session.start(str(path))
    session.start(str(path), force=True)
    assert session.state is CheckState.READY
    session.close()
    assert bench.receiver.recordings == ()


def test_lateness_of_the_reader_counts_from_the_start_on(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(chunks_of())
    wakes = [WakeUps(second * 1_000_000_000, (50, *[0] * 14)) for second in (1, 2)]
    for second, wake in enumerate(wakes, 1):
        monkeypatch.setattr(bench.port, "wakes", lambda wake=wake: [wake])
        bench.at(second * 1_000_000_000)
    assert bench.session.recording().info.wakes == wakes
    bench.finish()
    assert bench.session.recording().info.wakes == wakes
    bench.session.start()
    assert bench.session.recording().info.wakes == []


def test_a_port_that_runs_ahead_of_the_clock_is_annotated_by_its_bytes() -> None:
    """As a virtual receiver at full speed does."""
    bench = Bench(chunks_of())
    bench.at(2_000_000_000)
    last_ns = bench.receiver.last_t_ns
    bench.port.t_ns = 1_000_000_000
    bench.session.hear(Word.GO)
    assert bench.session.begun_ns == last_ns
    assert [note.t_ns for note in bench.receiver.annotations] == [last_ns]


def test_a_session_that_is_closed_hears_nothing_more() -> None:
    bench = Bench(chunks_of())
    bench.at(1_000_000_000)
    size = bench.session.recording().span.bytes_total
    assert size > 0
    bench.session.close()
    bench.session.close()
    bench.at(2_000_000_000)
    assert bench.session.recording().span.bytes_total == size


def test_a_step_that_is_done_stays_done_when_it_is_skipped_later() -> None:
    bench = Bench(chunks_of())
    session = bench.session
    session.hear(Word.GO)
    bench.at(5_000_000_000)
    assert (session.at, session.state) == (1, CheckState.READY)
    done = session.results[0]
    assert done
    session.hear(Word.BACK)
    session.hear(Word.SKIP)
    assert (session.at, session.results[0]) == (1, done)
    session.hear(Word.SKIP)
    assert session.results[1] is None


def test_a_source_that_ends_ends_the_check() -> None:
    bench = Bench(chunks_of())
    bench.session.hear(Word.GO)
    bench.at(1_000_000_000)
    bench.port.is_over = True
    assert bench.at(2_000_000_000) is CheckState.OVER
    assert bench.session.done is not None


def test_after_the_last_step_the_first_one_to_repeat_is_led_to() -> None:
    bench = Bench([])
    session = bench.session
    marks = [step.mark for step in session.steps]
    assert session.repeat_at is None
    session.at = 5
    session.repeats = tuple(Repeat(mark, "odd") for mark in (marks[3], "unknown", marks[2]))
    assert session.repeat_at == 2
    session.hear(Word.BACK)
    assert (session.at, session.repeats) == (2, ())
    session.hear(Word.BACK)
    assert session.at == 1
    session.repeats = (Repeat("unknown", "odd"),)
    assert session.repeat_at is None
    session.hear(Word.SKIP)
    assert session.at == 2
    assert not session.repeats
