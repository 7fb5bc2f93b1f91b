"""A guided round: chunks and key presses in, the same checks out."""

from __future__ import annotations

import heron

from busbench.bench.check_session import CheckSession
from busbench.model import Chunk
from busbench.verify.procedure import round_of
from busbench.verify.result import Verdict
from tests.verify.rounds import RIG, not_passed


def chunks_of(*faults: heron.Fault) -> list[Chunk]:
    log = heron.read_by_adapter(RIG, heron.fly_round(RIG, faults=faults))
    starts = [0, *log.mark_end[:-1].tolist()]
    return [
        Chunk(t, log.data[start:end].tobytes())
        for start, end, t in zip(starts, log.mark_end.tolist(), log.mark_t_ns.tolist(), strict=True)
    ]


def lead(*faults: heron.Fault, skip: str = "") -> tuple[CheckSession, dict[str, list[tuple[str, Verdict]]]]:
    """Lead a session through a round whose steps begin at the round's marks; what each step said."""
    session = CheckSession(RIG, source="port", clock=heron.PER_READ)
    flown, chunks = heron.fly_round(RIG, faults=faults), chunks_of(*faults)
    said: dict[str, list[tuple[str, Verdict]]] = {}
    begins = [0, *(t for t, _ in flown.marks)]
    steps = [step for step in session.steps if not step.is_optional]
    for step, begin, end in zip(steps, begins, [*begins[1:], 1 << 62], strict=True):
        if step.mark != skip:
            session.begin(step, t_ns=begin)
        session.feed([chunk for chunk in chunks if begin <= chunk.t_ns < end])
        if step.mark != skip:
            found = session.end(step, t_ns=min(end, chunks[-1].t_ns) - 1)
            said[step.mark] = [(c.name, c.verdict) for c in found if c.verdict is not Verdict.PASS]
    return session, said


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
    session, said = lead()
    assert not any(said.values())
    assert not_passed(session.finish(t_ns=0)) == {}


def test_a_step_tells_its_fault_at_once() -> None:
    session, said = lead("reversed aileron")
    assert said.pop("aileron stick") == [("direction", Verdict.FAIL)]
    assert not any(said.values())
    assert session.finish(t_ns=0).verdict is Verdict.FAIL


def test_a_step_left_out_is_found_by_what_moved() -> None:
    # The words are missing, the moves are not.
    session, _ = lead(skip="rudder stick")
    assert not_passed(session.finish(t_ns=0)) == {}


def test_a_step_done_again_counts_as_done_last() -> None:
    session = CheckSession(RIG, source="port", clock=heron.PER_READ)
    chunks, flown = chunks_of(), heron.fly_round(RIG)
    session.feed(chunks)
    step = session.steps[1]
    session.begin(step, t_ns=0)
    assert ("high end", Verdict.FAIL) in [(c.name, c.verdict) for c in session.end(step, t_ns=2_000_000_000)]
    session.begin(step, t_ns=flown.marks[0][0])
    again = session.end(step, t_ns=flown.marks[1][0])
    assert {c.verdict for c in again} == {Verdict.PASS}


def test_silence_at_the_end_counts() -> None:
    session = CheckSession(RIG, source="port", clock=heron.PER_READ)
    chunks = chunks_of()[:2000]
    session.feed(chunks)
    found = session.finish(t_ns=chunks[-1].t_ns + 3_000_000_000)
    assert found.loss is not None
    assert found.loss.is_silent
    assert not found.loss.has_ended


def test_a_session_without_a_byte_fails() -> None:
    session = CheckSession(RIG, source="port", clock=heron.PER_READ)
    session.feed([])
    session.begin(session.steps[1], t_ns=5)
    assert session.end(session.steps[1], t_ns=6) == ()
    assert session.finish(t_ns=7).verdict is Verdict.FAIL
