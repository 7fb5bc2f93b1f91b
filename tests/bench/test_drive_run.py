"""A run from countdown to end state, by a clock that the test holds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from busbench.bench.drive_run import Outcome, RunState, SendingRun
from busbench.errors import PortError, pluralize
from busbench.port.pacer import FrameSource, Transmission
from tests.port.sources import Counting


@dataclass
class Port:
    """Notes what it is reported."""

    transmission: Transmission | None = None
    orders: list[str] = field(default_factory=list)
    refuses: bool = False

    def transmit(self, source: FrameSource) -> None:
        if self.refuses:
            raise PortError("port", "the port is closed")
        self.orders.append("transmit")
        self.transmission = Transmission()

    def stop_transmission(self) -> None:
        self.orders.append("stop")

    def ends(self, reason: str = "", *, frames: int = 9) -> None:
        self.transmission = Transmission(frames, is_over=True, reason=reason)


class Bench:
    """A run, its port and the clock."""

    def __init__(self, transmission: Transmission | None = None) -> None:
        self.port = Port(transmission)
        self.times_away = self.frames_total = 0
        self.t_ns = 7_000_000_000
        self.run = SendingRun(self, Counting(9), now_ns=lambda: self.t_ns)

    def pass_s(self, seconds: float, *, step_s: float = 0.05) -> SendingRun:
        for _ in range(round(seconds / step_s)):
            self.t_ns += round(step_s * 1e9)
            self.run.tick()
        return self.run


def test_nothing_is_sent_before_three_seconds_have_passed() -> None:
    bench = Bench()
    run = bench.pass_s(2.95)
    assert (run.state, round(run.left_s, 6), bench.port.orders) == (RunState.COUNTING, 0.05, [])
    assert (bench.pass_s(0.05).state, bench.port.orders) == (RunState.SENDING, ["transmit"])
    bench.port.transmission = Transmission(100)
    assert (bench.pass_s(1.0).how.frames, run.duration_s, run.is_over) == (100, 1.0, False)
    bench.port.ends(frames=143)
    run = bench.pass_s(0.05)
    assert (run.state, run.outcome, run.reason, run.how.frames) == (RunState.OVER, Outcome.RAN, "", 143)


def test_a_key_in_the_countdown_cancels() -> None:
    bench = Bench()
    bench.pass_s(2.95).stop()
    run = bench.pass_s(9)
    assert (run.outcome, run.reason, run.has_sent, bench.port.orders) == (Outcome.CANCELLED, "", False, [])


def test_a_key_while_sending_goes_to_the_end_state_and_a_second_one_ends_a_hold() -> None:
    bench = Bench()
    bench.pass_s(3.0).stop()
    assert (bench.run.state, bench.port.orders) == (RunState.STOPPING, ["transmit", "stop"])
    bench.pass_s(1.0).stop()
    assert bench.port.orders == ["transmit", "stop", "stop"]
    bench.port.ends("stopped")
    assert (bench.pass_s(0.05).outcome, bench.run.is_over) == (Outcome.STOPPED, True)
    bench.run.stop()
    assert bench.port.orders == ["transmit", "stop", "stop"]


@pytest.mark.parametrize(
    ("gone_s", "outcome", "reason"),
    [(0.9, None, ""), (1.2, Outcome.CANCELLED, "busbench was stopped for 1.2 s"),
     (3600.0, Outcome.CANCELLED, "busbench was stopped for 3600.0 s")],
)  # fmt: skip
def test_a_pause_in_the_countdown_cancels(gone_s: float, outcome: Outcome | None, reason: str) -> None:
    bench = Bench()
    bench.pass_s(1.0)
    run = bench.pass_s(gone_s, step_s=gone_s)
    assert (run.outcome, run.reason, bench.port.orders) == (outcome, reason, [])
    assert round(run.left_s, 6) == (1.75 if outcome is None else 2.0)  # a look that was late takes off 0.25 s only


def test_a_port_that_was_away_in_the_countdown_is_not_driven() -> None:
    bench = Bench()
    bench.pass_s(1.0)
    bench.times_away = 1
    run = bench.pass_s(9)
    assert (run.outcome, run.reason, run.has_sent) == (Outcome.LOST, "the port was unplugged", False)
    assert bench.port.orders == []


def test_what_was_sent_before_comes_to_its_end_first() -> None:
    bench = Bench(Transmission(500))
    bench.pass_s(3.0)
    assert (bench.run.state, bench.port.orders) == (RunState.HANDING_OVER, ["stop"])
    bench.port.ends("stopped")
    assert (bench.pass_s(0.05).state, bench.port.orders) == (RunState.SENDING, ["stop", "transmit"])


def test_a_key_while_it_hands_over_sends_nothing_new() -> None:
    bench = Bench(Transmission(500))
    bench.pass_s(3.0).stop()
    bench.port.ends("stopped")
    assert (bench.pass_s(1.0).outcome, bench.port.orders) == (Outcome.CANCELLED, ["stop"])


def test_what_was_broken_off_while_it_hands_over_is_not_followed_by_a_motion() -> None:
    bench = Bench(Transmission(500))
    bench.pass_s(3.0)
    bench.port.ends("the port took nothing for 0.5 s")
    run = bench.pass_s(1.0)
    assert (run.outcome, run.reason) == (Outcome.LOST, "the port took nothing for 0.5 s")
    assert bench.port.orders == ["stop"]


def test_one_that_was_broken_off_long_before_is_no_hindrance() -> None:
    bench = Bench(Transmission(500, is_over=True, reason="the port was unplugged"))
    assert bench.pass_s(3.0).state is RunState.SENDING


@pytest.mark.parametrize("is_stopped", [False, True])
def test_what_ends_by_itself_is_lost_even_where_a_key_was_pressed(is_stopped: bool) -> None:
    bench = Bench()
    bench.pass_s(3.0)
    if is_stopped:
        bench.run.stop()
    bench.port.ends("the computer was suspended for 3600.0 s")
    run = bench.pass_s(0.05)
    assert (run.outcome, run.reason) == (Outcome.LOST, "the computer was suspended for 3600.0 s")


def test_a_port_that_raises_is_lost() -> None:
    bench = Bench()
    bench.pass_s(3.0)
    bench.port.transmission = replace(Transmission(77), is_over=True, reason="gone")
    bench.run.lose("its process has died")
    run = bench.pass_s(1.0)
    assert (run.outcome, run.reason, run.how.frames) == (Outcome.LOST, "its process has died", 77)


def test_a_port_that_will_not_send_is_lost() -> None:
    bench = Bench()
    bench.port.refuses = True
    run = bench.pass_s(3.0)
    assert (run.outcome, run.reason, run.has_sent) == (Outcome.LOST, "the port is closed", False)


@pytest.mark.parametrize("frames", [1, 214])
def test_nothing_is_sent_where_another_sender_is_on_the_line(frames: int) -> None:
    bench = Bench()
    bench.pass_s(2.9)
    bench.frames_total = frames
    run = bench.pass_s(0.1)
    assert (run.outcome, run.has_sent, bench.port.orders) == (Outcome.REFUSED, False, [])
    assert run.result_text == (
        f"nothing was sent, since another sender is on the line ({pluralize(frames, 'frame')} came):"
        " unplug the bus lead from the receiver, or the receive wire"
    )


def test_what_came_before_the_countdown_is_no_hindrance() -> None:
    bench = Bench()
    bench.frames_total = 500
    bench.run = SendingRun(bench, Counting(9), now_ns=lambda: bench.t_ns)
    assert bench.pass_s(3.0).is_sending


@pytest.mark.parametrize(("at_s", "outcome"), [(0.4, None), (0.6, Outcome.REFUSED)])
@pytest.mark.parametrize("runs_on_s", [0.0, 1.0])
def test_an_echo_of_what_was_sent_before_is_no_other_sender(
    at_s: float, outcome: Outcome | None, runs_on_s: float
) -> None:
    bench = Bench(Transmission(500, is_over=not runs_on_s))
    for _ in range(round(runs_on_s / 0.05)):
        bench.frames_total += 4
        bench.pass_s(0.05)
    bench.port.ends("stopped", frames=500)
    bench.pass_s(at_s)
    bench.frames_total += 1
    assert bench.pass_s(3.0 - runs_on_s - at_s).outcome is outcome


def test_the_words_of_each_end() -> None:
    cancelled = Bench()
    cancelled.run.stop()
    assert cancelled.run.result_text == "cancelled; nothing was sent"
    paused = Bench().pass_s(1.5, step_s=1.5)
    assert paused.result_text == "cancelled: busbench was stopped for 1.5 s; nothing was sent"
    away = Bench()
    away.times_away = 1
    assert away.pass_s(0.05).result_text == "cancelled: the port was unplugged; nothing was sent"
    refused = Bench()
    refused.port.refuses = True
    assert refused.pass_s(3.0).result_text == "the port is closed"
    before = Bench(Transmission(500))
    before.pass_s(3.0).stop()
    assert before.run.result_text == "cancelled; nothing was sent; what was sent before has stopped"
    sent = Bench()
    sent.pass_s(3.0)
    sent.port.ends("stopped", frames=1)
    assert sent.pass_s(0.05).result_text == "1 frame sent, 0 late, 0 skipped, worst lateness 0.000 ms (stopped)"
    lost = Bench()
    lost.pass_s(3.0)
    lost.run.lose("its process has died")
    assert lost.run.result_text == ("0 frames sent, 0 late, 0 skipped, worst lateness 0.000 ms (its process has died)")
    assert lost.run.duration_s == 0.0


@pytest.mark.parametrize(("step_s", "is_over"), [(1.0, False), (1.001, True)])
def test_a_pause_is_longer_than_a_second(step_s: float, is_over: bool) -> None:
    assert Bench().pass_s(step_s, step_s=step_s).is_over is is_over


def test_a_run_that_is_over_stays_as_it_is() -> None:
    bench = Bench()
    bench.run.stop()
    for act in (bench.run.stop, lambda: bench.run.lose("gone"), bench.run.tick):
        act()
    assert (bench.run.outcome, bench.run.reason, bench.port.orders) == (Outcome.CANCELLED, "", [])
    assert (bench.run.is_sending, bench.run.left_s) == (False, 3.0)


def test_a_countdown_may_be_shorter_and_never_shows_less_than_nothing() -> None:
    bench = Bench()
    bench.run = SendingRun(bench, Counting(9), countdown_s=0.1, now_ns=lambda: bench.t_ns)
    assert bench.run.left_s == 0.1
    run = bench.pass_s(0.2, step_s=0.2)
    assert (run.left_s, run.state, run.is_sending) == (0.0, RunState.SENDING, True)
