"""Random numbers by index against the published generator."""

import numpy as np

from busbench.drive.hash_random import hash_uint64, hash_unit

# The first outputs of SplitMix64 seeded with 0, as its reference program prints them (from memory).
FIRST = (0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4, 0x06C45D188009454F, 0xF88BB8A8724C81EC)


def test_seed_after_seed_gives_the_published_sequence() -> None:
    zero = np.zeros(1, np.int64)
    assert [int(hash_uint64(zero, seed=seed)[0]) for seed in range(4)] == list(FIRST)
    # The top 53 bits as a fraction.
    assert [float(hash_unit(zero, seed=seed)[0]) for seed in range(4)] == [(one >> 11) / 2**53 for one in FIRST]


def test_each_index_has_its_own_number() -> None:
    places = np.arange(-50, 10_000, dtype=np.int64)
    many = hash_uint64(places, seed=2**63 - 1)
    assert len(np.unique(many)) == places.size
    assert np.array_equal(many[100:], hash_uint64(places[100:], seed=2**63 - 1))
    assert abs(hash_unit(places, seed=3).mean() - 0.5) < 0.02
