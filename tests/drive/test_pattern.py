"""The pattern of a cable test, and the account of what came back."""

import itertools
import pickle

import numpy as np
import pytest

from busbench.drive.hash_random import hash_uint64
from busbench.drive.pattern import Echo, PatternSource, judge_echo, pattern_block
from busbench.line import Chunk

BLOCKS = [pattern_block(number, seed=7) for number in range(100)]


def echo(blocks: list[bytes], sent: int = 100) -> Echo:
    """Each block in a read of its own, the first back at 1 ms, the next 7 ms later."""
    return judge_echo([Chunk(1_000_000 + 7_000_000 * i, b) for i, b in enumerate(blocks)], sent=sent, seed=7)


def account(got: Echo) -> tuple[int, int, int, int]:
    return got.intact, got.damaged, got.lost, got.stray_bytes


def test_no_byte_can_begin_a_servo_frame() -> None:
    pattern = b"".join(pattern_block(number, seed=3) for number in range(20_000))
    assert 0x0F not in pattern
    assert len(set(pattern)) == 255
    assert len(pattern) == 20_000 * 25


def test_the_seed_decides() -> None:
    assert pattern_block(5, seed=7) == BLOCKS[5]
    assert pattern_block(5, seed=8)[5:] != BLOCKS[5][5:]
    assert pattern_block(6, seed=7) != BLOCKS[5]


def test_source_gives_them_in_turn_after_pickling() -> None:
    source = pickle.loads(pickle.dumps(PatternSource(3, seed=7, period_s=0.007)))
    assert source.period_s == 0.007
    assert [source.next_frame() for _ in range(4)] == [*BLOCKS[:3], None]
    source = PatternSource(3, seed=7, period_s=0.007)
    source.next_frame()
    source.request_stop()
    assert source.next_frame() is None


def test_all_back() -> None:
    got = echo(BLOCKS)
    assert account(got) == (100, 0, 0, 0)
    assert got.number.tolist() == list(range(100))
    assert got.back_ns[:2].tolist() == [1_000_000, 8_000_000]


def test_reads_may_cut_blocks_anywhere() -> None:
    data = b"".join(BLOCKS)
    chunks = [Chunk(at, data[at : at + 17]) for at in range(0, len(data), 17)]
    got = judge_echo(chunks, sent=100, seed=7)
    assert account(got) == (100, 0, 0, 0)
    assert got.back_ns[:2].tolist() == [17, 34]  # bytes 24 and 49 come with the reads that begin at 17 and 34


def test_damaged_and_lost_are_told_apart() -> None:
    flipped = bytes([BLOCKS[10][0], BLOCKS[10][1] ^ 4]) + BLOCKS[10][2:]
    short = BLOCKS[20][:7]
    assert account(echo([*BLOCKS[:10], flipped, *BLOCKS[11:20], short, *BLOCKS[21:40], *BLOCKS[43:]])) == (95, 2, 3, 32)


def test_the_first_and_the_last_missing() -> None:
    assert account(echo(BLOCKS[1:99])) == (98, 0, 2, 0)


def test_nothing_back_and_nonsense_back() -> None:
    assert account(echo([])) == (0, 0, 100, 0)
    noise = np.random.default_rng(1).integers(0, 256, 2500, np.uint8).tobytes()
    assert account(echo([noise])) == (0, 100, 0, 2500)


def test_another_pattern_is_no_echo() -> None:
    assert account(echo([pattern_block(number, seed=8) for number in range(100)])) == (0, 100, 0, 2500)


@pytest.mark.parametrize(
    ("number", "written"),
    [
        (0, "80 80 80"),
        (1, "81 80 80"),
        (127, "ff 80 80"),
        (128, "80 81 80"),
        (16_383, "ff ff 80"),
        (16_384, "80 80 81"),
        (2**21 - 1, "ff ff ff"),
        (2**21 + 128, "80 81 80"),
    ],
)
def test_a_block_is_its_mark_its_number_and_its_own_bytes(number: int, written: str) -> None:
    block = pattern_block(number, seed=7)
    assert block[:5].hex(" ") == f"a5 5a {written}"
    drawn = [int(one) & 0xFF for one in hash_uint64(np.arange(20) + number % 2**21 * 25, seed=7)]
    assert list(block[5:]) == [0xF0 if one in (0x0F, 0xA5) else one for one in drawn]


def test_numbers_of_every_length_are_read_back() -> None:
    numbers = [5, 126, 127, 128, 129, 16_383, 16_384, 19_999]
    got = echo([pattern_block(number, seed=7) for number in numbers], sent=20_000)
    assert got.number.tolist() == numbers
    assert account(got) == (8, 0, 19_992, 0)


def test_a_block_counts_once_in_its_turn_and_only_if_it_was_sent() -> None:
    assert account(echo([BLOCKS[0], BLOCKS[0], BLOCKS[1]], sent=2)) == (2, 0, 0, 25)
    assert account(echo([BLOCKS[1], BLOCKS[0]], sent=2)) == (1, 0, 1, 25)
    assert account(echo(BLOCKS[:4], sent=3)) == (3, 0, 0, 25)
    assert account(echo(BLOCKS[:3], sent=3)) == (3, 0, 0, 0)


@pytest.mark.parametrize(
    ("between", "missing", "damaged", "lost"),
    [(30, 0, 0, 0), (1, 1, 1, 0), (25, 1, 1, 0), (26, 1, 1, 0), (25, 3, 1, 2), (26, 3, 2, 1), (50, 3, 2, 1),
     (51, 3, 3, 0), (80, 3, 3, 0), (0, 3, 0, 3)],
)  # fmt: skip
def test_bytes_in_place_of_blocks_are_damaged_ones_as_far_as_they_reach(
    between: int, missing: int, damaged: int, lost: int
) -> None:
    noise, after = b"\x33" * between, BLOCKS[10 + missing :]
    assert account(echo([*BLOCKS[:10], noise, *after])) == (100 - missing, damaged, lost, between)
    assert account(echo([noise, *BLOCKS[missing:]])) == (100 - missing, damaged, lost, between)
    assert account(echo([*BLOCKS[: 100 - missing], noise])) == (100 - missing, damaged, lost, between)


def test_a_mark_alone_is_no_block() -> None:
    for scrap in (b"\xa5", b"\x5a", b"\xa5\x5a", b"\xa5\x33\x5a", b"\x33\x5a\xa5"):
        assert account(echo([BLOCKS[0], scrap, BLOCKS[1], scrap], sent=2)) == (2, 0, 0, 2 * len(scrap))


def test_a_block_came_back_with_the_read_that_holds_its_last_byte() -> None:
    data = b"".join(BLOCKS[:6])
    for cuts in ([1], [24], [25], [26], [24, 25, 49, 50, 51], [50, 75, 76], list(range(1, 150))):
        edges = [0, *cuts, 150]
        chunks = [Chunk(1000 * n, data[a:b]) for n, (a, b) in enumerate(itertools.pairwise(edges))]
        got = judge_echo(chunks, sent=6, seed=7)
        last = [25 * block + 24 for block in range(6)]
        assert got.back_ns.tolist() == [1000 * sum(cut <= byte for cut in cuts) for byte in last]
