"""The lines of a virtual receiver: the bus, and pulses that follow its frames."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.drive.outputs import receiver_lines
from busbench.line import BUS_LINE
from busbench.model import I64, U16
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.scale import Scale
from busbench.wire.uart import encode_line

T_NS: I64 = np.array([5_000_000, 19_000_000, 40_000_000], np.int64)
DONE_NS = T_NS + 3_000_000  # 25 characters of 12 bits at 100 000 baud
SCALE = Scale(1000.0, 1500.0, 0.5)


def counts() -> U16:
    rows = np.full((3, 16), 1000, np.uint16)
    rows[:, 0] = 200, 1000, 2000  # 1100, 1500 and 2000 us
    rows[:, 15] = 1001
    return rows


def lines(outputs: dict[str, int], **how: int) -> dict[str, Edges]:
    none = np.zeros(3, np.uint8)
    raw = pack_frames(counts(), none, none)
    return receiver_lines(raw, t_ns=T_NS, counts=counts(), outputs=outputs, scale=SCALE, **how)


def pulses(edges: Edges) -> list[tuple[int, int]]:
    """Start and width of each pulse, ns."""
    rise, fall = edges.t_ns[::2], edges.t_ns[1::2]
    return list(zip(rise.tolist(), (fall - rise).tolist(), strict=True))


def test_the_bus_comes_first_and_has_each_character_at_its_time() -> None:
    made = lines({"a": 1, "b": 16})
    assert list(made) == ["bus", "a", "b"]
    none = np.zeros(3, np.uint8)
    data = pack_frames(counts(), none, none).reshape(-1)
    times = [start + 120_000 * character for start in T_NS.tolist() for character in range(25)]
    alone = encode_line(data, np.array(times, np.int64))
    assert BUS_LINE.character_ns == 120_000
    assert np.array_equal(made["bus"].t_ns, alone.t_ns)


@pytest.mark.parametrize("latency_ns", [None, 0, 1_000_000, 2_500_000])
def test_a_pulse_for_each_frame_follows_it_by_the_latency(latency_ns: int | None) -> None:
    how = {} if latency_ns is None else {"latency_ns": latency_ns}
    late_ns = 1_000_000 if latency_ns is None else latency_ns
    made = lines({"a": 1, "b": 16}, **how)
    starts = (DONE_NS + late_ns).tolist()
    assert pulses(made["a"]) == list(zip(starts, (1_100_000, 1_500_000, 2_000_000), strict=True))
    assert pulses(made["b"]) == [(start, 1_500_500) for start in starts]


def test_pulses_of_their_own_period_have_the_width_of_the_last_frame_that_they_can_obey() -> None:
    # From 9 ms on every 7 ms, up to 9 ms after the start of the last frame and the latency: 50 ms.
    made = lines({"a": 1}, period_ns=7_000_000)
    starts = [9_000_000, 16_000_000, 23_000_000, 30_000_000, 37_000_000, 44_000_000]
    # The second frame ends at 22 ms, the third at 43 ms: the pulses 1 ms later obey them.
    widths = [1_100_000, 1_100_000, 1_500_000, 1_500_000, 1_500_000, 2_000_000]
    assert pulses(made["a"]) == list(zip(starts, widths, strict=True))
    later = lines({"a": 1}, period_ns=7_000_000, latency_ns=1_000_001)
    assert pulses(later["a"]) == [(start + 1, width) for start, width in zip(starts, widths, strict=True)]


@pytest.mark.parametrize(("how", "end_ns"), [
    ({}, 50_000_000),
    ({"latency_ns": 0}, 49_000_000),
    ({"latency_ns": 8_500_000}, 57_500_000),
])  # fmt: skip
def test_a_line_ends_9_ms_and_the_latency_after_the_last_frame_began(how: dict[str, int], end_ns: int) -> None:
    line = lines({"a": 1}, **how)["a"]
    assert (line.initial, line.start_ns, line.end_ns) == (0, 0, end_ns)


def test_a_pulse_that_lasts_longer_is_not_cut() -> None:
    # The last one begins at 43 + 6 ms.
    wide = Scale(0.0, 100.0, 5.0)
    raw = pack_frames(counts(), np.zeros(3, np.uint8), np.zeros(3, np.uint8))
    line = receiver_lines(raw, t_ns=T_NS, counts=counts(), outputs={"a": 1}, scale=wide, latency_ns=6_000_000)["a"]
    assert line.end_ns == line.t_ns[-1] == 49_000_000 + 10_100_000
