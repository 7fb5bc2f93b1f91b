"""Counts, microseconds and percent: literal values, both ways."""

from __future__ import annotations

import numpy as np
import pytest

from busbench.wire.scale import Scale, whole


# Common practice, no source.
@pytest.mark.parametrize(
    ("counts", "us", "percent"),
    [
        (992, 1500.0, 0.0),
        (172, 987.5, -100.1221),
        (173, 988.125, -100.0),
        (1811, 2011.875, 100.0),
        (0, 880.0, -121.1233),
    ],
)
def test_the_default_scale(counts: int, us: float, percent: float) -> None:
    scale = Scale()
    assert scale.to_us(counts) == us
    assert scale.to_percent(counts) == pytest.approx(percent, abs=5e-5)
    assert scale.to_counts(us) == counts
    assert scale.from_percent(scale.to_percent(counts)) == pytest.approx(counts)


def test_another_centre() -> None:
    scale = Scale(centre_counts=1024, centre_us=1520.0, us_per_count=0.5)
    assert scale.to_us(1024) == 1520.0
    assert scale.to_counts(1521.25) == 1026.5
    assert scale.from_percent(50) == 1433.5
    assert scale.describe() == "1520 µs at 1024 counts, 0.5 µs a count"


def test_the_text_of_the_default() -> None:
    assert Scale().describe() == "1500 µs at 992 counts, 0.625 µs a count"


def test_arrays_of_any_shape_and_dtype() -> None:
    counts = np.array([[172, 992], [1811, 2047]], np.uint16)
    assert Scale().to_us(counts).tolist() == [[987.5, 1500.0], [2011.875, 2159.375]]
    assert Scale().to_counts(np.array([987.5, 1500.0])).tolist() == [172.0, 992.0]


def test_whole_counts_for_the_wire() -> None:
    assert whole(991.6) == 992
    rounded = whole(np.array([0.4, 2047.4, 172.0]))
    assert rounded.dtype == np.uint16
    assert rounded.tolist() == [0, 2047, 172]
    assert whole(np.array([-3.0, 2500.0]), clip=True).tolist() == [0, 2047]
    assert [whole(half) for half in (0.5, 1.5, 2.5, -0.5)] == [0, 2, 2, 0]  # halves to even


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        (2048.0, "2048 counts does not fit a frame: give 0 to 2047"),
        (float("nan"), "nan counts does not fit a frame"),
        (np.array([5.0, -0.6]), "-0.6 counts at index 1 does not fit a frame"),
    ],
)
def test_what_the_wire_cannot_carry_is_named(counts: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        whole(counts)


def test_no_number_is_ever_clipped_into_one() -> None:
    with pytest.raises(ValueError, match="nan"):
        whole(float("nan"), clip=True)


@pytest.mark.parametrize(("scale", "name"), [((992, 1500, 0), "us_per_count"), ((992, float("inf"), 1), "centre_us")])
def test_a_scale_that_cannot_be(scale: tuple[float, float, float], name: str) -> None:
    with pytest.raises(ValueError, match=name):
        Scale(*scale)
