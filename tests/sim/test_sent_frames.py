"""Frames of a virtual aircraft step by step: when the link comes and goes, and where and when a fault shows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from busbench.model import F64, U16
from busbench.rig.load import parse_rig
from busbench.rig.model import Rig
from busbench.sim.aircraft import VirtualAircraft
from busbench.sim.aircraft_faults import parse_fault
from busbench.verify import procedure
from busbench.verify.windows import LINK_MARK, OFF_MARK, ON_MARK, POWER_MARK, REST_MARK
from busbench.wire.codec import unpack_channels
from busbench.wire.frame_spec import FLAG_FAILSAFE, FLAG_LOST
from tests.rig.rigs import device, rig

S = 1_000_000_000
SAFE = FLAG_LOST | FLAG_FAILSAFE
RIG = parse_rig("""
[rig]
name = "Heron"
period_ms = 10
[supply]
voltage_v = 7.4
[[device]]
name = "aileron"
channel = 1
failsafe = 50
[[device]]
name = "elevator"
channel = 2
failsafe = "hold"
[[device]]
name = "motor"
channel = 3
motor = true
rest_pct = -100
failsafe = -100
""")
LOW, MID, HIGH = 173, 992, 1811


def step(mark: str) -> procedure.TestStep:
    return next(one for one in procedure.round_of(RIG) if one.mark == mark)


class Sent:
    """Frames by their times in s: counts (N, 16) and byte 23."""

    def __init__(self, t_s: F64, counts: U16, flags: U16) -> None:
        self.t_s, self.counts, self.flags = t_s, counts, flags

    def when(self, is_so: Callable[[U16, U16], np.ndarray]) -> tuple[float, float, int]:
        """First and last time of frames, and how many they are, of which something is so."""
        rows = np.flatnonzero(is_so(self.counts, self.flags))
        return round(float(self.t_s[rows[0]]), 3), round(float(self.t_s[rows[-1]]), 3), rows.size


def flown(steps: list[tuple[str, float]], *faults: str, plan: Rig = RIG, until_s: float) -> Sent:
    """Steps at their times; the frames, each at the begin of its slot."""
    aircraft = VirtualAircraft(plan, faults=[parse_fault(text) for text in faults])
    chunks = []
    for mark, at_s in steps:
        chunks += aircraft.run(round(at_s * S))
        aircraft.begin(step(mark))
    chunks += aircraft.run(round(until_s * S))
    raw = np.array([list(one.data) for one in chunks if len(one.data) == 25], np.uint8)
    t_s = np.array([one.t_ns for one in chunks if len(one.data) == 25]) / 1e9 - 0.003 - 0.002
    return Sent(np.round(t_s, 2), unpack_channels(raw), raw[:, 23].astype(np.uint16))


OFF_AND_ON = [(REST_MARK, 0.0), (OFF_MARK, 2.0), (ON_MARK, 4.0)]


def test_the_link_is_lost_flagged_and_back() -> None:
    """Lost at once, failsafe after 0.6 s, and good frames half a second after switching on."""
    sent = flown(OFF_AND_ON, until_s=6.0)
    assert sent.when(lambda counts, flags: flags == FLAG_LOST) == (2.0, 2.59, 60)
    assert sent.when(lambda counts, flags: flags == SAFE) == (2.6, 4.49, 190)
    assert sent.when(lambda counts, flags: flags == 0)[1] == 5.99
    assert sent.when(lambda counts, flags: counts[:, 0] == MID + 410)[:2] == (2.6, 4.49)  # half of full command
    assert set(sent.counts[:, 1].tolist()) == {MID}
    assert set(sent.counts[:, 2].tolist()) == {LOW}


@pytest.mark.parametrize(
    ("fault", "lost", "safe"),
    [
        ("failsafe-late", (2.0, 4.49, 250), None),  # 3 s: the link is back before
        ("failsafe-late::1.5", (2.0, 3.49, 150), (3.5, 4.49, 100)),
        ("failsafe-drops", (2.0, 2.59, 60), (2.6, 3.59, 100)),
        ("failsafe-drops::0.25", (2.0, 2.59, 60), (2.6, 2.84, 25)),
        ("no-failsafe", None, None),
        ("failsafe-silent", (2.0, 2.59, 60), None),
    ],
)
def test_how_failsafe_shows(
    fault: str, lost: tuple[float, float, int] | None, safe: tuple[float, float, int] | None
) -> None:
    sent = flown(OFF_AND_ON, fault, until_s=6.0)
    for flag, wanted in ((FLAG_LOST, lost), (SAFE, safe)):
        if wanted is None:
            assert not (sent.flags == flag).any()
        else:
            assert sent.when(lambda counts, flags, flag=flag: flags == flag) == wanted  # type: ignore[misc]
    assert len(sent.t_s) == (410 if fault == "failsafe-silent" else 600)


@pytest.mark.parametrize(
    ("fault", "steps", "channel", "value", "when"),
    [
        ("pulse-at-rest:aileron", [(REST_MARK, 1.0)], 1, HIGH, (2.0, 2.29, 30)),  # a second after the step began
        ("pulse-at-rest:aileron:1.5", [(REST_MARK, 1.0)], 1, HIGH, (2.0, 3.49, 150)),
        ("pulse-at-rest:motor", [(REST_MARK, 1.0)], 3, HIGH, (2.0, 2.29, 30)),
        ("pulse-lost:aileron", OFF_AND_ON, 1, HIGH, (2.0, 2.29, 30)),
        ("pulse-lost:aileron:5", OFF_AND_ON, 1, HIGH, (2.0, 2.59, 60)),  # no longer than it is lost
        ("pulse-failsafe:motor", OFF_AND_ON, 3, HIGH, (3.1, 3.39, 30)),  # half a second into failsafe
        ("pulse-failsafe:motor:60", OFF_AND_ON, 3, HIGH, (3.1, 4.49, 140)),
        ("pulse-failsafe:aileron", OFF_AND_ON, 1, LOW, (3.1, 3.39, 30)),  # away from its failsafe
        ("pulse-return:motor", OFF_AND_ON, 3, HIGH, (4.5, 4.79, 30)),
        ("pulse-return:aileron:1", OFF_AND_ON, 1, HIGH, (4.5, 5.49, 100)),
        ("failsafe-stays:aileron", OFF_AND_ON, 1, MID + 410, (2.6, 5.99, 340)),
    ],
)
def test_where_a_fault_shows_and_for_how_long(
    fault: str, steps: list[tuple[str, float]], channel: int, value: int, when: tuple[float, float, int]
) -> None:
    sent = flown(steps, fault, until_s=6.0)
    assert sent.when(lambda counts, flags: counts[:, channel - 1] == value) == when
    sound = flown(steps, until_s=6.0)
    others = [at for at in range(16) if at != channel - 1]
    assert (sent.counts[:, others] == sound.counts[:, others]).all()
    assert (sent.flags == sound.flags).all()


def test_lost_frames_while_the_transmitter_is_on_show_no_pulse() -> None:
    sent = flown(OFF_AND_ON, "pulse-lost:aileron:5", "lost-frames::50", until_s=6.0)
    assert (sent.flags[:200] == FLAG_LOST).sum() > 50
    assert sent.when(lambda counts, flags: counts[:, 0] == HIGH) == (2.0, 2.59, 60)


POWERED = [(REST_MARK, 0.0), (POWER_MARK, 2.0), (LINK_MARK, 5.0)]


def test_a_receiver_that_is_switched_on_first_is_in_failsafe() -> None:
    """It takes a second to start; the link comes half a second after the transmitter."""
    sent = flown(POWERED, until_s=7.0)
    assert not ((sent.t_s >= 2.0) & (sent.t_s < 3.0)).any()
    assert sent.when(lambda counts, flags: flags == SAFE) == (3.0, 5.49, 250)
    assert sent.when(lambda counts, flags: counts[:, 0] == MID + 410) == (3.0, 5.49, 250)
    wild = flown(POWERED, "power-up-wild:motor", until_s=7.0)
    assert wild.when(lambda counts, flags: counts[:, 2] == HIGH) == (3.0, 5.49, 250)
    drops = flown(POWERED, "failsafe-drops::0.2", until_s=7.0)
    assert (drops.flags == sent.flags).all()  # it drops while the transmitter is off only
    stays = flown(POWERED, "failsafe-stays:aileron", until_s=7.0)
    assert stays.when(lambda counts, flags: (flags == 0) & (counts[:, 0] == MID + 410)) == (5.5, 6.99, 150)


@pytest.mark.parametrize(
    ("fault", "value"),
    [
        ("failsafe-value:aileron", MID - 82),  # 60 % below the planned 50
        ("failsafe-value:elevator", MID + 491),  # held is taken as 0
        ("failsafe-value:aileron:20", MID + 164),
        ("failsafe-value:motor", 173 + 491),
        ("failsafe-held", MID),
    ],
)
def test_another_position_in_failsafe(fault: str, value: int) -> None:
    sent = flown(OFF_AND_ON, fault, until_s=6.0)
    channel = {"aileron": 0, "elevator": 1, "motor": 2}.get(fault.split(":")[1] if ":" in fault else "", 0)
    assert set(sent.counts[sent.flags == SAFE, channel].tolist()) == {value}


@pytest.mark.parametrize(
    ("fault", "changes"),
    [
        ("sent-on:aileron", {0: 0.0, 3: 1.0}),  # the first channel that is free
        ("sent-on:aileron:9", {0: 0.0, 8: 1.0}),
        ("sent-with:aileron:2", {0: 1.0, 1: 0.3}),
        ("sent-short:aileron", {0: 0.6}),
        ("sent-short:aileron:25", {0: 0.25}),
        ("sent-reversed:aileron", {0: -1.0}),
    ],
)
def test_how_a_wrongly_set_transmitter_sends_a_move(fault: str, changes: dict[int, float]) -> None:
    steps = [(REST_MARK, 0.0), ("aileron", 1.0)]
    sound, sent = flown(steps, until_s=5.0), flown(steps, fault, until_s=5.0)
    way = sound.counts[:, 0].astype(float) - MID
    assert (way.min(), way.max()) == (LOW - MID, HIGH - MID)
    for channel, share in ({0: 1.0} | changes).items():
        assert sent.counts[:, channel] - float(MID) == pytest.approx(share * way, abs=1.01)


def test_where_every_channel_is_used_the_next_one_moves_along() -> None:
    plan = rig(*(device(f"d{at}", at) for at in range(1, 17)))
    for name, other in (("d1", 1), ("d15", 15), ("d16", 0)):
        aircraft = VirtualAircraft(plan, faults=[parse_fault(f"sent-with:{name}")])
        assert aircraft._other(aircraft.faults[0]) == other


@pytest.mark.parametrize(("fault", "share"), [("missing-frames", 0.03), ("missing-frames::40", 0.4)])
def test_frames_are_missing_in_their_share(fault: str, share: float) -> None:
    assert 1 - len(flown([], fault, until_s=20.0).t_s) / 2000 == pytest.approx(share, abs=3 * np.sqrt(share / 2000))


@pytest.mark.parametrize(("fault", "share"), [("lost-frames", 0.03), ("lost-frames::40", 0.4)])
def test_frames_are_flagged_in_their_share(fault: str, share: float) -> None:
    sent = flown([], fault, until_s=20.0)
    assert (sent.flags == FLAG_LOST).mean() == pytest.approx(share, abs=3 * np.sqrt(share / 2000))


@pytest.mark.parametrize(("fault", "period_ms"), [("wrong-period", 15.0), ("wrong-period::6.5", 6.5), ("jitter", 10.0)])
def test_another_period(fault: str, period_ms: float) -> None:
    aircraft = VirtualAircraft(RIG, faults=[parse_fault(fault)])
    assert aircraft.period_ns == period_ms * 1e6
    t_ns = np.array([one.t_ns for one in aircraft.run(20 * S)])
    assert np.polyfit(np.arange(t_ns.size), t_ns, 1)[0] == pytest.approx(period_ms * 1e6, rel=1e-4)


@pytest.mark.parametrize(
    ("faults", "rms_us", "most_us"), [((), 17, 36), (("jitter",), 1000, 2000), (("jitter::0.2",), 200, 425)]
)
def test_jitter_of_the_period_is_as_wide_as_stated(faults: tuple[str, ...], rms_us: float, most_us: float) -> None:
    """The sum of three random numbers; of a frame no more than the slot before the first one allows."""
    aircraft = VirtualAircraft(RIG, faults=[parse_fault(text) for text in faults])
    t_ns = np.array([one.t_ns for one in aircraft.run(20 * S)])
    off_us = (t_ns - 5_000_000 - 10_000_000 * np.arange(t_ns.size)) / 1e3
    assert np.std(np.diff(off_us)) == pytest.approx(rms_us, rel=0.05)
    assert 0.8 * most_us < np.abs(off_us).max() <= most_us * 1.001
    assert aircraft.run(20 * S) == []
