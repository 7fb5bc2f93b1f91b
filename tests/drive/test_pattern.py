"""The pattern of a cable test, and the account of what came back."""

import pickle

import numpy as np

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
    source = pickle.loads(pickle.dumps(PatternSource(3, seed=7)))
    assert [source.next_frame() for _ in range(4)] == [*BLOCKS[:3], None]
    source = PatternSource(3, seed=7)
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
