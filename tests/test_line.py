"""The line's own figures, and what a simulated source writes down of its lateness."""

from __future__ import annotations

import pytest

from busbench.line import BUS_LINE, WAKE_EDGES_US, Chunk, LineSettings, WakeUps

SECOND_NS = 1_000_000_000


@pytest.mark.parametrize(
    ("line", "bits", "character_ns"),
    [
        (BUS_LINE, 12, 120_000),  # start, 8 data, parity, 2 stop bits at 10 µs each
        (LineSettings(100_000, "N", 2), 11, 110_000),
        (LineSettings(100_000, "O", 1), 11, 110_000),
        (LineSettings(115_200, "N", 1), 10, 86_806),  # 86 805.6
        (LineSettings(9600, "E", 1), 11, 1_145_833),
        (LineSettings(3_000_000, "N", 1), 10, 3_333),
    ],
)
def test_a_character_has_a_start_bit_eight_of_data_and_what_is_set(
    line: LineSettings, bits: int, character_ns: int
) -> None:
    assert (line.character_bits, line.character_ns) == (bits, character_ns)


def test_the_bus_is_the_default() -> None:
    assert LineSettings(baud=100_000, parity="E", stop_bits=2, inverted=True) == BUS_LINE
    assert Chunk(1, b"a").bad == b""


@pytest.mark.parametrize(
    ("first_ns", "last_ns", "at_ns"),
    [
        (5, 5, []),
        (5, SECOND_NS + 4, []),
        (5, SECOND_NS + 5, [SECOND_NS + 5]),
        (5, 2 * SECOND_NS + 4, [SECOND_NS + 5]),
        (-SECOND_NS, 2 * SECOND_NS, [0, SECOND_NS, 2 * SECOND_NS]),
    ],
)
def test_a_simulated_source_is_on_time_in_each_whole_second(first_ns: int, last_ns: int, at_ns: list[int]) -> None:
    wakes = WakeUps.on_time(first_ns, last_ns)
    assert [one.t_ns for one in wakes] == at_ns
    # fifty looks a second, none late
    assert all(one.counts == (50, *[0] * len(WAKE_EDGES_US)) for one in wakes)


def test_the_edges_of_lateness_are_those_of_recordings_that_exist() -> None:
    """Recordings hold counts alone: another edge would change what an older file says."""
    assert WAKE_EDGES_US == (25, 50, 75, 100, 150, 200, 300, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)
