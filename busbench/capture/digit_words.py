"""Decimal digits of many numbers at once, eight characters to a 64-bit word.

A number's last digit is in the highest byte of a word; the bytes before the number are set to zeros.
Three multiplications then make a value of eight digits.

Source: derivation; each step joins neighbours: digits into pairs, pairs into fours, fours into eights.
"""

from __future__ import annotations

import numpy as np

from busbench.model import I64, U8, U64, Bools

WORD = 8
BEFORE = 2 * WORD  # bytes required before the end of a number in its buffer
_ZEROS = 0x3030303030303030
_ONES = (1 << 64) - 1
# Indexed by the number of digits used: their mask, and zeros for the others.
_COVERS = np.array([_ONES << 8 * (WORD - n) & _ONES for n in range(WORD + 1)], np.uint64)
_FILLS = np.array([_ZEROS & ~(_ONES << 8 * (WORD - n)) for n in range(WORD + 1)], np.uint64)


def load_words(buffer: U8, at: I64) -> U64:
    """Eight bytes from each position, the first in the lowest byte, uint64 (N,); the buffer must hold them."""
    words = np.ndarray((buffer.size - WORD + 1,), "<u8", buffer, 0, (1,))
    return words.take(at)


def whole_numbers(buffer: U8, end: I64, count: I64) -> tuple[U64, Bools]:
    """Numbers of 1 to 16 digits.

    Args:
        buffer: uint8, with BEFORE bytes before each end.
        end: position just past each number's last digit, int64 (N,).
        count: number of digits, int64 (N,).

    Returns:
        uint64 (N,), and True if all characters were digits, bool (N,).
    """
    value, ok = _eight(load_words(buffer, end - WORD), np.minimum(count, WORD))
    ok &= (count > 0) & (count <= 2 * WORD)
    if int(count.max(initial=0)) > WORD:
        high, is_high = _eight(load_words(buffer, end - 2 * WORD), np.clip(count - WORD, 0, WORD))
        value += high * np.uint64(10**WORD)
        ok &= is_high
    return value, ok


def even_decimals(buffer: U8, start: I64, end: I64, *, has_comma: bool = True) -> tuple[U64, int, Bools]:
    """Numbers such as 0.001234 that all have as many digits after the point as the last of them.

    Args:
        buffer: uint8.
        start, end: positions of each number's first character and just past its last, int64 (N,).
        has_comma: True if a comma counts as a point.

    Returns:
        All digits as one number, uint64 (N,); how many are after the point; and True if the cell was such a
        number of at most 15 digits, bool (N,).
    """
    size = end - start
    tail = buffer[int(start[-1]) : int(end[-1])].tobytes() if size.size else b""
    places = len(tail) - 1 - max(tail.rfind(b"."), tail.rfind(b",") if has_comma else -1)
    fits = end >= BEFORE
    end = np.maximum(end, BEFORE)
    if places == len(tail):
        value, ok = whole_numbers(buffer, end, size)
        return value, 0, ok & fits
    if places >= BEFORE:
        return np.zeros(size.size, np.uint64), places, np.zeros(size.size, np.bool_)
    point = buffer[end - places - 1]
    is_point = point == ord(".")
    if has_comma:
        is_point |= point == ord(",")
    fits &= is_point & (size > places)
    low, high = load_words(buffer, end - WORD), load_words(buffer, end - BEFORE)
    count = size - 1
    if places < WORD:
        low, low_digits = _without(low, WORD - 1 - places), WORD - 1
    else:
        high, low_digits = _without(high, BEFORE - 1 - places), WORD
    high_digits = BEFORE - 1 - low_digits
    value, ok = _eight(low, np.clip(count, 0, low_digits))
    more, is_more = _eight(high, np.clip(count - low_digits, 0, high_digits))
    value += more * np.uint64(10**low_digits)
    return value, places, ok & is_more & fits & (count <= BEFORE - 1) & (count > 0)


def _without(words: U64, byte: int) -> U64:
    """Remove one byte from each word; lower bytes move up."""
    above = np.uint64(_ONES << 8 * (byte + 1) & _ONES)
    below = np.uint64((1 << 8 * byte) - 1)
    return (words & above) | ((words & below) << np.uint64(8))


def _eight(words: U64, count: I64) -> tuple[U64, Bools]:
    """Values of the last `count` of eight characters, and True if these are digits."""
    digits = words & _COVERS.take(count)
    digits |= _FILLS.take(count)
    digits -= np.uint64(_ZEROS)
    ok = ((digits | (digits + np.uint64(0x7676767676767676))) & np.uint64(0x8080808080808080)) == 0
    digits *= np.uint64(10 << 8 | 1)
    digits >>= np.uint64(8)
    digits &= np.uint64(0x00FF00FF00FF00FF)
    digits *= np.uint64(100 << 16 | 1)
    digits >>= np.uint64(16)
    digits &= np.uint64(0x0000FFFF0000FFFF)
    digits *= np.uint64(10_000 << 32 | 1)
    digits >>= np.uint64(32)
    return digits, ok
