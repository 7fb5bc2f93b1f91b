"""Lists of channels as typed: 1-4,9,17."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from busbench.errors import BusbenchError, sanitize
from busbench.wire.frame_spec import ALL_CHANNELS


def parse_channels(text: str, *, option: str) -> list[int]:
    """Channels of a list like 1-4,9,17; BusbenchError names the option if it is invalid or beyond 1-18."""
    numbers: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()) or len(part) > 20:
            raise BusbenchError(
                f'{option}: "{sanitize(part, most=40)}" is not a channel', hint="give channels as in 1-4,9,17"
            )
        span = range(int(first), int(last or first) + 1)
        if not span:
            raise BusbenchError(f'{option}: "{part}" runs backwards', hint=f"write {last}-{first}")
        if span[0] < 1 or span[-1] > ALL_CHANNELS:
            raise BusbenchError(f'{option}: "{part}" is out of range', hint=f"give 1 to {ALL_CHANNELS}")
        numbers.extend(span)
    return numbers


def each_channel(words: Iterable[int | str]) -> Iterator[int | str]:
    """Expand lists such as 1-4,9; other words stay unchanged, for an error later."""
    for word in words:
        spans = [span.partition("-") for span in str(word).split(",")]
        texts = [text for first, dash, last in spans for text in (first, last if dash else first)]
        ends = [int(text) if re.fullmatch(r"[0-9]{1,2}", text) else 0 for text in texts]
        pairs = list(zip(ends[::2], ends[1::2], strict=True))
        if isinstance(word, str) and all(1 <= first <= last <= ALL_CHANNELS for first, last in pairs):
            yield from (number for first, last in pairs for number in range(first, last + 1))
        else:
            yield word
