"""Packing against worked vectors and general-purpose bit libraries."""

from __future__ import annotations

import bitstring
import numpy as np
import pytest

from busbench.wire.codec import pack_frames, unpack_channels

# Common practice, no published standard; worked by bitstring, numpy.packbits and plain integers, which agree.
WORKED = [
    (list(range(1, 17)), "0110c000085000031c00010950c00218d000073c0002"),
    ([992] * 16, "e0031ff8c0073ef0810f7c" * 2),
    ([1024] * 16, "0004200001084000021080" * 2),
    ([172] * 16, "ac60052b58c10a56b08215" * 2),
    ([1811] * 16, "139ff8c4273ef1894f7ce2" * 2),
]


@pytest.mark.parametrize(("counts", "payload"), WORKED)
def test_worked_vectors(counts: list[int], payload: str) -> None:
    raw = pack_frames([counts])
    assert raw[0, 1:23].tobytes().hex() == payload
    assert unpack_channels(raw).tolist() == [counts]


def test_against_bitstring_and_numpy_packbits() -> None:
    """bitstring (PyPI) and numpy.packbits build the same payload from strings of bits."""
    counts = np.random.default_rng(2).integers(0, 2048, (200, 16))
    raw = pack_frames(counts)
    for row, frame in zip(counts.tolist(), raw, strict=True):
        bits = "".join(format(value, "011b") for value in reversed(row))
        assert bitstring.BitArray(bin=bits).bytes[::-1] == frame[1:23].tobytes()
    low_first = (counts[:, :, None] >> np.arange(11)) & 1
    packed = np.packbits(low_first.reshape(200, 176).astype(np.uint8), axis=1, bitorder="little")
    assert np.array_equal(packed, raw[:, 1:23])
